"""The DuckDB store: the only SQL that touches its tables."""
