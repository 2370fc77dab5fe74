"""What is shown of two bundles: what they state otherwise, their tables, and how their readings differ."""

from __future__ import annotations

from typing import TYPE_CHECKING

from innage.terminal.output import say, table

if TYPE_CHECKING:
    from innage.jobs.models.changing import BundleChanges, ChangedReadings, ReadingChanges

_SHOWN = 10  # sessions; all of them are in the JSON


def show_changes(changed: BundleChanges) -> None:
    old, new = (bundle.manifest.body["model"]["name"] for bundle in (changed.old, changed.new))
    differing = changed.changes
    if changed.old.manifest.model_sha256 == changed.new.manifest.model_sha256:
        say("Both bundles hold the same program: every reading is the same.")
    if differing.entries:
        table(
            f"from {old} to {new}",
            ("of", "what", "old", "new"),
            [(e.group, e.what, e.old, e.new) for e in differing.entries],
        )
    else:
        say("Nothing that the bundles state differs.")
    if differing.tables:
        table(
            "numbers of the programs that differ, by operations of the same kind and size",
            ("operation", "old", "new", "numbers", "differing", "at most by"),
            [(t.operation, t.old, t.new, t.values, t.differing, t.most) for t in differing.tables],
        )
    for name, only in ((old, differing.only_old), (new, differing.only_new)):
        if only:
            say(f"Only in {name}: " + ", ".join(f"{count} {op}" for op, count in sorted(only.items())) + ".")
    if changed.readings is None:
        say(f"Readings were not compared: {changed.why_no_readings}.")
    else:
        _show_readings(changed.readings)
    if changed.logs:
        table(
            "readings on field logs, every frame",
            ("log", *(c for c in _COLUMNS if c != "sessions"), "restarts old", "new"),
            [
                (log.file, *_row(log.changes, sessions=False), log.old_restarts, log.new_restarts)
                for log in changed.logs
            ],
        )
    for name in changed.untold():
        say(
            f"{name} reads when liquid last came in, and knew it at no frame of the logs: --since-pour names "
            "the column that says it."
        )


def _show_readings(readings: ChangedReadings) -> None:
    table(
        f"readings on the labelled frames of {readings.frozen}, 'prove' left out",
        ("class", *_COLUMNS),
        [(name, *_row(of)) for name, of in readings.classes.items() if of.frames],
    )
    say("Level: frames to which both give one, more than 1 % of the span apart.")
    if readings.amended:
        what = "session was" if len(readings.amended) == 1 else "sessions were"
        named = ", ".join(readings.amended)
        say(
            f"{len(readings.amended)} {what} amended since the set was frozen ({named}): "
            "compared as frozen. Freeze a new set to compare as they are now."
        )
    if not readings.by_session:
        say("No reading changed.")
        return
    table(
        "sessions by how far two given levels are apart",
        ("session", "unit", *(c for c in _COLUMNS if c != "sessions")),
        [(s.session, s.unit, *_row(s.changes, sessions=False)) for s in readings.by_session[:_SHOWN]],
    )
    more = len(readings.by_session) - _SHOWN
    if more > 0:
        say(f"And {more} more sessions in which a reading changed; --json has them all.")


_COLUMNS = ("sessions", "frames", "level", "gained", "lost", "flags", "at most mm")


def _row(of: ReadingChanges, *, sessions: bool = True) -> tuple[float | None, ...]:
    first = (of.sessions,) if sessions else ()
    return (*first, of.frames, of.level, of.gained, of.lost, of.flags, of.most_mm)
