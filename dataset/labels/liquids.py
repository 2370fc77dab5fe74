"""What is known of a liquid at a temperature: constants as they were given, or functions of temperature.

The model ``water``: relative permittivity after IAPWS R8-97 and density after IAPWS-95, at 101.325 kPa, both
from the package `chemicals`. Permittivity is the static one, good up to some hundred MHz; conductivity is
never part of a model, since it's the dissolved salts that make it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from dataset.errors import InputError, nearest
from dataset.records import Liquid

PRESSURE_PA = 101_325.0
BOILING_C = (
    99.9  # from here on the saturated liquid is asked for: at 100 C and this pressure water is as well steam
)
ZERO_K = 273.15


def common(like: str) -> Liquid:
    """The common liquid of that name.

    Raises InputError for a name that isn't there.
    """
    for liquid in COMMON:
        if liquid.name == like:
            return liquid
    raise InputError(
        "like",
        like,
        "one of " + ", ".join(x.name for x in COMMON),
        nearest(like, (x.name for x in COMMON)) or "see liquids.COMMON",
        fields=("like", "liquids.COMMON"),
    )


def known(liquid: Liquid, temperature_c: float) -> tuple[float | None, float | None]:
    """Permittivity and density at ``temperature_c``, None where unknown."""
    modelled = liquid.model is not None
    return (
        permittivity(liquid, temperature_c) if modelled or liquid.permittivity is not None else None,
        density(liquid, temperature_c) if modelled or liquid.density is not None else None,
    )


def density(liquid: Liquid, temperature_c: float | None) -> float:
    """Density in kg/m3 at ``temperature_c``; a constant is taken at any temperature.

    Raises InputError where it isn't known, or where a model needs a temperature and has none.
    """
    return _fact(liquid, "density", liquid.density, _water_density, temperature_c)


def permittivity(liquid: Liquid, temperature_c: float | None) -> float:
    """Static relative permittivity at ``temperature_c``; a constant is taken at any temperature.

    Raises InputError where it isn't known, or where a model needs a temperature and has none.
    """
    return _fact(liquid, "permittivity", liquid.permittivity, _water_permittivity, temperature_c)


MODELS = {"water": (0.0, 100.0)}  # range of temperature, degrees Celsius

_CRC = "permittivity: CRC Handbook, Permittivity of Liquids"
_VDI = "density: VDI Heat Atlas (2010), PPDS equation"
COMMON = (
    Liquid("water", model="water", source="permittivity: IAPWS R8-97; density: IAPWS-95"),
    Liquid("ethanol", 25.3, None, 790.0, 20.0, source=f"{_CRC}; {_VDI}"),
    Liquid("2-propanol", 20.18, None, 786.0, 20.0, source=f"{_CRC}; {_VDI}"),
    Liquid("glycerol", 46.53, None, 1261.0, 20.0, source=f"{_CRC}; {_VDI}"),
    Liquid("ethylene-glycol", 41.4, None, 1113.0, 20.0, source=f"{_CRC}; {_VDI}"),
    Liquid(
        "propylene-glycol",
        27.5,
        None,
        1029.0,
        30.0,
        source=f"{_CRC}; density: Perry's Chemical Engineers' Handbook (8th ed.), table 2-32",
    ),
    Liquid("triolein", 3.109, None, None, 20.0, "the main glyceride of many vegetable oils", source=_CRC),
)


def _fact(
    liquid: Liquid,
    what: str,
    constant: float | None,
    model: Callable[[float], float],
    temperature_c: float | None,
) -> float:
    if constant is not None:
        return constant
    where = f"liquid {liquid.name}, {what}"
    if liquid.model is None:
        with_it = f"Liquid({what}=...)"
        raise InputError(where, "isn't known", "", f"add a liquid with it: {with_it}", fields=(with_it,))
    if temperature_c is None:
        raise InputError(
            where,
            f"follows the model '{liquid.model}' and no temperature is given",
            "a temperature",
            "for levels from a mass: ColumnMapping.temperature, or Labelling.temperature_c",
            fields=("ColumnMapping.temperature", "Labelling.temperature_c"),
        )
    low, high = MODELS[liquid.model]
    if not low <= temperature_c <= high:
        raise InputError(
            where, f"{temperature_c:g} C", f"{low:g} to {high:g} C, where the model '{liquid.model}' holds"
        )
    return model(temperature_c)


@lru_cache(maxsize=4096)
def _water_density(temperature_c: float) -> float:
    """IAPWS-95, kg/m3."""
    from chemicals import iapws

    kelvin = temperature_c + ZERO_K
    if temperature_c >= BOILING_C:
        return float(iapws.iapws95_rhol_sat(kelvin))  # type: ignore[no-untyped-call]  # no types are published
    return float(iapws.iapws95_rho(kelvin, PRESSURE_PA))  # type: ignore[no-untyped-call]  # no types are published


@lru_cache(maxsize=4096)
def _water_permittivity(temperature_c: float) -> float:
    """IAPWS R8-97."""
    from chemicals.permittivity import permittivity_IAPWS

    return float(permittivity_IAPWS(temperature_c + ZERO_K, _water_density(temperature_c)))
