"""Maths of capability: indices, shapes, tolerance intervals and what may be said of them."""
