"""Mistakes mended on the command line: sessions amended, things retired."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest
from stores import model_of

from calling import OSCILLATOR, READINGS, run, run_json
from dataset.records import GroupBy, Role
from dataset.store import Store
from innage.jobs.registry import retired_remarks

COLUMNS = ["--time", "elapsed_ms", "--count", "N_counts"]
COLUMNS += ["--level", "level_cm", "--level-unit", "cm", "--level-u-mm", "0.5"]
SIZES = ["--flash-bytes", "8000", "--ram-bytes", "200", "--stack-bytes", "200", "--cycles", "9000"]
BY = ["--author", "A. Bench", "--reason", "read the label again"]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with the real readings, a trim of them, and a second unit."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(path))
        run("tank", "add", "can", "--span-mm", "100")
        run("liquid", "add", "water")
        run("liquid", "add", "tea")
        run("unit", "add", "u1")
        run("unit", "add", "u2")
        run(*OSCILLATOR.split())
        run("mounting", "add", "m-osc", "--tank", "can", "--sensor", "osc")
        run("log", READINGS, "--mounting", "m-osc", "--liquid", "water", "--unit", "u1", *COLUMNS)
        trim = ["--kind", "learned", "--date", "2026-01-01", "--stage", "bench", "--from", "0", "--to", "7"]
        run("trim", "add", "--unit", "u1", "--session", run_json("sessions")[0]["id"], *trim)
    return path.read_bytes()


def session() -> Any:
    return run_json("sessions")[0]


def test_a_session_is_amended_and_shown(store: Path) -> None:
    """The command says what is so now, and what rests on what it said; lists, the session and its JSON go by
    it.
    """
    sealed = session()
    run("freeze", "before", "--group", "level", "--fit", "rest")
    said = run("amend", sealed["id"], "--unit", "u2", "--condition", "wall=film", *BY)
    assert "by A. Bench: unit u2, conditions 0-" in said
    assert "wall=film" in said
    assert "frozen sets that keep what it said: before" in said
    assert "cannot be frozen as they are: learned of u1 (2026-01-01)" in said
    amended = session()
    assert (amended["unit"], amended["sha256"]) == ("u2", sealed["sha256"])
    listed = run("sessions")
    assert "u2" in listed
    assert "amended" in listed
    shown = run_json("show", sealed["id"])
    assert [a["stated"]["unit"] for a in shown["amendments"]] == ["u2"]
    assert shown["conditions"][0]["wall"] == ["film"]
    assert [a["reason"] for a in shown["amendments"]] == ["read the label again"]
    assert "A. Bench" in run("show", sealed["id"])
    assert run_json("frozen", "before")["sessions"] == [sealed["id"]]
    run("operator", "add", "ab")
    late = ["--operator", "ab", "--start", "2026-03-02T09:15+01:00", "--board-firmware", "1.4"]
    again = run_json("amend", sealed["id"], "--liquid", "tea", *late, *BY)
    assert again["session"]["started"] == session()["started"] == "2026-03-02T09:15:00+01:00"
    assert (again["amendment"]["stated"]["operator"], session()["firmware"]) == ("ab", "1.4")
    assert (again["session"]["liquid"], again["frozen_sets"]) == ("tea", ["before"])
    assert again["amendment"]["parents"] == [amended["amendment"]]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (
            [],
            "nothing is stated anew; expected --unit, --liquid, --mounting, --condition, --operator,",
        ),
        (["--unit", "u1"], "says that already"),
        (["--unit", "u9"], "unit u9: is not in the store"),
        (["--condition", "wall=wet"], "--condition"),
        (["--start", "2026-03-02T09:15"], "--start: '2026-03-02T09:15' without an offset from UTC"),
        (["--start", "2026-03-02T09:15"], "such as 2026-03-02T09:15:00+01:00. Add it|"),  # and nothing else
        (["--condition", "wall=film", "--no-condition"], "--no-condition: --conditions beside it"),
    ],
)
def test_what_cannot_be_amended(store: Path, words: list[str], sentence: str) -> None:
    """One sentence that names the option, exit code 2, and the session is as it was."""
    sealed = session()
    said = " ".join(run("amend", sealed["id"], *words, *BY, code=2).split())
    assert sentence in f"{said}|"
    assert session() == sealed


def test_a_trim_of_an_amended_session_is_refused_unless_told(store: Path) -> None:
    """It cannot be frozen as it is; told why, it can."""
    run("amend", session()["id"], "--liquid", "tea", *BY)
    said = " ".join(run("freeze", "after", "--group", "level", "--fit", "rest", code=2).split())
    assert "was amended since, by A. Bench ('read the label again')" in said
    assert "--even-if-warned" in said
    assert "amended since" in run("trim", "list")
    run(
        "freeze",
        "after",
        "--group",
        "level",
        "--fit",
        "rest",
        "--even-if-warned",
        "the counts are the unit's",
    )
    assert run_json("frozen", "after")["even_if_warned"] == "the counts are the unit's"


LISTS = {
    "tank": "can@1",
    "sensor": "osc@1",
    "liquid": "water",
    "unit": "u1",
    "mounting": "m-osc",
}


@pytest.mark.longer
@pytest.mark.parametrize("kind", LISTS)
def test_what_is_retired_leaves_the_lists(store: Path, kind: str) -> None:
    """It is not listed but with --retired, nothing new stands on it, old sessions do, and it can be taken
    back.
    """
    name = LISTS[kind]
    before = run_json(kind, "list")
    assert f"{kind} {name} is retired: lost" in run("retire", kind, name, "--reason", "lost")
    assert len(run_json(kind, "list")) == len(before) - 1
    everything = run_json(kind, "list", "--retired")
    assert [record.pop("retired", None) for record in everything].count("lost") == 1
    assert everything == before
    assert "lost" in run(kind, "list", "--retired")
    log = [
        "log",
        READINGS,
        "--mounting",
        "m-osc",
        "--liquid",
        "water",
        "--unit",
        "u1",
        *COLUMNS,
        "--note",
        "2",
    ]
    said = " ".join(run(*log, code=2).split())
    assert f"{kind} {name}: is retired ('lost')" in said
    assert f"'innage retire {kind} {name} --take-back --reason ...'" in said
    assert session()["unit"] == "u1"
    assert "is retired already ('lost')" in run("retire", kind, name, "--reason", "again", code=2)
    again = run("retire", kind, name, "--take-back", "--reason", "found")
    assert again == f"{kind} {name} can be used again: found\n"
    assert run_json(kind, "list") == before


def test_a_name_means_the_latest_revision_in_use(store: Path) -> None:
    """A revision that was a mistake is retired, and the name means the one before."""
    said = run("tank", "add", "can", "--span-mm", "10")
    assert "can exists: this is revision 2 of it, which 'can' means from now on" in said
    assert run_json("tank", "show", "can")["span_mm"] == 10
    run("retire", "tank", "can", "--reason", "a slip")
    assert run_json("tank", "show", "can")["span_mm"] == 100
    assert run_json("tank", "show", "can@2")["span_mm"] == 10
    said = run(*OSCILLATOR.replace("2051", "2000").split())
    assert "osc exists: this is revision 2 of it" in said


def test_a_budget_limits_and_a_mapping(store: Path) -> None:
    """What is no part of a session is retired in the same way."""
    run(
        "budget",
        "add",
        "small",
        "--core",
        "cortex-m3",
        "--flash-bytes",
        "8000",
        "--ram-bytes",
        "200",
        "--stack-bytes",
        "200",
        "--cycles",
        "9000",
    )
    run("limits", "add", "owner", "--row", "rmse_mm<=2")
    columns = ["--time", "elapsed_ms", "--count", "N_counts", "--save-mapping", "tidy"]
    run(
        "log",
        READINGS,
        "--mounting",
        "m-osc",
        "--liquid",
        "water",
        "--unit",
        "u2",
        *columns,
        "--note",
        "2",
        code=2,
    )
    for kind, name in (("budget", "small"), ("limits", "owner@1")):
        run("retire", kind, name, "--reason", "superseded")
        assert run_json(kind, "list") == []
        assert len(run_json(kind, "list", "--retired")) == 1
    assert "one of tank, sensor" in " ".join(run("retire", "pad", "x", "--reason", "why", code=2).split())
    with Store.open(store) as opened:
        assert opened.retired("limits") == {"owner@1": "superseded"}


def test_what_was_mended_goes_by_text(store: Path, bench: bytes, tmp_path: Path) -> None:
    """The files of an amendment and a retirement are read from the folder like the others."""
    run("amend", session()["id"], "--unit", "u2", *BY)
    run("retire", "liquid", "tea", "--reason", "stains")
    assert "models with what they are said to be" in " ".join(run("text", "export", tmp_path / "t").split())
    other = tmp_path / "other.db"
    other.write_bytes(bench)
    run("text", "import", tmp_path / "t", "--store", other)
    (read,) = run_json("sessions", "--store", other)
    assert read["unit"] == "u2"
    assert [liquid["name"] for liquid in run_json("liquid", "list", "--store", other)] == ["water"]


@pytest.fixture(scope="module")
def with_model(bench: bytes, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The same with a model of no program, and a file of an export of it."""
    path = tmp_path_factory.mktemp("model") / "innage.db"
    path.write_bytes(bench)
    with Store.open(path) as opened:
        (captured,) = opened.sessions()
        roles = {"u1": Role.FIT}
        model = opened.add_model(model_of(opened.freeze("set", [captured], GroupBy.UNIT, roles)))
        opened.add_export(model, "b" * 64, {"innage.c": hashlib.sha256(b"innage.c").hexdigest()})
    return path.read_bytes()


