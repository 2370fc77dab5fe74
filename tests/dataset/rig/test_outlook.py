"""What a layout promises, on responses made by hand so that the answers are known."""

from __future__ import annotations

import numpy as np
import pytest

from dataset.errors import InputError
from dataset.records import CountLaw, Coupling, Mounting, Pad, Sensor, Tank
from dataset.rig.outlook import Disturbance, Outlook, level_pads, nearest, outlook, slice_of, stretches
from dataset.rig.response import Response
from dataset.rig.slices import Slice


def straight(slopes: tuple[float, ...], offset: float = 0.0) -> Response:
    """Pads that rise in straight lines over 0 to 100 mm, with neither foam nor film."""
    levels = np.linspace(0.0, 100.0, 11)
    clean = offset + levels[:, None] * np.asarray(slopes)
    nothing = np.zeros_like(clean)
    return Response(
        levels,
        levels,
        clean,
        np.zeros((2, 2, *clean.shape)),
        np.stack([nothing, nothing]),
        np.zeros((len(levels), max(len(slopes) - 1, 0))),
    )


def mounted(
    *pads: Pad, wall_mm: float | None = 2.0, headspace_mm: float | None = 15.0, offset_mm: float = 0.0
) -> Mounting:
    sensor = Sensor("strip", 1, pads, 16, CountLaw.RISES, 100)
    return Mounting(
        "here", Tank("jar", 1, 80.0, wall_mm=wall_mm, headspace_mm=headspace_mm), sensor, offset_mm
    )


def promise(responses: dict[Coupling, Response], noise_pf: float = 0.01, coarsest_mm: float = 1.0) -> Outlook:
    return outlook(
        responses, Coupling.FLOATING, 100.0, noise_pf=noise_pf, coarsest_mm=coarsest_mm, above=Disturbance()
    )


def test_resolution_of_one_pad_is_noise_over_slope() -> None:
    """The law of propagation, JCGM 100:2008, equation (10)."""
    shown = promise({Coupling.FLOATING: straight((0.02,))})
    assert shown.resolution == pytest.approx(0.5)
    assert shown.blind == ()


def test_two_pads_are_weighed_as_least_squares_does() -> None:
    """Variance of a weighted mean of independent readings (JCGM 100:2008): 1 / sum(slope^2 / noise^2)."""
    shown = promise({Coupling.FLOATING: straight((0.03, 0.04))})
    assert shown.resolution == pytest.approx(0.01 / 0.05)


def test_levels_that_no_pad_sees_are_blind() -> None:
    shown = promise({Coupling.FLOATING: straight((0.0, 0.001))})
    assert shown.blind == ((0.0, 100.0),)
    assert shown.resolution == pytest.approx(10.0)
    dull = {Coupling.FLOATING: straight((0.01 / 1.5,))}
    assert promise(dull).blind == ((0.0, 100.0),)
    assert promise(dull, coarsest_mm=1.6).blind == ()


def test_a_resolution_is_never_coarser_than_the_span() -> None:
    assert promise({Coupling.FLOATING: straight((0.0,))}).resolution == pytest.approx(100.0)


def test_another_coupling_is_read_as_another_level() -> None:
    """Pads with 0.3 pF more at 0.03 pF per mm look 10 mm fuller, up to the top."""
    shown = promise({Coupling.FLOATING: straight((0.03,)), Coupling.EARTHED: straight((0.03,), offset=0.3)})
    assert shown.read_as["earthed"][:90] - shown.levels[:90] == pytest.approx(10.0)
    assert shown.read_as["earthed"][-1] == 100.0
    assert shown.read_as["film 20 um"] == pytest.approx(shown.levels)


def test_readings_fall_between_the_levels_shown() -> None:
    """0.012 pF at 0.03 pF per mm are 0.4 mm."""
    shown = promise({Coupling.FLOATING: straight((0.03,)), Coupling.EARTHED: straight((0.03,), offset=0.012)})
    assert shown.read_as["earthed"][:90] - shown.levels[:90] == pytest.approx(0.4)


def test_nearest_by_all_pads() -> None:
    levels, clean = np.asarray([0.0, 1.0, 2.0]), np.asarray([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
    assert nearest(levels, clean, np.asarray([[0.9, 0.2], [0.9, 0.8], [0.1, 0.0]])).tolist() == [
        1.0,
        2.0,
        0.0,
    ]


def test_stretches() -> None:
    levels = np.asarray([0.0, 1.0, 2.0, 3.0, 4.0])
    assert stretches(levels, np.asarray([True, False, True, True, False])) == ((0.0, 0.0), (2.0, 3.0))
    assert stretches(levels, np.zeros(5, bool)) == ()


def test_slice_of_a_mounting() -> None:
    """Pads read at two frequencies stand there once; the offset lifts them; the inside ends above the
    headspace.
    """
    twice = (
        Pad(0, "low", 0.0, 20.0, 10.0, 1e5),
        Pad(1, "low", 0.0, 20.0, 10.0, 1e6),
        Pad(2, "high", 22.0, 20.0, 10.0, 1e5),
    )
    its = slice_of(
        mounted(*twice, offset_mm=3.0), wall_permittivity=2.3, depth_mm=60.0, frequency_hz=1e6, shield=False
    )
    assert its == Slice(((3.0, 23.0), (25.0, 45.0)), 10.0, 2.0, 2.3, 95.0, 60.0, shield=False)
    unknown = slice_of(
        mounted(*twice, headspace_mm=None),
        wall_permittivity=2.3,
        depth_mm=60.0,
        frequency_hz=1e6,
        shield=True,
    )
    assert unknown.height_mm == 100.0


@pytest.mark.parametrize(
    ("mounting", "sentence"),
    [
        (mounted(Pad(0, "a", 0.0, 20.0, 10.0), wall_mm=None), "wall thickness isn't known"),
        (mounted(Pad(0, "a", 0.0, 20.0)), "pads of several widths, or of none"),
        (mounted(Pad(0, "a", 0.0, 20.0, 10.0), Pad(1, "b", 21.0, 20.0, 12.0)), "pads of several widths"),
        (
            mounted(Pad(0, "a", 0.0, 20.0, 10.0), Pad(1, "b", 19.0, 20.0, 10.0)),
            "pad b: it does not lie wholly above pad a",
        ),
    ],
)
def test_what_a_slice_cannot_show(mounting: Mounting, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        slice_of(mounting, wall_permittivity=2.3, depth_mm=60.0, frequency_hz=1e6, shield=True)


def test_too_many_pads() -> None:
    with pytest.raises(InputError, match="41 pads"):
        level_pads(mounted(*(Pad(k, f"p{k}", 2.0 * k, 1.0, 10.0) for k in range(41))))


@pytest.mark.parametrize(
    "above", [Disturbance(film_um=0.1), Disturbance(foam_mm=99.0), Disturbance(wetness=0.5)]
)
def test_disturbances_that_are_not_solved(above: Disturbance) -> None:
    with pytest.raises(InputError, match="for which the field is solved"):
        above.check()
