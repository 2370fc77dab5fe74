"""What the hashes cover: content, in one agreed form, so that two stores agree on it.

A session's hash is the SHA-256 of canonical JSON that holds its metadata and, for each column, its type and
the SHA-256 of its uncompressed little-endian values. Not in it: how frames are cut into blocks and packed,
row ids, revision numbers (a store counts them; the content of the revision is in), registry notes, and
whether the session was voided later. A format number leads, so that a later form cannot be mistaken for this
one.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from dataset.canonical_text import (
    bytes_sha256,
    canonical_json,
    list_text,
    number_text,
    object_text,
    real,
    sha256,
    sha256_with,
    text_of,
)
from dataset.readings_hashes import ReadingsHashes, columns_text_of
from dataset.records import (
    Conditions,
    Coupling,
    DoorWarning,
    Flow,
    GroupBy,
    Limits,
    Liquid,
    Mark,
    Model,
    Mounting,
    NewSession,
    Occasion,
    Recording,
    Restatement,
    Role,
    Sensor,
    Session,
    Stretch,
    Surface,
    Tank,
    Trim,
    Unit,
    Wall,
)

SESSION_FORMAT = 1
FROZEN_FORMAT = 1
LIMITS_FORMAT = 1
MARK_REVISION_FORMAT = 1
TRIM_FORMAT = 1
MODEL_FORMAT = 1
AMENDMENT_FORMAT = 1
OPENING_FORMAT = 1
SENSOR_KEY_FORMAT = 2


def session_sha256(session: NewSession | Session, frames: Recording | ReadingsHashes) -> str:
    """The hash of a session's canonical content as sealed, with its frames or their hashes; amendments, and
    later revisions of its marks, are not in it.
    """
    if isinstance(session, Session) and session.as_sealed is not None:
        session = session.as_sealed
    sealed = session.sealed_marks if isinstance(session, Session) else None
    texts = {
        "format": str(SESSION_FORMAT),
        "liquid": text_of(session.liquid, _liquid),
        "mounting": text_of(session.mounting, _mounting),
        "marks": _marks_text(session.marks if sealed is None else sealed),
        "columns": frames.columns if isinstance(frames, ReadingsHashes) else columns_text_of(frames),
    }
    if session.stretches:
        texts["stretches"] = list_text(
            [f"[{s.start},{s.stop},{text_of(s.conditions, conditions_content)}]" for s in session.stretches]
        )
    if session.simulated:
        texts["simulated"] = "true"
    facts: dict[str, object] = {"unit": unit_content(_sealed_unit(session)), "note": session.note}
    if session.instruments:
        facts["instruments"] = list(session.instruments)
    return sha256_with(facts | occasion_content(session.occasion), texts)


def occasion_content(occasion: Occasion) -> dict[str, str]:
    """Who, where, when and with what, as JSON: what was stated. Sessions that state nothing keep their
    hashes.
    """
    facts = {key: getattr(occasion, key) for key in ("operator", "bench", "started", "firmware")}
    return {key: fact for key, fact in facts.items() if fact is not None}


def _sealed_unit(session: NewSession | Session) -> Unit:
    return session.unit if isinstance(session, NewSession) else session.sealed_unit or session.unit


def unit_content(unit: Unit) -> str | dict[str, str]:
    """How a hash names a unit: by its identity where it has a serial, else by the name that its bench gave
    it, and an assignment beside the object says of which bench it is.

    A new store's bench is random. Where it were in every hash, the same files in two new stores would be
    other sessions, in another order, and train other models.
    """
    return unit.origin_name if unit.serial is None else {"bench": unit.bench, "serial": unit.serial}


def tank_content_sha256(tank: Tank) -> str:
    """The hash of what a tank is, by which frozen sets tell tanks of one name apart: neither its revision nor
    its note.
    """
    return sha256(_tank(tank))


def unit_sha256(unit: Unit) -> str:
    """The identity of a unit: its bench of origin with its serial, or with its name where it has none."""
    own = {"name": unit.origin_name} if unit.serial is None else {"serial": unit.serial}
    return sha256({"bench": unit.bench} | own)


def mark_revision_sha256(
    session_sha256: str, parent: str | None, author: str, reason: str, marks: Sequence[Mark]
) -> str:
    """The hash of a revision of a session's marks, with what it amends, who and why."""
    facts = {
        "format": MARK_REVISION_FORMAT,
        "session": session_sha256,
        "parent": parent,
        "author": author,
        "reason": reason,
    }
    return sha256(facts | {"marks": marks_content(marks)})


