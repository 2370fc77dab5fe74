"""The gate of trims in a program: which swings pass, what is said of one that does not, and what a program
cannot declare.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from dataset.errors import InputError, ProgramError
from training.program import (
    Builder,
    Interval,
    Program,
    accepted,
    digest,
    from_json,
    into_gate,
    prepare,
    refuse_swing,
    to_json,
)

SWING = Interval((100, -400), (300, -200))


def gated(swing: Interval | None = SWING, kinds: tuple[str, ...] = ("dry", "full")) -> Program:
    """Two pads, one that rises and one that falls."""
    b = Builder("gated", 12, 2, 100, 640, trim_range=(500, 1500), trim_kinds=kinds, swing=swing)
    zero = b.const(0)
    return b.finish(low=zero, level=zero, high=b.const(640), validity=b.const(1), flags=zero)


@pytest.mark.parametrize(
    ("trim", "passes"),
    [
        ((1000, 1000, 1100, 800), True),
        ((1000, 1000, 1300, 600), True),
        ((1000, 1000, 1099, 800), False),
        ((1000, 1000, 1301, 800), False),
        ((1000, 1000, 1200, 801), False),
        ((1000, 1000, 1200, 599), False),
        ((1000, 1000, 1000, 1000), False),  # dry = full
        ((1100, 800, 1000, 1000), False),  # the kinds put the wrong way round
    ],
)
def test_a_swing_at_each_edge(trim: tuple[int, ...], passes: bool) -> None:
    """The ends pass and one count beyond them does not; ``prepare`` says which channel it was."""
    program, row = gated(), np.asarray([trim])
    assert accepted(program, row).tolist() == [passes]
    if passes:
        assert prepare(program, row).shape == (1, 0)
        return
    with pytest.raises(InputError, match=r"trim, channel [01], full less dry: .*; expected a swing from"):
        prepare(program, row)
    with pytest.raises(InputError, match=r"unit u1, pad p[01], full less dry"):
        refuse_swing(program, row, "unit u1", ("p0", "p1"))


def test_made_trims_are_moved_into_the_gate() -> None:
    """Whatever is drawn inside the limits passes afterwards, is still inside, and stays where it passed."""
    program = gated()
    drawn = np.random.default_rng(1).integers(500, 1501, (2000, 4))
    moved = into_gate(program, drawn)
    passed = accepted(program, drawn)
    assert 0 < passed.mean() < 1
    assert accepted(program, moved).all()
    assert moved.min() >= 500
    assert moved.max() <= 1500
    np.testing.assert_array_equal(moved[passed], drawn[passed])
    assert into_gate(gated(swing=None), drawn) is drawn


def test_the_text_keeps_the_gate() -> None:
    """A gate goes out and comes back; a program without one has no entry for it."""
    program = gated()
    assert from_json(to_json(program)) == program
    assert "swing" not in json.loads(to_json(gated(swing=None)))


@pytest.mark.parametrize(
    ("swing", "kinds", "words"),
    [
        (SWING, ("dry",), "a second kind"),
        (Interval((1,), (2,)), ("dry", "full"), "1 ranges; expected 2"),
        (Interval((1001, -400), (2000, -200)), ("dry", "full"), "swing, channel 0"),
    ],
)
def test_a_gate_that_means_nothing_is_refused(swing: Interval, kinds: tuple[str, ...], words: str) -> None:
    """Without a second kind, of another size, or such that no trim inside the limits could pass."""
    with pytest.raises(ProgramError, match=words):
        gated(swing, kinds)


def test_the_keys_of_the_sensor_are_kept_in_the_text() -> None:
    """They come back from the text and change the digest; a program without them has none in its text."""
    keyed = replace(gated(), sensor_key=0x0123ABCD, sensor_key_1=5)
    assert from_json(to_json(keyed)) == keyed
    body = json.loads(to_json(keyed))
    assert (body["sensor_key"], body["sensor_key_1"]) == ("0123abcd", "00000005")
    assert digest(keyed) != digest(gated())
    assert not {"sensor_key", "sensor_key_1", "count_scale"} & json.loads(to_json(gated())).keys()
    scaled = replace(gated(), count_scale=100)
    assert (from_json(to_json(scaled)), json.loads(to_json(scaled))["count_scale"]) == (scaled, 100)
    assert digest(scaled) != digest(gated())
    for scale in (0, 65_536, "100"):
        with pytest.raises(ProgramError, match="count_scale"):
            from_json(to_json(gated()).replace('"channels"', f'"count_scale":{json.dumps(scale)},"channels"'))


@pytest.mark.parametrize("key", [5, "5", "0x123456", "0123ABCD", "00000000", None])
def test_a_key_that_is_none_is_refused(key: object) -> None:
    """A key is eight hexadecimal digits; 0 would mean that there is none."""
    body = json.loads(to_json(gated())) | {"sensor_key": key}
    with pytest.raises(ProgramError, match="a sensor key"):
        from_json(json.dumps(body))
