"""Maths of gauge studies: designs, variance components and their intervals."""
