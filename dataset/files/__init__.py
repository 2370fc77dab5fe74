"""Cells of files, without meaning: text, Parquet, lines, stretches."""
