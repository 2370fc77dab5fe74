"""What the hashes cover: content, in one agreed form, so that two stores agree on it.

A session's hash is the SHA-256 of canonical JSON that holds its metadata and, for each column, its type and the SHA-256 of
its uncompressed little-endian values. Not in it: how frames are cut into blocks and packed, row ids, revision numbers (a
store counts them; the content of the revision is in), registry notes, and whether the session was voided later. A format
number leads, so that a later form cannot be mistaken for this one.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dataset.records import Frames, GroupBy, Liquid, Mark, Mounting, NewSession, Role, Sensor, Session, Tank

SESSION_FORMAT = 1
FROZEN_FORMAT = 1
ID_DIGITS = 12


def canonical_json(content: Any) -> str:
    """Sorted keys, no spaces, no NaN: equal content gives equal text."""
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def sha256(content: Any) -> str:
    """SHA-256 of the canonical JSON, in hex."""
    return hashlib.sha256(canonical_json(content).encode()).hexdigest()


def readings_sha256(frames: Frames) -> str:
    """The hash of the frames alone: times, counts, temperatures."""
    return sha256(_columns(frames))


def session_sha256(session: NewSession | Session, frames: Frames) -> str:
    """The hash of a session's canonical content."""
    return sha256(
        {
            "format": SESSION_FORMAT,
            "unit": session.unit.name,
            "liquid": _liquid(session.liquid),
            "mounting": _mounting(session.mounting),
            "marks": _marks(session.marks),
            "note": session.note,
            "columns": _columns(frames),
        }
    )


def frozen_sha256(group_by: GroupBy, roles: Mapping[str, Role], sessions: Sequence[Session]) -> str:
    """The hash of a frozen set's content: its sessions, their labels, the groups and roles; not its name or seed."""
    return sha256(
        {
            "format": FROZEN_FORMAT,
            "group_by": group_by.value,
            "roles": {group: role.value for group, role in roles.items()},
            "sessions": [{"sha256": s.sha256, "marks": _marks(s.marks)} for s in sorted(sessions, key=lambda s: s.sha256)],
        }
    )


def _columns(frames: Frames) -> list[dict[str, object]]:
    columns: list[tuple[str, str, NDArray[Any]]] = [("t_ms", "<i8", frames.t_ms)]
    columns += [(f"counts.{k}", "<u4", frames.counts[:, k]) for k in range(frames.counts.shape[1])]
    if frames.temperature_c is not None:
        # one NaN and one zero, whatever their bits were
        warm = np.where(np.isnan(frames.temperature_c), np.nan, frames.temperature_c + 0.0)
        columns.append(("temperature_c", "<f8", warm))
    return [{"name": name, "type": kind, "rows": len(values), "sha256": _bytes_sha256(values.astype(kind).tobytes())} for name, kind, values in columns]


def _bytes_sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _marks(marks: Sequence[Mark]) -> list[list[object]]:
    return [[m.start, m.stop, _real(m.level_mm), _real(m.u_mm)] for m in marks]


def _liquid(liquid: Liquid) -> dict[str, object]:
    facts = {key: _real(getattr(liquid, key)) for key in ("permittivity", "conductivity", "density", "temperature_c")}
    return {"name": liquid.name, **facts}


def _tank(tank: Tank) -> dict[str, object]:
    facts = {key: _real(getattr(tank, key)) for key in ("span_mm", "wall_mm", "dead_volume_ml", "inlet_mm")}
    return {"name": tank.name, "wall_material": tank.wall_material, **facts}


def _sensor(sensor: Sensor) -> dict[str, object]:
    pads = [
        {"name": p.name, "role": p.role.value, **{key: _real(getattr(p, key)) for key in ("bottom_mm", "height_mm", "width_mm", "frequency_hz")}}
        for p in sensor.pads
    ]
    facts = {key: getattr(sensor, key) for key in ("name", "count_bits", "period_ms", "period_tolerance_pct")}
    return {"count_law": sensor.count_law.value, "pads": pads, **facts}


def _mounting(mounting: Mounting) -> dict[str, object]:
    facts = {key: _real(getattr(mounting, key)) for key in ("offset_mm", "offset_tolerance_mm")}
    return {"name": mounting.name, "tank": _tank(mounting.tank), "sensor": _sensor(mounting.sensor), **facts}


def _real(value: float | None) -> float | None:
    """100 and 100.0, 0.0 and -0.0 are one value."""
    return None if value is None else float(value) + 0.0
