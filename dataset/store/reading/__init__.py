"""Rows as records, and the quick way to them: nothing in here loads SQLAlchemy, which takes longer to load
than most reading does.
"""
