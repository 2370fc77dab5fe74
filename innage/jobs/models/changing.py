"""What changed from one bundle to the next: what they state, their tables, and their readings of the same
recordings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError, NotFoundError
from dataset.records import ColumnMapping, Role, TrimKind
from innage.jobs import Progress, silent
from innage.jobs.models.set_reference import said_otherwise

if TYPE_CHECKING:
    from dataset.records import FrozenData, FrozenSet, Mounting
    from dataset.store import Store
    from export.bundle.changes import Changes
    from export.bundle.checks import Bundle
    from training.judging.judged import Judged
    from training.rows import Floats, Ints, Mask

CHANGED_SHARE = 0.01  # of the span: a level that moves by more has changed
_CSV_HEADER = "session,frame,t_ms,old_level_mm,new_level_mm,old_validity,new_validity,old_flags,new_flags"


@dataclass(frozen=True)
class ReadingChanges:
    """Frames of which a reading changed, counted over ``frames`` of them (of sessions the labelled ones).
    ``sessions``: that they are of, a field log counts as one. ``level``: both give one,
    apart by more than a hundredth of the span; ``gained`` and ``lost``: only the new, only the old one gives
    one; ``flags``: other flags. ``most_mm``: the furthest that two given levels are apart.
    """

    frames: int
    sessions: int
    level: int
    gained: int
    lost: int
    flags: int
    most_mm: float | None


@dataclass(frozen=True)
class SessionChanges:
    """The same of one session."""

    session: str
    unit: str
    changes: ReadingChanges


@dataclass(frozen=True)
class ChangedReadings:
    """Readings of two programs on the same sessions, by class and by session (those that changed, most
    first); ``csv``: one line for each frame that changed, without a header. ``amended``: sessions of the set
    that were amended since it was frozen, by their ids: classes and marks are as the set has them.
    """

    frozen: str
    classes: dict[str, ReadingChanges]
    by_session: tuple[SessionChanges, ...]
    csv: str
    amended: tuple[str, ...] = ()

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "frozen": self.frozen,
            "classes": {name: asdict(of) for name, of in self.classes.items()},
            "sessions": [
                {"session": s.session, "unit": s.unit, **asdict(s.changes)} for s in self.by_session
            ],
            "amended": list(self.amended),
        }


@dataclass(frozen=True)
class FieldLogs:
    """Logs of one unit from the field, as :func:`innage.jobs.models.replaying.LogReplayer` reads them.

    ``unit``: whose newest trims are taken, None for programs that take none. ``columns``: which column holds
    what, or the name of a saved mapping; None means the pads' names, without time. ``since_pour``: the column
    of whole seconds since liquid last came in, -1 or empty where that is not known, which each program that
    is told of pours is told.
    """

    files: tuple[Path, ...]
    unit: str | None = None
    columns: ColumnMapping | str | None = None
    since_pour: str | None = None


@dataclass(frozen=True)
class LogChanges:
    """What changed in a field log. ``old_restarts`` and ``new_restarts``: how often each program starts anew
    since the step in time is outside its tolerance; ``old_told`` and ``new_told``: frames at which each knew
    when liquid last came in, None for one that is not told of it; ``csv``: one line for each frame that
    changed, without a header.
    """

    file: str
    unit: str | None
    old_restarts: int
    new_restarts: int
    old_told: int | None
    new_told: int | None
    changes: ReadingChanges
    csv: str

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "file": self.file,
            "unit": self.unit,
            "old_restarts": self.old_restarts,
            "new_restarts": self.new_restarts,
            "old_told": self.old_told,
            "new_told": self.new_told,
            **asdict(self.changes),
        }


@dataclass(frozen=True)
class BundleChanges:
    """Two bundles side by side. ``readings`` are None where ``why_no_readings`` says why; ``logs`` are those
    of the field that were named.
    """

    old: Bundle
    new: Bundle
    changes: Changes
    readings: ChangedReadings | None
    why_no_readings: str
    logs: tuple[LogChanges, ...] = ()

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "old": _named(self.old),
            "new": _named(self.new),
            **self.changes.facts(),
            "readings": self.readings and self.readings.facts(),
            "why_no_readings": self.why_no_readings or None,
            "changed_share": CHANGED_SHARE,
            "logs": [log.facts() for log in self.logs],
        }

    def untold(self) -> tuple[str, ...]:
        """The models that are made to be told when liquid last came in, and knew it at no frame of the
        logs.
        """
        named = [bundle.manifest.body["model"]["name"] for bundle in (self.old, self.new)]
        told = [[log.old_told for log in self.logs], [log.new_told for log in self.logs]]
        none = [name for name, frames in zip(named, told, strict=True) if frames and set(frames) == {0}]
        return tuple(dict.fromkeys(none))

    @property
    def csv(self) -> str:
        """One line for each frame whose reading changed: of sessions, then of field logs; '' where none were
        compared.
        """
        parts = [*([self.readings.csv] if self.readings else []), *(log.csv for log in self.logs)]
        return "".join([f"{_CSV_HEADER}\n", *parts]) if parts else ""


def bundle_changes(
    store: Store | None,
    old: Path | str,
    new: Path | str,
    *,
    frozen: str | None = None,
    logs: FieldLogs | None = None,
    progress: Progress = silent,
) -> BundleChanges:
    """What changed from bundle ``old`` to bundle ``new``. Readings are compared on the groups of a frozen set
    that are not 'prove', so nothing is opened, and on logs from the field.

    Args:
        store: the open store with the sessions; without one only what the bundles state is compared.
        old: the earlier bundle, its folder or its zip file.
        new: the later one.
        frozen: the frozen set whose sessions are read. Default: that of the newer bundle, where the store has
            it.
        logs: field logs of a unit of the store; both programs run through the C that innage writes for them,
            compiled for this computer, and on sessions in the interpreter.
        progress: called with (what, done, total).

    Raises:
        InputError: no bundle there, or one whose parts do not belong together; with ``frozen``, sessions or
            trims that a program does not take; logs that do not fit, or of a unit without such trims.
            NotFoundError: a frozen set, a unit or a mapping that the store does not have.
    """
    from export.bundle.changes import changes, read_whole

    bundles = read_whole(old), read_whole(new)
    stated = changes(*bundles)
    if store is None:
        return BundleChanges(*bundles, stated, None, "no store was named")
    changed_logs = () if logs is None else _logs(store, bundles, logs, progress)
    try:
        chosen = store.frozen_set(frozen) if frozen is not None else _set_of(store, bundles[1])
        readings = _readings(store, chosen, bundles, progress)
    except (InputError, NotFoundError) as error:
        if frozen is not None:
            raise
        return BundleChanges(*bundles, stated, None, str(error), changed_logs)
    return BundleChanges(*bundles, stated, readings, "", changed_logs)


def _logs(
    store: Store, bundles: tuple[Bundle, Bundle], logs: FieldLogs, progress: Progress
) -> tuple[LogChanges, ...]:
    """Both programs on each log, every frame of it."""
    import numpy as np

    from dataset.long_frames import as_arrays
    from export.compilers.replaying import replay_on_host
    from innage.jobs.models.replaying import LogReader, stated_trim, told_of_pours

    if logs.unit is None and any(bundle.program.trim is not None for bundle in bundles):
        expected = "the unit that was logged: its newest trims go to both programs"
        raise InputError("unit", "none named", expected, fields=("unit",))
    if logs.since_pour is not None and not any(bundle.program.longest_pour_s for bundle in bundles):
        raise InputError(
            "since_pour",
            f"column {logs.since_pour!r}",
            "none: neither bundle's model is told of pours",
            fields=("since_pour",),
        )
    mounting = _mounting_of(store, bundles[1], logs.unit)
    reader = LogReader(store, mounting, logs.columns, logs.since_pour)
    trims = [
        stated_trim(store, bundle.program, f"the {which} bundle", mounting, {mounting.name}, logs.unit, None)
        for which, bundle in zip(("old", "new"), bundles, strict=True)
    ]
    changed = []
    for done, file in enumerate(logs.files):
        progress(file.name, done, len(logs.files))
        parsed = reader.read(file)
        frames = as_arrays(parsed.frames)
        was, now = (
            replay_on_host(bundle.program, frames, trim, parsed.since_pour)
            for bundle, trim in zip(bundles, trims, strict=True)
        )
        old, new = (
            _replayed(bundle, replayed.readings.astype(np.int64))
            for bundle, replayed in zip(bundles, (was, now), strict=True)
        )
        places = _Places([file.name] * len(frames), np.arange(len(frames)), np.asarray(frames.t_ms))
        changed.append(
            LogChanges(
                file=file.name,
                unit=logs.unit,
                old_restarts=len(was.restarts),
                new_restarts=len(now.restarts),
                old_told=told_of_pours(bundles[0].program, parsed),
                new_told=told_of_pours(bundles[1].program, parsed),
                changes=_count(old, new, np.ones(len(frames), np.bool_), 1),
                csv=_csv(old, new, places),
            )
        )
    return tuple(changed)


def _mounting_of(store: Store, bundle: Bundle, unit: str | None) -> Mounting:
    """What a unit of the field stands on: the mounting of its newest trim; without a unit that of the newer
    bundle's first session.
    """
    if unit is None:
        return store.mounting(bundle.manifest.body["sessions"][0]["mounting"])
    trims = store.trims(store.unit(unit).name)
    if not trims:
        raise InputError(
            f"unit {unit}",
            "no trim in this store",
            "a unit with trims",
            "add them with Store.add_trim(...)",
            fields=("Store.add_trim(...)",),
        )
    return max(trims, key=lambda trim: (trim.date, trim.sha256)).mounting


def _named(bundle: Bundle) -> dict[str, str]:
    manifest = bundle.manifest
    return {
        "model": manifest.body["model"]["name"],
        "sha256": manifest.model_sha256,
        "bundle_sha256": manifest.bundle_sha256,
    }


def _set_of(store: Store, bundle: Bundle) -> FrozenSet:
    """The frozen set that a bundle's model was trained on, by its hash."""
    stated = bundle.manifest.body["frozen_set"]
    for frozen in store.frozen_sets():
        if frozen.sha256 == stated["sha256"]:
            return frozen
    raise InputError(
        f"frozen set {stated['name']}",
        "not in this store",
        "the set that the newer bundle's model was trained on",
        "name another with frozen",
        fields=("frozen",),
    )