def amendment_sha256(
    session_sha256: str,
    parents: Sequence[str],
    author: str,
    reason: str,
    stated: Restatement,
    warnings: Sequence[DoorWarning] = (),
) -> str:
    """The hash of an amendment of a session: what it follows, who and why, what the session says since, and
    what the import checks say of that. A unit is named by its identity.
    """
    facts = {
        "format": AMENDMENT_FORMAT,
        "session": session_sha256,
        "parents": list(parents),
        "author": author,
        "reason": reason,
    }
    places = {
        "unit": None if stated.unit is None else unit_sha256(stated.unit),
        "liquid": None if stated.liquid is None else _liquid(stated.liquid),
        "mounting": None if stated.mounting is None else _mounting(stated.mounting),
    }
    known = {what: place for what, place in places.items() if place is not None}
    return sha256(facts | known | amendment_content(stated, warnings))


def amendment_content(stated: Restatement, warnings: Sequence[DoorWarning]) -> dict[str, object]:
    """What an amendment says beside unit, liquid and mounting, as JSON: only what there is."""
    content: dict[str, object] = {"warnings": [[w.check, w.sentence] for w in warnings]} if warnings else {}
    if stated.stretches is not None:
        content["stretches"] = [_stretch(stretch) for stretch in stated.stretches]
    return content | occasion_content(stated.occasion)


def amendment_from(content: Mapping[str, Any]) -> tuple[Restatement, tuple[DoorWarning, ...]]:
    """The statements and warnings that :func:`amendment_content` wrote."""
    stretches = content.get("stretches")
    stated = Restatement(
        stretches=None
        if stretches is None
        else tuple(Stretch(start, stop, conditions_from(held)) for start, stop, held in stretches),
        **{key: content.get(key) for key in ("operator", "bench", "started", "firmware")},
    )
    return stated, tuple(DoorWarning(check, sentence) for check, sentence in content.get("warnings", ()))


def frozen_sha256(
    group_by: GroupBy,
    roles: Mapping[str, Role],
    sessions: Sequence[Session],
    trims: Sequence[Trim] = (),
    edges_c: Sequence[float] = (),
    named_by_content: bool = False,
) -> str:
    """The hash of a frozen set's content: its sessions, their labels, the groups and roles, the trims, the
    edges of its bands; not its name or seed. ``named_by_content``: the group of each session too.
    """
    facts: dict[str, object] = {
        "group_by": group_by.value,
        "roles": {group: role.value for group, role in roles.items()},
    }
    if edges_c:
        facts["edges_c"] = [real(edge) for edge in edges_c]
    if trims:
        facts["trims"] = sorted(trim.sha256 for trim in trims)
    in_order = sorted(sessions, key=lambda s: s.sha256)
    return sha256_with(
        facts,
        {
            "format": str(FROZEN_FORMAT),
            "sessions": list_text([_frozen_session(s, group_by, named_by_content) for s in in_order]),
        },
    )


def limits_sha256(limits: Limits) -> str:
    """The hash of what is signed: name, note and rows in their order. Neither the revision nor the signer
    changes it.
    """
    rows = [
        [r.metric, r.condition, real(r.bound), real(r.confidence), r.min_groups]
        + ([] if r.or_mm is None else [real(r.or_mm)])
        for r in limits.rows
    ]
    return sha256({"format": LIMITS_FORMAT, "name": limits.name, "note": limits.note, "rows": rows})


def model_sha256(model: Model) -> str:
    """The hash of a model's whole content: program, metrics, recipe (its seeds among it), versions, float
    ONNX, frozen set and limits with their signer; not its name, nor its parent's.
    """
    texts = {what: getattr(model, what) for what in ("program", "metrics", "recipe", "versions")}
    limits = model.limits and {"sha256": limits_sha256(model.limits), "signer": model.limits.signer}
    return sha256(
        {"format": MODEL_FORMAT, "digest": model.sha256, "frozen_set": model.frozen.sha256, "limits": limits}
        | {what: bytes_sha256(text.encode()) for what, text in texts.items()}
        | {"float_onnx": bytes_sha256(model.float_onnx)}
    )


def opening_sha256(
    frozen_sha256: str, name: str, purpose: str, parents: Sequence[str], number: int | None = None
) -> str:
    """The hash of an opening of 'prove': of which choice, under which name, what for, and after which
    openings. ``number`` counts those that were made before openings had hashes.
    """
    facts = {
        "format": OPENING_FORMAT,
        "frozen_set": frozen_sha256,
        "name": name,
        "purpose": purpose,
        "parents": list(parents),
    }
    return sha256(facts if number is None else facts | {"number": number})


