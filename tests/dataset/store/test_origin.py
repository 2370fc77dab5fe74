"""Simulated sessions are told from measured ones, and a frozen set pins trims, conditions and
whole sessions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.records import Conditions, Frames, GroupBy, Mark, Role, Stretch, Surface, Trim, TrimKind
from dataset.store import Store

Register = Callable[[Store], Any]
FOAM = Conditions(surface=(Surface.FOAM,))


def test_simulated_is_part_of_a_sessions_content(new_store: Store, register: Register) -> None:
    """The same readings, said to be simulated, are another session; the word comes back from the store."""
    bench = register(new_store)
    measured = new_store.add_sessions([bench.session(1)])[0]
    with pytest.raises(
        InputError, match="readings"
    ):  # the same readings twice are refused, whatever is said of them
        new_store.add_sessions([replace(bench.session(1), simulated=True)])
    simulated = new_store.add_sessions([replace(bench.session(2), simulated=True)])[0]
    assert (measured.simulated, simulated.simulated) == (False, True)
    assert new_store.session(simulated.id).simulated
    assert len(new_store.frames(simulated, verify=True)) == 40


def test_simulated_and_measured_sessions_do_not_mix_silently(new_store: Store, register: Register) -> None:
    """Freezing both together is refused with one of each named, and where it is asked for, the
    set says so.
    """
    bench = register(new_store)
    new_store.add_sessions(
        [
            bench.session(1),
            replace(bench.session(2), simulated=True),
            replace(bench.session(3), simulated=True),
        ]
    )
    sessions = new_store.sessions()
    roles = {s.id: Role.FIT for s in sessions}
    with pytest.raises(InputError, match=r"is simulated, session .* was measured"):
        new_store.freeze("both", sessions, GroupBy.SESSION, roles)
    assert (
        new_store.freeze("both", sessions, GroupBy.SESSION, roles, allow_mixed=True).origin
        == "partly simulated"
    )
    assert (
        new_store.freeze(
            "rig",
            [s for s in sessions if s.simulated],
            GroupBy.SESSION,
            {s.id: Role.FIT for s in sessions if s.simulated},
        ).origin
        == "simulated"
    )
    assert (
        new_store.freeze(
            "real",
            [s for s in sessions if not s.simulated],
            GroupBy.SESSION,
            {s.id: Role.FIT for s in sessions if not s.simulated},
        ).origin
        == "measured"
    )


def test_a_frozen_set_keeps_the_trims_it_was_frozen_with(new_store: Store, register: Register) -> None:
    """Later trims do not enter; the newest one of a kind counts; its hash holds them."""
    bench = register(new_store)
    new_store.add_sessions([bench.session(1)])
    session = new_store.sessions()[0]
    without = new_store.freeze("without", [session], GroupBy.SESSION, {session.id: Role.FIT})
    for day, counts in (("2026-01-02", (5, 6)), ("2026-02-02", (7, 8))):
        new_store.add_trim(Trim(bench.unit, bench.mounting, TrimKind.FULL, counts, day, "line"))
    made = new_store.freeze("with", [session], GroupBy.SESSION, {session.id: Role.FIT})
    new_store.add_trim(Trim(bench.unit, bench.mounting, TrimKind.FULL, (9, 9), "2026-03-02", "line"))
    data = new_store.frozen_data(new_store.frozen_set("with"))
    newest = data.trim(0, TrimKind.FULL)
    assert newest is not None
    assert newest.counts == (7, 8)
    assert data.trim(0, TrimKind.DRY) is None
    assert made.sha256 != without.sha256
    assert new_store.frozen_data(new_store.frozen_set("without")).trim(0, TrimKind.FULL) is None


def test_rows_know_their_frame_their_conditions_and_the_whole_session(
    new_store: Store, register: Register
) -> None:
    """Frames without a label are there to run over; conditions follow the stretches."""
    bench = register(new_store)
    frames = Frames(np.arange(30, dtype=np.int64) * 100, np.arange(60, dtype=np.uint32).reshape(30, 2))
    new = replace(
        bench.session(1, (Mark(5, 10, 15.0), Mark(20, 30, 25.0)), frames=frames),
        stretches=(Stretch(8, 25, FOAM),),
    )
    new_store.add_sessions([new])
    session = new_store.sessions()[0]
    data = new_store.frozen_data(new_store.freeze("set", [session], GroupBy.SESSION, {session.id: Role.FIT}))
    assert data.frame.tolist() == [*range(5, 10), *range(20, 30)]
    assert data.conditions == (Conditions(), FOAM)
    assert [k for k, c in zip(data.frame, data.condition, strict=True) if data.conditions[c] == FOAM] == [
        8,
        9,
        *range(20, 25),
    ]
    assert np.array_equal(data.frames[0].counts, frames.counts)
    assert np.array_equal(data.frames[0].counts[data.frame], data.counts)
