"""Maths of control charts. Arrays are (runs, points), mm, NaN = missing.

Values stand in time order down the runs. ``spans`` labels stretches that belong together:
ranges, run rules and memories never reach across a change of label, nor across a missing value.
"""
