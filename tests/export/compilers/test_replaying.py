"""Replaying a stream through the exported C: state carried, restarts at steps outside the period's tolerance,
the declared domain.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from platform import uname
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from programs import told

from dataset import long_frames
from dataset.blocks import to_blocks
from dataset.errors import InputError, ToolError
from dataset.long_frames import LongFrames
from dataset.records import Frames
from export.c.source import CSource, emit_c
from export.compilers import host_build, replaying
from export.compilers.host_build import HostProgram, kept_host
from export.compilers.replaying import forget_compiled, replay_on_host
from export.compilers.streamed import run_pieces
from training.judging.streams import restarts
from training.program import DOUBT, OUTPUTS, Array, Program, from_json, run, to_json

REASON = OUTPUTS.index("reason")
UNAME = uname()._replace(machine="another")


def frames_of(program: Program, t_ms: list[int], seed: int = 3) -> Frames:
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, program.count_max, (len(t_ms), program.channels), endpoint=True)
    return Frames(
        np.asarray(t_ms, np.int64), counts.astype(np.uint32), np.where(np.arange(len(t_ms)) % 3, 21.5, np.nan)
    )


def trim_of(program: Program) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    assert program.trim is not None
    return np.asarray(
        [(low + high) // 2 for low, high in zip(program.trim.low, program.trim.high, strict=True)], np.int64
    )


def test_a_step_outside_the_tolerance_starts_anew(samples: dict[str, Program]) -> None:
    """The header's rule: frames missed, or outside the tolerance, mean init() again; readings are then
    doubted till the model has settled, as at power-on.
    """
    program = samples["every_op"]
    period, slack = program.period_ms, program.period_ms * program.period_tolerance_pct // 100
    steps = (
        [period] * 5
        + [period + slack]
        + [period] * 2
        + [period + slack + 1]
        + [period] * 4
        + [2 * period]
        + [period] * 5
    )
    t_ms = np.concatenate([[0], np.cumsum(steps)]).tolist()
    found = replay_on_host(program, frames_of(program, t_ms), trim_of(program))
    assert found.restarts.tolist() == [9, 14]
    assert found.steps_ms.tolist() == [period + slack + 1, 2 * period]
    settling = np.flatnonzero(found.readings[:, REASON] == DOUBT)
    starts = np.asarray([0, 9, 14])
    assert settling.tolist() == (starts[:, None] + np.arange(settling[settling < 9].size)).ravel().tolist()
    assert settling.size


def test_it_is_what_the_interpreter_says_in_one_run_through_time(
    samples: dict[str, Program], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replaying, "AT_ONCE", 7)
    program = samples["every_op"]
    frames = frames_of(program, [k * program.period_ms for k in range(60)])
    tenths = np.where(np.arange(60) % 3, 215, -1000)
    expected = run(program, frames.counts.astype(np.int64), tenths, None, trim_of(program)).table()
    assert np.array_equal(replay_on_host(program, frames, trim_of(program)).readings, expected)


def test_what_is_told_of_pours_reaches_the_c() -> None:
    """As the interpreter has it, told and not told."""
    program = told()
    frames = frames_of(program, [k * program.period_ms for k in range(40)])
    seconds = np.where(np.arange(40) < 8, -1, np.arange(40) * 3)
    counts, tenths = frames.counts.astype(np.int64), np.where(np.arange(40) % 3, 215, -1000)
    said = [replay_on_host(program, frames, None, pours).readings for pours in (None, seconds)]
    for readings, pours in zip(said, (None, seconds), strict=True):
        assert np.array_equal(readings, run(program, counts, tenths, None, None, pours).table())
    assert not np.array_equal(said[0], said[1])


@pytest.mark.parametrize("changed", ["readings", "states"])
def test_one_frame_other_than_the_interpreter_has_it_is_no_answer(
    samples: dict[str, Program], monkeypatch: pytest.MonkeyPatch, changed: str
) -> None:
    """However late it comes, in a reading or in the state alone."""
    program = samples["every_op"]

    def damaged(*given: Any) -> Iterator[tuple[Array, Array]]:
        for k, (readings, states) in enumerate(run_pieces(*given)):
            if k == 2:
                {"readings": readings, "states": states}[changed][18, 0] ^= 1
            yield readings, states

    monkeypatch.setattr(replaying, "AT_ONCE", 20)
    monkeypatch.setattr(replaying, "run_pieces", damaged)
    frames = frames_of(program, [k * program.period_ms for k in range(60)])
    with pytest.raises(ToolError, match=r"at frame 58, reading and state; expected .* as the interpreter"):
        replay_on_host(program, frames, trim_of(program))


def test_a_state_that_no_program_can_be_in_is_no_answer(
    samples: dict[str, Program], monkeypatch: pytest.MonkeyPatch
) -> None:
    program = samples["every_op"]

    def damaged(*given: Any) -> Iterator[tuple[Array, Array]]:
        for readings, states in run_pieces(*given):
            states[3] = 1 << 40
            yield readings, states

    monkeypatch.setattr(replaying, "run_pieces", damaged)
    with pytest.raises(ToolError, match="a state that cannot be"):
        replay_on_host(
            program, frames_of(program, [k * program.period_ms for k in range(9)]), trim_of(program)
        )


@pytest.fixture
def compiled(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[str]:
    """The sources of what would be compiled from here on, with a cache folder of its own; what comes of it is
    no program, but its number.
    """
    sources: list[str] = []

    def noting(source: CSource, checked: bool = True) -> HostProgram:
        sources.append(source.source)
        return HostProgram(b"%d" % len(sources), source.layout.state.elements)

    monkeypatch.setenv("INNAGE_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(host_build, "build_host", noting)
    return sources


def test_what_was_compiled_is_kept_until_something_of_it_changes(
    samples: dict[str, Program], compiled: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program, another compiler and another computer ask for a build of their own."""
    c = emit_c(samples["single_channel"])
    assert [kept_host(c).binary for _ in range(3)] == [b"1"] * 3
    assert kept_host(emit_c(samples["every_op"])) == HostProgram(b"2", samples["every_op"].state_size)
    assert kept_host(replace(c, header=c.header + "\n")).binary == b"3"
    monkeypatch.setattr(host_build, "version", lambda package: "0")
    assert kept_host(c).binary == b"4"
    monkeypatch.setattr(host_build, "platform", SimpleNamespace(uname=lambda: UNAME))
    assert kept_host(c).binary == b"5"
    assert kept_host(c).binary == b"5"
    assert len(compiled) == 5