def _readings(
    store: Store, frozen: FrozenSet, bundles: tuple[Bundle, Bundle], progress: Progress
) -> ChangedReadings:
    import numpy as np

    data = store.frozen_data(frozen)
    rows = ~data.rows(Role.PROVE)
    if not rows.any():
        raise InputError(
            f"frozen set {frozen.name}",
            "nothing but 'prove' groups",
            "groups that may be looked at",
            "name another with frozen",
            fields=("frozen",),
        )
    judged = []
    for name, bundle in zip(("old bundle", "new bundle"), bundles, strict=True):
        judged.append(_judged(bundle, data, rows))
        progress(name, len(judged), len(bundles))
    where = data.session[rows]
    old, new = (_Answers(one.level_mm, one.validity, one.flags, one.span_mm) for one in judged)

    def counted(mine: Mask) -> ReadingChanges:
        return _count(old, new, mine, len(np.unique(where[mine])))

    classes = {"all": np.ones(len(where), np.bool_), **judged[0].classes()}
    by_session = [
        SessionChanges(frozen.sessions[int(k)].id, frozen.sessions[int(k)].unit.name, counted(where == k))
        for k in np.unique(where)
    ]
    moved = [s for s in by_session if s.changes.level + s.changes.gained + s.changes.lost + s.changes.flags]
    moved.sort(key=lambda s: (-(s.changes.most_mm or 0.0), s.session))
    places = _Places([frozen.sessions[int(k)].id for k in where], judged[0].frame, judged[0].t_ms)
    return ChangedReadings(
        frozen.name,
        {name: counted(mine) for name, mine in classes.items()},
        tuple(moved),
        _csv(old, new, places),
        _amended(store, frozen),
    )


