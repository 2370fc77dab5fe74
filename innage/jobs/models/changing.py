"""What changed from one bundle to the next: what they state, their tables, and their readings of the same
recordings.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError, NotFoundError
from dataset.records import Role, TrimKind
from innage.jobs import Progress, silent

if TYPE_CHECKING:
    from dataset.records import FrozenData, FrozenSet
    from dataset.store import Store
    from export.bundle.changes import Changes
    from export.bundle.checks import Bundle
    from training.judging.judged import Judged
    from training.rows import Mask

CHANGED_SHARE = 0.01  # of the span: a level that moves by more has changed
_CSV_HEADER = "session,frame,t_ms,old_level_mm,new_level_mm,old_validity,new_validity,old_flags,new_flags"


@dataclass(frozen=True)
class ReadingChanges:
    """Labelled frames of which a reading changed, counted over ``frames`` of them. ``level``: both give one,
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
    first); ``csv``: one line for each frame that changed.
    """

    frozen: str
    classes: dict[str, ReadingChanges]
    by_session: tuple[SessionChanges, ...]
    csv: str

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "frozen": self.frozen,
            "changed_share": CHANGED_SHARE,
            "classes": {name: asdict(of) for name, of in self.classes.items()},
            "sessions": [
                {"session": s.session, "unit": s.unit, **asdict(s.changes)} for s in self.by_session
            ],
        }


@dataclass(frozen=True)
class BundleChanges:
    """Two bundles side by side. ``readings`` are None where ``why_no_readings`` says why."""

    old: Bundle
    new: Bundle
    changes: Changes
    readings: ChangedReadings | None
    why_no_readings: str

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "old": _named(self.old),
            "new": _named(self.new),
            **self.changes.facts(),
            "readings": self.readings and self.readings.facts(),
            "why_no_readings": self.why_no_readings or None,
        }


def bundle_changes(
    store: Store | None,
    old: Path | str,
    new: Path | str,
    *,
    frozen: str | None = None,
    progress: Progress = silent,
) -> BundleChanges:
    """What changed from bundle ``old`` to bundle ``new``. Readings are compared on the groups of a frozen set
    that are not 'prove', so nothing is opened; the programs run in the interpreter.

    Args:
        store: the open store with the sessions; without one only what the bundles state is compared.
        old: the earlier bundle, its folder or its zip file.
        new: the later one.
        frozen: the frozen set whose sessions are read. Default: that of the newer bundle, where the store has
            it.
        progress: called with (what, done, total).

    Raises:
        InputError: no bundle there, or one whose parts do not belong together; with ``frozen``, sessions or
            trims that a program does not take. NotFoundError: a frozen set that the store does not have.
    """
    from export.bundle.changes import changes, read_whole

    bundles = read_whole(old), read_whole(new)
    stated = changes(*bundles)
    if store is None:
        return BundleChanges(*bundles, stated, None, "no store was named")
    try:
        chosen = store.frozen_set(frozen) if frozen is not None else _set_of(store, bundles[1])
        readings = _readings(store, chosen, bundles, progress)
    except (InputError, NotFoundError) as error:
        if frozen is not None:
            raise
        return BundleChanges(*bundles, stated, None, str(error))
    return BundleChanges(*bundles, stated, readings, "")


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
    old, new = judged
    classes = {"all": np.ones(len(old.level_mm), np.bool_), **old.classes()}
    counted = {name: _count(old, new, mine) for name, mine in classes.items()}
    where = data.session[rows]
    by_session = [
        SessionChanges(
            frozen.sessions[int(k)].id, frozen.sessions[int(k)].unit.name, _count(old, new, where == k)
        )
        for k in np.unique(where)
    ]
    moved = [s for s in by_session if s.changes.level + s.changes.gained + s.changes.lost + s.changes.flags]
    moved.sort(key=lambda s: (-(s.changes.most_mm or 0.0), s.session))
    ids = [frozen.sessions[int(k)].id for k in where]
    return ChangedReadings(frozen.name, counted, tuple(moved), _csv(old, new, ids))


def _judged(bundle: Bundle, data: FrozenData, rows: Mask) -> Judged:
    from training.judging.judged import judge
    from training.models.trimming import trim_counts
    from training.program import LEVEL_UNITS_PER_MM

    program = bundle.program
    kinds = () if program.trim is None else tuple(map(TrimKind, program.trim_kinds))
    return judge(program, data, rows, trim_counts(data, kinds), program.span / LEVEL_UNITS_PER_MM)


def _changed(old: Judged, new: Judged) -> tuple[Mask, Mask, Mask, Mask, Any]:
    """Rows whose level moved, was gained, was lost, whose flags differ; how far apart given levels are."""
    import numpy as np

    apart = np.abs(new.level_mm - old.level_mm)
    level = np.nan_to_num(apart, nan=0.0) > CHANGED_SHARE * new.span_mm
    gained, lost = new.accepted & ~old.accepted, old.accepted & ~new.accepted
    return level, gained, lost, np.asarray(old.flags != new.flags, np.bool_), apart


def _count(old: Judged, new: Judged, rows: Mask) -> ReadingChanges:
    import numpy as np

    level, gained, lost, flags, apart = (of[rows] for of in _changed(old, new))
    both = apart[~np.isnan(apart)]
    return ReadingChanges(
        frames=int(rows.sum()),
        sessions=len(np.unique(np.asarray(old.places["session"])[rows])),
        level=int(level.sum()),
        gained=int(gained.sum()),
        lost=int(lost.sum()),
        flags=int(flags.sum()),
        most_mm=round(float(both.max()), 6) if len(both) else None,
    )


def _csv(old: Judged, new: Judged, ids: list[str]) -> str:
    """One line for each frame whose level, validity or flags changed."""
    import numpy as np

    from training.program.model import VALIDITY_NAMES, flag_names

    level, gained, lost, flags, _ = _changed(old, new)
    lines = [_CSV_HEADER]
    for row in np.flatnonzero(level | gained | lost | flags).tolist():
        pair = (old, new)
        cells = [ids[row], str(int(old.frame[row])), str(int(old.t_ms[row]))]
        cells += ["" if np.isnan(of.level_mm[row]) else f"{of.level_mm[row]:.6f}" for of in pair]
        cells += [VALIDITY_NAMES[int(of.validity[row])] for of in pair]
        cells += ["+".join(flag_names(int(of.flags[row]))) for of in pair]
        lines.append(",".join(cells))
    return "\n".join([*lines, ""])
