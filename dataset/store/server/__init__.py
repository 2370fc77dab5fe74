"""A store in a database on a PostgreSQL server, behind the same door as one in a file.

Nothing here is imported before a place names a server: the driver is an extra (``innage[postgres]``).
"""
