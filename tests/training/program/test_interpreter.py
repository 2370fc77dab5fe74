"""The interpreter and the text form."""

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from programs import told

from dataset.errors import InputError, ProgramError
from training.program import (
    Builder,
    Node,
    Program,
    digest,
    from_json,
    initial_state,
    prepare,
    run,
    running_range,
    step,
    to_json,
)


@pytest.fixture
def smoother() -> Program:
    """Two channels less half the trim, the second one smoothed over 8 frames into a level."""
    b = Builder("smoother", 12, 2, 100, 6400, trim_range=(10, 4000))
    half = b.prepare_node("shift", "trim", shift=1, name="half", keep=True)
    pad = b.node(
        "clip", b.node("take", b.node("sub", "counts", half), indices=(1,)), low=0, high=4000, scale="1/64 mm"
    )
    low, high = running_range(0, 4000, 3)
    acc = b.state("acc", (0,), (low,), (high,))
    total = b.node("running", pad, acc, shift=3, name="total")
    b.renew("acc", total)
    level = b.node("shift", total, shift=3, name="level")
    return b.finish(low=b.const(0), level=level, high=b.const(6400), validity=b.const(1), flags=b.const(0))


def test_state_is_carried_from_frame_to_frame(smoother: Program) -> None:
    """A step in the counts arrives in the level over several frames: sums worked by hand, 4000 less trim 100
    in eighths.
    """
    counts = np.array([[0, 4000]] * 3)
    readings = run(smoother, counts, trim=np.array([200, 200]))
    assert readings.level.tolist() == [488, 914, 1287]


def test_streams_are_independent(smoother: Program) -> None:
    """Two streams in one batch give what each gives alone."""
    counts = np.array([[0, 4000], [0, 100]])
    prepared = prepare(smoother, np.array([[200, 200], [20, 20]]))
    zero = np.zeros(2, dtype=np.int64)
    both, state = step(smoother, counts, zero, zero, initial_state(smoother, 2), prepared)
    alone = [
        run(smoother, counts[k : k + 1], trim=np.array([t, t])).level[0] for k, t in enumerate((200, 20))
    ]
    assert both.level.tolist() == alone
    assert state.shape == (2, 1)


def test_inputs_outside_the_domain_are_refused(smoother: Program) -> None:
    """A count beyond the width is named with row, column and range."""
    with pytest.raises(InputError, match="counts, row 1, column 0: 4096; expected 0 to 4095"):
        run(smoother, np.array([[0, 0], [4096, 0]]), trim=np.array([200, 200]))


def test_a_missing_trim_is_refused(smoother: Program) -> None:
    """A program trained with trims does not run without one."""
    with pytest.raises(InputError, match="trim: none given"):
        run(smoother, np.array([[0, 0]]))


def test_the_interpreter_asserts_declared_ranges(smoother: Program) -> None:
    """A node whose declared range was narrowed by hand stops the run."""
    from dataclasses import replace

    from training.program import Interval

    narrowed = tuple(
        replace(n, interval=Interval((0,), (5,))) if n.name == "level" else n for n in smoother.step
    )
    with pytest.raises(ProgramError, match=r"node 'level'.*outside its declared range"):
        run(replace(smoother, step=narrowed), np.array([[0, 4000]]), trim=np.array([200, 200]))


def test_text_round_trip(smoother: Program) -> None:
    """A program read back from its JSON is equal, has the same digest, and writes the same bytes."""
    text = to_json(smoother)
    again = from_json(text)
    assert again == smoother
    assert to_json(again) == text
    assert digest(again) == digest(smoother)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda b: b.update(format=3), "format 3; expected format 1 or 2"),
        (lambda b: b.pop("step"), "missing or misplaced entry"),
        (lambda b: b.update(count_bits="12"), "count_bits: '12'; expected a value of type int"),
        (lambda b: b["step"][0].update(high=[1, 1]), "declared ranges that do not follow"),
        (lambda b: b["step"][0].update(op="exec"), "operation 'exec'"),
        (lambda b: b["step"][0].update(name="x; y"), "lower-case letters"),
        (lambda b: b["step"][0].update(inputs=["nowhere", "half"]), "'nowhere' is not defined"),
        (lambda b: b["outputs"].pop("flags"), "outputs"),
        (lambda b: b["outputs"].update(level="total"), "output 'level': can reach"),
    ],
)
def test_hand_changed_programs_are_refused(
    smoother: Program, change: Callable[[dict[str, Any]], object], message: str
) -> None:
    """Each way of tampering is refused with a sentence that says what is wrong."""
    body = json.loads(to_json(smoother))
    change(body)
    with pytest.raises(ProgramError, match=message):
        from_json(json.dumps(body))