def test_what_a_model_is(store: Path, with_model: bytes, tmp_path: Path) -> None:
    """Who says so and why is asked for, kept and told; a retired model is exported only when told."""
    store.write_bytes(with_model)
    assert run("status", "m", "candidate", *BY).startswith("model m is candidate by A. Bench")
    assert "is candidate already" in run("status", "m", "candidate", *BY, code=2)
    run("status", "m", "retired", "--author", "B. Bench", "--reason", "reads foam as liquid")
    with Store.open(store) as opened:
        now, events = opened.status("m"), opened.status_events("m")
    assert now is not None
    assert (now.status, now.author, now.reason) == ("retired", "B. Bench", "reads foam as liquid")
    assert [len(event.parents) for event in events] == [0, 1]
    run("budget", "add", "small", "--core", "cortex-m3", *SIZES)
    export = ("export", "m", "--budget", "small", "--out", tmp_path / "bundle")
    said = " ".join(run(*export, code=1).split())
    assert "is retired, by B. Bench: reads foam as liquid" in said
    assert "--even-if-retired" in said
    assert not (tmp_path / "bundle").exists()


def test_what_a_model_is_held_against_though_it_is_retired(store: Path, with_model: bytes) -> None:
    """A sentence for each, with its reason; none for what is in use or not there."""
    store.write_bytes(with_model)
    run("budget", "add", "small", "--core", "cortex-m3", *SIZES)
    with Store.open(store) as opened:
        budget = opened.budget("small")
        assert retired_remarks(opened, {"limits": None, "budget": budget}) == ()
        opened.retire("budget", "small", "another chip")
        said = retired_remarks(opened, {"limits": None, "budget": budget})
    assert said == ("budget small: retired ('another chip')",)


def test_trace_tells_all_of_it(store: Path, with_model: bytes, tmp_path: Path) -> None:
    """What became since of what a model stands on: amended, voided, taken back, retired, and what it is."""
    store.write_bytes(with_model)
    file = tmp_path / "innage.c"
    file.write_bytes(b"innage.c")
    id_ = session()["id"]
    run("amend", id_, "--liquid", "tea", *BY)
    run("void", id_, "--reason", "the hose slipped")
    run("void", id_, "--take-back", "--reason", "it did not")
    run("retire", "unit", "u1", "--reason", "broken")
    run("status", "m", "retired", *BY)
    (export,) = run_json("trace", file)["exports"]
    assert export["retired"] == {"unit u1": "broken"}
    assert export["status"] == ["retired, by A. Bench: read the label again"]
    (traced,) = export["sessions"]
    assert [later["states"] for later in traced["restated"]] == ["liquid tea"]
    assert [event["takes_back"] for event in traced["void_events"]] == [False, True]
    said = " ".join(run("trace", file).split())
    for told in ("stated anew since by A. Bench", "TAKEN BACK", "RETIRED unit u1"):
        assert told in said, told
