"""Results after QIF 3.0 (ISO 23952): what the document holds, and what becomes of it."""
