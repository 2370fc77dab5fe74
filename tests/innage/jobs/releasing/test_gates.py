"""The gates before a channel: each seen to shut, and opened only by the concession that is its own."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bundles import resealed

from dataset.errors import InputError
from dataset.records import BundleSignature, Mark, Model, Restatement
from dataset.store import Store
from dataset.words import ModelStatus
from export.bundle.manifest import MANIFEST, seal
from export.bundle.verify import read_bundle
from export.compilers import host_build, zig
from export.report.page import render_report
from innage.jobs.releasing import gates
from innage.jobs.releasing.gates import Gate, Judgement, answered_anew, judge
from released import Released
from training.judging.figures import AnsweredLimit
from training.search.metrics import read_metrics

CLEAN = {"manifest", "files", "program", "made again", "vectors", "sources", "score", "figures"}
OF_MODEL = {"limits", "evidence", "budget", "void sessions", "amended sessions", "status"}
Files = dict[str, bytes]


@pytest.fixture
def store(released: Released, tmp_path: Path) -> Iterator[Store]:
    """A copy of the store."""
    with Store.open(released.store(tmp_path)) as opened:
        yield opened


def shut(judgement: Judgement) -> dict[str, Gate]:
    return {gate.name: gate for gate in judgement.stopping()}


@pytest.mark.longer
def test_a_sound_bundle_passes_and_nothing_is_compiled(
    released: Released, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every gate is asked, each passes, and neither compiler nor emulator is called."""

    def never(*_: Any, **__: Any) -> Any:
        raise AssertionError("something was compiled or run")

    monkeypatch.setattr(zig, "says", never)
    monkeypatch.setattr(host_build, "run_rows", never)
    monkeypatch.setattr("export.core.emulator.Machine.__init__", never)
    monkeypatch.setattr("onnxruntime.InferenceSession.__init__", never)
    openings = store.prove_openings(store.frozen_set("monday"))
    judgement = judge(store, read_bundle(released.folder / "good"))
    assert {gate.name for gate in judgement.gates} == CLEAN | OF_MODEL
    assert judgement.stopping() == ()
    assert judgement.model == "good"
    assert store.prove_openings(store.frozen_set("monday")) == openings


@pytest.mark.longer
@pytest.mark.parametrize(
    ("name", "gate", "answer", "concession"),
    [
        ("bare", "evidence", "not enough evidence", "even_if_unproven"),
        ("bad", "limits", "failed", "anyway"),
    ],
)
def test_what_an_export_let_through_is_asked_again(
    released: Released, store: Store, name: str, gate: str, answer: str, concession: str
) -> None:
    """A bundle of a model without limits, and one whose limit is not met: another word does not open the
    gate.
    """
    judgement = judge(store, read_bundle(released.folder / name))
    (only,) = shut(judgement).values()
    assert (only.name, only.answer, only.concession) == (gate, answer, concession)
    assert judgement.asked() == (concession,)
    assert judgement.stopping(set(gates.CONCESSIONS) - {concession}) == (only,)
    assert judgement.stopping({concession}) == ()


def _of(files: Files, name: str, old: bytes, new: bytes) -> Files:
    """A file changed, with hashes that are made to fit."""
    assert old in files[name]
    return resealed(files | {name: files[name].replace(old, new, 1)})


def _body(files: Files, **entries: object) -> Files:
    """The bundle with other entries in its manifest, the report that follows, and hashes that fit."""
    body = json.loads(files[MANIFEST]) | entries
    rest = {name: content for name, content in files.items() if name != MANIFEST}
    rest["report.html"] = render_report(body).encode()
    return {**rest, MANIFEST: seal(body, rest)}


def _better(files: Files) -> Files:
    body = json.loads(files[MANIFEST])
    rows = [row | {"value": 0.01, "answer": "met"} for row in body["metrics"]["limits"]]
    return _body(files, metrics=body["metrics"] | {"limits": rows})


def _dearer(files: Files) -> Files:
    body = json.loads(files[MANIFEST])
    cost = dict(body["cost"]) | {"cycles": 99_999, "cycles_bound": 99_999}
    lines = [
        line | ({"used": 99_999, "bound": 99_999, "within": False} if "cycles" in line["resource"] else {})
        for line in cost["lines"]
    ]
    return _body(files, cost=cost | {"lines": lines})


@pytest.mark.longer
@pytest.mark.parametrize(
    ("change", "gate"),
    [
        (lambda files: files | {"innage.c": b"int main;"}, "files"),
        (lambda files: files | {MANIFEST: files[MANIFEST].replace(b'"good"', b'"best"', 1)}, "manifest"),
        (lambda files: _of(files, "innage.c", b"return", b"return  "), "made again"),
        (lambda files: _of(files, "innage.onnx", b"counts", b"count5"), "made again"),
        (lambda files: _of(files, "innage.mk", b"#", b"##"), "made again"),
        (lambda files: _of(files, "vectors.csv", b"3840", b"3841"), "vectors"),
        (lambda files: _of(files, "innage_float.onnx", b"weights", b"weight5"), "figures"),
        (_better, "figures"),
    ],
)
def test_a_bundle_that_was_changed_is_shut_for_good(
    released: Released, store: Store, change: Callable[[Files], Files], gate: str
) -> None:
    """Whatever hashes were made to fit: no concession opens it, and what the manifest says is not
    believed.
    """
    judgement = judge(store, change(read_bundle(released.folder / "good")))
    assert gate in shut(judgement)
    assert gate in {one.name for one in judgement.stopping(gates.CONCESSIONS)}


