"""Mixing rules at their limits, inside their bounds, and against published values."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dataset.rig.media import (
    Medium,
    Value,
    bruggeman,
    foam,
    foam_conduction,
    lichtenecker,
    looyenga,
    maxwell_garnett,
    wiener,
)

Rule = Callable[[Value, Value, float], Value]
RULES: tuple[Rule, ...] = (maxwell_garnett, bruggeman, looyenga, lichtenecker)
share, permittivity = st.floats(0.0, 1.0), st.floats(1.0, 100.0)


def real(value: Value) -> float:
    assert not isinstance(value, complex)
    return value


@pytest.mark.parametrize("rule", RULES)
def test_limits(rule: Rule) -> None:
    """No inclusions leave the host, nothing but inclusions is their own permittivity."""
    assert rule(2.0, 50.0, 0.0) == pytest.approx(2.0)
    assert rule(2.0, 50.0, 1.0) == pytest.approx(50.0)


@given(share, permittivity, permittivity)
def test_isotropic_rules_lie_inside_the_hashin_shtrikman_bounds(f: float, a: float, b: float) -> None:
    """Hashin and Shtrikman, J. Appl. Phys. 33 (1962) 3125 (from memory): Maxwell Garnett either way round
    bounds every isotropic mixture.
    """
    low, high = sorted((real(maxwell_garnett(a, b, f)), real(maxwell_garnett(b, a, 1 - f))))
    for rule in (bruggeman, looyenga):
        assert low * (1 - 1e-9) <= real(rule(a, b, f)) <= high * (1 + 1e-9)
    bottom, top = (real(end) for end in wiener(a, b, f))
    assert bottom * (1 - 1e-9) <= low
    assert high <= top * (1 + 1e-9)


def test_small_contrast() -> None:
    """E = <e> - <de^2> / (3 <e>) (Landau and Lifshitz, Electrodynamics of Continuous Media, section 9, from
    memory): 1.0492063 for 1 and 1.1 in halves.

    Lichtenecker's rule gives 1.0488088: it isn't the isotropic result.
    """
    assert bruggeman(1.0, 1.1, 0.5) == pytest.approx(1.0492059, abs=1e-7)
    assert looyenga(1.0, 1.1, 0.5) == pytest.approx(1.0492059, abs=1e-7)
    assert lichtenecker(1.0, 1.1, 0.5) == pytest.approx(1.0488088, abs=1e-7)


def test_dry_snow() -> None:
    """Ice of 3.17 at a density of 0.30 g/cm3: Maetzler, IEEE TGRS 34 (1996) 573 measured 1 + 1.5995 d + 1.861
    d^3 = 1.5301 (from memory).
    """
    density = 0.30
    assert looyenga(1.0, 3.17, 0.327) == pytest.approx(1 + 1.5995 * density + 1.861 * density**3, rel=0.004)


@pytest.mark.parametrize(
    ("wetness", "s"),
    [(0.01, 0.00349), (0.02, 0.00730), (0.05, 0.02065), (0.10, 0.04863), (0.20, 0.11882), (0.36, 0.25256)],
)
def test_foam_conduction(wetness: float, s: float) -> None:
    """Feitosa et al., J. Phys.: Condens. Matter 17 (2005) 6301, inverted; the formula is from memory, as are
    these digits of it.
    """
    assert foam_conduction(wetness) == pytest.approx(s, abs=6e-6)


def test_foam_conduction_at_its_limits() -> None:
    """A dry foam conducts a third of its liquid's share (Lemlich 1978), a foam of nothing but liquid conducts
    as that.
    """
    assert foam_conduction(1e-5) == pytest.approx(1e-5 / 3, rel=1e-3)
    assert foam_conduction(1.0) == pytest.approx(1.0)
    assert foam_conduction(0.0) == 0.0


def test_foam_permittivity_follows_the_table() -> None:
    """Air and water of 78.3 at 2, 5 and 10 % liquid: 1.552, 2.567, 4.708 (the same law, computed)."""
    assert [round(foam(Medium(78.3), w).permittivity, 3) for w in (0.02, 0.05, 0.10)] == [1.552, 2.567, 4.708]


def test_complex_permittivity() -> None:
    """Half dielectric, half conductor where f = sigma / (2 pi eps): 11.5 MHz for 500 uS/cm in
    water of 78.3.
    """
    value = Medium(78.3, 0.05).at(11.478e6)
    assert -value.imag == pytest.approx(value.real, rel=1e-3)
    assert np.isclose(Medium(5.0).at(1e6), 5.0)
