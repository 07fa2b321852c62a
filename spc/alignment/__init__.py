"""Maths of one alignment: hits, best fit, reliability and form.

Arrays are (runs, points) float64 in mm, NaN = missing.
"""
