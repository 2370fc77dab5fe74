"""``innage export`` and ``innage verify`` as a user calls them."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bundles import FILES, stand_in_onnx
from typer.testing import CliRunner, Result

from building import WATER, bench_store, one_pad
from dataset.errors import InputError
from dataset.records import (
    Budget,
    Frames,
    GroupBy,
    Limit,
    Limits,
    Mark,
    Model,
    Role,
    Tank,
)
from dataset.store import Store
from dataset.tanks.profile import stack
from dataset.tanks.profile import to_json as to_profile_json
from dataset.tanks.shapes import Cylinder
from dataset.words import ModelStatus
from export.bundle.packing import pack
from export.evidence.known_answer import KnownAnswer
from innage.cli import app
from innage.jobs.models.exporting import volume_of
from training.judging.figures import AnsweredLimit
from training.program import Builder, Program, digest, to_json


def program_of(name: str, slope: int = -106) -> Program:
    """One 16-bit channel through a hinge, as small as a useful model can be."""
    b = Builder(name, count_bits=16, channels=1, period_ms=2051, span=6400)
    level = b.node(
        "hinge",
        "counts",
        knots=(20000, 30000, 45000, 60000),
        values=(6400, 4000, 900),
        slopes=(-123, slope, -31),
        shift=9,
    )
    level = b.node("clip", level, low=0, high=6400, scale="1/64 mm")
    return b.finish(low=level, level=level, high=level, validity=b.const(1), flags=b.const(0))


def answer_of(answer: str) -> dict[str, object]:
    """An answer to the one limit of the store; its figures are invented."""
    return AnsweredLimit("rmse_mm", "all", 0.9, None, 1, 1.2, answer, "1.2 and 0.9").to_json()


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one session, two models made from it, a budget that fits and one that does not."""
    path = tmp_path_factory.mktemp("store") / "innage.db"
    with Store.open(path) as opened:
        bench = bench_store(
            opened,
            tank=Tank("canister", 0, 100.0, profile=to_profile_json(stack([Cylinder(100.0, 100.0)]))),
            sensor=one_pad(frame_interval_ms=2051),
            liquid=WATER,
            unit="unit-1",
            mounting="bench",
        )
        limits = opened.add_limits(Limits("owner", 0, (Limit("rmse_mm", 0.9),)))
        opened.add_budget(Budget("roomy", "cortex-m0plus", 1, 4096, 128, 256, 4000))
        opened.add_budget(Budget("tight", "cortex-m0plus", 1, 100, 128, 256, 10))
        frames = Frames(
            np.arange(20, dtype=np.int64) * 2051, np.linspace(50_000, 30_000, 20, dtype=np.uint32)[:, None]
        )
        marks = (Mark(0, 10, 10.0), Mark(10, 20, 60.0))
        (session,) = opened.add_sessions([bench.session(1, marks, frames=frames)])
        frozen = opened.freeze("monday", [session], GroupBy.LEVEL, {"10": Role.FIT, "60": Role.PROVE})
        for name, slope in (("first", -106), ("second", -107)):
            program = program_of(name, slope)
            opened.add_model(
                Model(
                    name,
                    digest(program),
                    frozen,
                    limits,
                    "{}",
                    "{}",
                    json.dumps({"limits": [answer_of("met")]}),
                    to_json(program),
                    stand_in_onnx(),
                )
            )
    return path


