"""Sessions of a store as sources of a bundle's vectors: what an export may take, and what verification
compares with.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dataset.records import FrozenSet, Role, Session, Trim
    from dataset.store import Store
    from export.bundle.checks import Held
    from export.bundle.manifest import Manifest
    from export.evidence.excerpts import Capture, Excerpts
    from training.program import Program

_MOST_TAKEN = 2  # streams to choose from, for each that may be taken


def excerpts_for(store: Store, frozen: FrozenSet, program: Program, count: int, seed: int) -> Excerpts:
    """Streams taken of a frozen set's sessions, enough to choose half of ``count`` frames from: none of a
    void session, none of 'prove'.

    Raises StoreError for a session that is not as it was sealed.
    """
    from export.evidence.drawing import stream_frames
    from export.evidence.excerpts import excerpts_of

    frames = stream_frames(program)
    return excerpts_of(
        program, _captures(store, frozen), frames, _MOST_TAKEN * -(-count // frames) // 2, seed
    )


def held_in(store: Store, manifest: Manifest, *, voids: bool = True) -> Held:
    """What the store holds of the sessions that a manifest says streams are taken of. Without ``voids`` as if
    none of them were void: for who judges that by itself.
    """
    from export.bundle.checks import Held

    wanted = {place.session for place in manifest.excerpts}
    frozen = {f.sha256: f for f in store.frozen_sets()}.get(manifest.body["frozen_set"]["sha256"])
    captures = [] if frozen is None else _captures(store, frozen, wanted, voids=voids)
    known = {capture.session.sha256: capture for capture in captures}
    for session in store.sessions() if wanted - set(known) else ():
        if session.sha256 in wanted and session.sha256 not in known:
            known[session.sha256] = _capture(
                store, session if voids else replace(session, void_reason=None), ()
            )
    members = None if frozen is None else frozenset(session.sha256 for session in frozen.sessions)
    return Held(known, {trim.sha256: trim for trim in store.trims()}, members)


def _captures(
    store: Store, frozen: FrozenSet, wanted: Collection[str] | None = None, *, voids: bool = True
) -> list[Capture]:
    """The sessions of a frozen set, or those ``wanted`` by hash, with their frames."""
    from dataset.coverage.roles import names_of
    from dataset.coverage.temperature_bands import TemperatureBands

    sessions = [s for s in frozen.sessions if wanted is None or s.sha256 in wanted]
    if not voids:
        sessions = [replace(session, void_reason=None) for session in sessions]
    edges = frozen.edges_c
    bands = TemperatureBands(edges, store.mark_temperatures(frozen.sessions)) if edges else None
    roles = dict(frozen.roles)
    captures = []
    for session in sessions:
        of_marks = [roles[name] for name in names_of(session, frozen.group_by, bands)]
        captures.append(_capture(store, session, of_marks, frozen.trims_of(session)))
    return captures


def _capture(store: Store, session: Session, roles: Sequence[Role], trims: tuple[Trim, ...] = ()) -> Capture:
    from export.evidence.excerpts import Capture, free_frames

    frames = store.frames(session, verify=True)
    return Capture(session, frames, free_frames(session, roles, len(frames)), trims)
