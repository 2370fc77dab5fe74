"""What is shown of frozen sets: their groups with the roles, how clean their bands are, what came since."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dataset.records import ID_DIGITS, GroupBy, Role
from dataset.values import natural
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from dataset.records import FrozenSet
    from innage.jobs.models.choosing import Frozen


def show_frozen(frozen: Frozen) -> None:
    """The groups in the order of their roles, and what the set holds."""
    frozen_set = frozen.frozen_set
    roles: Mapping[str, Role] = dict(frozen_set.roles)
    order = list(Role)
    rows = [
        (group.name, roles[group.name], group.frames, len(group.sessions))
        for group in sorted(
            frozen.groups, key=lambda group: (order.index(roles[group.name]), natural(group.name))
        )
    ]
    table(
        f"frozen set {frozen_set.name}: groups by {frozen_set.group_by}",
        (frozen_set.group_by, "role", "frames", "sessions"),
        rows,
    )
    totals = ", ".join(
        f"{role} {sum(group.frames for group in frozen.groups if roles[group.name] is role)}"
        for role in order
        if frozen_set.groups(role)
    )
    say(
        f"frames: {totals}; sessions: {len(frozen_set.sessions)} ({frozen_set.origin}); trims: "
        f"{len(frozen_set.trims)}; hash {frozen_set.sha256}"
    )
    if frozen_set.even_if_warned is not None:
        say(f"with sessions that were warned of: {frozen_set.even_if_warned}")
    for session, warning in frozen.warned_since:
        say(f"warning: session {session.id}, since it came in: {warning.sentence}")
    if without := frozen.tanks_without_prove:
        say(
            f"warning: no group to prove is of tank {', '.join(without)}: the test of a model says nothing "
            "of its error there. Give 'prove' groups of each tank, or freeze one tank with --tank"
        )
    if frozen.benches:
        say("benches: " + ", ".join(f"{group} is {name}" for group, name in frozen.benches))
    if frozen_set.group_by is GroupBy.TEMPERATURE:
        for sentence in _on_bands(frozen):
            say(sentence)


def show_since(frozen: Frozen) -> None:
    """What came after the freezing: voided sessions, openings of 'prove'."""
    for session in frozen.frozen_set.sessions:
        if session.void_reason is not None:
            say(f"session {session.id} was voided since: {session.void_reason}")
    purposes = f" ({', '.join(frozen.purposes)})" if frozen.purposes else ""
    say(f"openings of 'prove' so far: {frozen.openings}{purposes}")


def _on_bands(frozen: Frozen) -> Iterable[str]:
    """What the claim is about, and how cleanly marks keep to their bands."""
    role_of = dict(frozen.frozen_set.roles)
    roles: dict[str, set[Role]] = {}
    for group in frozen.groups:
        for session in group.sessions:
            roles.setdefault(session, set()).add(role_of[group.name])
    several = sum(len(roles_of_session) > 1 for roles_of_session in roles.values())
    labelled = sum(group.frames for group in frozen.groups)
    yield (
        "A mark lies in the temperature band of its mean. Units, liquids and sessions may be the "
        "same in several roles: the claim is about temperature."
    )
    yield (
        f"sessions with marks in several roles: {several} of {len(roles)}; frames measured outside "
        f"the band of their mark: {frozen.frames_outside} of {labelled}"
    )


def listed_facts(frozen_set: FrozenSet) -> dict[str, Any]:
    """A frozen set in a list, ready for JSON."""
    return {
        "name": frozen_set.name,
        "sha256": frozen_set.sha256,
        "group_by": frozen_set.group_by,
        "origin": frozen_set.origin,
        "sessions": [session.id for session in frozen_set.sessions],
    }


def show_frozen_sets(frozen_sets: Sequence[FrozenSet]) -> None:
    """A row each, with the number of groups in each role."""
    if not frozen_sets:
        say("no frozen sets yet: try 'innage freeze NAME --group session --roles fit:6,prove'")
        return
    rows = [
        (
            frozen_set.name,
            frozen_set.group_by,
            len(frozen_set.sessions),
            frozen_set.origin,
            *(len(frozen_set.groups(role)) for role in Role),
            frozen_set.sha256[:ID_DIGITS],
        )
        for frozen_set in frozen_sets
    ]
    table("frozen sets", ("frozen set", "groups by", "sessions", "readings", *Role, "hash"), rows)
