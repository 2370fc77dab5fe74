"""Film and foam against frequency: the crossover, and what the verdicts claim, against field computations
made elsewhere.
"""

from __future__ import annotations

import pytest

from dataset.coverage.telling_apart import Telling, crossover_hz, judge, telling
from dataset.records import CountLaw, Liquid, Pad, PadRole, Sensor

WATER = 78.3

# f_c = sigma / (2 pi eps) at eps_r 78.3, computed from the definition with rounded results (common knowledge
# of dielectric spectroscopy): pure water, 5 uS/cm, 500 uS/cm tap water, 1 mS/cm, sea water
CROSSOVERS = [(5.5e-6, 1.26e3), (5e-4, 115e3), (0.05, 11.5e6), (0.1, 23e6), (5.0, 1.15e9)]

# Field computation by an independent program (spectral kernel and Chebyshev basis, converged to 1e-10):
# floating coplanar pads 10 mm wide, 4 mm apart, a 2 mm wall of relative permittivity 2.3, air outside, liquid
# of 78.3. Shown is Re(C - C0) / Re(Cfull - C0) of foam with 5 % liquid (conduction after Feitosa, Marze,
# Saint-Jalmes, Durian, J. Phys.: Condens. Matter 17 (2005) 6301) and of a 0.1 mm film.
READS = [
    (5.5e-6, 100e3, 0.173, 0.125),
    (5e-4, 100e3, 0.192, 0.136),
    (5e-4, 1e6, 0.173, 0.125),
    (0.05, 100e3, 0.997, 0.984),
    (0.05, 1e6, 0.803, 0.539),
    (0.05, 4e6, 0.306, 0.198),
]


def sensor(*frequencies: float | None, role: PadRole = PadRole.LEVEL) -> Sensor:
    return Sensor(
        "strip",
        1,
        tuple(Pad(k, f"p{k}", 10.0 * k, 10.0, None, f, role) for k, f in enumerate(frequencies)),
        16,
        CountLaw.RISES,
        100,
    )


@pytest.mark.parametrize(("conductivity", "expected"), CROSSOVERS)
def test_crossover(conductivity: float, expected: float) -> None:
    """The frequency below which a liquid is a conductor, to the three digits given."""
    assert crossover_hz(conductivity, WATER) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("conductivity", "frequency", "foam", "film"), READS)
def test_verdicts_hold_in_the_field_computation(
    conductivity: float, frequency: float, foam: float, film: float
) -> None:
    """'Cannot' is said where both read 0.95 of full and more, 'hardly' where foam still reads half of it,
    'can' where neither does.
    """
    expected = Telling.ALIKE if min(foam, film) >= 0.95 else Telling.HARDLY if foam >= 0.5 else Telling.APART
    assert telling(frequency, crossover_hz(conductivity, WATER)) is expected


def test_the_best_frequency_decides() -> None:
    """A sensor that reads its pads at several frequencies can do what its highest one can; reference pads
    don't count.
    """
    tap = Liquid("tap", WATER, 0.05)
    assert judge(tap, sensor(100e3)).best is Telling.ALIKE
    assert judge(tap, sensor(100e3, 1e6)).best is Telling.HARDLY
    found = judge(tap, sensor(4e6, 100e3))
    assert found.best is Telling.APART
    assert found.frequencies == ((100e3, Telling.ALIKE), (4e6, Telling.APART))
    mixed = Sensor(
        "strip",
        1,
        (*sensor(100e3).pads, Pad(1, "ref", 0.0, 10.0, None, 4e6, PadRole.REFERENCE)),
        16,
        CountLaw.RISES,
        100,
    )
    assert judge(tap, mixed).best is Telling.ALIKE


def test_the_sentence_says_what_would_help() -> None:
    """f_c, the pads' frequency and the one that would do stand in the sentence."""
    said = judge(Liquid("tap", WATER, 0.05), sensor(100e3)).sentence
    assert said == (
        "film and foam of tap on strip@1 cannot be told from the liquid: tap conducts up to f_c = 11.5 "
        "MHz, the pads are read at 100 kHz; foam, and a film of 0.1 mm, read full however many sessions "
        "there are; 2.87 MHz and more would tell"
    )


@pytest.mark.parametrize(
    ("liquid", "frequency", "missing"),
    [
        (Liquid("x", WATER), 1e6, "the liquid's conductivity not known"),
        (Liquid("x", None, 0.05), 1e6, "the liquid's permittivity not known"),
        (
            Liquid("x"),
            None,
            (
                "the liquid's conductivity and its permittivity and the sensor's frequency not "
                "known; a revision of the sensor can state it, pad by pad"
            ),
        ),
    ],
)
def test_what_is_not_known_is_said(liquid: Liquid, frequency: float | None, missing: str) -> None:
    """Without conductivity, permittivity or frequency there is no verdict, and the sentence says what to find
    out.
    """
    found = judge(liquid, sensor(frequency))
    assert (found.best, found.crossover_hz) == (Telling.UNKNOWN, None)
    assert found.sentence.endswith(missing)


def test_the_model_of_water_knows_its_permittivity() -> None:
    """A liquid with a model is judged at its temperature, or at room temperature."""
    found = judge(Liquid("water", None, 0.05, model="water"), sensor(100e3))
    assert found.crossover_hz == pytest.approx(11.5e6, rel=0.01)
