"""Programs as JSON: canonical on the way out, strict on the way in.

The format number is raised whenever a program of the old format would mean something else or be refused; a
reader refuses numbers it does not know. Format 1 had no reason among its outputs: it is appended when such a
program is read, and left out when it is written, so that its digest stays what it was.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from typing import Any

from dataset.errors import ProgramError
from training.program.model import DEFAULT_TRIM_KIND, READABLE, Node, Program, State
from training.program.ops import INT32_MAX, INT32_MIN, Attribute, Interval
from training.program.ranges import analyse
from training.program.reasons import with_reason, without_reason

MAX_TEXT = 4_000_000  # bytes; far above what any microcontroller holds
_MOST_DIGITS = 11  # of an int32 with its sign
_LONGEST_TEXT, _MOST_NOTES = 4000, 200  # characters of a note; how many there may be
_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")
_KEY = re.compile(r"[0-9a-f]{8}")
_KEYS = ("sensor_key", "sensor_key_1")
_PLAIN = ("name", "count_bits", "channels", "period_ms", "period_tolerance_pct", "settling_frames", "span")


def to_json(program: Program) -> str:
    """Canonical text: sorted keys, no spaces, one trailing newline; equal programs give equal bytes."""
    if program.format == 1:
        program = without_reason(program)
    body: dict[str, Any] = {key: getattr(program, key) for key in _PLAIN}
    body |= {
        "format": program.format,
        "notes": dict(program.notes),
        "outputs": dict(program.outputs),
        "prepare": [_node_out(n) for n in program.prepare],
        "prepared": list(program.prepared),
        "states": [
            {"name": s.name, "initial": s.initial, "next": s.next} | _bounds_out(s.interval)
            for s in program.states
        ],
        "step": [_node_out(n) for n in program.step],
        "trim": None if program.trim is None else _bounds_out(program.trim),
    }
    if program.trim_kinds != (DEFAULT_TRIM_KIND,):
        body["trim_kinds"] = list(program.trim_kinds)
    if program.swing is not None:
        body["swing"] = _bounds_out(program.swing)
    if program.count_scale != 1:
        body["count_scale"] = program.count_scale
    if program.longest_pour_s:
        body["longest_pour_s"] = program.longest_pour_s
    body |= {name: f"{key:08x}" for name in _KEYS if (key := getattr(program, name))}
    return json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False) + "\n"


def digest(program: Program) -> str:
    """SHA-256 of the canonical JSON, in hex: the program's identity."""
    return hashlib.sha256(to_json(program).encode()).hexdigest()


def model_id(program: Program) -> int:
    """The first 32 bits of the digest, which the C can report at run time."""
    return int(digest(program)[:8], 16)


def from_json(text: str, where: str = "program") -> Program:
    """Read a program and check it whole: shapes, names, every range. ProgramError says what is wrong and
    where.
    """
    if len(text) > MAX_TEXT:
        raise ProgramError(where, f"{len(text)} characters", f"at most {MAX_TEXT}")
    try:
        body = json.loads(text, parse_int=_whole, parse_float=_whole, parse_constant=_whole)
    except (ValueError, RecursionError) as error:
        raise ProgramError(where, f"not JSON ({error})", "a program written by innage") from error
    given = body.get("format") if isinstance(body, dict) else None
    if type(given) is not int or given not in READABLE:
        raise ProgramError(
            where,
            f"format {given!r}",
            f"format {' or '.join(map(str, READABLE))}",
            "export the program again with this version",
        )
    try:
        program = _program_in(body)
        if program.format == 1:
            program = with_reason(program)
    except (KeyError, TypeError, AttributeError) as error:
        raise ProgramError(
            where, f"a missing or misplaced entry ({error})", "the entries that to_json writes"
        ) from error
    analysed = analyse(program)
    if analysed != program:
        raise ProgramError(
            where,
            "declared ranges that do not follow from the tables",
            "the ranges of the analysis",
            "the file was changed by hand",
        )
    return analysed