def _frozen_session(session: Session, group_by: GroupBy, named: bool) -> str:
    """What a frozen set's hash covers of a session, as canonical JSON."""
    facts: dict[str, object] = {"sha256": session.sha256}
    if named:
        facts["group"] = session.unit.name if group_by is GroupBy.UNIT else session.tank_group
    later = {"mark_revision": session.mark_revision, "amendment": session.amendment}
    facts |= {what: digest for what, digest in later.items() if digest is not None}
    return object_text(facts, {"marks": _marks_text(session.marks)})


def marks_content(marks: Sequence[Mark]) -> list[list[object]]:
    """Marks as JSON: start, stop, level, uncertainty, and an object with the further facts where there are
    any.
    """
    return [[m.start, m.stop, real(m.level_mm), real(m.u_mm), *_further(m)] for m in marks]


def _marks_text(marks: Sequence[Mark]) -> str:
    """The canonical JSON of :func:`marks_content`."""
    return list_text(
        [
            f"[{m.start},{m.stop},{number_text(m.level_mm)},{number_text(m.u_mm)}{_further_text(m)}]"
            for m in marks
        ]
    )


def _further_text(mark: Mark) -> str:
    common, last, method = mark.u_common_mm, mark.level_stop_mm, mark.method
    if common is None and last is None and method is None:
        return ""
    facts = (
        None if last is None else f'"level_stop_mm":{number_text(last)}',
        None if method is None else f'"method":{canonical_json(method)}',
        None if common is None else f'"u_common_mm":{number_text(common)}',
    )
    return f",{{{','.join([fact for fact in facts if fact is not None])}}}"


def marks_from(content: Sequence[Sequence[Any]]) -> tuple[Mark, ...]:
    """The marks that :func:`marks_content` wrote."""
    return tuple(Mark(*entry[:4], **(entry[4] if len(entry) > 4 else {})) for entry in content)


def _further(mark: Mark) -> list[dict[str, object]]:
    facts: dict[str, object] = {
        "u_common_mm": real(mark.u_common_mm),
        "level_stop_mm": real(mark.level_stop_mm),
        "method": mark.method,
    }
    present = {key: value for key, value in facts.items() if value is not None}
    return [present] if present else []


def trim_sha256(trim: Trim) -> str:
    """The hash of a trim's content."""
    facts = {
        "unit": unit_content(trim.sealed_unit or trim.unit),
        "kind": trim.kind.value,
        "date": trim.date,
        "stage": trim.stage,
        "note": trim.note,
        "session": trim.session,
    } | _later_of_trim(trim)
    texts = {
        "format": str(TRIM_FORMAT),
        "mounting": text_of(trim.mounting, _mounting),
        "temperature_c": number_text(trim.temperature_c),
        "counts": canonical_json(list(trim.counts)),
        "frames": "null" if trim.frames is None else canonical_json(list(trim.frames)),
        "refused": canonical_json(list(trim.refused)) if trim.refused else "[]",
        "spread": list_text(list(map(number_text, trim.spread))),
        "level_mm": number_text(trim.level_mm),
        "transfer": list_text(list(map(number_text, trim.transfer))),
        "transfer_spread": list_text(list(map(number_text, trim.transfer_spread))),
    }
    return sha256_with(facts, texts)


def _later_of_trim(trim: Trim) -> dict[str, str]:
    """What trims of before do not say, whose hashes stay."""
    later = {"dry_because": trim.dry_because or None, "amendment": trim.amendment}
    return {what: fact for what, fact in later.items() if fact is not None}


def trim_content(trim: Trim) -> dict[str, object]:
    """What a trim's kind and source add to it, as JSON."""
    return _later_of_trim(trim) | {
        "counts": list(trim.counts),
        "frames": None if trim.frames is None else list(trim.frames),
        "refused": list(trim.refused),
        "spread": [real(value) for value in trim.spread],
        "level_mm": real(trim.level_mm),
        "transfer": [real(value) for value in trim.transfer],
        "transfer_spread": [real(value) for value in trim.transfer_spread],
    }


@lru_cache(1024)  # equal conditions have equal content, and thousands of stretches state the same
def conditions_content(conditions: Conditions) -> dict[str, object]:
    """Conditions as JSON: the axes that were stated. Equal conditions are given one and the same object."""
    facts: dict[str, object] = {
        "surface": sorted(s.value for s in conditions.surface),
        "foam_mm": None if conditions.foam_mm is None else [real(height) for height in conditions.foam_mm],
        "wall": sorted(w.value for w in conditions.wall),
        "tilt_deg": None if conditions.tilt_deg is None else [real(angle) for angle in conditions.tilt_deg],
        "flow": None if conditions.flow is None else conditions.flow.value,
        "coupling": None if conditions.coupling is None else conditions.coupling.value,
        "appliance": conditions.appliance,
    }
    return {axis: fact for axis, fact in facts.items() if fact not in (None, [], "")}


