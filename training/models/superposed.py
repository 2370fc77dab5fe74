"""Superposed frames: what sessions of an earlier tank would have shown on a new one, computed from measured
frames of both.

Each tank's clean frames give its response s(L), the shares of its pads under a conductor at earth up to a
level L. An earlier frame is what its response makes of level, coupling, foam and film, and a rest that no
model tells: clean s(L), foam s(L) + a (s(L + t) - s(L)), film s(L) + f (s(full) - s(L)). The thickness t and
share a of foam and the share f of film of each pad are those that the frame itself shows. The new tank's
response, as far as its few units tell another than chance would, takes the place of the earlier one's, the
rest stays, and counts come out by the count law; trims,
times, labels and conditions are the earlier session's. Superposition is common practice, no source; it leaves
out what foam does to the field at a pad's edge.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from dataset.errors import InputError
from dataset.records import CountLaw, FrozenData, PadRole, TrimKind
from training.models.watch import States, states_of
from training.rows import Floats, Ints, Mask

KNOTS = 64  # of a response, evenly over the span
EARTHED = 1e6  # capacitance to earth, in covered pads, of a liquid that is earthed
_TO_EARTH = np.asarray([*np.geomspace(0.3, 30, 12), EARTHED])
_ROUNDS, _GAIN_ROUNDS = 5, 4  # response and couplings are found in turn; a gain beside each capacitance
_SMOOTH = 0.03  # weight of a response's second differences against a row's error
_COVERED = 0.9  # share from which on foam and film above do not change a pad
_FEWEST = 20  # frames that tell a session's coupling
_THICKNESSES = 20  # tried, evenly up to _THICKEST of the span
_THICKEST = 0.3
_MOST_FILM = 0.6
_TOGETHER = 9  # frames over which the thickness of foam is taken to be the same
_LEAST_ROOM = 0.3  # share that a pad must lack of covered to tell film


@dataclass(frozen=True)
class Response:
    """Shares of the level pads (knots, pads) of an earthed conductor at levels (knots,), mm."""

    knots_mm: Floats
    shares: Floats

    def at(self, level_mm: Floats) -> Floats:
        """Shares at levels (n,), (n, pads)."""
        return np.stack([np.interp(level_mm, self.knots_mm, pad) for pad in self.shares.T], axis=1)


@dataclass(frozen=True)
class Coupling:
    """What a session makes of a response: a gain, for permittivity and warmth, and the liquid's capacitance
    to earth in covered pads.
    """

    gain: float
    to_earth: float

    def of(self, shares: Floats) -> Floats:
        """Shares (n, pads) as the pads show them: each in series with what the liquid has to earth, the other
        pads being earth too (Kirchhoff's rule for capacitors in series).
        """
        own = self.gain * shares
        every = own.sum(axis=1, keepdims=True)
        return np.asarray(own * (self.to_earth + every - own) / (self.to_earth + np.maximum(every, 0.0)))


@dataclass(frozen=True)
class Course:
    """What one earlier session shows, all its frames: shares (n, pads), levels (n,) mm, coupling; of foam
    thickness (n,) mm and share (n,), of film the share of each pad (n, pads), 0 where there is none.
    """

    shares: Floats
    level_mm: Floats
    coupling: Coupling
    thickness_mm: Floats
    foam: Floats
    film: Floats

    def on(self, response: Response) -> Floats:
        """Shares (n, pads) of the course on a tank of that response; those of an empty tank are 0."""
        liquid = self.coupling.of(response.at(self.level_mm))
        above = self.coupling.of(response.at(self.level_mm + self.thickness_mm))
        full = self.coupling.of(np.broadcast_to(response.shares[-1], liquid.shape))
        shown = liquid + self.foam[:, None] * (above - liquid)
        shown = shown + self.film * np.maximum(full - shown, 0.0)
        return np.where(self.level_mm[:, None] > 0, shown, 0.0)


@dataclass(frozen=True)
class Superposition:
    """Both tanks' data, the new tank's rows first, and what the earlier sessions show: everything but the new
    tank's response.

    ``courses`` are by session. ``spread`` is the mean square, over knots and pads, of how far the response of
    one of the earlier ``units`` lies from that of all.
    """

    both: FrozenData
    new_rows: int
    earlier: Response
    courses: Mapping[int, Course]
    units: int
    spread: float

    def on(self, fitted: Mask) -> FrozenData:
        """The same data with the earlier sessions' frames computed for the response of the new tank's rows
        ``fitted`` (new rows,), as far as that is surely another. Raises InputError where these have no clean
        frame.
        """
        both, (response, _) = self.both, self._new(fitted)
        frames, counts = list(both.frames), both.counts.copy()
        for k, course in self.courses.items():
            shares = course.shares + course.on(response) - course.on(self.earlier)
            frames[k] = replace(frames[k], counts=_counts(both, k, shares).astype(frames[k].counts.dtype))
            mine = both.session == k
            counts[mine] = frames[k].counts[both.frame[mine]]
        name = f"{both.frozen.name}, superposed"
        sha256 = hashlib.sha256(f"{both.frozen.sha256} superposed".encode()).hexdigest()
        frozen = replace(both.frozen, name=name, sha256=sha256)
        return replace(both, frozen=frozen, counts=counts, frames=tuple(frames))

    def weight(self, fitted: Mask) -> float:
        """How much of the difference between both responses is taken, 0 to 1: see :meth:`on`; 0 where it may
        be all chance.
        """
        return self._new(fitted)[1]

    def _new(self, fitted: Mask) -> tuple[Response, float]:
        """The response of the new tank's rows drawn towards the earlier one, and the weight that is left to
        it: few units differ from many by chance alone.

        The weight is the best linear one where the variance from unit to unit is that of the earlier tank's
        and the tanks' own difference is what remains (Efron and Morris, J. Am. Stat. Assoc. 70 (1975) 311,
        from memory).
        """
        both = self.both
        rows = np.flatnonzero(fitted & states_of(both).clean[: self.new_rows])
        response, units = _response(both, rows, self.earlier.knots_mm)[0], len(_units(both, rows))
        difference = response.shares - self.earlier.shares
        own = float((difference**2).mean()) - self.spread * (1 / units + 1 / self.units)
        weight = own / (own + self.spread / units) if own > 0 else 0.0
        return replace(response, shares=self.earlier.shares + weight * difference), weight


def superposition(both: FrozenData, new_rows: int) -> Superposition:
    """What the earlier tank's sessions show, in ``both`` tanks' data of which the first ``new_rows`` rows are
    the new tank's and all levels are of the new tank.

    Raises InputError for units without dry and full trims, and without clean earlier frames.
    """
    for k, session in enumerate(both.frozen.sessions):
        if both.trim(k, TrimKind.DRY) is None or both.trim(k, TrimKind.FULL) is None:
            where = f"session {session.id}, unit {session.unit.name}"
            raise InputError(where, "no dry or no full trim", "both, to superpose frames")
    states, earlier = states_of(both), np.arange(len(both.session)) >= new_rows
    knots = np.linspace(0.0, both.frozen.sessions[0].mounting.tank.span_mm, KNOTS)
    clean = np.flatnonzero(earlier & states.clean)
    response, couplings = _response(both, clean, knots)
    by_unit = [_response(both, rows, knots)[0].shares for rows in _units(both, clean)]
    spread = float(np.mean([(shares - response.shares) ** 2 for shares in by_unit]))
    usual = Coupling(
        float(np.median([c.gain for c in couplings.values()])),
        float(np.median([c.to_earth for c in couplings.values()])),
    )
    courses = {
        int(k): _course(both, int(k), states, response, couplings.get(int(k)) or usual)
        for k in np.unique(both.session[earlier])
    }
    return Superposition(both, new_rows, response, courses, len(by_unit), spread)


def _units(data: FrozenData, rows: Ints) -> list[Ints]:
    """The rows of each unit."""
    names = np.asarray([s.unit.name for s in data.frozen.sessions])[data.session[rows]]
    return [rows[names == name] for name in np.unique(names)]


def _level_channels(data: FrozenData, session: int) -> list[int]:
    return [p.channel for p in data.frozen.sessions[session].mounting.sensor.pads if p.role is PadRole.LEVEL]


def _trims(data: FrozenData, session: int) -> tuple[Floats, Floats, list[int]]:
    """Dry and full counts of a session's level pads, and their channels."""
    channels = _level_channels(data, session)
    dry, full = data.trim(session, TrimKind.DRY), data.trim(session, TrimKind.FULL)
    assert dry is not None
    assert full is not None
    return (
        np.asarray(dry.counts, np.float64)[channels],
        np.asarray(full.counts, np.float64)[channels],
        channels,
    )


