"""What instruments add to the uncertainty of levels: the calibration that was in force, and its parts by GUM.

A calibration's error is one and the same in everything that is read from the instrument, so its uncertainty
is common to all marks of a session; the rounding of the display is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from dataset.documents import name_of
from dataset.errors import InputError, quoted
from dataset.labels.marking import Labelling
from dataset.records import DoorWarning, Instrument, InstrumentKind, Occasion
from dataset.values import check_day, check_name, check_number, check_text

INSTRUMENT = "instrument"  # the check that warns of a calibration
MOST_COVERAGE = 10.0  # certificates state factors of 2 or 3
MOST_DAYS = 36525


@dataclass(frozen=True)
class Calibrations:
    """Every calibration of one instrument, oldest first."""

    calibrations: tuple[Instrument, ...]

    @property
    def name(self) -> str:
        return self.calibrations[-1].name

    @property
    def kind(self) -> InstrumentKind:
        return self.calibrations[-1].kind

    def in_force(self, started: str | None) -> Instrument:
        """The calibration that held when a session began, by the date that its start states; without a start
        the newest. InputError before the first.
        """
        if started is None:
            return self.calibrations[-1]
        before = [known for known in self.calibrations if known.calibrated <= started[:10]]
        if before:
            return before[-1]
        first = self.calibrations[0]
        raise InputError(
            f"{first.kind} {first.name}",
            f"was first calibrated on {first.calibrated}, and the session began on {started[:10]}",
            "a calibration that was in force",
            "add the one before with Store.add_instrument, or check the start",
            fields=("Store.add_instrument",),
        )


@dataclass(frozen=True)
class Used:
    """The instruments of a session, each as its calibration in force has it, and what there is to warn of."""

    calibrations: tuple[Instrument, ...] = ()
    warnings: tuple[DoorWarning, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """How a session names them: by the hashes of the calibrations, in a fixed order."""
        return tuple(sorted(map(name_of, self.calibrations)))

    def over(self, labelling: Labelling) -> Labelling:
        """The labelling with the uncertainties of these instruments. A half-width that is stated stands in
        place of the resolution.
        """
        for known in self.calibrations:
            u, half_width = known.standard_uncertainty, known.resolution / 2
            match known.kind:
                case InstrumentKind.SCALE:
                    labelling = replace(
                        labelling,
                        scale_u_g=u,
                        scale_half_width_g=labelling.scale_half_width_g or half_width,
                    )
                case InstrumentKind.THERMOMETER:
                    labelling = replace(
                        labelling,
                        temperature_u_k=u,
                        temperature_half_width_k=labelling.temperature_half_width_k or half_width,
                    )
                case InstrumentKind.HEIGHT_GAUGE:
                    labelling = replace(labelling, level_u_common_mm=u, level_half_width_mm=half_width)
                case InstrumentKind.CYLINDER:
                    labelling = replace(
                        labelling,
                        poured_u_ml=u,
                        poured_half_width_ml=labelling.poured_half_width_ml or half_width,
                    )
        return labelling


NOTHING_USED = Used()


def used_at(histories: Sequence[Calibrations], started: str | None) -> Used:
    """What instruments are when a session begins; None: nobody states when.

    Raises:
        InputError: a session before the first calibration, or two instruments of one kind.
    """
    kinds = [history.kind for history in histories]
    twice = next((kind for kind in kinds if kinds.count(kind) > 1), None)
    if twice is not None:
        names = ", ".join(history.name for history in histories if history.kind is twice)
        raise InputError(INSTRUMENT, f"{names}, each a {twice}", "one of each kind", fields=(INSTRUMENT,))
    calibrations = tuple(history.in_force(started) for history in histories)
    warnings = [warning for known in calibrations for warning in _warnings(known, started)]
    return Used(calibrations, tuple(warnings))


def warnings_of_amended(
    known: Instrument, history: Calibrations, occasion: Occasion, own_bench: str
) -> list[DoorWarning]:
    """What there is to say of a calibration that labels rest on, once a session's start or bench is stated
    anew: the labels stay as they are. ``history`` has every calibration of the instrument.
    """
    what, started = f"{known.kind} {known.name}", occasion.started
    rest = f"levels rest on the calibration of {what} of {known.calibrated}"
    anew = "they stay as they are: set the marks anew, with the instrument, where that matters"
    sentences = []
    if known.bench != (occasion.bench or own_bench):
        sentences.append(f"{rest}, which is of another bench than the session; {anew}")
    before = [k for k in history.calibrations if started is None or k.calibrated <= started[:10]]
    if not before:
        sentences.append(f"{rest}, and the session began before its first one; {anew}")
    elif before[-1] != known:
        sentences.append(f"{rest}, and that of {before[-1].calibrated} was in force as it began; {anew}")
    told = [DoorWarning(INSTRUMENT, sentence) for sentence in sentences]
    return [*told, *_warnings(known, started)] if before and before[-1] == known else told


def _warnings(known: Instrument, started: str | None) -> list[DoorWarning]:
    what = f"{known.kind} {known.name}"
    if started is None:
        sentence = f"no start is stated, so the newest calibration of {what} counts, of {known.calibrated}"
        return [DoorWarning(INSTRUMENT, sentence)]
    last = last_day(known)
    if last is None or started[:10] <= last:
        return []
    sentence = f"the calibration of {what}, of {known.calibrated}, held until {last}; the session began later"
    return [DoorWarning(INSTRUMENT, f"{sentence}, on {started[:10]}")]


def last_day(known: Instrument) -> str | None:
    """The last day on which a calibration holds; None: nobody says."""
    if known.interval_days is None:
        return None
    return (date.fromisoformat(known.calibrated) + timedelta(days=known.interval_days)).isoformat()


def check_instrument(known: Instrument) -> None:
    """A name, a date, and an uncertainty with its factor; InputError for what cannot be."""
    check_name(INSTRUMENT, known.name)
    where = f"{known.kind} {known.name}"
    check_day(f"{where}, date of its calibration", known.calibrated)
    check_number(f"{where}, uncertainty", known.uncertainty, 0, 1e6, above=True, unit=known.kind.unit)
    check_number(f"{where}, resolution", known.resolution, 0, 1e6, unit=known.kind.unit)
    if not math.isfinite(known.coverage) or not 1 <= known.coverage <= MOST_COVERAGE:
        raise InputError(
            f"{where}, coverage factor",
            f"{known.coverage:g}",
            f"1 for a standard uncertainty, else the factor k of the certificate, at most {MOST_COVERAGE:g}",
            fields=("coverage",),
        )
    check_number(f"{where}, days that a calibration holds", known.interval_days, 1, MOST_DAYS)
    for what in ("serial", "certificate", "note"):
        check_text(f"{where}, {what}", getattr(known, what))
    if known.serial != known.serial.strip():
        raise InputError(f"{where}, serial", quoted(known.serial), "a serial without spaces around it")