@pytest.mark.parametrize("text", ["", "[]", "{", '{"format": true}', "[" * 100_000])
def test_other_text_is_refused(text: str) -> None:
    """Text that is no program gives a ProgramError, never another exception."""
    with pytest.raises(ProgramError):
        from_json(text)


def test_unknown_attributes_are_refused() -> None:
    """An operation given an attribute it does not know is refused, so that none is silently ignored."""
    b = Builder("odd", 8, 1, 100, 640)
    with pytest.raises(ProgramError, match="attributes"):
        b.node("abs", "counts", speed=3)


def test_nodes_are_plain_data() -> None:
    """A node compares by content."""
    b = Builder("one", 8, 1, 100, 640)
    name = b.const(3)
    assert b.interval(name).low == (3,)
    made = b.finish(low=b.const(0), level=name, high=b.const(640), validity=b.const(1), flags=b.const(0))
    assert isinstance(made.step[0], Node)
    assert made.step[0].attributes == {"values": (3,)}


def test_a_trim_of_two_kinds_holds_one_count_per_channel_of_each() -> None:
    b = Builder("two_point", 12, 2, 100, 6400, trim_range=(10, 4000), trim_kinds=("dry", "full"))
    dry, full = (b.prepare_node("take", "trim", indices=at) for at in ((0, 1), (2, 3)))
    swing = b.prepare_node("sub", full, dry, name="swing", keep=True)
    level = b.node("clip", b.node("take", swing, indices=(1,)), low=0, high=6400)
    zero = b.const(0)
    program = b.finish(low=zero, level=level, high=level, validity=b.const(1), flags=zero)
    assert program.trim_size == 4
    assert from_json(to_json(program)) == program
    readings = run(program, np.zeros((1, 2), dtype=np.int64), trim=np.asarray([100, 200, 1100, 1500]))
    assert readings.level.tolist() == [1300]


def test_the_last_pour_is_not_known_unless_it_is_told() -> None:
    """The sample's state is how recent the pour was in 1/4096: 20 / (20 + seconds), 90 s at most, worked by
    hand.
    """
    program, zero = told(), np.zeros(5, np.int64)
    counts, state = np.full((5, 2), 900), initial_state(program, 5)
    seconds = np.array([-1, 0, 20, 90, 2**31 - 1])
    given = (program, counts, zero, zero, state, np.zeros((1, 0), np.int64))
    assert step(*given, seconds)[1][:, 0].tolist() == [0, 4096, 2048, 744, 744]
    assert (step(*given)[1] == 0).all()
    levels = [run(program, counts[:1], since_pour=seconds[k : k + 1]).level[0] for k in range(5)]
    assert levels == step(*given, seconds)[0].level.tolist()
    assert len(set(levels)) > 1
    with pytest.raises(InputError, match=r"since_pour, row 1, column 0: -2; expected -1 to 2147483647"):
        step(*given, np.array([0, -2, 0, 0, 0]))


def test_what_a_program_is_told_is_part_of_its_text(smoother: Program) -> None:
    """Where it is not told, its text says nothing of it."""
    program = told()
    assert from_json(to_json(program)) == program
    assert '"longest_pour_s":90' in to_json(program)
    assert "pour" not in to_json(smoother)
    for wrong in ("-1", "32768", '"90"'):
        with pytest.raises(ProgramError, match=r"longest_pour_s|whole number"):
            from_json(to_json(program).replace('"longest_pour_s":90', f'"longest_pour_s":{wrong}'))
    with pytest.raises(ProgramError, match="input 'since_pour' is not defined before it"):
        from_json(to_json(program).replace('"longest_pour_s":90', '"longest_pour_s":0'))