def _falls(data: FrozenData) -> bool:
    return data.frozen.sessions[0].mounting.sensor.count_law is CountLaw.FALLS


def _shares(data: FrozenData, session: int) -> Floats:
    """Shares of all frames of a session, (n, level pads), the count law undone."""
    dry, full, channels = _trims(data, session)
    counts = np.asarray(data.frames[session].counts, np.float64)[:, channels]
    if _falls(data):
        return np.asarray((dry / np.maximum(counts, 1) - 1) / (dry / full - 1))
    return np.asarray((counts - dry) / (full - dry))


def _counts(data: FrozenData, session: int, shares: Floats) -> Ints:
    """The counts (n, channels) of shares (n, level pads); other channels as they were captured."""
    dry, full, channels = _trims(data, session)
    counts = np.asarray(data.frames[session].counts, np.int64).copy()
    if _falls(data):
        given = dry / np.maximum(1 + shares * (dry / full - 1), 1e-3)
    else:
        given = dry + shares * (full - dry)
    top = (1 << data.frozen.sessions[session].mounting.sensor.count_bits) - 1
    counts[:, channels] = np.clip(np.rint(given), 0, top).astype(np.int64)
    return counts


def _response(data: FrozenData, rows: Ints, knots: Floats) -> tuple[Response, dict[int, Coupling]]:
    """The response that rows of clean liquid show, and the couplings of their sessions: each found from the
    other in turn. Raises InputError without rows.
    """
    if not len(rows):
        raise InputError(
            f"frozen set {data.frozen.name}", "no clean frames", "some, to learn the response from"
        )
    session, level = data.session[rows], data.level_mm[rows]
    whole = {int(k): _shares(data, int(k)) for k in np.unique(session)}
    shares = np.stack([whole[int(k)][frame] for k, frame in zip(session, data.frame[rows], strict=True)])
    hats = _hats(level, knots)
    bend = np.diff(np.eye(len(knots)), 2, axis=0)
    smooth = _SMOOTH * len(rows) / len(knots) * bend.T @ bend + 1e-6 * np.eye(len(knots))
    couplings = dict.fromkeys(whole, Coupling(1.0, EARTHED))
    shown, response = np.ones_like(shares), np.zeros((len(knots), shares.shape[1]))
    for _ in range(_ROUNDS):
        for pad in range(shares.shape[1]):
            seen = hats * shown[:, [pad]]
            response[:, pad] = np.linalg.solve(seen.T @ seen + smooth, seen.T @ shares[:, pad])
        response /= np.median(response.max(axis=0))  # what a gain would take up is left to the couplings
        at = hats @ response
        for k in whole:
            mine = session == k
            couplings[k] = _coupling(shares[mine], at[mine], np.ones_like(at[mine]))
            gained = couplings[k].of(at[mine])
            usable = np.abs(at[mine]) > 1e-3
            shown[mine] = np.where(usable, gained / np.where(usable, at[mine], 1.0), couplings[k].gain)
    return Response(knots, response), couplings


