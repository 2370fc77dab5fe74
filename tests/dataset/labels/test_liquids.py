"""Densities and permittivities of liquids against published values."""

from __future__ import annotations

from dataclasses import replace

import pytest
from chemicals.permittivity import permittivity_data_CRC
from chemicals.volume import rho_data_Perry_8E_105_l, rho_data_VDI_PPDS_2

from dataset.errors import InputError
from dataset.labels.liquids import COMMON, common, density, known, permittivity
from dataset.records import Liquid

WATER = Liquid("tap", model="water")

# Temperature C: permittivity after IAPWS R8-97 and density after IAPWS-95 (kg/m3) at 101.325 kPa, at 100 C of
# the liquid side, computed with another implementation, the package `iapws` 1.5.5, which reproduces the
# releases' own check tables.
RELEASES = {
    0: (87.90345, 999.84309),
    4: (86.30922, 999.97487),
    5: (85.91551, 999.96663),
    10: (83.97453, 999.70247),
    15: (82.07754, 999.10262),
    20: (80.22264, 998.20715),
    25: (78.40848, 997.04764),
    30: (76.63401, 995.64945),
    40: (73.20061, 992.21635),
    50: (69.91605, 988.03505),
    60: (66.77450, 983.19582),
    70: (63.77032, 977.76463),
    80: (60.89796, 971.79040),
    90: (58.15192, 965.30959),
    100: (55.52668, 958.34905),
}


@pytest.mark.parametrize("temperature", RELEASES)
def test_water_against_the_releases(temperature: int) -> None:
    """Water is that of the releases: density to all printed digits, permittivity to 1e-5 (`chemicals` has a
    newer Boltzmann constant).
    """
    permittivity_then, density_then = RELEASES[temperature]
    assert density(WATER, temperature) == pytest.approx(density_then, abs=1e-5)
    assert permittivity(WATER, temperature) == pytest.approx(permittivity_then, rel=1e-5)


@pytest.mark.parametrize("t", [0, 4, 10, 20, 25, 30, 40])
def test_water_against_tanaka(t: int) -> None:
    """Tanaka et al., Metrologia 38 (2001) 301-309, air-free water, 0 to 40 C: within their stated part per
    million and a little.
    """
    rho = 999.974950 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))
    assert density(WATER, t) == pytest.approx(rho, rel=1.2e-6)


@pytest.mark.parametrize("t", [0, 25, 60, 100])
def test_water_against_malmberg_and_maryott(t: int) -> None:
    """Malmberg and Maryott, J. Res. NBS 56 (1956) 1-8, lies within 0.4 % of the later release."""
    assert permittivity(WATER, t) == pytest.approx(
        87.740 - 0.40008 * t + 9.398e-4 * t**2 - 1.410e-6 * t**3, rel=0.004
    )


def test_constants_and_unknowns() -> None:
    """A constant holds at any temperature and goes before a model; what isn't known is an error that says
    what to do.
    """
    oil = Liquid("oil", 3.1, None, 915.0, 20.0)
    assert (permittivity(oil, 60.0), density(oil, None)) == (3.1, 915.0)
    assert density(replace(WATER, density=997.0), 20.0) == 997.0
    assert known(Liquid("x", 3.1), 20.0) == (3.1, None)
    assert known(Liquid("x"), 20.0) == (None, None)
    with pytest.raises(
        InputError,
        match=r"liquid x, density: isn't known. Add a liquid with it: Liquid\(density=\.\.\.\)",
    ):
        density(Liquid("x"), 20.0)
    with pytest.raises(InputError, match="liquid x, permittivity: isn't known"):
        permittivity(Liquid("x"), 20.0)
    with pytest.raises(InputError, match="no temperature is given"):
        density(WATER, None)


@pytest.mark.parametrize("temperature", [-0.1, 100.1, float("nan")])
def test_where_the_model_ends(temperature: float) -> None:
    """Ice and steam are refused, not extrapolated to."""
    with pytest.raises(InputError, match="0 to 100 C, where the model 'water' holds"):
        density(WATER, temperature)


CAS = {
    "ethanol": "64-17-5",
    "2-propanol": "67-63-0",
    "glycerol": "56-81-5",
    "ethylene-glycol": "107-21-1",
    "propylene-glycol": "57-55-6",
    "triolein": "122-32-7",
}


@pytest.mark.parametrize("name", CAS)
def test_common_liquids(name: str) -> None:
    """Their permittivity is the CRC Handbook's at the temperature it has there, their density what VDI or
    Perry give at that one.
    """
    liquid = common(name)
    row = permittivity_data_CRC.loc[CAS[name]]
    kelvin = float(row["T"])
    assert liquid.permittivity == row["Permittivity"]
    assert liquid.temperature_c == pytest.approx(kelvin - 273.15, abs=0.06)
    if CAS[name] in rho_data_VDI_PPDS_2.index:
        v = rho_data_VDI_PPDS_2.loc[CAS[name]]
        tau = 1 - kelvin / v["Tc"]
        assert liquid.density == pytest.approx(
            v["rhoc"] + v["A"] * tau**0.35 + v["B"] * tau ** (2 / 3) + v["C"] * tau + v["D"] * tau ** (4 / 3),
            abs=0.6,
        )
    elif CAS[name] in rho_data_Perry_8E_105_l.index:
        p = rho_data_Perry_8E_105_l.loc[CAS[name]]
        molar_mass = 76.094  # of propylene glycol, g/mol
        assert liquid.density == pytest.approx(
            molar_mass * p["C1"] / 1000 / p["C2"] ** (1 + (1 - kelvin / p["C3"]) ** p["C4"]), abs=0.6
        )
    else:
        assert liquid.density is None


def test_all_common_liquids_have_a_source() -> None:
    """Each says where its values are from; none claims a conductivity; a name that isn't there is answered
    with those that are.
    """
    assert {x.name for x in COMMON} == {"water", *CAS}
    assert all(x.source and x.conductivity is None for x in COMMON)
    with pytest.raises(InputError, match="like: beer; expected one of water, ethanol"):
        common("beer")
