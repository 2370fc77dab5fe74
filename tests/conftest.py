"""Every run of the tests draws the same examples, a slow machine is no failure, and the longest test does not begin last."""

import pytest
from hypothesis import settings

settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile("fixed")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The two hundred kills come first: they take minutes, in which another worker does the rest."""
    items.sort(key=lambda item: "::test_kills" not in item.nodeid)
