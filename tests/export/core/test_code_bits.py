"""Single bits of the code: what they do, who notices, and that the machine is the same afterwards."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from dataset.errors import ToolError
from export.compilers.image import Image
from export.core.code_bits import Effect, TurnedBit, code_bits, share_of
from export.core.emulator import HungError, Machine, RefusedError
from export.evidence.drawing import make_vectors, vectors_of
from export.evidence.score import reference_streams
from export.vectors import Vectors


@pytest.fixture(scope="module")
def made(all_built: dict[str, Any]) -> tuple[Image, Vectors, Vectors]:
    """Two nets linked for a core, its vectors, and reference frames."""
    built = all_built["two_nets"]
    reference = vectors_of(built.program, reference_streams(built.program, 1000))
    return built.image, make_vectors(built.program, 1000), reference


@pytest.fixture(scope="module")
def tried(made: tuple[Image, Vectors, Vectors]) -> tuple[TurnedBit, ...]:
    return code_bits(*made, bits=60, seed=1)


def test_floors(tried: tuple[TurnedBit, ...]) -> None:
    """On a fixed sample: what changes readings is noticed by nearly all vectors and self-tests; crashes are
    told apart, and some bits do nothing.
    """
    assert {Effect.NOTHING, Effect.CHANGED, Effect.CRASH} <= {bit.effect for bit in tried}
    for who, floor in (("vectors", 0.95), ("self-test", 0.8)):
        share = share_of(tried, who)
        assert share.counting >= 10
        assert share.noticed / share.counting >= floor
    assert not any(b.by_selftest or b.by_vectors for b in tried if b.effect is not Effect.CHANGED)


def test_bits_are_of_code(made: tuple[Image, Vectors, Vectors], tried: tuple[TurnedBit, ...]) -> None:
    """None twice, none in the tables, and another seed draws others."""
    image = made[0]
    places = {(bit.address, bit.bit) for bit in tried}
    assert len(places) == 60
    assert not any(address in image.constants for address, _ in places)
    other = code_bits(*made, bits=3, seed=2)
    assert {(bit.address, bit.bit) for bit in other}.isdisjoint(places)


def test_the_same_alone(made: tuple[Image, Vectors, Vectors], tried: tuple[TurnedBit, ...]) -> None:
    """The last of the bits has the same effect when no others went before it: each begins anew."""
    machine = Machine(made[0])
    last = next(bit for bit in reversed(tried) if bit.effect is Effect.CHANGED)
    machine.turn(last.address, last.bit)
    with pytest.raises(AssertionError):
        np.testing.assert_array_equal(machine.replay(made[2])[0], made[2].readings)
    machine.turn(last.address, last.bit)
    np.testing.assert_array_equal(machine.replay(made[2])[0], made[2].readings)


def test_a_loop_without_end_hangs(made: tuple[Image, Vectors, Vectors]) -> None:
    """A step that branches to itself is stopped by the count of its instructions, an invalid instruction is
    a fault, and prepare that gives 0 refuses its trim.
    """
    image, vectors, _ = made
    branch, nothing, zero = 0xE7FE, 0xDE00, 0x2000  # b . ; udf #0 ; movs r0, #0 (Armv6-M manual, A6)
    for function, code, error in (
        ("step", branch, HungError),
        ("step", nothing, ToolError),
        ("prepare", zero, RefusedError),
    ):
        machine = Machine(image)
        at = image.symbols[f"innage_{function}"]
        _write(machine, image, at, code)
        if function == "prepare":
            _write(machine, image, at + 2, 0x4770)  # bx lr
        with pytest.raises(error) as raised:
            machine.replay_limited(vectors.head(2), 10_000)
        assert isinstance(raised.value, HungError) is (error is HungError)


def _write(machine: Machine, image: Image, at: int, halfword: int) -> None:
    """Put an instruction in place, bit by bit."""
    there = int.from_bytes(image.content(at, 2), "little")
    for bit in range(16):
        if (there ^ halfword) >> bit & 1:
            machine.turn(at + bit // 8, bit % 8)


def test_a_model_that_is_broken_already_is_refused(made: tuple[Image, Vectors, Vectors]) -> None:
    """Where the code does not give what is expected, there is nothing to score."""
    image, vectors, reference = made
    wrong = Vectors(**{**vars(reference), "readings": reference.readings + 1})
    with pytest.raises(ToolError, match="as it is"):
        code_bits(image, vectors, wrong, bits=1)