def test_a_kept_program_that_was_changed_is_built_again(
    samples: dict[str, Program], compiled: list[str], tmp_path: Path
) -> None:
    c = emit_c(samples["single_channel"])
    assert kept_host(c).binary == b"1"
    (kept,) = (tmp_path / "cache" / "compiled").iterdir()
    kept.write_bytes(kept.read_bytes()[:-1] + b"7")
    assert [kept_host(c).binary for _ in range(2)] == [b"2"] * 2


def test_a_program_is_built_once_for_all_streams(
    samples: dict[str, Program], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def asking(c: CSource) -> HostProgram:
        asked.append(c.prefix)
        return kept_host(c)

    monkeypatch.setattr(replaying, "kept_host", asking)
    forget_compiled()
    program = samples["single_channel"]
    one = Frames(np.asarray([0]), np.asarray([[100]], np.uint32), None)
    first = replay_on_host(program, one)
    same = from_json(to_json(program))
    assert np.array_equal(replay_on_host(same, one).readings, first.readings)
    assert len(asked) == 1


def test_frames_outside_the_domain_are_refused(samples: dict[str, Program]) -> None:
    program = samples["single_channel"]
    hot = Frames(np.asarray([0]), np.asarray([[1000]], np.uint32), np.asarray([201.0]))
    with pytest.raises(InputError, match="temperature of frame 0"):
        replay_on_host(program, hot)
    with pytest.raises(InputError, match="trim"):
        replay_on_host(samples["every_op"], frames_of(samples["every_op"], [0]))


def test_a_frame_outside_the_domain_is_named_by_its_place_in_the_whole_stream(
    samples: dict[str, Program], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replaying, "AT_ONCE", 4)
    program = samples["single_channel"]
    counts = np.full((9, 1), 100, np.uint32)
    counts[6] = program.count_max + 1
    with pytest.raises(InputError, match=r"counts, row 6, column 0"):
        replay_on_host(program, Frames(np.arange(9) * program.period_ms, counts, None))


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("head -n 3", r"\(3, 7\) numbers printed; expected \(4, 7\)"),
        ("cat; echo 0,0,0,0,0,0,0", r"\(1,\) numbers printed; expected \(0,\)"),
        ("head -n 4; echo it fell >&2; exit 7", r"stopped with code 7 \(it fell\)"),
        ("sed s/,9//", r"\(2, 6\) numbers printed; expected \(2, 7\)"),
    ],
)
def test_a_process_that_does_not_answer_row_by_row_is_no_answer(script: str, said: str) -> None:
    host = HostProgram(f"#!/bin/sh\n{script}\n".encode(), 1)
    pieces = [b"1,2,3,4,5,6,7\n" * 4, b"1,2,3,4,5,6,9\n" * 2]
    with pytest.raises(ToolError, match=said):
        list(run_pieces(host, pieces, [4, 2]))
    (first, states), _ = run_pieces(HostProgram(b"#!/bin/sh\ncat\n", 1), pieces, [4, 2])
    assert (first.shape, states.tolist()) == ((4, 6), [[7]] * 4)


def test_early_frames_are_outside_too(samples: dict[str, Program]) -> None:
    program = samples["constant"]
    assert restarts(
        np.asarray([0, 1000, 1899, 2899]), program.period_ms, program.period_tolerance_pct
    ).tolist() == [2]


def test_packed_frames_are_replayed_as_arrays_are(
    samples: dict[str, Program], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A part at a time: readings, and steps that begin in one part and end in the next."""
    monkeypatch.setattr(replaying, "AT_ONCE", 7)
    monkeypatch.setattr(long_frames, "WINDOW", 10)
    program = samples["every_op"]
    steps = np.full(59, program.period_ms)
    steps[[9, 24]] *= 3  # from frame 9 to 10, the first of the second part, and within the third
    frames = frames_of(program, [0, *np.cumsum(steps).tolist()])
    whole = replay_on_host(program, frames, trim_of(program))
    packed = LongFrames(to_blocks(frames, 4), program.channels)
    parts = replay_on_host(program, packed, trim_of(program))
    assert parts.restarts.tolist() == whole.restarts.tolist() == [10, 25]
    assert parts.steps_ms.tolist() == [3 * program.period_ms] * 2
    assert np.array_equal(parts.readings, whole.readings)
