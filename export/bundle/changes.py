"""What differs between two bundles by what they state and by what their programs are made of. Both are data:
nothing of them is run.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from dataset.errors import InputError
from dataset.words import counted
from export.bundle.checks import Bundle
from export.bundle.manifest import Manifest
from export.bundle.verify import Answer, read_bundle, verify_files
from training.program import Program

# Checks without which a manifest and its program say nothing of one another.
_WHOLE = ("manifest", "files", "program")
_NAMED = 6  # sessions; the bundles have them all
_COSTS = (
    "core",
    "kernels",
    "optimise",
    "flash_code",
    "flash_tables",
    "flash_helpers",
    "ram",
    "stack",
    "cycles",
    "cycles_bound",
    "prepare_cycles",
    "selftest_cycles",
)


@dataclass(frozen=True)
class Entry:
    """One thing that both bundles state, as each does; None where one has no such entry."""

    group: str
    what: str
    old: str | None
    new: str | None


@dataclass(frozen=True)
class Table:
    """The numbers of an operation that both programs have: how many there are, how many differ, and by how
    much at most.
    """

    operation: str
    old: str
    new: str
    values: int
    differing: int
    most: int


@dataclass(frozen=True)
class Changes:
    """What differs: entries, tables, and operations that only one program has, counted by kind."""

    entries: tuple[Entry, ...]
    tables: tuple[Table, ...]
    only_old: Mapping[str, int]
    only_new: Mapping[str, int]

    def facts(self) -> dict[str, Any]:
        """Ready for JSON."""
        return asdict(self)


def read_whole(path: Path | str) -> Bundle:
    """The bundle at ``path``, a folder or a zip file.

    Raises InputError where there is none, or its manifest, files and program do not belong to one another.
    """
    files = read_bundle(Path(path))
    for check in verify_files(files, _WHOLE).checks:
        if check.answer is Answer.FAILED:
            raise InputError(
                f"{path}, {check.name}",
                check.sentence,
                "a bundle as it was exported",
                "innage verify says more",
            )
    return Bundle(files)


def changes(old: Bundle, new: Bundle) -> Changes:
    """What differs between two bundles, in the order of the job: model, sources, limits, band, costs."""
    stated = [dict(_stated(bundle, beside)) for bundle, beside in ((old, new), (new, old))]
    keys = dict.fromkeys(key for entries in stated for key in entries)
    entries = tuple(
        Entry(*key, stated[0].get(key), stated[1].get(key))
        for key in keys
        if stated[0].get(key) != stated[1].get(key)
    )
    tables, only_old, only_new = _operations(old.program, new.program)
    return Changes(entries, tables, only_old, only_new)


_Stated = Iterator[tuple[tuple[str, str], str]]


def _stated(bundle: Bundle, beside: Bundle) -> _Stated:
    """(group, what) and the text of each entry; ``beside`` is what the bundle is compared with."""
    manifest = bundle.manifest
    yield from _of_model(manifest, bundle.program)
    yield from _of_sources(manifest.body, beside.manifest.body)
    yield from _of_limits(manifest.body)
    yield from _of_band(manifest.body)
    cost = manifest.body["cost"] or {}
    for name in _COSTS:
        if name in cost:
            yield ("cost", name), str(cost[name])


def _of_model(manifest: Manifest, program: Program) -> _Stated:
    body = manifest.body
    yield ("model", "name"), body["model"]["name"]
    yield ("model", "program"), manifest.model_sha256[:12]
    yield ("model", "innage"), manifest.innage_version
    yield ("model", "span mm"), f"{body['units']['span_mm']:g}"
    yield ("model", "period ms"), str(program.period_ms)
    yield ("model", "channels"), str(program.channels)
    yield ("model", "trims"), ", ".join(program.trim_kinds) if program.trim is not None else "none"
    if program.longest_pour_s:
        yield ("model", "step takes"), f"since_pour, at most {program.longest_pour_s} s"
    yield ("model", "recipe"), ", ".join(f"{k} {v}" for k, v in _recipe(body["recipe"]).items())


def _recipe(recipe: Mapping[str, Any]) -> dict[str, str]:
    """The plain entries of a recipe: what was fitted, not on what board."""
    return {k: str(v) for k, v in recipe.items() if isinstance(v, str | int | float)}


def _of_sources(body: Mapping[str, Any], beside: Mapping[str, Any]) -> _Stated:
    frozen, sessions = body["frozen_set"], body["sessions"]
    yield ("sources", "frozen set"), f"{frozen['name']}, {frozen['sha256'][:12]}"
    yield ("sources", "sessions"), str(len(sessions))
    theirs = {_labelled(session) for session in beside["sessions"]}
    if own := [said for said in map(_labelled, sessions) if said not in theirs]:
        more = f" and {len(own) - _NAMED} more" if len(own) > _NAMED else ""
        yield (
            ("sources", "not in the other"),
            f"{counted(len(own), 'session')}: {', '.join(own[:_NAMED])}{more}",
        )
    yield ("sources", "frames"), str(sum(session["frames"] for session in sessions))
    for what in ("tank", "sensor", "liquid"):
        yield ("sources", f"{what}s"), ", ".join(sorted({session[what] for session in sessions}))
    yield ("sources", "units"), str(len({session["unit"] for session in sessions}))


def _labelled(session: Mapping[str, Any]) -> str:
    """A session with its marks, by its id: one that was marked anew is another."""
    marks = session["marks_sha256"]
    return session["id"] if marks is None else f"{session['id']} (marks {marks[:7]})"


def _of_limits(body: Mapping[str, Any]) -> _Stated:
    limits = body["limits"]
    yield ("limits", "name"), "none" if limits is None else f"{limits['name']}@{limits['revision']}"
    answers = body["metrics"].get("limits")
    for row in answers if isinstance(answers, list) else ():
        if isinstance(row, dict):
            bound = "" if row.get("bound") is None else f" (bound {_figure(row['bound'])})"
            yield (
                ("limits", f"{row.get('metric')}, {row.get('condition')}"),
                f"{_figure(row.get('value'))}, {row.get('answer')}{bound}",
            )


def _of_band(body: Mapping[str, Any]) -> _Stated:
    band = body["metrics"].get("band")
    for name, value in band.items() if isinstance(band, dict) else ():
        if isinstance(value, int | float):
            yield ("band", name), _figure(value)
        elif isinstance(value, dict):
            for part, figure in value.items():
                yield ("band", f"{name}, {part}"), _figure(figure)


def _figure(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "-" if value is None else f"{value:.4g}" if isinstance(value, float) else str(value)


def _operations(old: Program, new: Program) -> tuple[tuple[Table, ...], dict[str, int], dict[str, int]]:
    """The k-th operation of a kind and shape is held beside the other program's k-th of that kind."""
    kinds = [_by_kind(program) for program in (old, new)]
    tables = []
    only: tuple[dict[str, int], dict[str, int]] = ({}, {})
    for kind in dict.fromkeys([*kinds[0], *kinds[1]]):
        pair = kinds[0].get(kind, []), kinds[1].get(kind, [])
        for (old_name, old_values), (new_name, new_values) in zip(*pair, strict=False):
            apart = [abs(a - b) for a, b in zip(old_values, new_values, strict=True) if a != b]
            if apart:
                tables.append(Table(kind[0], old_name, new_name, len(old_values), len(apart), max(apart)))
        for mine, other, count in ((0, 1, only[0]), (1, 0, only[1])):
            if more := max(0, len(pair[mine]) - len(pair[other])):
                count[kind[0]] = count.get(kind[0], 0) + more
    return tuple(tables), *only


_Kind = tuple[str, int, tuple[tuple[str, int], ...]]


def _by_kind(program: Program) -> dict[_Kind, list[tuple[str, list[int]]]]:
    """Name and numbers of each operation, by operation, size and shape of its numbers."""
    kinds: dict[_Kind, list[tuple[str, list[int]]]] = defaultdict(list)
    for node in (*program.prepare, *program.step):
        numbers = {name: list(_flat(value)) for name, value in sorted(node.attributes.items())}
        shape = tuple((name, len(values)) for name, values in numbers.items())
        kinds[node.op, node.size, shape].append((node.name, [v for vs in numbers.values() for v in vs]))
    return kinds


def _flat(value: object) -> Iterable[int]:
    if isinstance(value, int):
        yield value
    elif isinstance(value, tuple):
        for part in value:
            yield from _flat(part)
