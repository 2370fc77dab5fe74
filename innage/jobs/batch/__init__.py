"""Many at once, from lines of a file: all are checked first, then all are taken or none."""
