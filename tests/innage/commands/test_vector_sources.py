"""Vectors taken of sessions: what ``innage export`` takes, and what ``innage verify`` says of streams that
are not what they are said to be.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from onnx import TensorProto, helper
from typer.testing import CliRunner, Result

from building import WATER, bench_store
from dataset.records import (
    Budget,
    CountLaw,
    Frames,
    GroupBy,
    Limit,
    Limits,
    Mark,
    Model,
    Pad,
    Role,
    Sensor,
    Session,
    Tank,
    Trim,
    TrimKind,
)
from dataset.store import Store
from export.bundle.manifest import MANIFEST, seal
from export.bundle.verify import Answer, VerifyReport, read_folder, verify_files
from export.report.page import render_report
from export.vectors import from_csv, to_csv
from innage.cli import app
from innage.jobs.models.vector_sources import held_in
from training.program import Builder, Program, digest, from_json, to_json

LIGHT = {"manifest", "made again", "vectors", "sources"}  # the checks that compile nothing
UNITS = {"u1": Role.FIT, "u2": Role.CHOOSE, "u3": Role.CALIBRATE, "u4": Role.PROVE}


def program_of() -> Program:
    """One channel less its dry count, smoothed a little, so that the frame before counts too."""
    b = Builder("line", count_bits=12, channels=1, period_ms=100, span=6400, trim_range=(10, 500))
    dry = b.prepare_node("clip", "trim", low=0, high=4095, name="dry", keep=True)
    last = b.state("last", (0,), (0,), (6400,))
    level = b.node("clip", b.node("sub", "counts", dry), low=0, high=6400)
    mean = b.node("clip", b.node("shift", b.node("add", level, last), shift=1), low=0, high=6400)
    b.renew(last, mean)
    return b.finish(low=mean, level=mean, high=mean, validity=b.const(1), flags=b.const(0))


def float_model() -> bytes:
    """A float ONNX model from a count and a trim to one number."""
    ends = [
        helper.make_tensor_value_info("counts_and_trim", TensorProto.FLOAT, [None, 2]),
        helper.make_tensor_value_info("level_mm", TensorProto.FLOAT, [None, 1]),
    ]
    weights = helper.make_tensor("weights", TensorProto.FLOAT, [2, 1], [1 / 64, -1 / 64])
    node = helper.make_node("MatMul", ["counts_and_trim", "weights"], ["level_mm"])
    graph = helper.make_graph([node], "float", ends[:1], ends[1:], [weights])
    made = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 18)], ir_version=8)
    return bytes(made.SerializeToString())


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store of four units, one for each role, and the bundle of its only model."""
    folder = tmp_path_factory.mktemp("exported")
    program = program_of()
    rng = np.random.default_rng(1)
    with Store.open(folder / "innage.db") as store:
        bench = bench_store(
            store,
            tank=Tank("canister", 0, 100.0),
            sensor=Sensor("one-pad", 0, (Pad(0, "pad0", 0.0, 100.0),), 12, CountLaw.RISES, 100),
            liquid=WATER,
            unit=tuple(UNITS),
        )
        store.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
        sessions = list[Session]()
        for k, unit in enumerate(bench.units):
            counts = np.linspace(300, 3000, 400) + rng.normal(0, 3, 400)
            frames = Frames(np.arange(400, dtype=np.int64) * 100, np.rint(counts).astype(np.uint32)[:, None])
            marks = (Mark(0, 200, 10.0), Mark(200, 400, 60.0))
            sessions += store.add_sessions([bench.session(k, marks, unit=unit, frames=frames)])
            store.add_trim(Trim(unit, bench.mounting, TrimKind.DRY, (200 + k,), "2026-01-31", "line"))
        frozen = store.freeze("monday", sessions, GroupBy.UNIT, UNITS)
        limits = store.add_limits(Limits("owner", 0, (Limit("rmse_mm", 0.9),)))
        metrics = json.dumps({"prove": {"integer": {"rmse_mm": 0.81, "groups": 1}}})
        texts = ("{}", "{}", metrics, to_json(program))
        store.add_model(Model("line", digest(program), frozen, limits, *texts, float_model()))
    store_option = ("--store", folder / "innage.db")
    done = innage("export", "line", "--budget", "roomy", "--out", folder / "bundle", *ANYWAY, *store_option)
    assert done.exit_code == 0, done.output
    return folder


