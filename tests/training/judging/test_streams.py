"""Values of programs on rows of sessions: narrow where they are kept, wide where they are reckoned with."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.records import FrozenData
from training.judging import streams
from training.judging.judged import judge
from training.judging.streams import run_streams, values_of
from training.program import INT32_MAX, INT32_MIN, Builder, Program

NO_TRIMS = np.zeros((8, 0), np.int64)


def apart(*, keeps_state: bool) -> Program:
    """``apart`` is the first count less the second, which is mostly negative here, and with state the sum of
    all since power-on; ``low_end`` and ``high_end`` are the ends of 32 bits.
    """
    builder = Builder("apart", 16, 3, 100, 640)
    first, second = (builder.node("take", "counts", indices=(k,)) for k in range(2))
    less = builder.node("sub", first, second, name="step" if keeps_state else "apart")
    if keeps_state:
        total = builder.state("total", (0,), (-(1 << 24),), (1 << 24,))
        summed = builder.node("add", total, less)
        builder.renew(total, builder.node("clip", summed, low=-(1 << 24), high=1 << 24, name="apart"))
    builder.node("const", values=(INT32_MIN,), name="low_end")
    builder.node("const", values=(INT32_MAX,), name="high_end")
    zero, one = builder.const(0), builder.const(1)
    return builder.finish(low=zero, level=zero, high=zero, validity=one, flags=zero)


def uneven(data: FrozenData) -> FrozenData:
    """Narrow counts as the store has them, the second channel above the first; some rows without a label."""
    frames = tuple(
        replace(f, counts=(f.counts // 2 + np.asarray([0, 9, 0])).astype(np.uint32)) for f in data.frames
    )
    kept = (data.session * 7 + data.frame) % 4 > 0
    columns = ("t_ms", "level_mm", "u_mm", "temperature_c", "session", "group", "frame", "condition")
    counts = np.concatenate([f.counts for f in frames])[kept].astype(np.int64)
    return replace(
        data, frames=frames, counts=counts, **{name: getattr(data, name)[kept] for name in columns}
    )


@pytest.mark.parametrize("keeps_state", [False, True])
def test_narrow_values_on_rows_are_those_of_whole_streams(
    made_up: Callable[..., FrozenData], keeps_state: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the counts themselves, on some rows of sessions that end at other frames, in blocks of a few."""
    monkeypatch.setattr(streams, "_BLOCK", 7)
    data, program = uneven(made_up(3)), apart(keeps_state=keeps_state)
    chosen = (data.frame < 10 + 3 * data.session) & (data.frame % 5 > 0)
    found = values_of(program, data, chosen, NO_TRIMS, ("apart", "low_end", "high_end"))
    assert {values.dtype for values in found.values()} == {np.dtype(np.int32)}
    for at, value in zip(np.flatnonzero(chosen), found["apart"][:, 0], strict=True):
        counts = data.frames[data.session[at]].counts.astype(np.int64)
        steps = counts[:, 0] - counts[:, 1]
        assert value == (steps[: data.frame[at] + 1].sum() if keeps_state else steps[data.frame[at]])
        assert value < 0
    assert (found["low_end"] == INT32_MIN).all()
    assert (found["high_end"] == INT32_MAX).all()


def test_what_is_reckoned_with_has_64_bits(made_up: Callable[..., FrozenData]) -> None:
    """Streams, and the codes of what is judged: a product of the ends of 32 bits is right."""
    data, program = uneven(made_up(3)), apart(keeps_state=True)
    every = np.ones(len(data.session), np.bool_)
    judged = judge(program, data, every, NO_TRIMS, 100.0)
    one, frames = np.zeros(1, np.int64), np.full(1, 5)
    (run,) = run_streams(program, data, one, one, frames, NO_TRIMS, ("high_end",)).values()
    assert (run * 4 == 4 * INT32_MAX).all()
    for values in (judged.validity, judged.flags, judged.reason):
        assert values is not None
        assert values.dtype == np.int64


def test_a_count_beyond_the_declared_range_is_told_by_its_row(
    made_up: Callable[..., FrozenData], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams, "_BLOCK", 7)
    data = uneven(made_up(3))
    data.counts[23, 1] = 1 << 16
    with pytest.raises(InputError, match="row 23, column 1"):
        values_of(apart(keeps_state=False), data, np.ones(len(data.session), np.bool_), NO_TRIMS, ("counts",))
