"""The queue of jobs: who asked for what, which runner holds it until when, and what it came to.

The rows are the truth. A runner holds a job for as long as its lease runs, by the database's clock, and each
of its writes names the number (the fence) that it was given with it, so that one which was taken for lost
writes nothing any more.
"""
