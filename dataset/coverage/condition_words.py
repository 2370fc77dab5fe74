"""Conditions as words, one a stated axis value; without numpy, since lists are made of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dataset.records import Conditions

TILTED = "tilted"


def condition_words(conditions: Conditions | None) -> tuple[str, ...]:
    """The conditions as words, one a stated axis value; a tilt of nothing is not one."""
    if conditions is None:
        return ()
    stated = [word.value for word in (*conditions.surface, *conditions.wall)]
    stated += [conditions.flow.value] if conditions.flow is not None else []
    stated += [TILTED] if conditions.tilt_deg is not None and any(conditions.tilt_deg) else []
    stated += [conditions.coupling.value] if conditions.coupling is not None else []
    stated += [conditions.appliance] if conditions.appliance else []
    return tuple(stated)


def words_of_content(content: Mapping[str, Any]) -> tuple[str, ...]:
    """The same of conditions as the store keeps them, the words of an axis by the alphabet."""
    single = [content.get("flow"), TILTED if any(content.get("tilt_deg", ())) else None]
    single += [content.get("coupling"), content.get("appliance")]
    stated = (*content.get("surface", ()), *content.get("wall", ()), *single)
    return tuple(str(word) for word in stated if word)
