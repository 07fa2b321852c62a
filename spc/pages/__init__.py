"""Studies into something to look at: pages, tables, terminal text and JSON. Never the store."""
