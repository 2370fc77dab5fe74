"""The store: the only place with SQL. :class:`Store` is its door; everything else here lies behind it.

``Store`` is imported when it is first asked for, since the lists of :mod:`dataset.store.listing` do without
the mapper.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataset.store.facade import Store

__all__ = ["Store"]


def __getattr__(name: str) -> Any:
    """The door itself."""
    if name != "Store":
        raise AttributeError(f"module 'dataset.store' has no attribute {name!r}")
    from dataset.store.facade import Store

    return Store