def conditions_from(content: Mapping[str, Any]) -> Conditions:
    """The conditions that :func:`conditions_content` wrote."""
    foam, tilt = content.get("foam_mm"), content.get("tilt_deg")
    return Conditions(
        surface=tuple(Surface(s) for s in content.get("surface", ())),
        foam_mm=None if foam is None else (foam[0], foam[1]),
        wall=tuple(Wall(w) for w in content.get("wall", ())),
        tilt_deg=None if tilt is None else (tilt[0], tilt[1]),
        flow=Flow(content["flow"]) if "flow" in content else None,
        coupling=Coupling(content["coupling"]) if "coupling" in content else None,
        appliance=content.get("appliance", ""),
    )


def _stretch(stretch: Stretch) -> list[object]:
    return [stretch.start, stretch.stop, conditions_content(stretch.conditions)]


def _liquid(liquid: Liquid) -> dict[str, object]:
    facts = {
        key: real(getattr(liquid, key))
        for key in ("permittivity", "conductivity", "density", "temperature_c")
    }
    model = {} if liquid.model is None else {"model": liquid.model}
    return {"name": liquid.name, **facts, **model}


def _tank(tank: Tank) -> dict[str, object]:
    facts = {key: real(getattr(tank, key)) for key in ("span_mm", "wall_mm", "dead_volume_ml", "inlet_mm")}
    later = {
        key: real(value)
        for key in ("headspace_mm", "expansion_per_k", "reference_c")
        if (value := getattr(tank, key)) is not None
    }
    profile = {} if tank.profile is None else {"profile": json.loads(tank.profile)}
    return {"name": tank.name, "wall_material": tank.wall_material, **facts, **later, **profile}


def _pads(sensor: Sensor) -> list[dict[str, object]]:
    return [
        {
            "name": p.name,
            "role": p.role.value,
            **{key: real(getattr(p, key)) for key in ("bottom_mm", "height_mm", "width_mm", "frequency_hz")},
        }
        for p in sensor.pads
    ]


def _sensor(sensor: Sensor) -> dict[str, object]:
    facts = {key: getattr(sensor, key) for key in ("name", "count_bits", "period_ms", "period_tolerance_pct")}
    return {"count_law": sensor.count_law.value, "pads": _pads(sensor), **facts, **_scale(sensor)}


def _scale(sensor: Sensor) -> dict[str, int]:
    """The scale of its counts, where they are not kept as read: sensors of before keep their hashes."""
    return {} if sensor.count_scale == 1 else {"count_scale": sensor.count_scale}


def sensor_key(sensor: Sensor) -> int:
    """32 bits that a stored trim and a program must have in common, never 0: the first of the SHA-256 of what
    makes counts comparable.

    That is the law, the bits and the scale of a count, the frame period, and of each channel role, place,
    size and frequency. Names, notes and the number of the revision, which a merge counts anew, are left out,
    and so is the tolerance of the period, which no count depends on. Two sensors that differ share a key by
    chance once in 4.3e9 pairs; among 1000 sensors any two do with a probability of 1.2e-4.
    """
    facts = _sensor(sensor)
    pads = [{key: value for key, value in pad.items() if key != "name"} for pad in _pads(sensor)]
    kept = {key: facts[key] for key in ("count_law", "count_bits", "period_ms")}
    return int(sha256({"format": SENSOR_KEY_FORMAT, "pads": pads} | kept | _scale(sensor))[:8], 16) or 1


def sensor_key_1(sensor: Sensor) -> int:
    """The key that stored trims of format 1 carry: that of the name and number of the revision; 0 for a
    sensor whose counts have a scale, which those trims cannot say.
    """
    return 0 if sensor.count_scale != 1 else revision_key(sensor.ref, sensor.channels, sensor.count_bits)


def revision_key(revision: str, channels: int, count_bits: int) -> int:
    """The CRC-32 of 'NAME@REVISION channels=N bits=N'."""
    return zlib.crc32(f"{revision} channels={channels} bits={count_bits}".encode())


def _mounting(mounting: Mounting) -> dict[str, object]:
    facts = {key: real(getattr(mounting, key)) for key in ("offset_mm", "offset_tolerance_mm")}
    return {"name": mounting.name, "tank": _tank(mounting.tank), "sensor": _sensor(mounting.sensor), **facts}