@pytest.fixture
def store(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """A copy of the filled store, which the commands use."""
    path = tmp_path / "innage.db"
    shutil.copy(filled, path)
    monkeypatch.setenv("INNAGE_STORE", str(path))
    with Store.open(path) as opened:
        yield opened


def innage(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def export_of(name: str, out: Path, *options: str, budget: str = "roomy") -> Result:
    return innage("export", name, "--budget", budget, "--out", out, *options)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.usefixtures("store")
def test_export_writes_a_bundle_that_verifies(tmp_path: Path) -> None:
    """The bundle lies where it was asked for, export says what to do next, and verify passes it with exit
    code 0.
    """
    out = tmp_path / "deep" / "bundle"
    done = export_of("first", out)
    assert done.exit_code == 0, done.output
    assert set(contents(out)) == FILES
    assert f"innage verify {out}" in done.output.replace("\n", "")
    assert [entry.name for entry in out.parent.iterdir()] == ["bundle"]
    checked = innage("verify", out)
    assert checked.exit_code == 0, checked.output
    assert "Every check passed." in checked.output
    assert "FAILED" not in checked.output
    assert re.search(r"valid +\d{4,}\n", checked.output)
    assert re.search(r"Sides of decisions: (\d+) of \1 visited\.", checked.output)


def add_model(store: Store, name: str, slope: int, *answers: str) -> None:
    """A further model with these answers to its limits."""
    program = program_of(name, slope)
    metrics = json.dumps({"limits": [answer_of(answer) for answer in answers]})
    store.add_model(
        replace(
            store.model("first"),
            name=name,
            sha256=digest(program),
            metrics=metrics,
            program=to_json(program),
        )
    )


@pytest.mark.longer
def test_a_model_that_does_not_meet_its_limits_is_not_exported_by_accident(
    store: Store, tmp_path: Path
) -> None:
    """A limit not met stops the export with 1; --anyway is the way to do it on purpose."""
    add_model(store, "fails", -108, "not met")
    out = tmp_path / "bundle"
    done = export_of("fails", out)
    assert (done.exit_code, out.exists()) == (1, False)
    assert "warning: limit owner@1, rmse_mm of all: not met (1.2 and 0.9)" in done.stderr
    assert "Nothing was written: 1 of 1 limits is not met. Say --anyway" in done.stderr
    refused = export_of("fails", out, "--json")
    assert (refused.exit_code, json.loads(refused.stdout)["not_met"][0]["metric"]) == (1, "rmse_mm")
    assert export_of("fails", out, "--even-if-unproven").exit_code == 1
    assert export_of("fails", out, "--anyway").exit_code == 0
    assert "not met" in (out / "report.html").read_text()
    assert "NOT ENOUGH EVIDENCE" not in (out / "innage.h").read_text()
    assert json.loads((out / "manifest.json").read_bytes())["unproven"] == []


@pytest.mark.longer
@pytest.mark.parametrize(
    ("answers", "sentence"),
    [
        (("met", "not enough evidence"), "rmse_mm of all: 1.2 and 0.9"),
        ((), "no limits were given: nothing says whether the figures are good enough"),
    ],
)
def test_not_enough_evidence_is_not_exported_by_accident(
    store: Store, tmp_path: Path, answers: tuple[str, ...], sentence: str
) -> None:
    """A limit without enough evidence, and a model without limits, stop the export with 3;
    --even-if-unproven is the way to do it on purpose, and manifest, header and report say so.
    """
    add_model(store, "open", -109, *answers)
    out = tmp_path / "bundle"
    for options in ((), ("--anyway",)):
        done = export_of("open", out, *options)
        assert (done.exit_code, out.exists()) == (3, False)
        assert "not enough evidence" in done.stderr
        assert "Say --even-if-unproven" in done.stderr
    assert len(json.loads(export_of("open", out, "--json").stdout)["unproven"]) == len(answers) // 2
    done = export_of("open", out, "--even-if-unproven")
    assert done.exit_code == 0, done.output
    assert json.loads((out / "manifest.json").read_bytes())["unproven"] == [sentence]
    header = " ".join((out / "innage.h").read_text().replace("*", " ").split())
    assert f"NOT ENOUGH EVIDENCE, exported all the same. {sentence}." in header
    assert "exported all the same" in (out / "report.html").read_text()
    assert innage("verify", out).exit_code == 0


@pytest.mark.longer
def test_a_retired_model_says_so_in_its_bundle(store: Store, tmp_path: Path) -> None:
    """In manifest and report, where it is exported all the same; the bundle verifies, and one whose manifest
    says another word is refused.
    """
    add_model(store, "late", -110, "met")
    store.set_status("late", ModelStatus.RETIRED, "A. Bench", "reads foam as liquid")
    out = tmp_path / "bundle"
    assert (export_of("late", out).exit_code, out.exists()) == (1, False)
    done = export_of("late", out, "--even-if-retired")
    assert done.exit_code == 0, done.output
    said = {"status": "retired", "author": "A. Bench", "reason": "reads foam as liquid"}
    body = json.loads((out / "manifest.json").read_bytes())
    assert body["status"] == said
    assert "Retired</strong>, by A. Bench: reads foam as liquid" in (out / "report.html").read_text()
    assert innage("verify", out).exit_code == 0
    (out / "manifest.json").write_text(json.dumps(body | {"status": said | {"status": "sold"}}))
    refused = innage("verify", out)
    assert refused.exit_code == 1
    assert "status" in refused.output


@pytest.mark.longer
def test_a_decision_that_no_vector_visits_stops_the_export(store: Store, tmp_path: Path) -> None:
    """A comparison that the ranges allow and no input reaches: 1, one sentence with its name, nothing
    written.
    """
    b = Builder("blind", count_bits=16, channels=1, period_ms=2051, span=6400)
    never = b.node("greater", b.node("sub", "counts", "counts"), b.const(0), name="never")
    level = b.node("clip", "counts", low=0, high=6400)
    program = b.finish(
        low=level, level=level, high=level, validity=b.const(1), flags=b.node("mul", never, b.const(4))
    )
    first = store.model("first")
    store.add_model(replace(first, name="blind", sha256=digest(program), program=to_json(program)))
    done = export_of("blind", tmp_path / "b")
    assert (done.exit_code, (tmp_path / "b").exists()) == (1, False)
    assert "Nothing was written: model blind: no vector visits never (comparison): above" in done.stderr
    assert "or say --even-if-unproven" in done.stderr
    assert export_of("blind", tmp_path / "b", "--even-if-unproven").exit_code == 0
    stated = json.loads((tmp_path / "b" / "manifest.json").read_bytes())["vectors"]["visited"]
    assert "never (comparison): above" in stated["decisions"]["unvisited"]


@pytest.mark.longer
def test_what_says_no_goes_before_what_lacks_evidence(store: Store, tmp_path: Path) -> None:
    """Where a limit is not met, or the budget is exceeded, and another limit lacks evidence, the code is 1;
    a place that can't be used is a wrong call, 2.
    """
    add_model(store, "both", -110, "not enough evidence", "not met")
    add_model(store, "open", -109, "not enough evidence")
    (tmp_path / "file").write_text("mine")
    out = tmp_path / "b"
    assert export_of("both", out).exit_code == 1
    assert export_of("both", out, "--anyway").exit_code == 3
    assert export_of("open", out, budget="tight").exit_code == 1
    assert export_of("open", tmp_path / "file").exit_code == 2
    assert not out.exists()


def test_answers_of_an_earlier_version_are_held_too(store: Store, tmp_path: Path) -> None:
    """What 0.1 called 'not shown' ships no more: beyond its bound it is not met."""
    add_model(store, "old", -111, "not shown")
    done = export_of("old", tmp_path / "b", "--even-if-unproven")
    assert done.exit_code == 1
    assert "rmse_mm of all: not met" in done.stderr


@pytest.mark.longer
def test_export_is_recorded(store: Store, tmp_path: Path) -> None:
    """Each file of the bundle, the manifest included, is found again in the store by its hash."""
    assert export_of("first", tmp_path / "b").exit_code == 0
    for name, content in contents(tmp_path / "b").items():
        (exported,) = store.exported(hashlib.sha256(content).hexdigest())
        assert (exported.name, exported.model.name) == (name, "first")


@pytest.mark.slow
@pytest.mark.usefixtures("store")
def test_export_again_is_the_same(tmp_path: Path) -> None:
    """Exporting over the same bundle is fine and changes nothing; another prefix replaces the files."""
    out = tmp_path / "b"
    export_of("first", out)
    before = contents(out)
    assert export_of("first", out).exit_code == 0
    assert contents(out) == before
    assert export_of("first", out, "--prefix", "tank").exit_code == 0
    assert set(contents(out)) == {name.replace("innage", "tank") for name in FILES}


@pytest.mark.usefixtures("store")
def test_over_budget_writes_nothing(tmp_path: Path) -> None:
    """Over budget the exit code is 1, a table says by how much, and nothing is written."""
    done = export_of("first", tmp_path / "b", budget="tight")
    assert done.exit_code == 1
    assert re.search(r"flash bytes\s+\d+\s+-?\s+100\s+-\d+\s+over", done.output)
    assert re.search(r"RAM bytes\s+\d+\s+-?\s+128\s+\d+\s+within", done.output)
    assert not (tmp_path / "b").exists()
    as_json = export_of("first", tmp_path / "b", "--json", budget="tight")
    assert as_json.exit_code == 1
    lines = json.loads(as_json.stdout)["lines"]
    assert [line["within"] for line in lines] == [False, True, True, False, False]


@pytest.mark.usefixtures("store")
def test_json_of_export(tmp_path: Path) -> None:
    """With --json export prints one JSON object and nothing else."""
    done = json.loads(export_of("first", tmp_path / "b", "--json").stdout)
    assert set(done["files"]) == FILES
    assert (
        done["bundle_sha256"] == json.loads((tmp_path / "b" / "manifest.json").read_bytes())["bundle_sha256"]
    )


@pytest.mark.longer
def test_void_session_holds_the_export_back(store: Store, tmp_path: Path) -> None:
    """A model whose session was voided is not exported, unless that is asked for; then the
    manifest says so.
    """
    (session,) = store.sessions()
    store.void(session.id, "the scale was not zeroed")
    done = export_of("first", tmp_path / "b")
    assert done.exit_code == 1
    assert "is void: the scale was not zeroed" in done.stderr
    assert not (tmp_path / "b").exists()
    forced = export_of("first", tmp_path / "b", "--even-if-void")
    assert forced.exit_code == 0, forced.output
    assert "is void: the scale was not zeroed" in forced.stderr
    assert (
        json.loads((tmp_path / "b" / "manifest.json").read_bytes())["sessions"][0]["void"]
        == "the scale was not zeroed"
    )


@pytest.mark.usefixtures("store")
def test_export_refuses_what_it_cannot_use(tmp_path: Path) -> None:
    """A bad prefix, an unknown model or budget, and a folder with other things in it are refused, and left
    alone.
    """
    out = tmp_path / "b"
    for arguments in (("first", "roomy", "Tank"), ("third", "roomy", "innage"), ("first", "none", "innage")):
        done = innage(
            "export", arguments[0], "--budget", arguments[1], "--out", out, "--prefix", arguments[2]
        )
        assert done.exit_code == 2, arguments
        assert not out.exists()
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    refused = export_of("first", out)
    assert refused.exit_code == 2
    assert "is not empty and holds no bundle" in refused.stderr
    assert contents(out) == {"notes.txt": b"mine"}


@pytest.mark.longer
@pytest.mark.usefixtures("store")
def test_export_never_replaces_another_model(tmp_path: Path) -> None:
    """A folder with the bundle of another model, or with a file beside the bundle, is refused
    and left alone.
    """
    out = tmp_path / "b"
    export_of("first", out)
    before = contents(out)
    other = export_of("second", out)
    assert other.exit_code == 2
    assert "holds the bundle of another model" in other.stderr
    assert contents(out) == before
    (out / "notes.txt").write_text("mine")
    beside = export_of("first", out, "--prefix", "tank")
    assert "holds 'notes.txt', which is no file of the bundle" in beside.stderr
    assert contents(out) == {**before, "notes.txt": b"mine"}


@pytest.mark.slow
@pytest.mark.usefixtures("store")
def test_kernels_are_written_as_asked(tmp_path: Path) -> None:
    """What --kernels and --assembly ask for stands in the manifest, in the measured cost as in the C; an
    unknown kind is refused.
    """
    for asked, found in (("fast", "fast"), ("auto", "small")):
        done = innage(
            "export",
            "first",
            "--budget",
            "roomy",
            "--out",
            tmp_path / asked,
            "--kernels",
            asked,
            "--assembly",
        )
        assert done.exit_code == 0, done.output
        body = json.loads((tmp_path / asked / "manifest.json").read_bytes())
        written = {key: body["c"][key] for key in ("kernels", "assembly", "volume")}
        assert written == {"kernels": found, "assembly": True, "volume": None}
        assert (body["cost"]["kernels"], body["cost"]["assembly"]) == (found, True)
    refused = export_of("first", tmp_path / "x", "--kernels", "huge")
    assert refused.exit_code == 2
    assert not (tmp_path / "x").exists()


@pytest.mark.slow
def test_a_table_of_volumes_on_request(store: Store, tmp_path: Path) -> None:
    """With --volume-table the C has the tank's cylinder in it, pi r^2 h at the full tank, and is measured
    with it; no tank, no table.
    """
    sizes = {}
    for name, options in (("plain", ()), ("table", ("--volume-table",))):
        done = export_of("first", tmp_path / name, *options)
        assert done.exit_code == 0, done.output
        sizes[name] = json.loads((tmp_path / name / "manifest.json").read_bytes())
    table = sizes["table"]["c"]["volume"]
    assert table["tank"] == "canister@1"
    assert max(table["values"]) >= np.pi * 50**2 * 100 / 1000 - 1
    assert (
        sizes["table"]["cost"]["flash_code"] > sizes["plain"]["cost"]["flash_code"],
        sizes["plain"]["c"]["volume"],
    ) == (True, None)
    assert b"innage_volume_ml(" in (tmp_path / "table" / "innage.c").read_bytes()
    model = store.model("first")
    (session,) = model.frozen.sessions
    bare = replace(
        session, mounting=replace(session.mounting, tank=replace(session.mounting.tank, profile=None))
    )
    with pytest.raises(InputError, match="tank canister@1 has no profile"):
        volume_of(replace(model, frozen=replace(model.frozen, sessions=(bare,))))
    other = replace(
        session, mounting=replace(session.mounting, tank=replace(session.mounting.tank, revision=2))
    )
    with pytest.raises(InputError, match="sessions of canister@1 and canister@2"):
        volume_of(replace(model, frozen=replace(model.frozen, sessions=(session, other))))


@pytest.mark.longer
def test_zipped_export(store: Store, tmp_path: Path) -> None:
    """With --zip one file is written, which holds what the folder would and which the store knows; never over
    something else.
    """
    out, folder = tmp_path / "deep" / "b.zip", tmp_path / "b"
    done = export_of("first", tmp_path / "deep" / "b", "--zip")
    assert done.exit_code == 0, done.output
    assert [entry.name for entry in out.parent.iterdir()] == ["b.zip"]
    assert f"innage verify {out}" in done.output.replace("\n", "")
    assert export_of("first", folder).exit_code == 0
    assert out.read_bytes() == pack(contents(folder))
    (exported,) = store.exported(hashlib.sha256(out.read_bytes()).hexdigest())
    assert (exported.name, exported.model.name) == ("bundle.zip", "first")
    other = export_of("second", out, "--zip")
    assert other.exit_code == 2
    assert "holds the bundle of another model" in other.stderr
    (tmp_path / "mine.zip").write_bytes(b"mine")
    mine = export_of("first", tmp_path / "mine.zip", "--zip")
    assert mine.exit_code == 2
    assert "is there and is no zipped bundle" in mine.stderr
    assert (tmp_path / "mine.zip").read_bytes() == b"mine"
    no = innage("verify", tmp_path / "mine.zip")
    assert no.exit_code == 2
    assert "cannot be unpacked" in no.stderr


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize("options", [(), ("--zip",)])
def test_a_file_where_the_folder_of_a_bundle_is_wanted(
    tmp_path: Path, options: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is written, and it is told before the model is measured."""
    monkeypatch.setattr("innage.jobs.models.budgets.judge_model", None)
    (tmp_path / "file").write_text("mine")
    done = export_of("first", tmp_path / "file" / "below", *options)
    assert done.exit_code == 2, done.output
    assert f"{tmp_path / 'file'} is no folder" in done.stderr
    assert (tmp_path / "file").read_text() == "mine"


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """A score of few breaks and bits."""
    from export.bundle.scoring import Asked

    monkeypatch.setattr("export.bundle.scoring.WHOLE", Asked(10, 2000, 6, 200))


@pytest.mark.longer
@pytest.mark.usefixtures("store", "few")
def test_verify_scores_the_evidence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines for vectors and self-test, each break and bit in JSON; exit code 1 where a bound is missed, as
    with a known answer of nothing, and no score of a bundle that did not pass.
    """
    from export.evidence.known_answer import known_answer

    out = tmp_path / "b"
    export_of("first", out)
    done = innage("verify", out, "--score", "--json")
    score = json.loads(done.stdout)["score"]
    assert (len(score["breaks"]), len(score["bits"])) == (10, 6)
    assert done.exit_code == (0 if score["reached"] else 1)
    assert score["lines"][0]["noticed"] == sum(b["counts"] and b["by_vectors"] for b in score["breaks"])

    def nothing(program: Program) -> KnownAnswer:
        return replace(known_answer(program), rows=((0,),), lead=0, layers=())

    with monkeypatch.context() as patch:
        patch.setattr("export.bundle.scoring.known_answer", nothing)
        innage("export", "first", "--budget", "roomy", "--out", tmp_path / "hollow")
        hollow = innage("verify", tmp_path / "hollow", "--score")
    assert hollow.exit_code == 1
    assert "A bound is missed" in hollow.stdout
    assert "Unseen by the self-test" in hollow.stdout
    (out / "innage.c").write_text("int x;\n")
    changed = innage("verify", out, "--score")
    assert changed.exit_code == 1
    assert "not scored" in changed.stdout
