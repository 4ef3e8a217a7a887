"""The DuckDB file and its record; sees no answer."""