ANYWAY = ("--even-if-unproven",)


@pytest.fixture
def store(exported: Path, tmp_path: Path) -> Path:
    """A copy of the store."""
    path = tmp_path / "innage.db"
    shutil.copy(exported / "innage.db", path)
    return path


def innage(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def files_of(exported: Path) -> dict[str, bytes]:
    return read_folder(exported / "bundle")


def body_of(files: dict[str, bytes]) -> dict[str, Any]:
    body: dict[str, Any] = json.loads(files[MANIFEST])
    return body


def resealed(files: dict[str, bytes], body: dict[str, Any]) -> dict[str, bytes]:
    """The bundle with another manifest, the report that follows, and hashes that fit."""
    rest = {name: content for name, content in files.items() if name != MANIFEST}
    rest["report.html"] = render_report(body).encode()
    return {**rest, MANIFEST: seal(body, rest)}


def with_excerpt(files: dict[str, bytes], at: int, **entries: object) -> dict[str, bytes]:
    """The bundle whose manifest says something else of one stream that is taken of a session."""
    body = body_of(files)
    body["vectors"]["excerpts"][at] |= entries
    return resealed(files, body)


def checked(files: dict[str, bytes], store: Path | None) -> VerifyReport:
    """The light checks, against a store or without."""
    if store is None:
        return verify_files(files, LIGHT)
    with Store.open(store) as opened:
        return verify_files(files, LIGHT, held=lambda manifest: held_in(opened, manifest))


def answers(files: dict[str, bytes], store: Path | None) -> dict[str, tuple[Answer, str]]:
    return {check.name: (check.answer, check.sentence) for check in checked(files, store).checks}


def sources(files: dict[str, bytes], store: Path | None) -> tuple[Answer, str]:
    """What the check of sources says, all others passed."""
    found = answers(files, store)
    assert {name for name, (answer, _) in found.items() if answer is Answer.FAILED} <= {"sources"}
    return found["sources"]


# --- as exported ---


@pytest.mark.longer
def test_streams_of_every_role_but_prove(exported: Path) -> None:
    """Half the streams at most; of the units for 'fit', 'choose' and 'calibrate', each as often, with the
    trim of its unit, and the counts that the store has.
    """
    files = files_of(exported)
    body, program = body_of(files), from_json(files["program.json"].decode())
    vectors = from_csv(program, files["vectors.csv"].decode())
    excerpts, frames = body["vectors"]["excerpts"], vectors.stream_frames
    units = {session["sha256"]: session["unit"] for session in body["sessions"]}
    counts = [units[e["session"]] for e in excerpts]
    assert {counts.count(unit) for unit in ("u1", "u2", "u3")} == {400 // frames}
    assert set(counts) == {"u1", "u2", "u3"}
    assert not body["vectors"]["made_only"]
    with Store.open(exported / "innage.db") as store:
        for k, excerpt in enumerate(excerpts[::7]):
            start = len(vectors) - (len(excerpts) - 7 * k) * frames
            recorded = store.frames(excerpt["session"])
            rows = slice(excerpt["first"], excerpt["first"] + frames)
            assert np.array_equal(vectors.counts[start : start + frames], recorded.counts[rows])
            (trim,) = store.trims(units[excerpt["session"]])
            assert excerpt["trims"] == [trim.sha256]
            assert vectors.trim[start, 0] == trim.counts[0]


def test_a_bundle_passes_with_and_without_a_store(exported: Path, store: Path, tmp_path: Path) -> None:
    """With the store all is compared; without it, and with one that holds none of the sessions, the source is
    not checked. The report names the sessions.
    """
    files = files_of(exported)
    said, sentence = sources(files, store)
    assert said is Answer.PASSED
    assert "150 of 1250 streams (1200 of 10000 rows) are taken of 3 sessions, with counts" in sentence
    for other in (None, tmp_path / "empty.db"):
        said, sentence = sources(files, other)
        assert said is Answer.STATED
        assert "source not checked here" in sentence
    assert checked(files, None).passed
    page = files["report.html"].decode()
    assert "1\u202f200 in 150 streams are counts of 3 sessions" in page
    assert all(session["id"] in page for session in body_of(files)["sessions"][:3])


@pytest.mark.longer
def test_a_store_without_the_frozen_set_knows_no_roles(exported: Path, store: Path, tmp_path: Path) -> None:
    """Counts and trims are compared where the sessions are there; roles are said to be as stated."""
    other = tmp_path / "other.db"
    with Store.open(store) as full, Store.open(other) as partly:
        for unit in full.units()[:2]:
            if not partly.units():
                tank, sensor = replace(full.tanks()[0], revision=0), replace(full.sensors()[0], revision=0)
                bench = bench_store(partly, tank=tank, sensor=sensor, liquid=WATER, unit=tuple(UNITS))
            (session,) = [s for s in full.sessions() if s.unit == unit]
            new = bench.session(
                int(session.source.sha256, 16), session.marks, unit=unit, frames=full.frames(session)
            )
            assert partly.add_sessions([new])[0].sha256 == session.sha256
            partly.add_trim(full.trims(unit.name)[0])
    said, sentence = sources(files_of(exported), other)
    assert said is Answer.STATED
    assert "source not checked here for 1 of them" in sentence
    with Store.open(store) as full, Store.open(other) as partly:
        (session,) = [s for s in full.sessions() if s.unit.name == "u3"]
        new = bench.session(2, session.marks, unit=session.unit, frames=full.frames(session))
        partly.add_sessions([new])
    assert (
        "not checked here for 1 of them, which the store does not have, or not their trims"
        in (sources(files_of(exported), other)[1])
    )
    with Store.open(store) as full, Store.open(other) as partly:
        partly.add_trim(full.trims("u3")[0])
    said, sentence = sources(files_of(exported), other)
    assert said is Answer.STATED
    assert "as the store has them; their roles are as stated" in sentence


@pytest.mark.longer
def test_made_vectors_only_keeps_counts_of_sessions_out(exported: Path, store: Path, tmp_path: Path) -> None:
    """The manifest, the report and verification say so; no stream is taken."""
    out = tmp_path / "made"
    option = ("--made-vectors-only", *ANYWAY, "--store", store)
    assert innage("export", "line", "--budget", "roomy", "--out", out, *option).exit_code == 0
    files = read_folder(out)
    stated = body_of(files)["vectors"]
    assert (stated["made_only"], stated["excerpts"]) == (True, [])
    said = sources(files, store)
    assert said == (Answer.PASSED, "all 1250 streams are made: the export was told so")
    assert "no reading of a session is among them" in files["report.html"].decode()
    done = innage("verify", out)
    assert (done.exit_code, "none of 1250 streams, as the export was told to" in done.stdout) == (0, True)


@pytest.mark.longer
def test_void_sessions_give_nothing(store: Path, tmp_path: Path) -> None:
    """A session that is void by now is left out of an export that goes on all the same."""
    with Store.open(store) as opened:
        (void,) = [s for s in opened.sessions() if s.unit.name == "u1"]
        opened.void(void.id, "spilt")
    out = tmp_path / "b"
    option = ("--even-if-void", *ANYWAY, "--store", store)
    assert innage("export", "line", "--budget", "roomy", "--out", out, *option).exit_code == 0
    files = read_folder(out)
    excerpts = body_of(files)["vectors"]["excerpts"]
    assert excerpts
    assert void.sha256 not in {e["session"] for e in excerpts}
    assert sources(files, store)[0] is Answer.PASSED


@pytest.mark.longer
def test_exit_codes_and_json(exported: Path, store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """0 without the store; 1 where the store says no. With --json where the streams are from."""
    monkeypatch.delenv("INNAGE_STORE", raising=False)
    done = innage("verify", exported / "bundle", "--json")
    assert done.exit_code == 0
    origins = json.loads(done.stdout)["origins"]
    assert (origins["streams"], origins["of_sessions"], origins["made_only"]) == (1250, 150, False)
    assert [s["streams"] for s in origins["sessions"]] == [50, 50, 50]
    with Store.open(store) as opened:
        opened.void(origins["sessions"][0]["sha256"], "spilt")
    said_no = innage("verify", exported / "bundle", "--store", store)
    assert said_no.exit_code == 1
    assert "the session is void (spilt)" in " ".join(said_no.stdout.split())
    assert "Of sessions: 150 of 1250 streams, 1200 rows, from " in said_no.stdout


# --- what is not as it is said to be ---


def test_a_forged_hash_is_no_session_behind_the_model(exported: Path) -> None:
    """A stream of a session that the model was not made from contradicts the manifest, without any store."""
    forged = with_excerpt(files_of(exported), 3, session="0" * 64)
    said, sentence = answers(forged, None)["manifest"]
    assert (said, "'vectors, excerpts' does not follow" in sentence) == (Answer.FAILED, True)


@pytest.mark.longer
@pytest.mark.parametrize("channel", ["count0", "trim0", "temperature"])
def test_a_forged_count_is_told_from_the_store(exported: Path, store: Path, channel: str) -> None:
    """Counts, trim and temperature of a stream may be anybody's, and the program's answers are worked out
    anew; the store's session has others.
    """
    files = files_of(exported)
    program = from_json(files["program.json"].decode())
    vectors = from_csv(program, files["vectors.csv"].decode())
    streams = vectors.stream_frames
    at = len(vectors) - 5 * streams
    row = {"count0": vectors.counts, "trim0": vectors.trim, "temperature": vectors.temperature[:, None]}
    row[channel][at : at + (streams if channel == "trim0" else 1)] += 1
    forged = again(files, program, to_csv(answered(program, vectors)))
    assert sources(forged, None)[0] is Answer.STATED
    said, sentence = sources(forged, store)
    assert said is Answer.FAILED
    assert {"count0": "counts", "trim0": "trim"}.get(
        channel, channel
    ) + " other than the store has" in sentence


def answered(program: Program, vectors: Any) -> Any:
    """The vectors with the program's answers to their inputs."""
    from export.evidence.drawing import vectors_of
    from export.evidence.streams import streams_of

    return vectors_of(program, streams_of(vectors))


def again(files: dict[str, bytes], program: Program, text: str) -> dict[str, bytes]:
    """The bundle with other vectors, and all counts of them made to fit."""
    from export.evidence.visited import visited_by

    body = body_of(files)
    body["vectors"]["visited"] = visited_by(program, from_csv(program, text)).facts()
    return resealed({**files, "vectors.csv": text.encode()}, body)


def test_a_made_stream_cannot_be_changed(exported: Path) -> None:
    """Only the streams of sessions are taken as they stand; all others follow from the program."""
    files = files_of(exported)
    program = from_json(files["program.json"].decode())
    vectors = from_csv(program, files["vectors.csv"].decode())
    made = len(vectors) - 151 * vectors.stream_frames
    vectors.counts[made] = (vectors.counts[made] + 1) % 4096
    forged = again(files, program, to_csv(answered(program, vectors)))
    assert "vectors.csv differs" in answers(forged, None)["made again"][1]


def test_a_forged_answer_is_worked_out_anew(exported: Path) -> None:
    """An answer to a session's stream that the program does not give fails without a store."""
    files = files_of(exported)
    program = from_json(files["program.json"].decode())
    vectors = from_csv(program, files["vectors.csv"].decode())
    vectors.readings[-1, 1] += 1
    found = answers(again(files, program, to_csv(vectors)), None)
    assert {name for name, (answer, _) in found.items() if answer is Answer.FAILED} >= {
        "made again",
        "vectors",
    }


@pytest.mark.longer
@pytest.mark.parametrize(
    ("entries", "without", "said"),
    [
        ({"first": 1}, Answer.STATED, "counts other than the store has from frame"),
        ({"first": 393}, Answer.FAILED, "'vectors, excerpts' does not follow"),
        ({"frames": 7}, Answer.FAILED, "expected at most 1250 of 8 frames"),
        ({"first": -1}, Answer.FAILED, "a whole number from 0"),
        ({"trims": []}, Answer.FAILED, "has other trims than dry"),
        ({"trims": ["0" * 64]}, Answer.FAILED, "'vectors, excerpts' does not follow"),
    ],
)
def test_a_forged_range_is_refused(
    exported: Path, store: Path, entries: dict[str, object], without: Answer, said: str
) -> None:
    """Other frames than those in vectors.csv, frames beyond the session's end, streams of another length,
    and trims of nobody.
    """
    files = files_of(exported)
    at = next(k for k, e in enumerate(body_of(files)["vectors"]["excerpts"]) if e["first"] > 20)
    forged = with_excerpt(files, at, **entries)
    found = answers(forged, None)
    assert any(answer is Answer.FAILED for answer, _ in found.values()) == (without is Answer.FAILED)
    told = answers(forged, store).values()
    assert any(answer is Answer.FAILED and said in sentence for answer, sentence in told)


@pytest.mark.longer
def test_a_trim_of_another_unit_is_refused(exported: Path, store: Path) -> None:
    """Also where the manifest calls it the unit's own."""
    files = files_of(exported)
    body = body_of(files)
    units = {session["sha256"]: session["unit"] for session in body["sessions"]}
    excerpt = body["vectors"]["excerpts"][0]
    own = units[excerpt["session"]]
    other = next(trim for trim in body["trims"] if trim["unit"] != own)
    excerpt["trims"] = [other["sha256"]]
    assert "'vectors, excerpts'" in answers(resealed(files, body), None)["manifest"][1]
    other["unit"] = own
    said, sentence = sources(resealed(files, body), store)
    assert (said, "its dry trim is of unit u" in sentence) == (Answer.FAILED, True)


@pytest.mark.longer
def test_more_streams_than_half_are_refused(exported: Path) -> None:
    """A manifest that calls made streams a session's, to have them taken as they stand, is found out: what
    is made then is another.
    """
    files = files_of(exported)
    body = body_of(files)
    body["vectors"]["excerpts"] = [body["vectors"]["excerpts"][0]] * 1200
    assert "vectors.csv differs" in answers(resealed(files, body), None)["made again"][1]
    body["vectors"]["excerpts"] *= 2
    assert answers(resealed(files, body), None)["made again"][0] is Answer.FAILED


def test_made_only_and_streams_of_sessions_contradict(exported: Path) -> None:
    """A bundle cannot say that no readings left the house and hold some."""
    files = files_of(exported)
    body = body_of(files)
    body["vectors"]["made_only"] = True
    assert "'vectors, excerpts' does not follow" in answers(resealed(files, body), None)["manifest"][1]


def proving(exported: Path) -> tuple[dict[str, bytes], dict[str, Any]]:
    """A bundle whose stream is of the session of 'prove', counts and trim as they are, hashes made to fit;
    and its manifest.
    """
    files = files_of(exported)
    program = from_json(files["program.json"].decode())
    vectors = from_csv(program, files["vectors.csv"].decode())
    body = body_of(files)
    (session,) = [s for s in body["sessions"] if s["unit"] == "u4"]
    (trim,) = [t for t in body["trims"] if t["unit"] == "u4"]
    with Store.open(exported / "innage.db") as store:
        counts = store.frames(session["sha256"]).counts[:8]
        dry = store.trims("u4")[0].counts[0]
    vectors.counts[-8:], vectors.trim[-8:] = counts, dry
    forged = again(files, program, to_csv(answered(program, vectors)))
    body = body_of(forged)
    body["vectors"]["excerpts"][-1] |= {"session": session["sha256"], "first": 0, "trims": [trim["sha256"]]}
    return forged, body


@pytest.mark.longer
def test_a_session_of_prove_is_refused(exported: Path, store: Path) -> None:
    """The manifest's own roles say so; where these are forged too, the frozen set in the store does."""
    files, body = proving(exported)
    assert "'vectors, excerpts'" in answers(resealed(files, body), None)["manifest"][1]
    body["frozen_set"]["roles"]["u4"] = "fit"
    said, sentence = sources(resealed(files, body), store)
    assert said is Answer.FAILED
    assert "belong to 'prove'" in sentence


def test_a_session_outside_the_frozen_set_is_refused(exported: Path, store: Path) -> None:
    """A session that the store has and its frozen set has not."""
    files, body = proving(exported)
    body["frozen_set"]["roles"]["u4"] = "fit"
    with Store.open(store) as opened:
        chosen = [s for s in opened.sessions() if s.unit.name != "u4"]
        roles = {"u1": Role.FIT, "u2": Role.CHOOSE, "u3": Role.PROVE}
        body["frozen_set"]["sha256"] = opened.freeze("less", chosen, GroupBy.UNIT, roles).sha256
    body["vectors"]["excerpts"] = body["vectors"]["excerpts"][-1:]
    with Store.open(store) as opened:
        report = verify_files(
            resealed(files, body), {"sources"}, held=lambda manifest: held_in(opened, manifest)
        )
    (check,) = report.checks
    assert (check.answer, "frozen set does not have the session" in check.sentence) == (Answer.FAILED, True)


def test_a_session_that_became_void_is_refused(exported: Path, store: Path) -> None:
    """What the store says later counts here, since the readings themselves are in doubt."""
    files = files_of(exported)
    with Store.open(store) as opened:
        (void,) = [s for s in opened.sessions() if s.unit.name == "u2"]
        opened.void(void.id, "the scale was not zeroed")
    said, sentence = sources(files, store)
    assert said is Answer.FAILED
    assert "is void (the scale was not zeroed)" in sentence


@pytest.mark.longer
def test_groups_of_levels_leave_out_their_own_frames(store: Path, tmp_path: Path, exported: Path) -> None:
    """Where marks have the roles, a session gives only frames that are marked and not of 'prove'."""
    with Store.open(store) as opened:
        model = opened.model("line")
        roles = {"10": Role.FIT, "60": Role.PROVE}
        frozen = opened.freeze("levels", model.frozen.sessions, GroupBy.LEVEL, roles)
        texts = (model.recipe, model.versions, model.metrics, model.program)
        opened.add_model(Model("by-level", model.sha256, frozen, model.limits, *texts, model.float_onnx))
    out = tmp_path / "b"
    option = (*ANYWAY, "--store", store)
    assert innage("export", "by-level", "--budget", "roomy", "--out", out, *option).exit_code == 0
    files = read_folder(out)
    excerpts = body_of(files)["vectors"]["excerpts"]
    assert len(excerpts) == 100
    assert all(e["first"] + e["frames"] <= 200 for e in excerpts)
    assert sources(files, store)[0] is Answer.PASSED
    at = max(range(100), key=lambda k: excerpts[k]["first"])
    said = answers(with_excerpt(files, at, first=excerpts[at]["first"] + 8), store)["sources"]
    assert said[0] is Answer.FAILED


@pytest.mark.longer
def test_a_damaged_session_is_not_taken(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """Readings that are not as they were sealed, here those of two sessions exchanged, end the export with a
    sentence; vectors can do without.
    """
    with closing(sqlite3.connect(store)) as damaged, damaged:
        damaged.execute("DROP TRIGGER guard_frame_block_update")
        for pair in ((99, 1), (1, 2), (2, 99)):
            damaged.execute("UPDATE frame_block SET session_id = ? WHERE session_id = ?", pair)
    out = tmp_path / "b"
    words = ("export", "line", "--budget", "roomy", "--out", out, *ANYWAY, "--store", store)
    assert "session" in refused(*words)
    assert not out.exists()
    assert innage(*words, "--made-vectors-only").exit_code == 0
