"""The check of what a manifest states about the model's making: no file of the bundle proves it, a store
can.
"""

from __future__ import annotations

from export.bundle.checks import Bundle, Failed, Stated


def figures(bundle: Bundle) -> str:
    """Figures, limits, sources and recipe are those of the model in the store; without one they are as
    stated.
    """
    stated = bundle.manifest.body
    what = "figures, limits, sessions and recipe as stated, not proven"
    if bundle.recorded is None:
        raise Stated(f"{what}: a store that has the model can show them")
    known = bundle.recorded(bundle.manifest)
    if known is None:
        raise Stated(f"{what}: the store does not have this model")
    differing = sorted(name for name, value in known.items() if stated[name] != value)
    if differing:
        raise Failed(f"not what the store has on this model: {', '.join(differing)}")
    return f"{', '.join(sorted(known))} are what the store has on this model"
