"""What every header, ONNX file, manifest and page says of the level: it is no protective control."""

from __future__ import annotations

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