def _program_in(body: Mapping[str, Any]) -> Program:
    plain = {key: body[key] for key in _PLAIN}
    for key, value in plain.items():
        kind = str if key == "name" else int
        if type(value) is not kind:
            raise ProgramError(key, repr(value)[:60], f"a value of type {kind.__name__}")
    if len(body["notes"]) > _MOST_NOTES:
        raise ProgramError("notes", f"{len(body['notes'])} of them", f"at most {_MOST_NOTES}")
    return Program(
        **{**plain, "name": _text_in(plain["name"])},
        trim=None if body["trim"] is None else _bounds_in(body["trim"]),
        prepare=tuple(_node_in(n) for n in body["prepare"]),
        prepared=tuple(_name_in(n) for n in body["prepared"]),
        states=tuple(
            State(_name_in(s["name"]), _ints_in(s["initial"]), _bounds_in(s), _name_in(s["next"]))
            for s in body["states"]
        ),
        step=tuple(_node_in(n) for n in body["step"]),
        outputs={_text_in(k): _name_in(v) for k, v in body["outputs"].items()},
        notes={_text_in(k): _text_in(v) for k, v in body["notes"].items()},
        trim_kinds=tuple(_name_in(kind) for kind in body.get("trim_kinds", (DEFAULT_TRIM_KIND,))),
        format=body["format"],
        swing=_bounds_in(body["swing"]) if "swing" in body and body["format"] > 1 else None,
        sensor_key=_key_in(body, "sensor_key"),
        sensor_key_1=_key_in(body, "sensor_key_1"),
        count_scale=_number_in(body, "count_scale", 1),
        longest_pour_s=_number_in(body, "longest_pour_s", 0),
    )


def _node_out(node: Node) -> dict[str, Any]:
    return {
        "name": node.name,
        "op": node.op,
        "inputs": node.inputs,
        "attributes": dict(node.attributes),
        "scale": node.scale,
    } | _bounds_out(node.interval)


def _node_in(body: Mapping[str, Any]) -> Node:
    attributes = {str(k): _attribute_in(v) for k, v in body["attributes"].items()}
    inputs = tuple(_name_in(i) for i in body["inputs"])
    return Node(
        _name_in(body["name"]),
        _name_in(body["op"]),
        inputs,
        attributes,
        _bounds_in(body),
        _text_in(body["scale"]),
    )


def _bounds_out(interval: Interval) -> dict[str, Any]:
    return {"low": interval.low, "high": interval.high}


def _bounds_in(body: Mapping[str, Any]) -> Interval:
    low, high = _ints_in(body["low"]), _ints_in(body["high"])
    if len(low) != len(high) or not low:
        raise ProgramError("a range", f"{len(low)} lows and {len(high)} highs", "equally many, at least one")
    return Interval(low, high)


def _name_in(value: Any) -> str:
    """Names become C identifiers and graph names, so nothing but short lower-case words may pass."""
    if not isinstance(value, str) or not _NAME.fullmatch(value):
        raise ProgramError("a name", repr(value)[:60], "lower-case letters, digits and _, at most 40")
    return value


def _text_in(value: Any) -> str:
    if not isinstance(value, str) or len(value) > _LONGEST_TEXT:
        raise ProgramError("a text", repr(value)[:60], f"text of at most {_LONGEST_TEXT} characters")
    return value


def _key_in(body: Mapping[str, Any], name: str) -> int:
    if name not in body or body["format"] == 1:
        return 0
    value = body[name]
    if not isinstance(value, str) or not _KEY.fullmatch(value) or not int(value, 16):
        raise ProgramError("a sensor key", repr(value)[:60], "eight hexadecimal digits, not all of them 0")
    return int(value, 16)


def _number_in(body: Mapping[str, Any], name: str, usual: int) -> int:
    value = body.get(name, usual) if body["format"] > 1 else usual
    if type(value) is not int:
        raise ProgramError(name, repr(value)[:60], "a whole number")
    return value


def _whole(digits: str) -> int:
    """A program has whole numbers of 32 bits and no others."""
    if len(digits) > _MOST_DIGITS or not INT32_MIN <= int(digits) <= INT32_MAX:
        raise ValueError(f"{digits[:20]} is no whole number of 32 bits")
    return int(digits)


def _ints_in(value: Any) -> tuple[int, ...]:
    if not isinstance(value, list) or any(type(v) is not int for v in value):
        raise ProgramError("a row of integers", repr(value)[:60], "a list of integers")
    return tuple(value)


def _attribute_in(value: Any) -> Attribute:
    if type(value) is int:
        return value
    if isinstance(value, list) and value and isinstance(value[0], list):
        return tuple(_ints_in(row) for row in value)
    return _ints_in(value)
