"""The report: one HTML page, its tables and pictures."""
