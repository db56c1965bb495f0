"""A recording's folder: its tables, writing, reading."""
