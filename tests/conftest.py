"""Every run of the tests draws the same examples, and a slow machine is no failure."""

from hypothesis import settings

settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile("fixed")
