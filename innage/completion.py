"""Shell completion of names that the store knows."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path

import typer

from dataset.store.places import Place, place_of
from dataset.words import counted

STORE_HERE = Path("innage.db")


def names_of(
    kind: str, *, retired: bool = False
) -> Callable[[typer.Context, str], list[str | tuple[str, str]]]:
    """A completer for the names of a kind (``tank``, ``unit``, ``session``, ...; see
    :func:`dataset.store.listing.names`) that are in use, or with ``retired`` all of them.

    It reads the store that ``--store`` or INNAGE_STORE names and gives nothing where that cannot be read: a
    key press is no place for an error.
    """

    def complete(ctx: typer.Context, incomplete: str) -> list[str | tuple[str, str]]:
        from dataset.store.listing import any_retired, names, session_lines

        store = place_of(ctx.params.get("store") or os.environ.get("INNAGE_STORE") or STORE_HERE)
        if kind == "session":
            lines = session_lines(store) or ()
            return [
                (s.id, f"{s.unit}, {s.liquid}, {counted(s.frames, 'frame')}")
                for s in lines
                if s.id.startswith(incomplete)
            ]
        known = names(store, kind, retired=retired) or ()
        if not retired and any_retired(store, kind):
            known = _in_use(store, kind, known)
        return [name for name in known if name.startswith(incomplete)]

    return complete


def _in_use(path: Place, kind: str, names: Iterable[str]) -> tuple[str, ...]:
    """Those of the names that a record has which is in use, by what the record is: of a tank, a sensor or
    limits any revision.
    """
    from dataset.store import Store

    with Store.open(path) as store:
        retired = store.retired(kind)
        if kind == "tank":
            revisions = [(tank.name, tank.ref) for tank in store.tanks()]
        elif kind == "sensor":
            revisions = [(sensor.name, sensor.ref) for sensor in store.sensors()]
        elif kind == "limits":
            revisions = [(limits.name, limits.ref) for limits in store.all_limits()]
        else:
            revisions = [(name, name) for name in names]
    in_use = {name for name, ref in revisions if ref not in retired}
    return tuple(name for name in names if name in in_use)
