"""What the store holds as pandas tables, and a table as a session."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from dataset.records import UNSTATED, Occasion

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from dataset.records import Frames, Mark, Session
    from dataset.store import Store


def session_table(store: Store) -> pd.DataFrame:
    """The capture sessions, void ones included, one row each in the order they were logged.

    Columns: ``session`` (its id, the index), ``unit``, ``liquid``, ``mounting``, ``tank`` and ``sensor``
    (NAME@REVISION), ``frames``, ``labelled`` (how many of them have a known level), ``simulated``,
    ``void_reason`` (None where it can be used), ``file``, ``note``, ``operator``, ``bench`` (an identity),
    ``started`` (ISO 8601), ``firmware`` (None where not stated), ``tags`` (a tuple).
    """
    import pandas as pd

    rows = [
        {
            "session": s.id,
            "unit": s.unit.name,
            "liquid": s.liquid.name,
            "mounting": s.mounting.name,
            "tank": s.mounting.tank.ref,
            "sensor": s.mounting.sensor.ref,
            "frames": s.frames,
            "labelled": sum(m.stop - m.start for m in s.marks),
            "simulated": s.simulated,
            "void_reason": s.void_reason,
            "file": s.source.file,
            "note": s.note,
            **asdict(s.occasion),
            "tags": s.tags,
        }
        for s in store.sessions()
    ]
    names = [
        "session",
        "unit",
        "liquid",
        "mounting",
        "tank",
        "sensor",
        "frames",
        "labelled",
        "simulated",
        "void_reason",
        "file",
        "note",
        *("operator", "bench", "started", "firmware", "tags"),
    ]
    return pd.DataFrame(rows, columns=names).set_index("session")


def frame_table(store: Store, session: Session | str) -> pd.DataFrame:
    """Every frame of a session, labelled or not, its content hashed again and compared.

    Args:
        store: the open store.
        session: the session, its id, or the first digits of it.

    Returns:
        A row a frame (the index counts from 0): ``t_ms`` int64; a column of uint32 counts for each channel,
        by its name; ``temperature_c`` float64, NaN where not measured; ``level_mm`` and ``u_mm`` float64, the
        known level above the datum and its standard uncertainty, NaN where not known.

    Raises:
        NotFoundError: no such session. StoreError: its content is not what was sealed.
    """
    import numpy as np
    import pandas as pd

    from dataset.coverage.roles import levels_of

    captured = store.session(session) if isinstance(session, str) else session
    frames = store.frames(captured, verify=True)
    level, u = np.full(len(frames), np.nan), np.full(len(frames), np.nan)
    for mark in captured.marks:
        level[mark.start : mark.stop] = levels_of(mark, frames.t_ms)
        u[mark.start : mark.stop] = _whole(mark)
    warm = np.full(len(frames), np.nan) if frames.temperature_c is None else frames.temperature_c
    counts = dict(zip(captured.mounting.sensor.channel_names, frames.counts.T, strict=True))
    return pd.DataFrame({"t_ms": frames.t_ms, **counts, "temperature_c": warm, "level_mm": level, "u_mm": u})


def frozen_table(store: Store, frozen: str) -> pd.DataFrame:
    """The labelled frames of a frozen set, in session and time order: what training sees.

    Returns:
        A row a frame: ``session``, ``unit``, ``liquid``, ``group``, ``role`` (``fit``, ``choose``,
        ``calibrate``, ``prove``), ``frame`` (its place in its session), ``t_ms``, a column of counts for each
        channel, ``temperature_c``, ``level_mm``, ``u_mm``. Whoever looks at rows of 'prove' to make a choice
        should count that: ``store.open_prove(store.frozen_set(frozen), "why")``.

    Raises:
        NotFoundError: no such set. InputError: one of its sessions was voided since.
    """
    import numpy as np
    import pandas as pd

    data = store.frozen_data(store.frozen_set(frozen))
    sessions, roles = data.frozen.sessions, data.frozen.roles

    def by_session(names: Sequence[str]) -> Any:
        return np.asarray(names, dtype=object)[data.session]

    columns: dict[str, Any] = {
        "session": by_session([s.id for s in sessions]),
        "unit": by_session([s.unit.name for s in sessions]),
        "liquid": by_session([s.liquid.name for s in sessions]),
        "group": np.asarray([name for name, _ in roles], dtype=object)[data.group],
        "role": np.asarray([str(role) for _, role in roles], dtype=object)[data.group],
        "frame": data.frame,
        "t_ms": data.t_ms,
        **dict(zip(sessions[0].mounting.sensor.channel_names, data.counts.T, strict=True)),
        "temperature_c": data.temperature_c,
        "level_mm": data.level_mm,
        "u_mm": data.u_mm,
    }
    return pd.DataFrame(columns)


def reading_table(t_ms: NDArray[np.int64], readings: NDArray[np.int64]) -> pd.DataFrame:
    """Readings as millimetres and words: ``t_ms`` int64 (n,), ``readings`` int64 (n, 6) in the order of a
    program's outputs; columns as of ``replay``.
    """
    import numpy as np
    import pandas as pd

    from training.program import LEVEL_UNITS_PER_MM, NO_LEVEL, OUTPUTS
    from training.program.model import GIVEN, REASON_NAMES, VALIDITY_NAMES, flag_names

    outputs = dict(zip(OUTPUTS, readings.T, strict=True))
    mm = {
        name: np.where(outputs[name] == NO_LEVEL, np.nan, outputs[name] / LEVEL_UNITS_PER_MM)
        for name in ("low", "level", "high")
    }
    words = {code: "+".join(flag_names(code)) for code in np.unique(outputs["flags"]).tolist()}
    reasons = REASON_NAMES | {GIVEN: ""}
    columns = {f"{name}_mm": values for name, values in mm.items()}
    validity = [VALIDITY_NAMES[code] for code in outputs["validity"].tolist()]
    return pd.DataFrame(
        {
            "t_ms": t_ms,
            **columns,
            "validity": validity,
            "flags": [words[code] for code in outputs["flags"].tolist()],
            "reason": [reasons[code] for code in outputs["reason"].tolist()],
        }
    )


@dataclass(frozen=True)
class Remarks:
    """What is kept with a session: ``note``, free text; ``simulated`` where the readings are made up, which
    whatever is made from the session then says; who captured it, when and with what; tags.
    """

    note: str = ""
    simulated: bool = False
    occasion: Occasion = UNSTATED
    tags: tuple[str, ...] = ()


def log_table(
    store: Store,
    table: pd.DataFrame,
    *,
    unit: str,
    liquid: str,
    mounting: str,
    name: str,
    conditions: str = "",
    remarks: Remarks = Remarks(),
) -> Session:
    """Log a table of frames as a capture session; the import checks are those of ``innage log``.

    Args:
        store: the open store.
        table: such as :func:`frame_table` gives: ``t_ms`` (whole milliseconds) and a column of whole counts
            for each channel of the mounting's sensor; ``temperature_c``, ``level_mm`` and ``u_mm`` where they
            are known. Frames of equal level and uncertainty in a row become one mark.
        unit: the unit's name.
        liquid: the liquid's name.
        mounting: the mounting's name.
        name: what to call the source; its hash is that of the table as CSV.
        conditions: what holds for the whole session, such as ``surface=foam:40-60,wall=film``.
        remarks: free text, and whether the readings are made up.

    Raises:
        InputError: a column that is missing, values that are no whole numbers in their range, or what the
            import checks refuse.
        NotFoundError: a name that the store does not have. Nothing is stored then.
    """
    import hashlib

    from dataset.labels.conditions import read_conditions
    from dataset.records import NewSession, Source, Stretch

    on = store.mounting(mounting)
    frames = _frames(table, on.sensor.channel_names, name)
    source = Source(name, hashlib.sha256(table.to_csv(index=False, lineterminator="\n").encode()).hexdigest())
    stretches = (Stretch(0, len(frames), read_conditions("conditions", conditions)),) if conditions else ()
    new = NewSession(
        store.unit(unit),
        store.liquid(liquid),
        on,
        frames,
        _marks(table),
        source,
        remarks.note,
        stretches,
        simulated=remarks.simulated,
        occasion=remarks.occasion,
        tags=remarks.tags,
    )
    (added,) = store.add_sessions([new])
    return added


def _frames(table: pd.DataFrame, channels: Sequence[str], name: str) -> Frames:
    import numpy as np

    from dataset.errors import InputError
    from dataset.records import Frames

    missing = [column for column in ("t_ms", *channels) if column not in table.columns]
    if missing:
        raise InputError(f"table {name}", f"no column '{missing[0]}'", "t_ms and " + ", ".join(channels))
    whole = {
        column: _whole_numbers(table[column].to_numpy(), f"table {name}, column '{column}'")
        for column in ("t_ms", *channels)
    }
    warm = table["temperature_c"].to_numpy(np.float64) if "temperature_c" in table.columns else None
    if warm is not None and np.isnan(warm).all():
        warm = None
    counts = np.column_stack([whole[column] for column in channels])
    if counts.size and (counts.min() < 0 or counts.max() >= 1 << 32):
        raise InputError(
            f"table {name}", f"counts from {counts.min()} to {counts.max()}", "0 to the sensor's width"
        )
    return Frames(whole["t_ms"], counts.astype(np.uint32), warm)


def _whole_numbers(values: Any, where: str) -> NDArray[np.int64]:
    import numpy as np

    from dataset.errors import InputError

    try:
        numbers = np.asarray(values, np.float64)
    except (TypeError, ValueError) as error:
        raise InputError(where, f"no numbers ({error})", "whole numbers") from error
    wrong = np.flatnonzero(~np.isfinite(numbers) | (numbers != np.floor(numbers)))
    if len(wrong):
        raise InputError(f"{where}, row {wrong[0]}", f"{numbers[wrong[0]]:g}", "a whole number")
    return numbers.astype(np.int64)


def _marks(table: pd.DataFrame) -> tuple[Mark, ...]:
    from itertools import pairwise

    import numpy as np

    from dataset.labels.marking import Runs
    from dataset.records import Mark

    if "level_mm" not in table.columns:
        return ()
    level = table["level_mm"].to_numpy(np.float64)
    u = table["u_mm"].to_numpy(np.float64) if "u_mm" in table.columns else np.full(len(level), np.nan)
    marks = []
    for start, stop, _ in Runs().add(level).all():
        edges = [
            start,
            *(start + 1 + np.flatnonzero(~_same(u[start : stop - 1], u[start + 1 : stop]))).tolist(),
            stop,
        ]
        marks += [
            Mark(a, b, float(level[a]), None if np.isnan(u[a]) else float(u[a])) for a, b in pairwise(edges)
        ]
    return tuple(marks)


def _same(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.bool_]:
    import numpy as np

    return np.asarray((a == b) | (np.isnan(a) & np.isnan(b)), np.bool_)


def _whole(mark: Mark) -> float:
    """The whole standard uncertainty of a mark, mm; NaN where none is known."""
    import math

    return math.nan if mark.u_mm is None else math.hypot(mark.u_mm, mark.u_common_mm or 0.0)
