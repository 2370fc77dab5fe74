"""The public Python interface beyond the store itself: logging, replaying. Everything here is had
as ``innage.NAME``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.records import (
    ColumnMapping,
    Frames,
    Model,
    NewSession,
    Session,
    Stretch,
    TrimKind,
)
from dataset.store import Store

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import ArrayLike, NDArray

    from training.program import Program


def open_store(path: Path | str) -> Store:
    """Open the store at ``path``: made where there is none, upgraded (a copy is kept) where it is of an older
    version. Use it in a ``with`` block.

    Raises:
        StoreError: no store, made by a newer version, damaged, busy, or not readable.
    """
    return Store.open(path)


def log_file(
    store: Store,
    path: Path | str,
    *,
    unit: str,
    liquid: str,
    mounting: str,
    columns: ColumnMapping | str | None = None,
    conditions: str = "",
    note: str = "",
) -> Session:
    """Log a file of delimited text or Parquet as a capture session, as ``innage log`` does.

    Args:
        store: the open store.
        path: the file.
        unit: the unit's name.
        liquid: the liquid's name.
        mounting: the mounting's name.
        columns: which column holds what; the name of a saved mapping; None means the channels' own names,
            without time and level.
        conditions: what holds for the whole session, such as ``surface=foam:40-60,wall=film``.
        note: free text.

    Raises:
        InputError: a file that cannot be used, with line and column; nothing is stored then.
        NotFoundError: a name that the store does not have.
    """
    from dataset.admission.rules import check_mapping
    from dataset.admission.session_files import read_file
    from dataset.labels.conditions import read_conditions
    from dataset.labels.marking import Labelling

    its, its_liquid = store.mounting(mounting), store.liquid(liquid)
    chosen = (
        store.mapping(columns)
        if isinstance(columns, str)
        else columns or ColumnMapping("columns", its.sensor.channel_names)
    )
    check_mapping(chosen)
    parsed = read_file(Path(path), chosen, its.sensor, its.tank, Labelling(its_liquid))
    stretches = (
        (Stretch(0, len(parsed.frames), read_conditions("conditions", conditions)),) if conditions else ()
    )
    (added,) = store.add_sessions(
        [
            NewSession(
                store.unit(unit), its_liquid, its, parsed.frames, parsed.marks, parsed.source, note, stretches
            )
        ]
    )
    return added


def program_of(model: Model) -> Program:
    """The integer program of a model: the single definition of what the chip computes. ProgramError where its
    text was changed.
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
    import numpy as np

    program = program_of(model)
    if program.trim is None:
        return np.zeros(0, np.int64)
    known = {session.mounting.name for session in model.frozen.sessions}
    its = [t for t in store.trims(store.unit(unit).name) if t.mounting.name in known]
    counts: list[int] = []
    for kind in map(TrimKind, program.trim_kinds):
        found = [t for t in its if t.kind is kind]
        if not found:
            raise InputError(
                f"unit {unit}",
                f"no {kind} trim on {' or '.join(sorted(known))}",
                f"a {kind} trim",
                "add it with 'innage trim add'",
            )
        counts += max(found, key=lambda t: (t.date, t.sha256)).counts
    return np.asarray(counts, np.int64)


def replay(model: Model | Program, frames: Frames, trim: ArrayLike | None = None) -> pd.DataFrame:
    """What the chip would have said of a stream of frames, from power-on at the first, through the exported C
    compiled for this computer.

    Args:
        model: a model, or a program.
        frames: as ``store.frames(session)`` gives them; a step in time outside the program's tolerance starts
            anew, as firmware has to.
        trim: int (channels x kinds,), as :func:`trim_of` gives it; None for a program that takes none.

    Returns:
        A row a frame: ``t_ms``; ``low_mm``, ``level_mm``, ``high_mm`` float64, the level NaN where it is
        withheld; ``validity`` (``valid``, ``empty``, ``withheld``); ``flags``, names joined by ``+``.

    Raises:
        InputError: frames outside the declared domain, or a missing trim. ToolError: the C stops, or says
            other than the interpreter.
    """
    import numpy as np

    from export.compilers.replaying import replay_on_host
    from innage.jobs.tables import reading_table

    program = program_of(model) if isinstance(model, Model) else model
    its_trim = None if trim is None or program.trim is None else np.asarray(trim, np.int64)
    return reading_table(frames.t_ms, replay_on_host(program, frames, its_trim).readings)
