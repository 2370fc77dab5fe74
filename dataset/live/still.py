"""So many frames of a board that stands still, such as with a check standard against its pads."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from dataset.errors import InputError
from dataset.labels.steady import THRESHOLD, WINDOW, drift, noise
from dataset.live.board import ByteSource, SourceEnded, SourceLost
from dataset.live.stream import BoardStream, Placed
from dataset.records import Frames, Sensor
from dataset.words import counted

FEWEST = 2 * WINDOW  # frames by which standing still can be told
QUIET_S = 10.0  # a board that sends no frame for so long is not there


def read_still(
    source: ByteSource, sensor: Sensor, frames: int, clock: Callable[[], float] = time.monotonic
) -> tuple[Frames, bool]:
    """The next ``frames`` frames that a board sends, and whether it says that it is the virtual rig.

    Raises:
        InputError: too few frames to tell whether it stands still, a port that is lost, a stream that ends or
            falls silent before, another board than the sensor's, or counts that move.
    """
    check_number_of(frames)
    stream, placed, heard_at = BoardStream(sensor), list[Placed](), clock()
    while len(placed) < frames:
        try:
            new = stream.feed(source.read())
        except (SourceLost, SourceEnded) as end:
            new = stream.last()
            if len(placed) + len(new) < frames:
                ended = "the stream ended" if isinstance(end, SourceEnded) else "the port was lost"
                found = f"{ended} after {counted(len(placed) + len(new), 'frame')}"
                raise InputError("the board", found, counted(frames, "frame")) from end
        heard_at = clock() if new else heard_at
        if clock() - heard_at > QUIET_S:
            raise InputError("the board", f"no frame for {QUIET_S:g} s", f"frames of {sensor.ref}")
        placed += new
    lines = [frame.line for frame in placed[:frames]]
    read = Frames(
        np.array([frame.ms for frame in placed[:frames]], np.int64),
        np.array([line.counts for line in lines], np.uint32),
        np.array([line.temperature_c for line in lines], np.float64),
    )
    check_still("the board", read, sensor)
    return read, stream.simulated


def check_number_of(frames: int) -> None:
    """InputError for too few frames to tell whether they stand still."""
    if frames < FEWEST:
        raise InputError(
            "frames", str(frames), f"at least {FEWEST}, to see it stand still", fields=("frames",)
        )


def check_still(where: str, frames: Frames, sensor: Sensor) -> None:
    """InputError where a channel's counts move farther than its noise from the first to the last frames."""
    moved = np.abs(drift(frames.counts)) / noise(frames.counts)
    if moved.max() > THRESHOLD:
        name = sensor.channel_names[int(moved.argmax())]
        found = f"pad {name} moves by {moved.max():.0f} times its noise"
        raise InputError(where, found, "counts that stand still", "measure again once nothing moves")
