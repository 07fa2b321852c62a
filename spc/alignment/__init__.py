"""Maths of one alignment: hits, best fit, reliability and form. Arrays are (runs, points), mm, NaN = missing."""
