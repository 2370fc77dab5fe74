"""Pad layouts from CSV, and pads beside a tank."""

from __future__ import annotations

from pathlib import Path

import pytest

from dataset.errors import InputError
from dataset.records import CountLaw, Mounting, Pad, PadRole, Sensor, Tank, hertz
from dataset.store import Store
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Box
from dataset.text.layouts import mounting_warnings, read_layout

HEADER = "channel,pad,bottom_mm,height_mm,width_mm,frequency_hz,role\n"


def read(tmp_path: Path, text: str) -> tuple[Pad, ...]:
    path = tmp_path / "layout.csv"
    path.write_text(text, encoding="utf-8")
    return read_layout(path)


def test_a_layout(tmp_path: Path) -> None:
    """Rows in any order become pads in channel order; empty cells are unknown widths and frequencies and
    level pads.
    """
    pads = read(
        tmp_path, HEADER + "2,ref,-20,10,,,reference\n0,low,0,50,8,1e5,level\n1,low,0,50,8,1000000,\n"
    )
    low = Pad(0, "low", 0.0, 50.0, 8.0, 1e5)
    assert pads == (
        low,
        Pad(1, "low", 0.0, 50.0, 8.0, 1e6),
        Pad(2, "ref", -20.0, 10.0, None, None, PadRole.REFERENCE),
    )
    assert read(tmp_path, "pad,channel,height_mm,bottom_mm\na,0,2,1\n") == (Pad(0, "a", 1.0, 2.0),)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("channel,pad,bottom_mm\n0,a,1\n", "line 1: column height_mm stands there 0 times"),
        (
            HEADER + "0,a,0,10,,,\nx,b,10,10,,,\n",
            "line 3, column channel: 'x'; expected a whole number from 0",
        ),
        (HEADER + "0,a,0,10,,,\n-1,b,10,10,,,\n", "line 3, column channel: '-1'"),
        (HEADER + "0,a,0,10,,,\n0,b,10,10,,,\n", "line 3, column channel: 0 for the second time"),
        (HEADER + "0,a,0,10,,,\n2,b,10,10,,,\n", "no row for channel 1; expected channels 0 to 1"),
        (HEADER + "0,,0,10,,,\n", "line 2, column pad: nothing"),
        (HEADER + "0,a,,10,,,\n", "line 2, column bottom_mm: ''; expected a number"),
        (HEADER + "# note\n0,a,0,ten,,,\n", "line 3, column height_mm: 'ten'"),
        (HEADER + "0,a,0,10,wide,,\n", "line 2, column width_mm: 'wide'"),
        (HEADER + "0,a,0,10,,fast,\n", "line 2, column frequency_hz: 'fast'"),
        (HEADER + "0,a,0,10,,,dry\n", "line 2, column role: 'dry'; expected level, reference or nothing"),
        (HEADER + "0,a,0,10\n", "line 2: 4 cells; expected 7"),
    ],
)
def test_layouts_refused(tmp_path: Path, text: str, sentence: str) -> None:
    """Errors name line and column."""
    with pytest.raises(InputError, match=sentence):
        read(tmp_path, text)


def test_channels_of_one_pad_in_the_store(new_store: Store, tmp_path: Path) -> None:
    """A pad at two frequencies is kept, and its channels have names of their own; another geometry under its
    name is refused.
    """
    pads = read(tmp_path, HEADER + "0,low,0,50,8,250,\n1,low,0,50,8,1.5e6,\n2,high,50,50,8,250,\n")
    made = new_store.add_sensor(Sensor("strip", 0, pads, 16, CountLaw.RISES, 100))
    assert new_store.sensor("strip") == made
    assert made.channel_names == ("low@250Hz", "low@1.5MHz", "high")
    wrong = (*pads[:2], Pad(2, "low", 50.0, 50.0, 8.0, 1e5))
    with pytest.raises(
        InputError, match="channels 0 and 2 are both pad low with different bottom, height, width or role"
    ):
        new_store.add_sensor(Sensor("strip", 0, wrong, 16, CountLaw.RISES, 100))


@pytest.mark.parametrize(
    ("value", "text"), [(250.0, "250Hz"), (1e3, "1kHz"), (125500.0, "125.5kHz"), (4e6, "4MHz"), (None, "-")]
)
def test_frequencies_as_written(value: float | None, text: str) -> None:
    """Hz, kHz and MHz without zeros."""
    assert hertz(value) == text


def warned(tank: Tank, offset_mm: float) -> list[str]:
    mid, ref = (
        (Pad(k, "mid", 20.0, 20.0, None, k * 1e5) for k in (1, 2)),
        Pad(3, "ref", 90.0, 10.0, role=PadRole.REFERENCE),
    )
    pads = (Pad(0, "low", 0.0, 20.0), *mid, ref)
    return list(
        mounting_warnings(Mounting("m", tank, Sensor("s", 1, pads, 16, CountLaw.RISES, 100), offset_mm))
    )


def test_pads_that_see_nothing() -> None:
    """Level pads wholly below the datum or above the span, and any pad above the tank, are warned about once
    each.
    """
    bare = Tank("can", 1, 60.0)
    assert warned(bare, 0.0) == []
    assert warned(bare, -19.9) == []
    assert warned(bare, -20.0) == ["pad low reaches from -20 to 0 mm above the datum, wholly below it"]
    assert warned(bare, 39.9) == []
    assert warned(bare, 40.0) == [
        "pad mid reaches from 60 to 80 mm above the datum, wholly above the tank's span of 60 mm"
    ]
    shaped = Tank("can", 1, 60.0, profile=to_json(stack([Box(10, 10, 100)])), headspace_mm=40.0)
    assert warned(shaped, 0.0) == []
    assert warned(shaped, 10.0) == [
        (
            "pad ref reaches from 100 to 110 mm above the datum, wholly above the tank, whose "
            "inner top is at 100 mm"
        )
    ]
