"""Statistical process control of repeat alignments."""

__version__ = "0.1.0"
