"""What every header, ONNX file, manifest and page says of the level: it is no protective control."""

from __future__ import annotations

from collections.abc import Mapping

CAUTIONS = (
    (
        "The level is an estimate. It is not a protective control: protection against running dry, "
        "overflow and scalding needs an independent device, or a control developed and assessed for that "
        "purpose (IEC 60730-1 software classes, IEC 60335 and its parts, IEC 61508 and IEC 61511 where "
        "they apply), under local codes and by qualified people."
    ),
    "Foam read as liquid hides dry running; film read as liquid hides an empty tank.",
    (
        "A withheld reading must lead to the safe state. Pump and heater logic uses low, overflow logic "
        "uses high; neither may go on with the last reading that was valid."
    ),
)
CAUTION = " ".join(CAUTIONS)  # in one paragraph


def uneven_tanks(spans_mm: Mapping[str, float]) -> str:
    """What whoever closes an inlet must know where the tanks of a model differ in height, ``spans_mm`` by
    tank; empty where they do not.
    """
    if not spans_mm:
        return ""
    spans = ", ".join(f"{tank} {span:g} mm" for tank, span in spans_mm.items())
    return (
        f"the tanks of this model differ in height ({spans}), and its span is the tallest one's: give each "
        "tank a level of its own at which its inlet closes, or a lower tank overflows"
    )
