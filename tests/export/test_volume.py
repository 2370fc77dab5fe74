"""The table from level to millilitres: its bound against the profile, and the C against the table."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.tanks.profile import Profile, stack
from dataset.tanks.shapes import Cone, Cylinder
from export.c.source import emit_c
from export.compilers.core_build import build_core
from export.compilers.linting import lint
from export.core.emulator import Machine
from export.volume import VolumeTable, volume_table
from training.program import Builder, Program

SPAN = 12800  # 200 mm


def drum() -> Profile:
    """A cone of 60 mm that widens from 20 to 100 mm, then a cylinder of 100 mm diameter: volumes by closed
    forms.
    """
    return stack([Cone(20.0, 100.0, 60.0), Cylinder(100.0, 200.0)])


def exact_ml(level_mm: np.ndarray) -> np.ndarray:
    """Volume of a frustum, pi h (r1^2 + r1 r2 + r2^2) / 3 (any book of mensuration), and of a cylinder."""
    h = np.minimum(level_mm, 60.0)
    r = 10 + 40 * h / 60
    frustum = math.pi * h / 3 * (10**2 + 10 * r + r**2)
    return np.asarray((frustum + math.pi * 50**2 * np.maximum(level_mm - 60, 0)) / 1000)


def test_the_bound_holds_at_every_level() -> None:
    """No level differs from the closed form by more than the table says, and the table is within 0.2 % of the
    full tank.
    """
    table = volume_table(drum(), SPAN, "drum@1")
    levels = np.arange(SPAN + 1)
    error = np.abs(table.volume_ml(levels) - exact_ml(levels / 64)).max()
    assert error == pytest.approx(table.error_ml, abs=0.01)
    assert table.error_ml <= 0.002 * exact_ml(np.array([200.0]))[0]
    assert (np.diff(table.volume_ml(levels)) >= 0).all()


def test_a_coarser_table_would_not_do() -> None:
    """The step is the largest one: twice as wide, the bound would be missed."""
    table = volume_table(drum(), SPAN, "drum@1")
    step = 2 << table.shift
    at = np.append(np.arange(0, SPAN, step), SPAN)
    levels = np.arange(SPAN + 1)
    coarse = np.interp(levels, at, np.round(exact_ml(at / 64)))
    assert np.abs(coarse - exact_ml(levels / 64)).max() > 0.002 * exact_ml(np.array([200.0]))[0] - 0.5


def test_a_profile_below_the_span_is_refused() -> None:
    """A tank lower than the model's span has no table."""
    with pytest.raises(InputError, match=r"ends at 260 mm"):
        volume_table(drum(), 261 * 64, "drum@1")


def model() -> Program:
    b = Builder("plain", count_bits=16, channels=1, period_ms=100, span=SPAN)
    level = b.node("clip", "counts", low=0, high=SPAN)
    return b.finish(low=level, level=level, high=b.const(SPAN), validity=b.const(1), flags=b.const(0))


@pytest.mark.parametrize(
    "table",
    [
        volume_table(drum(), SPAN, "drum@1"),
        VolumeTable("steep@1", 10, (0, *range(60_000, 73_000, 1_000)), 0.5),
    ],
)
def test_the_core_answers_as_the_table(table: VolumeTable) -> None:
    """Levels over the whole span, its ends and the marks between pieces give the table's volumes; anything
    outside gives none.
    """
    c = emit_c(model(), volume=table)
    machine = Machine(build_core(c))
    levels = sorted(
        {
            0,
            1,
            SPAN,
            SPAN - 1,
            *range(0, SPAN + 1, 97),
            *((k << table.shift) + d for k in range(SPAN >> table.shift) for d in (0, -1)),
        }
        - {-1}
    )
    expected = table.volume_ml(np.array(levels))
    found = [machine.call("volume_ml", level) for level in levels]
    assert found == expected.tolist()
    for level in (-1, SPAN + 1, -(2**31)):
        assert struct.unpack("<i", struct.pack("<I", machine.call("volume_ml", level)))[0] == -1


def test_the_header_states_the_bound_and_the_code_is_left_out_by_default() -> None:
    """Only an export that asks for it has the function; the header names the tank and the largest error; no
    warning in C or C++.
    """
    table = volume_table(drum(), SPAN, "drum@1")
    c, plain = emit_c(model(), volume=table), emit_c(model())
    assert "volume" not in plain.header + plain.source
    text = " ".join(c.header.replace(" *", " ").split())
    assert f"within {table.error_ml:.2f} mL of the tank's profile" in text
    assert "datum of tank drum@1" in text
    assert lint(c) == "" == lint(c, "c++")