def test_a_store_without_the_model_lets_nothing_out(released: Released, tmp_path: Path) -> None:
    with Store.open(tmp_path / "empty.db") as empty:
        judgement = judge(empty, read_bundle(released.folder / "good"))
    assert judgement.model is None
    assert "the store does not have this model" in shut(judgement)["figures"].sentence
    assert judgement.stopping(gates.CONCESSIONS)


@pytest.mark.longer
def test_limits_are_answered_from_the_readings(released: Released, store: Store) -> None:
    """The model's record says that its limit is met, and its readings do not say so: those count.

    Expected from memory of the readings: noise of 3 counts, 1/64 mm each, is about 0.05 mm.
    """
    good = store.model("good")
    (row,) = answered_anew(store, good)
    assert (row.answer, row.value) == ("met", pytest.approx(3 / 64, rel=0.15))
    forged = replace(good, name="forged", limits=store.model("bad").limits)
    store.add_model(forged)
    (row,) = answered_anew(store, store.model("forged"))
    assert row.answer == "not met"
    recorded = read_metrics(json.loads(good.metrics)).limits
    gate = gates._limits((row,), recorded, ())
    assert (gate.answer, gate.concession) == ("failed", "anyway")
    assert "1 answered otherwise than at the training" in gate.sentence


@pytest.mark.longer
def test_what_is_answered_now_counts(
    released: Released, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readings that no longer keep the limit shut the gate, whatever the model's record says."""
    (row,) = answered_anew(store, store.model("good"))
    asked = list[str]()

    def other(_store: Store, model: Model) -> tuple[AnsweredLimit, ...]:
        asked.append(model.name)
        return (replace(row, value=2.0, answer="not met"),)

    monkeypatch.setattr(gates, "answered_anew", other)
    judgement = judge(store, read_bundle(released.folder / "good"))
    assert (list(shut(judgement)), asked) == (["limits"], ["good"])


@pytest.mark.longer
def test_what_a_bundle_was_let_pass_with_is_asked_again_though_it_holds_now(
    released: Released, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its header says that a limit was not met, whatever the readings answer today."""
    met = answered_anew(store, store.model("good"))
    monkeypatch.setattr(gates, "answered_anew", lambda *_: met)
    only = shut(judge(store, read_bundle(released.folder / "bad")))["limits"]
    assert (only.concession, "exported with 'not_met'" in only.sentence) == ("anyway", True)


def _void(store: Store) -> None:
    store.void(store.sessions()[0].id, "the hose came off")


def _amend(store: Store) -> None:
    store.amend_session(store.sessions()[0].id, Restatement(firmware="1.5"), "A. Bench", "read off the board")


def _amend_marks(store: Store) -> None:
    marks = (Mark(0, 200, 11.0), Mark(200, 400, 60.0))
    store.amend_marks(store.sessions()[3].id, marks, "A. Bench", "read off wrongly")


def _retire(store: Store) -> None:
    store.set_status("good", ModelStatus.RETIRED, "A. Bench", "reads foam as liquid")


@pytest.mark.parametrize(
    ("said", "gate", "concession"),
    [
        (_void, "void sessions", "even_if_void"),
        (_amend, "amended sessions", "even_if_amended"),
        (_amend_marks, "amended sessions", "even_if_amended"),
        (_retire, "status", "even_if_retired"),
    ],
)
def test_what_was_said_since_is_named(
    released: Released, store: Store, said: Callable[[Store], None], gate: str, concession: str
) -> None:
    """A session voided or amended and a model retired after the export; the state that was judged is
    another.
    """
    files = read_bundle(released.folder / "good")
    before = judge(store, files)
    said(store)
    judgement = judge(store, files)
    (only,) = shut(judgement).values()
    assert (only.name, only.concession) == (gate, concession)
    assert judgement.stopping({concession}) == ()
    assert judgement.said != before.said


@pytest.mark.longer
def test_a_void_that_was_taken_back_stops_nobody(released: Released, store: Store) -> None:
    _void(store)
    store.take_back_void(store.sessions()[0].id, "it was another one")
    assert judge(store, read_bundle(released.folder / "good")).stopping() == ()


def test_the_budget_is_one_of_the_store(released: Released, store: Store) -> None:
    """Beyond it nothing goes out; a budget that the store does not have is missing evidence."""
    from export.bundle.manifest import read_manifest

    files = read_bundle(released.folder / "good")
    over = gates._budget(store, read_manifest(_dearer(files)[MANIFEST]))
    assert (over.answer, over.concession) == ("failed", None)
    body = json.loads(files[MANIFEST])
    other = _body(files, budget=body["budget"] | {"name": "elsewhere"})
    lacking = gates._budget(store, read_manifest(other[MANIFEST]))
    assert (lacking.answer, lacking.concession) == ("not enough evidence", "even_if_unproven")


def test_no_manifest(store: Store) -> None:
    with pytest.raises(InputError, match=r"holds no manifest\.json"):
        judge(store, {"innage.c": b""})


@pytest.mark.longer
def test_signatures_beside_a_bundle_change_no_gate(released: Released, store: Store) -> None:
    from innage.jobs.releasing.signing import signed_files

    files = read_bundle(released.folder / "good")
    judgement = judge(store, signed_files(files, (BundleSignature("a key", "c2lnbmVk"),)))
    assert judgement.stopping() == ()


@pytest.mark.longer
def test_a_model_of_another_content_is_not_the_one(released: Released, store: Store, tmp_path: Path) -> None:
    """The same program under the same name in another store, of another recipe: its figures are not these."""
    model: Model = store.model("good")
    with Store.open(tmp_path / "other.db") as other:
        other.merge(store.path)
    files = read_bundle(released.folder / "good")
    forged = _body(files, recipe={"family": "other"})
    assert shut(judge(store, forged))["figures"].concession is None
    assert model.name == "good"
