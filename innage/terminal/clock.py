"""Times as people read them."""

from __future__ import annotations


def clock(seconds: float) -> str:
    """Minutes and seconds, and hours where there are any."""
    minutes, s = divmod(round(seconds), 60)
    hours, m = divmod(minutes, 60)
    return f"{hours}:{m:02d}:{s:02d}" if hours else f"{m}:{s:02d}"
