"""Which sessions are frozen and which are left out: shared by the command and the Python interface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.records import GroupBy, Session

if TYPE_CHECKING:
    from dataset.coverage.temperature_bands import TemperatureBands
    from dataset.store import Store


@dataclass(frozen=True)
class Choice:
    """The sessions to freeze, those left out with the reason, and the bands that the marks lie in where
    temperature groups them.
    """

    sessions: list[Session]
    left_out: list[tuple[Session, str]]
    bands: TemperatureBands | None = None


def choose(
    store: Store,
    named: Sequence[Session] | None,
    group_by: GroupBy,
    *,
    tank: str | None = None,
    edges_c: Sequence[float] = (),
    kelvin: float | None = None,
) -> Choice:
    """Choose the sessions that were named, or all that can be used.

    Args:
        store: the open store.
        named: sessions; None for all. One that is named and can't be used is refused, the others are left
            out.
        group_by: what the groups are.
        tank: only sessions on this tank, name or name@revision.
        edges_c: of temperature bands.
        kelvin: their width, where there are no edges; None for the usual one.

    Raises:
        InputError: nothing to freeze, edges or a width where the groups are something else, or both.
    """
    from dataset.coverage.roles import check_sessions

    if group_by is not GroupBy.TEMPERATURE and (edges_c or kelvin is not None):
        raise InputError(
            "--edges-c" if edges_c else "--kelvin",
            f"groups by {group_by}",
            f"groups by {GroupBy.TEMPERATURE}, which alone have bands",
        )
    if edges_c and kelvin is not None:
        raise InputError("--edges-c, --kelvin", "both", "edges, or one width for all bands")
    its = _usable(store) if named is None else Choice(list(named), [])
    its = its if tank is None else replace(its, sessions=_on_tank(its.sessions, tank))
    check_sessions(its.sessions)
    return (
        _by_temperature(store, its, edges_c, kelvin, named is None)
        if group_by is GroupBy.TEMPERATURE
        else its
    )


def _usable(store: Store) -> Choice:
    every = store.sessions()
    usable = [s for s in every if s.void_reason is None and s.marks]
    return Choice(
        usable,
        [(s, "void" if s.void_reason is not None else "no labelled frame") for s in every if s not in usable],
    )


def _on_tank(sessions: Sequence[Session], ref: str) -> list[Session]:
    """Those on a tank, given by name or by name and revision."""
    found = [s for s in sessions if ref in (s.mounting.tank.name, s.mounting.tank.ref)]
    if not found:
        known = sorted({s.mounting.tank.ref for s in sessions})
        raise InputError(
            "--tank",
            f"no session on {ref}",
            "one of " + ", ".join(known) if known else "a tank with sessions",
        )
    return found


def _by_temperature(
    store: Store, its: Choice, edges_c: Sequence[float], kelvin: float | None, leave_out: bool
) -> Choice:
    """The choice with its bands; without the sessions that have a mark that nobody measured the temperature
    of, unless they were named.
    """
    from dataset.coverage.temperature_bands import (
        KELVIN,
        TemperatureBands,
        bands_of_width,
        check_edges,
        unmeasured,
    )

    means = store.mark_temperatures(its.sessions)
    cold = [s for s in its.sessions if unmeasured(means[s.sha256])] if leave_out else []
    if len(cold) == len(its.sessions) and cold:
        found = (
            "no temperature was measured"
            if len(cold) == 1
            else f"{len(cold)} sessions, each with a mark under which no temperature was measured"
        )
        raise InputError(
            "frozen set",
            found,
            "a temperature with the frames, so that marks have a band",
            "log with --temperature, or group by something else",
        )
    kept = [s for s in its.sessions if s not in cold]
    measured = {s.sha256: means[s.sha256] for s in kept}
    bands = (
        TemperatureBands(check_edges("--edges-c", edges_c), measured)
        if edges_c
        else bands_of_width(KELVIN if kelvin is None else kelvin, measured)
    )
    return Choice(kept, [*its.left_out, *((s, "a mark without a measured temperature") for s in cold)], bands)
