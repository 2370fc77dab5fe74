"""What figures say of the frozen set that they are of, and what was amended since. Lists of models
ask for it, so nothing in here loads arrays.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataset.records import FrozenSet, Session


def set_reference(frozen_set: FrozenSet) -> dict[str, Any]:
    """The frozen set that figures are of, ready for JSON."""
    return {
        "name": frozen_set.name,
        "sha256": frozen_set.sha256,
        "group_by": frozen_set.group_by,
        "origin": frozen_set.origin,
    }


def said_otherwise(frozen: Session, now: Session) -> bool:
    """Whether something else is said of a session ``now`` than when it was ``frozen``."""
    return (frozen.amendment, frozen.mark_revision) != (now.amendment, now.mark_revision) or bool(
        now.amended_apart
    )