def _amended(store: Store, frozen: FrozenSet) -> tuple[str, ...]:
    current = {session.sha256: session for session in store.sessions_now(frozen.name)}
    return tuple(s.id for s in frozen.sessions if said_otherwise(s, current.get(s.sha256, s)))


@dataclass(frozen=True)
class _Answers:
    """What a program said, a row a frame; ``level_mm`` NaN where withheld."""

    level_mm: Floats
    validity: Ints
    flags: Ints
    span_mm: float

    @property
    def accepted(self) -> Mask:
        import numpy as np

        from training.program import WITHHELD

        return np.asarray(self.validity != WITHHELD, np.bool_)


@dataclass(frozen=True)
class _Places:
    """Where the rows are: of which session or log, which frame, when."""

    source: Sequence[str]
    frame: Ints
    t_ms: Ints


def _replayed(bundle: Bundle, readings: Ints) -> _Answers:
    import numpy as np

    from training.program import LEVEL_UNITS_PER_MM, OUTPUTS, WITHHELD

    out = dict(zip(OUTPUTS, readings.T, strict=True))
    level = np.where(out["validity"] == WITHHELD, np.nan, out["level"] / LEVEL_UNITS_PER_MM)
    return _Answers(level, out["validity"], out["flags"], bundle.program.span / LEVEL_UNITS_PER_MM)


