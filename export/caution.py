"""What every exported file says about its use."""

from __future__ import annotations

CAUTION = (
    "The estimate is not a protective control. Dry-run, overflow and scald protection needs an independent device, or a control"
    " developed and assessed for that purpose (IEC 60730-1 software classes, IEC 60335 and its parts, IEC 61508 and IEC 61511 where"
    " they apply), under local codes and by qualified people. Foam read as liquid hides dry running; film read as liquid hides empty."
    " A withheld reading must lead to the safe state."
)
