"""``innage freeze`` and ``innage frozen``: immutable choices of sessions, each group with one role."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.records import GroupBy, Role
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table

if TYPE_CHECKING:
    from dataset.coverage.roles import Group
    from dataset.records import FrozenSet
    from dataset.store import Store

ROLE_HELP = "Groups for '{}', separated by commas, or 'rest'."


def register(app: typer.Typer) -> None:
    """Add the commands to the app."""
    app.command("freeze")(freeze)
    app.command("frozen")(frozen)


def freeze(
    name: str,
    group: Annotated[
        GroupBy, typer.Option(help="What the groups are: the thing that the claim will speak of.")
    ],
    session: Annotated[
        list[str] | None,
        typer.Option(
            help="A session's id; repeat. Default: all that are labelled and not void.",
            autocompletion=names_of("session"),
        ),
    ] = None,
    tank: Annotated[
        str | None,
        typer.Option(
            help="Only sessions on this tank, NAME (any revision) or NAME@REVISION.",
            autocompletion=names_of("tank"),
        ),
    ] = None,
    fit: Annotated[str | None, typer.Option(help=ROLE_HELP.format("fit"))] = None,
    choose: Annotated[str | None, typer.Option(help=ROLE_HELP.format("choose"))] = None,
    calibrate: Annotated[str | None, typer.Option(help=ROLE_HELP.format("calibrate"))] = None,
    prove: Annotated[str | None, typer.Option(help=ROLE_HELP.format("prove"))] = None,
    shares: Annotated[
        str | None, typer.Option(help="Draw groups by percent instead, such as fit=60,prove=40.")
    ] = None,
    roles: Annotated[
        str | None,
        typer.Option(
            help="Draw numbers of groups instead, such as fit:10,choose:5,calibrate:9,prove, each "
            "role with every liquid where it can."
        ),
    ] = None,
    seed: Annotated[int, typer.Option(help="Seed of that draw.")] = 0,
    edges_c: Annotated[
        str | None,
        typer.Option(
            "--edges-c",
            help="Edges of temperature bands, such as 5,15,25, for --group temperature. Default: "
            "bands 10 degrees wide.",
        ),
    ] = None,
    kelvin: Annotated[
        float | None, typer.Option(help="Another width of those bands, degrees, around its multiples.")
    ] = None,
    allow_mixed: Annotated[
        bool, typer.Option("--allow-mixed", help="Take simulated and measured sessions together.")
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Freeze a choice of sessions; every group gets exactly one role."""
    from dataset.coverage.roles import groups_of, named_roles, shared_roles, spread_roles
    from dataset.coverage.temperature_bands import read_edges
    from dataset.errors import InputError
    from innage.jobs.choosing import choose as choose_sessions

    opened = open_store(store)
    edges = () if edges_c is None else read_edges("--edges-c", edges_c)
    its = choose_sessions(
        opened,
        [opened.session(ref) for ref in session] if session else None,
        group,
        tank=tank,
        edges_c=edges,
        kelvin=kelvin,
    )
    groups = groups_of(its.sessions, group, its.bands)
    named = {
        role: text
        for role, text in (
            (Role.FIT, fit),
            (Role.CHOOSE, choose),
            (Role.CALIBRATE, calibrate),
            (Role.PROVE, prove),
        )
        if text is not None
    }
    ways = [bool(named), shares is not None, roles is not None]
    if sum(ways) != 1:
        found = "none given" if not any(ways) else "given in more than one way"
        known = ", ".join(g.name for g in groups)
        raise InputError(
            "roles",
            found,
            "--fit, --choose, --calibrate, --prove with groups, or --shares, or --roles",
            f"the groups are: {known}",
        )
    if shares is not None:
        split = shared_roles(groups, read_shares(shares), seed)
    elif roles is not None:
        split = spread_roles(its.sessions, group, read_numbers(roles, len(groups)), seed, its.bands)
    else:
        split = named_roles(groups, {role: read_groups(text, group) for role, text in named.items()})
    bands = () if its.bands is None else its.bands.edges_c
    made = opened.freeze(
        name, its.sessions, group, split, None if named else seed, allow_mixed=allow_mixed, edges_c=bands
    )
    if json:
        emit(facts(made, groups, opened))
        return
    for one, why in its.left_out:
        say(f"left out session {one.id}: {why}")
    _print(made, groups, opened)


