"""What holds the pages together: contents, search, audit, signing in, and the files that pages load."""
