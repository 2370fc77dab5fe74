"""Whether the machine has the memory that training takes, told before a search and not by its end."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dataset.store import Store

STARTED_BYTES = 260 << 20  # with the libraries loaded; measured: 255 MiB
# Of eight channels; of others in proportion. Measured: the search of a pad array in one process on 960,000
# frames of 24 sessions took 735 MiB at most, so 525 bytes a frame; its judging of candidates takes the most.
FRAME_BYTES, OF_CHANNELS = 525, 8
_MEMINFO = Path("/proc/meminfo")


def memory_taken(frames: int, channels: int) -> int:
    """Bytes that training on so many labelled frames takes at most, an estimate."""
    return STARTED_BYTES + frames * FRAME_BYTES * channels // OF_CHANNELS


def memory_there(meminfo: Path = _MEMINFO) -> int | None:
    """Bytes that this machine can still give to processes; all of its memory where it does not tell, None
    where it tells neither.
    """
    try:
        told = re.search(r"^MemAvailable:\s*(\d+) kB$", meminfo.read_text(encoding="ascii"), re.MULTILINE)
    except (OSError, ValueError):
        told = None
    if told is not None:
        return int(told[1]) << 10
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):  # Windows has no sysconf
        return None


def told_of_memory(store: Store, frozen: str) -> str | None:
    """A sentence where training on a frozen set may take more memory than there is; None otherwise. Nothing
    is refused by it: it is an estimate, and memory may be swapped. NotFoundError for an unknown set.
    """
    frozen_set = store.frozen_set(frozen)
    there = memory_there()
    frames = sum(group.frames for group in store.groups(frozen_set))
    channels = max((s.mounting.sensor.channels for s in frozen_set.sessions), default=0)
    taken = memory_taken(frames, channels)
    if there is None or taken <= there:
        return None
    return (
        f"frozen set '{frozen}': to train on its {frames:,} frames of {channels} channels takes some "
        f"{_gb(taken)} of memory, {_gb(there)} are available here; where the system ends it, freeze fewer "
        "sessions (--session, --unit, --since) or train where there is more"
    )


def _gb(size: int) -> str:
    return f"{size / 1e9:.1f} GB"
