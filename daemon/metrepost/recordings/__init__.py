"""Recordings: what the core eats, as tables of Parquet or CSV, and rehearsal of a line on them."""
