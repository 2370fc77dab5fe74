"""Where each pad stands between dry and full, and whether it has settled, while frames come in."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dataset.labels.steady import noise
from dataset.labels.trims import latest
from dataset.records import Mounting, Trim, TrimKind

SETTLED_FRAMES = 20  # looked back on
FEWEST_FRAMES = 8
_SDS = 4.0  # of the difference of two means: noise alone goes beyond it once in 16,000 looks

Reals = NDArray[np.float64]


class Bars:
    """The scale of a unit's bars: from its dry to its full trim where it has them on the mounting; else from
    the first frame, and up to the farthest count that was seen.
    """

    def __init__(self, trims: Sequence[Trim], mounting: Mounting) -> None:
        own = [trim for trim in trims if trim.mounting == mounting]
        self._dry, self._full = _newest(own, TrimKind.DRY), _newest(own, TrimKind.FULL)
        self._farthest = np.zeros(mounting.sensor.channels)
        self._recent: deque[tuple[int, ...]] = deque(maxlen=SETTLED_FRAMES)

    def see(self, counts: tuple[int, ...]) -> None:
        """A frame that follows the one before it."""
        self._recent.append(counts)
        self.see_all(np.asarray([counts], np.float64))

    def see_all(self, counts: Reals) -> None:
        """Frames of earlier, counts (n, channels)."""
        if self._dry is None:
            self._dry = counts[0]
        self._farthest = np.maximum(self._farthest, np.abs(counts - self._dry).max(axis=0))

    def restart(self) -> None:
        """The next frame does not follow the last one."""
        self._recent.clear()

    def places(self, counts: tuple[int, ...]) -> tuple[float, ...]:
        """Each channel's place: 0 is dry, 1 full or the farthest that was seen; beyond both where it is."""
        if self._dry is None or not counts:
            return ()
        rise = np.asarray(counts, np.float64) - self._dry
        swing = None if self._full is None else self._full - self._dry
        if swing is not None and (swing != 0).all():
            return tuple((rise / swing).tolist())
        return tuple((np.abs(rise) / np.maximum(self._farthest, 1.0)).tolist())

    def settled(self) -> tuple[bool, ...]:
        """Of each channel whether the later half of the last frames has the mean of the earlier one, but for
        their noise; () where too few frames came.
        """
        if len(self._recent) < FEWEST_FRAMES:
            return ()
        counts = np.asarray(self._recent, np.int64)
        half = len(counts) // 2
        apart = np.abs(counts[-half:].mean(axis=0) - counts[:half].mean(axis=0))
        return tuple((apart <= _SDS * noise(counts) * np.sqrt(2 / half)).tolist())


def _newest(trims: Sequence[Trim], kind: TrimKind) -> Reals | None:
    newest = latest(trims, kind)
    return np.asarray(newest[0].counts, np.float64) if newest else None
