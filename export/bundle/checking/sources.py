"""The check of where vectors were taken: no file of a bundle proves that frames are of a session; a store
that holds the session can.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dataset.records import ID_DIGITS, Trim
from dataset.words import counted
from export.bundle.checks import Bundle, Failed, Held, Stated
from export.bundle.manifest import FIRST_FORMAT
from export.evidence.excerpts import Capture, Excerpt, counts_of, stream_of
from export.evidence.streams import Streams
from training.program import Array


def sources(bundle: Bundle) -> str:
    """Streams taken of sessions are what the store's sessions and trims have there; none is of a void session
    or of frames that belong to 'prove'.
    """
    if bundle.manifest.format == FIRST_FORMAT:
        return "all vectors are made: bundles of this format hold no readings of sessions"
    origins, streams = bundle.origins, bundle.taken
    if not origins.taken or streams is None:
        why = "the export was told so" if origins.made_only else "no session had frames that could be taken"
        return f"all {origins.streams} streams are made: {why}"
    _refuse_kinds(bundle)
    frames = origins.frames
    what = (
        f"{origins.taken} of {origins.streams} streams ({origins.taken * frames} of "
        f"{origins.streams * frames} rows) "
        f"are taken of {counted(len(origins.sessions), 'session')}"
    )
    if bundle.held is None:
        raise Stated(f"{what}: source not checked here")
    held = bundle.held(bundle.manifest)
    unknown = set[str]()
    first = origins.streams - origins.taken
    for k, place in enumerate(bundle.manifest.excerpts):
        where = (
            f"stream {first + k}, said to be frames {place.first} to {place.first + frames - 1} of session "
        )
        if not _compared(
            bundle, held, place, streams.take(slice(k, k + 1)), where + place.session[:ID_DIGITS]
        ):
            unknown.add(place.session)
    if unknown:
        raise Stated(
            f"{what}: source not checked here for {len(unknown)} of them, which the store does not have, or "
            "not their trims"
        )
    if held.members is None:
        raise Stated(
            f"{what}, as the store has them; their roles are as stated: the store has no such frozen set"
        )
    return f"{what}, with counts, temperatures and trims as the store has them; none is void or of 'prove'"


def _refuse_kinds(bundle: Bundle) -> None:
    """Raise Failed where a stream's trims are not of the kinds that the program takes, one of each."""
    kinds = {trim["sha256"]: trim["kind"] for trim in bundle.manifest.body["trims"]}
    taken = bundle.program.trim_kinds if bundle.program.trim is not None else ()
    for place in bundle.manifest.excerpts:
        if tuple(kinds.get(trim) for trim in place.trims) != taken:
            named = ", ".join(taken) or "no trim"
            raise Failed(f"a stream of session {place.session[:ID_DIGITS]} has other trims than {named}")


def _compared(bundle: Bundle, held: Held, place: Excerpt, stream: Streams, where: str) -> bool:
    """Whether the store has what the stream was taken of; Failed where it has it otherwise."""
    capture, trims = held.captures.get(place.session), [held.trims.get(trim) for trim in place.trims]
    if held.members is not None and place.session not in held.members:
        raise Failed(f"{where}: the store's frozen set does not have the session")
    if capture is not None:
        _refuse_capture(capture, place, where)
    if capture is None or None in trims:
        return False
    own = [trim for trim in trims if trim is not None]
    _refuse_trims(capture, own, where)
    if capture.frames.counts.shape[1] != bundle.program.channels:
        raise Failed(f"{where}: the store's session has {capture.frames.counts.shape[1]} channels")
    theirs = stream_of(bundle.program, capture, place.first, place.frames, counts_of(own))
    # when liquid came in follows from marks and conditions, which may be others by now
    for what in ("trim", "counts", "temperature", "faults"):
        mine, expected = getattr(stream, what)[0], getattr(theirs, what)[0]
        if mine.shape != expected.shape or (mine != expected).any():
            at = "" if what == "trim" else f" from frame {place.first + _first_other(mine, expected)} on"
            raise Failed(f"{where}: {what} other than the store has{at}")
    return True


def _refuse_capture(capture: Capture, place: Excerpt, where: str) -> None:
    """Raise Failed for frames that the store's session does not have or that may not be taken."""
    stop = place.first + place.frames
    if capture.session.void_reason is not None:
        raise Failed(f"{where}: the session is void ({capture.session.void_reason})")
    if stop > len(capture.frames):
        raise Failed(f"{where}: the store's session has {len(capture.frames)} frames")
    if not capture.free[place.first : stop].all():
        raise Failed(f"{where}: they belong to 'prove', or lie between frames that do")


def _refuse_trims(capture: Capture, trims: Sequence[Trim], where: str) -> None:
    session = capture.session
    for trim in trims:
        if (trim.unit.key, trim.mounting.name) != (session.unit.key, session.mounting.name):
            raise Failed(
                f"{where}: its {trim.kind} trim is of unit {trim.unit.name} on mounting {trim.mounting.name}"
            )


def _first_other(mine: Array, expected: Array) -> int:
    return int(np.argmax((mine != expected).reshape(len(expected), -1).any(axis=1)))
