"""Maths of control charts. Arrays are (runs, points), mm, NaN = missing."""