def frozen(
    name: Annotated[
        str | None,
        typer.Argument(
            help="The frozen set to show; without it all are listed.", autocompletion=names_of("frozen")
        ),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the frozen sets, or show one with its groups."""
    opened = open_store(store)
    if name is None:
        _list(opened, json)
        return
    found = opened.frozen_set(name)
    groups = opened.groups(found)
    if json:
        emit(facts(found, groups, opened))
        return
    _print(found, groups, opened)
    for session in found.sessions:
        if session.void_reason is not None:
            say(f"session {session.id} was voided since: {session.void_reason}")
    purposes = opened.prove_purposes(found)
    say(
        f"openings of 'prove' so far: {opened.prove_openings(found)}"
        + (f" ({', '.join(purposes)})" if purposes else "")
    )


def read_groups(text: str, group_by: GroupBy) -> list[str]:
    """Names of groups, separated by commas; levels may be written with more digits than needed, temperature
    bands without their unit.
    """
    from dataset.coverage.temperature_bands import band_name

    names = [part.strip() for part in text.split(",") if part.strip()]
    written = {GroupBy.LEVEL: _level, GroupBy.TEMPERATURE: band_name}.get(group_by, str)
    return [written(name) for name in names]


def _level(name: str) -> str:
    try:
        return f"{float(name):g}"
    except ValueError:
        return name


def read_shares(text: str) -> dict[Role, float]:
    """Shares in percent from ``fit=60,prove=40``."""
    from dataset.errors import InputError

    shares: dict[Role, float] = {}
    for part in text.split(","):
        role, _, share = part.strip().partition("=")
        try:
            shares[Role(role.strip())] = float(share)
        except ValueError as error:
            raise InputError(
                "--shares", repr(part), "ROLE=PERCENT, such as fit=60,prove=40; roles: " + ", ".join(Role)
            ) from error
    return shares


def read_numbers(text: str, groups: int) -> dict[Role, int]:
    """Numbers of groups from ``fit:10,choose:5,prove``; a role without a number takes what is left of
    ``groups``.
    """
    from dataset.errors import InputError

    numbers: dict[Role, int | None] = {}
    for part in text.split(","):
        role, colon, number = (word.strip() for word in part.partition(":"))
        if (
            role not in list(Role)
            or role in numbers
            or (colon and not (number.isdecimal() and len(number) <= 9))
        ):
            raise InputError(
                "--roles",
                repr(part),
                "each role once, ROLE:GROUPS, such as fit:10,choose:5,calibrate:9,prove:6; roles: "
                + ", ".join(Role),
            )
        numbers[Role(role)] = int(number) if colon else None
    rest = [role for role, number in numbers.items() if number is None]
    if len(rest) > 1:
        raise InputError("--roles", f"{' and '.join(rest)} both take the rest", "one role without a number")
    given = sum(number or 0 for number in numbers.values())
    return {role: groups - given if number is None else number for role, number in numbers.items()}


def set_reference(frozen_set: FrozenSet) -> dict[str, Any]:
    """The frozen set that figures are of, ready for JSON."""
    return {
        "name": frozen_set.name,
        "sha256": frozen_set.sha256,
        "group_by": frozen_set.group_by,
        "origin": frozen_set.origin,
    }


def facts(frozen_set: FrozenSet, groups: Sequence[Group], store: Store) -> dict[str, Any]:
    """A frozen set, ready for JSON."""
    roles = dict(frozen_set.roles)
    return {
        "name": frozen_set.name,
        "sha256": frozen_set.sha256,
        "group_by": frozen_set.group_by,
        "seed": frozen_set.seed,
        "origin": frozen_set.origin,
        "edges_c": list(frozen_set.edges_c),
        "frames_outside": store.frames_outside(frozen_set),
        "trims": len(frozen_set.trims),
        "groups": [
            {"group": g.name, "role": roles[g.name], "frames": g.frames, "sessions": list(g.sessions)}
            for g in groups
        ],
        "sessions": [s.id for s in frozen_set.sessions],
        "prove_openings": store.prove_openings(frozen_set),
    }


def _print(frozen_set: FrozenSet, groups: Sequence[Group], store: Store) -> None:
    roles: Mapping[str, Role] = dict(frozen_set.roles)
    order = list(Role)
    rows = [
        (g.name, roles[g.name], g.frames, len(g.sessions))
        for g in sorted(groups, key=lambda g: order.index(roles[g.name]))
    ]
    table(
        f"frozen set {frozen_set.name}: groups by {frozen_set.group_by}",
        (frozen_set.group_by, "role", "frames", "sessions"),
        rows,
    )
    totals = ", ".join(
        f"{role} {sum(g.frames for g in groups if roles[g.name] is role)}"
        for role in order
        if frozen_set.groups(role)
    )
    say(
        f"frames: {totals}; sessions: {len(frozen_set.sessions)} ({frozen_set.origin}); trims: "
        f"{len(frozen_set.trims)}; hash {frozen_set.sha256}"
    )
    if frozen_set.group_by is GroupBy.TEMPERATURE:
        for sentence in _on_bands(frozen_set, groups, store):
            say(sentence)


def _on_bands(frozen_set: FrozenSet, groups: Sequence[Group], store: Store) -> Iterable[str]:
    """What the claim is about, and how cleanly marks keep to their bands."""
    roles: dict[str, set[Role]] = {}
    for group in groups:
        for session in group.sessions:
            roles.setdefault(session, set()).add(dict(frozen_set.roles)[group.name])
    several = sum(len(its) > 1 for its in roles.values())
    yield (
        "A mark lies in the temperature band of its mean. Units, liquids and sessions may be the "
        "same in several roles: the claim is about temperature."
    )
    labelled, outside = sum(g.frames for g in groups), store.frames_outside(frozen_set)
    yield (
        f"sessions with marks in several roles: {several} of {len(roles)}; frames measured outside "
        f"the band of their mark: {outside} of {labelled}"
    )


def _list(store: Store, json: bool) -> None:
    found = store.frozen_sets()
    if json:
        emit(
            [
                {
                    "name": f.name,
                    "sha256": f.sha256,
                    "group_by": f.group_by,
                    "origin": f.origin,
                    "sessions": [s.id for s in f.sessions],
                }
                for f in found
            ]
        )
    elif found:
        rows = [
            (
                f.name,
                f.group_by,
                len(f.sessions),
                f.origin,
                *(len(f.groups(role)) for role in Role),
                f.sha256[:12],
            )
            for f in found
        ]
        table("frozen sets", ("frozen set", "groups by", "sessions", "readings", *Role, "hash"), rows)
    else:
        say("no frozen sets yet: try 'innage freeze NAME --group session --shares fit=60,prove=40'")