def _hats(level: Floats, knots: Floats) -> Floats:
    """Weights of the knots at levels (n,), (n, knots): lines between neighbours, the ends held."""
    left = np.clip(np.searchsorted(knots, level, side="right") - 1, 0, len(knots) - 2)
    share = np.clip((level - knots[left]) / (knots[left + 1] - knots[left]), 0, 1)
    weights = np.zeros((len(level), len(knots)))
    weights[np.arange(len(level)), left], weights[np.arange(len(level)), left + 1] = 1 - share, share
    return weights


def _coupling(shares: Floats, at: Floats, weights: Floats) -> Coupling:
    """The coupling that makes most of shares (n, pads) of a response's ``at``, least squares by weight."""
    best, least = Coupling(1.0, EARTHED), np.inf
    for to_earth in _TO_EARTH:
        gain = 1.0
        for _ in range(_GAIN_ROUNDS):
            shown = Coupling(gain, to_earth).of(at)
            size = float((weights * shown * shown).sum())
            gain *= float(np.clip((weights * shown * shares).sum() / max(size, 1e-9), 0.5, 2.0))
        error = float((weights * (shares - Coupling(gain, to_earth).of(at)) ** 2).sum())
        if error < least:
            best, least = Coupling(gain, float(to_earth)), error
    return best


