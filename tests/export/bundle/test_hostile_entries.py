"""Entries of another kind in a manifest or a program are answered with a sentence, and render no markup."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import cache
from typing import Any

import pytest
from bundles import Files, failed, resealed

from export.bundle import checks
from export.bundle.manifest import MANIFEST, seal
from export.bundle.verify import verify_files
from export.c.source import CSource, emit_c
from export.report.page import render_report
from training.program import Program, from_json

ODD: tuple[Any, ...] = (
    None,
    True,
    [],
    {},
    "<script>alert(1)</script>",
    "NaN",
    -1,
    10**18,
    10**400,
    1.5,
    float("nan"),
    [[[[[]]]]],
    {"a": {"b": [1, None]}},
)


def leaves(body: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """The path of every value that is no object or list, and of every empty one."""
    children: list[tuple[Any, Any]] = []
    if isinstance(body, dict):
        children = list(body.items())
    elif isinstance(body, list):
        children = list(enumerate(body))
    if not children:
        yield path
    for key, value in children:
        yield from leaves(value, (*path, key))


def replaced(body: Any, path: tuple[str | int, ...], value: Any) -> Any:
    """The body with another value at ``path``."""
    if not path:
        return value
    copy = body.copy()
    copy[path[0]] = replaced(body[path[0]], path[1:], value)
    return copy


def kind_of(path: tuple[str | int, ...]) -> tuple[str, ...]:
    """The path without the places in lists."""
    return tuple("item" if isinstance(key, int) else key for key in path)


RUNNING_NOTHING = {"manifest", "files", "program", "made again", "figures", "sources"}


@pytest.mark.longer
@pytest.mark.parametrize("every", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_odd_entries_of_a_manifest_are_answered(
    whole_bundle: Files, every: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each entry of the manifest, replaced by each odd value (every day, and of later items of a list, by
    one, in turns), and sealed with the report that follows: a sentence and no traceback; what is still
    accepted renders no markup of its own. The program, the same in all, is read once, and its C written once
    for each way in which a manifest may ask for it.
    """
    written: dict[str, CSource] = {}

    def written_once(program: Program, *how: Any) -> CSource:
        if repr(how) not in written:
            written[repr(how)] = emit_c(program, *how)
        return written[repr(how)]

    monkeypatch.setattr(checks, "from_json", cache(from_json))
    monkeypatch.setattr(checks, "emit_c", written_once)
    body, before = json.loads(whole_bundle[MANIFEST]), set[tuple[str, ...]]()
    rest = {name: content for name, content in whole_bundle.items() if name != MANIFEST}
    accepted = 0
    for k, path in enumerate(leaves(body)):
        whole = every and kind_of(path) not in before
        before.add(kind_of(path))
        for odd in ODD if whole else ODD[k % len(ODD) :][:1]:
            changed = replaced(body, path, odd)
            files = dict(rest)
            try:
                files["report.html"] = render_report(changed).encode()
            except (LookupError, TypeError, AttributeError, ValueError, ArithmeticError):
                pass  # no page: the one that is there will differ
            else:
                assert b"<script" not in files["report.html"], path
            try:
                sealed = seal(changed, files)
            except AttributeError:  # a list of files that is none
                sealed = json.dumps(changed).encode()
            report = verify_files({**files, MANIFEST: sealed}, RUNNING_NOTHING)
            accepted += report.passed
    assert accepted > 0  # figures and names are anybody's to state


@pytest.mark.longer
def test_odd_entries_on_streams_of_sessions_are_answered(sessions_bundle: Files) -> None:
    """What a manifest says of a stream taken of a session, replaced by each odd value, ends in a sentence;
    and so it does where it says nothing.
    """
    body = json.loads(sessions_bundle[MANIFEST])
    light = {"manifest", "made again", "sources"}
    assert failed(sessions_bundle, light) == {}
    assert len(body["vectors"]["excerpts"]) == 12
    paths = [("vectors", "excerpts", 3, *path) for path in leaves(body["vectors"]["excerpts"][3])]
    for path in [("vectors", "made_only"), ("vectors", "excerpts"), ("vectors", "excerpts", 0), *paths]:
        for odd in (*ODD, 2**40, "0" * 64, []):
            if odd == [] and path[-1] in ("trims", "excerpts"):
                continue  # trims are none here; without any such streams the vectors are others
            changed = replaced(body, path, odd)
            assert failed(resealed(sessions_bundle, vectors=changed["vectors"]), light), (path, odd)
    for name in ("made_only", "excerpts"):
        rest = {key: value for key, value in body["vectors"].items() if key != name}
        assert failed(resealed(sessions_bundle, vectors=rest), light), name


@pytest.mark.longer
def test_odd_entries_of_a_program_are_refused(whole_bundle: Files) -> None:
    """Each entry of program.json, replaced by an odd value: a sentence, whatever the entry."""
    body = json.loads(whole_bundle["program.json"])
    for k, path in enumerate(leaves(body)):
        for odd in {k: ODD[k % len(ODD)], -1: ODD[(k // len(ODD)) % len(ODD)]}.values():
            changed = replaced(body, path, odd)
            if changed == body and type(odd) is not bool:
                continue
            text = json.dumps(changed, sort_keys=True, separators=(",", ":")) + "\n"
            answers = failed({**whole_bundle, "program.json": text.encode()}, {"program"})
            assert set(answers) == {"program"}, (path, odd)


def test_figures_nest_no_deeper_than_figures_do(whole_bundle: Files) -> None:
    """Thirty lists in one another among the figures are refused, whatever hashes were made to fit."""
    nested: list[Any] = []
    for _ in range(30):
        nested = [nested]
    metrics = json.loads(whole_bundle[MANIFEST])["metrics"] | {"nested": nested}
    assert "nested too deep" in failed(resealed(whole_bundle, metrics=metrics), {"manifest"})["manifest"]


@pytest.mark.parametrize("deep", [1000, 100_000])
def test_deep_nesting_is_refused(
    whole_bundle: Files, verified: Callable[[Files], tuple[int, dict[str, str]]], deep: int
) -> None:
    """Lists in lists in place of a manifest or a program end in a sentence."""
    nested = b"[" * deep + b"]" * deep
    for name, check in ((MANIFEST, "manifest"), ("program.json", "program")):
        code, answers = verified({**whole_bundle, name: nested})
        assert code == 1
        assert check in answers