def _judged(bundle: Bundle, data: FrozenData, rows: Mask) -> Judged:
    from training.judging.judged import judge
    from training.models.trimming import trim_counts
    from training.program import LEVEL_UNITS_PER_MM

    program = bundle.program
    kinds = () if program.trim is None else tuple(map(TrimKind, program.trim_kinds))
    return judge(program, data, rows, trim_counts(data, kinds), program.span / LEVEL_UNITS_PER_MM)


def _changed(old: _Answers, new: _Answers) -> tuple[Mask, Mask, Mask, Mask, Any]:
    """Rows whose level moved, was gained, was lost, whose flags differ; how far apart given levels are."""
    import numpy as np

    apart = np.abs(new.level_mm - old.level_mm)
    level = np.nan_to_num(apart, nan=0.0) > CHANGED_SHARE * new.span_mm
    gained, lost = new.accepted & ~old.accepted, old.accepted & ~new.accepted
    return level, gained, lost, np.asarray(old.flags != new.flags, np.bool_), apart


def _count(old: _Answers, new: _Answers, rows: Mask, sessions: int) -> ReadingChanges:
    import numpy as np

    level, gained, lost, flags, apart = (of[rows] for of in _changed(old, new))
    both = apart[~np.isnan(apart)]
    return ReadingChanges(
        frames=int(rows.sum()),
        sessions=sessions,
        level=int(level.sum()),
        gained=int(gained.sum()),
        lost=int(lost.sum()),
        flags=int(flags.sum()),
        most_mm=round(float(both.max()), 6) if len(both) else None,
    )


def _csv(old: _Answers, new: _Answers, places: _Places) -> str:
    """One line for each frame whose level, validity or flags changed, without the header."""
    import numpy as np

    from training.program.model import VALIDITY_NAMES, flag_names

    level, gained, lost, flags, _ = _changed(old, new)
    lines = []
    for row in np.flatnonzero(level | gained | lost | flags).tolist():
        pair = (old, new)
        cells = [places.source[row], str(int(places.frame[row])), str(int(places.t_ms[row]))]
        cells += ["" if np.isnan(of.level_mm[row]) else f"{of.level_mm[row]:.6f}" for of in pair]
        cells += [VALIDITY_NAMES[int(of.validity[row])] for of in pair]
        cells += ["+".join(flag_names(int(of.flags[row]))) for of in pair]
        lines.append(",".join(cells) + "\n")
    return "".join(lines)
