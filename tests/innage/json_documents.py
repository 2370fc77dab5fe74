"""docs/json.md as checks: what a command may print with --json."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

DOCUMENT = Path(__file__).parents[2] / "docs" / "json.md"
PLAIN: dict[str, tuple[type, ...]] = {
    "text": (str,),
    "whole": (int,),
    "number": (int, float),
    "flag": (bool,),
}


@cache
def documented() -> tuple[dict[str, str], dict[str, dict[str, str]]]:
    """The type that each command prints, and of each record the types of its keys."""
    commands: dict[str, str] = {}
    records: dict[str, dict[str, str]] = {}
    here: dict[str, str] = {}
    for line in DOCUMENT.read_text("utf-8").splitlines():
        if line.startswith("### "):
            here = records.setdefault(line.removeprefix("### "), {})
        elif match := re.fullmatch(r"All of (.+), and:", line):
            here.update(records[match[1]])
        elif match := re.fullmatch(r"\| `(innage [^`]+)`( refused)? \| (.+) \|", line):
            commands[match[1] + (match[2] or "")] = match[3]
        elif match := re.fullmatch(r"\| `([^`]+)` \| ([^|]+) \| [^|]*\|", line):
            here[match[1]] = match[2]
    return commands, records


def faults(data: Any, kind: str, where: str = "") -> list[str]:
    """What in ``data`` is not as ``kind`` says."""
    if kind == "any" or (kind.endswith(" or none") and data is None):
        return []
    for prefix, holder in (("list of ", list), ("map of ", dict)):
        if kind.startswith(prefix):
            if not isinstance(data, holder):
                return [f"{where}: {data!r:.60} is no {kind}"]
            items = data.items() if isinstance(data, dict) else enumerate(data)
            return [
                fault
                for key, value in items
                for fault in faults(value, kind.removeprefix(prefix), f"{where}[{key}]")
            ]
    kind = kind.removesuffix(" or none")
    if kind in PLAIN:
        right = isinstance(data, PLAIN[kind]) and isinstance(data, bool) == (kind == "flag")
        return [] if right else [f"{where}: {data!r:.60} is no {kind}"]
    return _of_record(data, kind, where)


def _of_record(data: Any, kind: str, where: str) -> list[str]:
    record = documented()[1].get(kind)
    if record is None or not isinstance(data, dict):
        return [f"{where}: {data!r:.60} is no {kind}"] if kind != "any" else []
    known = {key.removesuffix("?"): (value_kind, key.endswith("?")) for key, value_kind in record.items()}
    differences = [
        f"{where}.{key} of {kind} is not documented"
        for key in data
        if key not in known and "..." not in known
    ]
    differences += [
        f"{where}.{key} of {kind} is missing"
        for key, (_, may_lack) in known.items()
        if key not in data and not may_lack and key != "..."
    ]
    return differences + [
        fault for key in data if key in known for fault in faults(data[key], known[key][0], f"{where}.{key}")
    ]


def check(command: str, data: Any) -> None:
    """Fail with every difference between ``data`` and what docs/json.md says of a command such as 'innage
    tank list'.
    """
    differences = faults(data, documented()[0][command])
    assert not differences, f"{command}: " + "; ".join(differences[:12])


def checked(words: list[str], output: str, *, refused: bool = False) -> None:
    """Check what a call printed, where docs/json.md has the command; ``refused`` with exit code 1 or 3."""
    commands = documented()[0]
    path = next(
        (name for name in (" ".join(["innage", *words[:2]]), f"innage {words[0]}") if name in commands), None
    )
    assert path is not None, f"innage {' '.join(words)}: not in docs/json.md"
    data = json.loads(output)
    if isinstance(data, dict) and set(data) == {"items", "next"}:
        check(f"{path} --after KEY", data)
        return
    if path in ("innage frozen", "innage models") and isinstance(data, dict):
        path += " NAME"
    if path == "innage pull" and "move" in data:
        path += " --channel"
    if path == "innage replay" and "files" in data:
        path += " FILE FILE ..."
    if refused and f"{path} refused" in commands:
        path = "innage budget check" if path == "innage export" and "budget" in data else f"{path} refused"
    check(path, data)
