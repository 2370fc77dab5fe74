"""The labelled frames of a frozen set from its rows, every hash checked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from dataset import blocks
from dataset.canonical import frozen_sha256
from dataset.coverage.roles import assemble
from dataset.coverage.temperature_bands import TemperatureBands
from dataset.errors import InputError
from dataset.records import Frames, FrozenData, FrozenSet, GroupBy
from dataset.store.proof import changed
from dataset.store.reading import sessions
from dataset.store.reading.frames import unpacked
from dataset.store.reading.rows import Rows
from dataset.store.reading.sets import to_frozen_set
from dataset.store.reading.temperatures import means_of_marks

_VOID_IN_SET = """
SELECT 1 FROM frozen_session f JOIN void_event v ON v.session_id = f.session_id
WHERE f.frozen_set_id = ? AND v.takes_back IS NOT TRUE AND NOT EXISTS (
    SELECT 1 FROM void_event b WHERE b.takes_back IS TRUE AND b.parent_sha256 = v.record_sha256
) LIMIT 1
"""
_BLOCKS_OF_SET = """
SELECT s.sha256, b.frames, b.t_ms, b.counts, b.temperature_c, b.format
FROM frozen_session f JOIN capture_session s ON s.id = f.session_id JOIN frame_block b ON b.session_id = s.id
WHERE f.frozen_set_id = ? ORDER BY f.position, b.position
"""


def frozen_set(rows: Rows, name: str) -> FrozenSet | None:
    """The frozen set called ``name``, its hash checked; None where there is none."""
    of_name = rows.select("frozen_set", "WHERE name = ?", name)
    return to_frozen_set(of_name[0]) if of_name else None


def data(rows: Rows, frozen: FrozenSet, *, proven: bool = False) -> FrozenData:
    """The labelled frames of a frozen set that the store has; InputError when a session is void. ``proven``
    says that the hash of the record was checked already.
    """
    if not proven:
        actual = frozen_sha256(
            frozen.group_by,
            dict(frozen.roles),
            frozen.sessions,
            frozen.trims,
            frozen.edges_c,
            frozen.named_by_content,
        )
        if actual != frozen.sha256:
            raise changed(f"frozen set {frozen.name}", actual, frozen.sha256)
    refuse_void(rows, frozen)
    return assemble(frozen, _frames(rows, frozen), bands_of(rows, frozen))


def refuse_void(rows: Rows, frozen: FrozenSet) -> None:
    """InputError when a session of the set was voided since."""
    ((set_id,),) = rows.execute("SELECT id FROM frozen_set WHERE name = ?", frozen.name).fetchall()
    if not rows.execute(_VOID_IN_SET, set_id).fetchall():
        return
    now = frozen_set(rows, frozen.name)
    for session in () if now is None else now.sessions:
        if session.void_reason is not None:
            raise InputError(
                f"frozen set {frozen.name}",
                f"its session {session.id} is void ('{session.void_reason}')",
                "sessions that can be used",
                "freeze a new set without it, and train on that",
            )


def bands_of(rows: Rows, frozen: FrozenSet) -> TemperatureBands | None:
    """The bands that a set's marks lie in; None where its groups are something else."""
    if frozen.group_by is not GroupBy.TEMPERATURE:
        return None
    return TemperatureBands(frozen.edges_c, means_of_marks(frozen.sessions, rows.temperatures()))


def _frames(rows: Rows, frozen: FrozenSet) -> Sequence[Frames]:
    """All frames of each session of a set, each session hashed again."""
    ((set_id,),) = rows.execute("SELECT id FROM frozen_set WHERE name = ?", frozen.name).fetchall()
    packed: defaultdict[str, list[blocks.Block]] = defaultdict(list)
    for sha256, *columns in rows.execute(_BLOCKS_OF_SET, set_id):
        packed[sha256].append(blocks.Block(*columns))
    frames = unpacked(frozen.sessions, [packed[session.sha256] for session in frozen.sessions])
    for session, recorded in zip(frozen.sessions, frames, strict=True):
        sessions.check(session, recorded)
    return frames
