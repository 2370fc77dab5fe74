"""Models on streams of frames, as the chip would have answered: those of the store, and logs of the field."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError
from dataset.records import ColumnMapping, Frames, Model, Mounting, TrimKind
from innage.jobs import Progress, silent

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import ArrayLike, NDArray

    from dataset.admission.session_files import ParsedFile
    from dataset.pools import Pool
    from dataset.store import Store
    from export.compilers.replaying import Replayed
    from training.program import Program

_LINES_AT_ONCE = 1 << 16
_FILES_AHEAD = 16  # whose readings are kept until their turn
_WORTH_CORES = 16_000_000  # bytes
_COLUMNS = "t_ms,low_mm,level_mm,high_mm,validity,flags,reason"


def program_of(model: Model) -> Program:
    """The integer program of a model: the single definition of what the chip computes.

    Raises:
        ProgramError: the stored text was changed, or could leave its declared ranges.
    """
    from training.program import from_json

    return from_json(model.program, f"model '{model.name}'")


def trim_of(store: Store, model: Model, unit: str) -> NDArray[np.int64]:
    """The newest trims of a unit that a model takes, int64 (channels x kinds,), kind after kind; empty for a
    model that takes none.

    Raises:
        NotFoundError: no such unit. InputError: it lacks a trim on the mountings that the model was trained
            on.
    """
    return newest_trim(store, program_of(model), {s.mounting.name for s in model.frozen.sessions}, unit)


def newest_trim(store: Store, program: Program, mountings: Collection[str], unit: str) -> NDArray[np.int64]:
    """The newest trims of a unit on these mountings, as :func:`trim_of` gives them, for any program."""
    import numpy as np

    if program.trim is None:
        return np.zeros(0, np.int64)
    own = [trim for trim in store.trims(store.unit(unit).name) if trim.mounting.name in mountings]
    counts: list[int] = []
    for kind in map(TrimKind, program.trim_kinds):
        of_kind = [trim for trim in own if trim.kind is kind]
        if not of_kind:
            raise InputError(
                f"unit {unit}",
                f"no {kind} trim on {' or '.join(sorted(mountings))}",
                f"a {kind} trim",
                f"add it with Store.add_trim('{kind}')",
                fields=(f"Store.add_trim('{kind}')",),
            )
        counts += max(of_kind, key=lambda trim: (trim.date, trim.sha256)).counts
    return np.asarray(counts, np.int64)


def replay(
    model: Model | Program,
    frames: Frames,
    trim: ArrayLike | None = None,
    *,
    since_pour: ArrayLike | None = None,
) -> pd.DataFrame:
    """What the chip would have said of a stream of frames, from power-on at the first, through the exported C
    compiled for this computer.

    Args:
        model: a model, or a program.
        frames: as ``store.frames(session)`` gives them; a step in time outside the program's tolerance starts
            anew, as firmware has to.
        trim: int (channels x kinds,), as :func:`trim_of` gives it; None for a program that takes none.
        since_pour: int (n,), the whole seconds since liquid last came in, -1 where that is not known; None:
            it is never known. A program that is not told does not look at it.

    Returns:
        A row a frame: ``t_ms``; ``low_mm``, ``level_mm``, ``high_mm`` float64, the level NaN where it is
        withheld; ``validity`` (``valid``, ``empty``, ``withheld``); ``flags``, names joined by ``+``;
            ``reason`` of withholding (``fault``, ``range``, ``strange``, ``doubt``), empty where it is given.

    Raises:
        InputError: frames outside the declared domain, or a missing trim. ToolError: the C stops, or says
            other than the interpreter.
    """
    import numpy as np

    from export.compilers.replaying import replay_on_host
    from innage.jobs.tables import reading_table

    program = program_of(model) if isinstance(model, Model) else model
    taken = None if trim is None or program.trim is None else np.asarray(trim, np.int64)
    pours = None if since_pour is None else np.asarray(since_pour, np.int64)
    readings = replay_on_host(program, frames, taken, pours).readings
    return reading_table(frames.t_ms, readings.astype(np.int64))


@dataclass(frozen=True)
class FieldReplay:
    """A field log, and what the chip would have said of it."""

    program: Program
    parsed: ParsedFile
    replayed: Replayed

    def csv(self) -> Iterator[str]:
        """One line a frame, in pieces; see :func:`readings_csv`."""
        return readings_csv(self.program, self.parsed, self.replayed)

    def facts(self) -> dict[str, Any]:
        """What it comes to, ready for JSON; see :func:`summary`."""
        return summary(self.program, self.replayed) | {"told": self.told}

    @property
    def told(self) -> int | None:
        """Frames at which the model knew when liquid last came in; None for one that is not told of it."""
        return told_of_pours(self.program, self.parsed)


def told_of_pours(program: Program, parsed: ParsedFile) -> int | None:
    """At how many frames of a log the program knew when liquid last came in; None for one that is not told
    of it.
    """
    if not program.longest_pour_s:
        return None
    pours = parsed.since_pour
    return 0 if pours is None else int((pours >= 0).sum())


class LogReplayer:
    """A model with the trim of one unit, ready for field logs of it: the program is read and its trim found
    once for all files.

    Args:
        store: the open store.
        model: its name.
        unit: the unit that was logged: its newest trims are taken.
        trim: instead, the counts of each kind of trim that the model takes, one a channel.
        columns: which column holds what, or the name of a saved mapping; labels are not read. Without counts
            in it they are called as the pads are; None means that, without time.
        since_pour: the column of whole seconds since liquid last came in, -1 or empty where that is not
            known; None: the model, where it is told of that, is not told here.

    Raises:
        InputError: a trim that the model does not take, or none where it takes one; a column ``since_pour``
            for a model that is not told of pours, or one that holds something else too.
        NotFoundError: a name that the store does not have.
    """

    def __init__(
        self,
        store: Store,
        model: str,
        *,
        unit: str | None = None,
        trim: Mapping[TrimKind, Sequence[int]] | None = None,
        columns: ColumnMapping | str | None = None,
        since_pour: str | None = None,
    ) -> None:
        replayed_model = store.model(model)
        mounting = replayed_model.frozen.sessions[0].mounting
        known = {session.mounting.name for session in replayed_model.frozen.sessions}
        self._program = program_of(replayed_model)
        self.is_untold = self._program.longest_pour_s > 0 and since_pour is None
        if since_pour is not None and not self._program.longest_pour_s:
            raise InputError(
                "since_pour",
                f"column {since_pour!r}",
                "none",
                f"model {model} is not told when liquid last came in",
                fields=("since_pour",),
            )
        self._reader = LogReader(store, mounting, columns, since_pour)
        self._trim = stated_trim(store, self._program, f"model {model}", mounting, known, unit, trim)

    def replay(self, file: Path) -> FieldReplay:
        """A model's readings of a field log, one for each frame, from power-on at the first; a gap in time
        starts anew.

        Args:
            file: delimited text or Parquet, a row a frame; ``-`` is standard input.

        Raises:
            InputError: frames that do not fit the model.
        """
        answer = _replayed_there(file, self._reader, self._program, self._trim)
        if isinstance(answer, InputError):
            raise answer
        return FieldReplay(self._program, *answer)

    def replay_each(
        self, files: Sequence[Path], progress: Progress = silent, pool: Pool | None = None
    ) -> Iterator[tuple[Path, FieldReplay | InputError]]:
        """Each file with its readings, or with what is said of a file that does not fit the model; the others
        are replayed all the same. ``pool``: where; None means on all cores of this machine where the files
        are large, else here.
        """
        from dataset.pools import Task, as_asked

        chosen = pool or _pool_for(files)

        def tasks(share: Callable[[Any], Any]) -> Iterator[Task]:
            given = share(self._reader), share(self._program), self._trim
            for k, file in enumerate(files):
                content = None if chosen.same_files else _content_of(file)
                yield Task((k, file.name), _replayed, (file, content, *given))

        answers = as_asked(chosen, tasks, _FILES_AHEAD)
        for done, file in enumerate(files):
            progress(file.name, done, len(files))
            answer = next(answers)
            yield (file, answer if isinstance(answer, InputError) else FieldReplay(self._program, *answer))


def _pool_for(files: Sequence[Path]) -> Pool:
    """To start processes takes longer than to replay a few small files."""
    from dataset.pools import ALL_CORES, HERE

    there = [file for file in files if file.is_file()]
    return ALL_CORES if sum(file.stat().st_size for file in there) >= _WORTH_CORES else HERE


def _content_of(file: Path) -> bytes | None:
    """What a worker is sent that cannot read this machine's files; None where it cannot be read here either,
    which is said as of any file.
    """
    try:
        return file.read_bytes()
    except OSError:
        return None


def _replayed(
    file: Path, content: bytes | None, reader: LogReader, program: Program, trim: NDArray[np.int64] | None
) -> tuple[ParsedFile, Replayed] | InputError:
    """A file that is read and replayed by a worker; ``content``: what it holds, None: to be read there."""
    from dataset.files.scratch import scratch_folder

    if content is None:
        return _as_sent(_replayed_there(file, reader, program, trim))
    with scratch_folder() as folder:
        place = folder / file.name
        place.write_bytes(content)
        answer = _as_sent(_replayed_there(place, reader, program, trim))
    if isinstance(answer, InputError):
        where, found, expected = (
            text.replace(str(place), str(file)) for text in (answer.where, answer.found, answer.expected)
        )
        return InputError(where, found, expected, answer.hint, fields=answer.fields)
    return answer


def _as_sent(answer: tuple[ParsedFile, Replayed] | InputError) -> tuple[ParsedFile, Replayed] | InputError:
    """With frames as arrays: packed ones are in memory that no other process has."""
    from dataset.long_frames import as_arrays

    if isinstance(answer, InputError):
        return answer
    parsed, replayed = answer
    return replace(parsed, frames=as_arrays(parsed.frames)), replayed


def _replayed_there(
    file: Path, reader: LogReader, program: Program, trim: NDArray[np.int64] | None
) -> tuple[ParsedFile, Replayed] | InputError:
    from export.compilers.replaying import replay_on_host

    try:
        parsed = reader.read(file)
        return parsed, replay_on_host(program, parsed.frames, trim, parsed.since_pour)
    except InputError as error:
        return error


def check_files(files: Sequence[Path], out: Path | None) -> dict[Path, Path]:
    """Where in the folder ``out`` the readings of each of several files go, ``NAME.readings.csv``; nowhere
    without one.

    Raises:
        InputError: standard input among several, a file named twice, two files whose readings would have one
            name, or readings in the place of a log.
    """
    logs = {file.resolve(): file for file in files}
    twice = [str(file) for file in logs.values() if [f.resolve() for f in files].count(file.resolve()) > 1]
    if twice:
        raise InputError("the files", f"{twice[0]} twice", "each file once")
    if Path("-") in files:
        raise InputError("the files", "- (standard input) beside others", "files alone, or - alone")
    if out is None:
        return {}
    if out.exists() and not out.is_dir():
        raise InputError(str(out), "is no folder", f"a folder for the readings of {len(files)} files")
    places: dict[Path, Path] = {}
    for file in files:
        place = out / f"{file.stem}.readings.csv"
        if place in places.values():
            raise InputError(
                str(place),
                f"the readings of more than one file, {file} among them",
                "files of different names",
                "replay them in calls of their own, each with a folder of its own",
            )
        if place.resolve() in logs:
            raise InputError(str(place), "is one of the logs", "a folder without them")
        places[file] = place
    return places


class LogReader:
    """Reads field logs of what stands on a mounting.

    ``since_pour``: the column of seconds since liquid last came in. Raises InputError for columns that cannot
    be, NotFoundError for a mapping that the store does not have.
    """

    def __init__(
        self,
        store: Store,
        mounting: Mounting,
        columns: ColumnMapping | str | None,
        since_pour: str | None = None,
    ) -> None:
        from dataset.admission.rules import check_mapping

        mapping = store.mapping(columns) if isinstance(columns, str) else columns
        mapping = mapping or ColumnMapping(name="columns", counts=())
        counts = mapping.counts or mounting.sensor.channel_names
        self._mapping = replace(mapping, counts=counts, level=None, mass=None, poured=None)
        self._mounting, self._since_pour = mounting, since_pour
        check_mapping(self._mapping)
        if since_pour in self._mapping.columns:
            raise InputError(
                "since_pour",
                f"column {since_pour!r}, which holds something else",
                "a column of its own, of seconds since liquid last came in",
                fields=("since_pour",),
            )

    def read(self, file: Path) -> ParsedFile:
        """The frames of a file; InputError where they are not of the sensor."""
        from dataset.admission.session_files import read_file

        return read_file(
            file,
            self._mapping,
            self._mounting.sensor,
            self._mounting.tank,
            since_pour=self._since_pour,
        )


def stated_trim(
    store: Store,
    program: Program,
    whose_program: str,
    mounting: Mounting,
    mountings: Collection[str],
    unit: str | None,
    given: Mapping[TrimKind, Sequence[int]] | None,
) -> NDArray[np.int64] | None:
    """The trim that a log is replayed with, int64 (channels x kinds,), kind after kind: a unit's newest on
    ``mountings``, or the counts ``given``; None for a program that takes none.

    Raises InputError where it is lacking, or outside the program's limits; ``whose_program`` is named there.
    """
    from training.models.trim_limits import refuse_trim
    from training.program.trims import refuse_swing

    taken = _trim(store, program, whose_program, mountings, unit, given)
    if taken is not None:
        whose = "the trim given" if unit is None else f"unit {unit}"
        limits = f"the limits of trims that {whose_program} declares"
        hint = "firmware would answer such a trim with a sensor fault; take it again"
        refuse_trim(program, [int(count) for count in taken], mounting, whose, limits, hint)
        refuse_swing(program, taken[None], whose, mounting.sensor.channel_names)
    return taken


def _trim(
    store: Store,
    program: Program,
    whose_program: str,
    mountings: Collection[str],
    unit: str | None,
    given: Mapping[TrimKind, Sequence[int]] | None,
) -> NDArray[np.int64] | None:
    """The counts of the trim that the program takes, kind after kind."""
    import numpy as np

    if unit is not None and given:
        raise InputError("unit and trim", "both", "one of them", fields=("unit", "trim"))
    if program.trim is None:
        if given:
            raise InputError(
                "trim", ", ".join(given), "none", f"{whose_program} takes none", fields=("trim",)
            )
        return None
    needed = tuple(TrimKind(kind) for kind in program.trim_kinds)
    wanted = f"{' and '.join(needed)}, which {whose_program} takes"
    if unit is not None:
        return newest_trim(store, program, mountings, unit)
    if not given:
        raise InputError("trims", "none", wanted, "name the unit, or give them by trim", fields=("trim",))
    if set(given) != set(needed):
        raise InputError("trim", ", ".join(given), wanted, fields=("trim",))
    return np.asarray([count for kind in needed for count in given[kind]], np.int64)


def readings_csv(program: Program, parsed: ParsedFile, replayed: Replayed) -> Iterator[str]:
    """The text of a file of readings, in pieces: one line a frame; levels in mm to all digits (they are
    64ths), the level empty where withheld, flags joined by '+', the reason empty where the reading is given.
    """
    from dataset.long_frames import parts_of
    from training.program import LEVEL_UNITS_PER_MM, NO_LEVEL
    from training.program.model import GIVEN, REASON_NAMES, VALIDITY_NAMES, flag_names

    levels = {unit: f"{unit / LEVEL_UNITS_PER_MM:.6f}" for unit in range(program.span + 1)} | {NO_LEVEL: ""}
    flags = {code: "+".join(flag_names(code)) for code in range(32)}
    reasons = REASON_NAMES | {GIVEN: ""}
    yield f"{_COLUMNS}\n"
    number = 0
    for part in parts_of(parsed.frames):
        readings = replayed.readings[number : number + len(part)]
        for start in range(0, len(part), _LINES_AT_ONCE):
            at = slice(start, start + _LINES_AT_ONCE)
            columns = zip(part.t_ms[at].tolist(), *readings[at].T.tolist(), strict=True)
            lines = [
                f"{t},{levels[low]},{levels[level]},{levels[high]},{VALIDITY_NAMES[valid]},{flags[code]},{reasons[why]}\n"
                for t, low, level, high, valid, code, why in columns
            ]
            yield "".join(lines)
        number += len(part)


def summary(program: Program, replayed: Replayed) -> dict[str, Any]:
    """Frames by validity and by flag, and the restarts: steps in time that are not the program's period."""
    from training.program import OUTPUTS
    from training.program.model import FLAG_BITS, GIVEN, REASON_NAMES, VALIDITY_NAMES

    validity, flags, reason = (
        replayed.readings[:, OUTPUTS.index(name)] for name in ("validity", "flags", "reason")
    )
    return {
        "frames": len(replayed.readings),
        "validity": {name: int((validity == code).sum()) for code, name in VALIDITY_NAMES.items()},
        "flags": {name: int(((flags & bit) != 0).sum()) for name, bit in FLAG_BITS.items()},
        "reasons": {
            name: int((reason == code).sum()) for code, name in REASON_NAMES.items() if code != GIVEN
        },
        "band": program.has_band,
        "period_ms": program.period_ms,
        "period_tolerance_pct": program.period_tolerance_pct,
        "restarts": len(replayed.restarts),
        "longest_step_ms": int(replayed.steps_ms.max()) if len(replayed.restarts) else None,
        "first_restart_frame": int(replayed.restarts[0]) if len(replayed.restarts) else None,
    }