def _course(data: FrozenData, session: int, states: States, response: Response, usual: Coupling) -> Course:
    """What an earlier session shows beside its response; ``usual`` is its coupling where it is known, or one
    to take where too few frames tell it.
    """
    mine = np.flatnonzero(data.session == session)
    shares, frame = _shares(data, session), data.frame[mine]
    level = np.interp(np.arange(len(shares)), frame, data.level_mm[mine])
    at, coupling = response.at(level), usual
    covered = frame[~states.empty[mine]]
    weights = (at[covered] > _COVERED).astype(np.float64)
    if not states.clean[mine].any() and weights.any(axis=1).sum() >= _FEWEST:
        coupling = _coupling(shares[covered], at[covered], weights)
    thickness, foam, film = np.zeros(len(level)), np.zeros(len(level)), np.zeros_like(shares)
    foamy = frame[states.foam[mine] & (data.level_mm[mine] > 0)]
    if len(foamy):
        thickness[foamy], foam[foamy] = _foam(shares[foamy], level[foamy], coupling, response)
    filmy = frame[states.film[mine] & ~states.foam[mine] & (data.level_mm[mine] > 0)]
    liquid = coupling.of(at[filmy])
    room = coupling.of(np.broadcast_to(response.shares[-1], liquid.shape)) - liquid
    shown = (shares[filmy] - liquid) / np.maximum(room, _LEAST_ROOM)
    film[filmy] = np.where(room > _LEAST_ROOM, np.clip(shown, 0.0, _MOST_FILM), 0.0)
    return Course(shares, level, coupling, thickness, foam, film)


def _foam(shares: Floats, level: Floats, coupling: Coupling, response: Response) -> tuple[Floats, Floats]:
    """Thickness and share of foam on frames (n, pads) at levels (n,), least squares over neighbours in time;
    (n,) each.
    """
    liquid = coupling.of(response.at(level))
    tried = np.linspace(0.0, _THICKEST, _THICKNESSES + 1)[1:] * response.knots_mm[-1]
    share, error = np.zeros((2, len(tried), len(level)))
    for k, thickness in enumerate(tried):
        more = coupling.of(response.at(level + thickness)) - liquid
        size = np.maximum((more * more).sum(axis=1), 1e-6)
        share[k] = np.clip((more * (shares - liquid)).sum(axis=1) / size, 0.0, 1.0)
        error[k] = ((shares - liquid - share[k][:, None] * more) ** 2).sum(axis=1)
    near = np.ones(min(_TOGETHER, len(level)))
    best = np.argmin([np.convolve(row, near, "same") for row in error], axis=0)
    return tried[best], share[best, np.arange(len(level))]
