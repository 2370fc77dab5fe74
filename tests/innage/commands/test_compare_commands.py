"""``innage compare`` and ``innage sweep`` as a user calls them, on invented counts and two models made by
hand.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from building import CAN, WATER, bench_store, one_pad
from dataset.records import (
    CountLaw,
    Frames,
    GroupBy,
    Limit,
    Limits,
    Mark,
    Model,
    NewSession,
    Role,
    Source,
    Tank,
    Trim,
    TrimKind,
)
from dataset.store import Store
from innage.cli import app
from training.program import Program, digest, to_json
from training.program.builder import Builder
from training.program.ops import Interval

LEVELS = np.repeat(np.arange(10.0, 100.0, 10.0), 10)


def adds(name: str, off: int) -> Program:
    """Level = counts of the one pad less 1000, plus ``off``, in 1/64 mm; counts beyond 8000 are withheld."""
    b = Builder(name, count_bits=16, channels=1, period_ms=100, span=6400)
    level = b.node("clip", b.node("add", "counts", b.const(off - 1000)), low=0, high=6400, scale="1/64 mm")
    beyond = b.node("greater", "counts", b.const(8000))
    return b.finish(
        low=b.node("where", beyond, b.const(0), level),
        level=b.node("where", beyond, b.const(-1), level),
        high=b.node("where", beyond, b.const(6400), level),
        validity=b.node("sub", b.const(1), beyond),
        flags=b.const(0),
    )


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Models 'good' (exact) and 'bad' (2 mm too high); the limit is an error of 1 mm. Set 'other' proves on
    what 'all' fits.
    """
    path = tmp_path_factory.mktemp("filled") / "innage.db"
    with Store.open(path) as opened:
        bench = bench_store(
            opened,
            tank=CAN,
            sensor=one_pad(CountLaw.RISES),
            liquid=WATER,
            unit=[f"u{k}" for k in range(5)],
            mounting="bench",
        )
        marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 + 10 * k) for k in range(9))
        new = []
        for k, unit in enumerate(bench.units):
            counts = (1000 + 64 * LEVELS + 10 * k)[:, None].astype(np.uint32)
            new.append(bench.session(k, marks, unit=unit, frames=Frames(np.arange(90) * 100, counts)))
        sessions = opened.add_sessions(new)
        roles = {"u0": Role.FIT, "u1": Role.CHOOSE, "u2": Role.PROVE, "u3": Role.PROVE, "u4": Role.PROVE}
        frozen = opened.freeze("all", sessions, GroupBy.UNIT, roles)
        opened.freeze("other", sessions, GroupBy.UNIT, roles | {"u0": Role.PROVE, "u2": Role.FIT})
        limits = opened.add_limits(Limits("owner", 0, (Limit("p95_abs_mm", 1.0),)))
        for name, off in (("good", 0), ("bad", 128)):
            made = adds(name, off)
            opened.add_model(Model(name, digest(made), frozen, limits, "{}", "{}", "{}", to_json(made), b""))
    return path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Path:
    """A copy of the filled store for one test."""
    return Path(shutil.copy(filled, tmp_path / "innage.db"))


def innage(store: Path, *words: str) -> Result:
    return CliRunner().invoke(app, [*words, "--store", str(store)], env={"COLUMNS": "200"})


@pytest.mark.longer
def test_a_candidate_that_loses_is_said_and_exits_1(store: Path, tmp_path: Path) -> None:
    """Errors are 10, 20.. 40 counts (of 64 a mm) more on the units: the difference is 2 mm on every frame
    that isn't clipped.
    """
    done = innage(store, "compare", "good", "bad", "--picture", str(tmp_path / "c.svg"))
    assert done.exit_code == 1, done.output
    assert "Regression of bad: limit p95_abs_mm of all at 1: not met (" in done.stdout
    assert "Regression of bad: all: errors larger by 2 mm (2 to 2)" in done.stdout
    assert "Opening 1 of the prove groups." in done.stdout
    assert (tmp_path / "c.svg").stat().st_size > 1000
    again = innage(store, "compare", "bad", "good", "--json")
    assert again.exit_code == 0, again.output
    facts = json.loads(again.stdout)
    assert facts["openings"] == 2
    assert (facts["losses"], len(facts["gains"])) == ([], 2)
    assert facts["classes"]["all"]["error_mm"]["value"] == -2.0


@pytest.mark.longer
def test_too_few_groups_to_tell_are_said_and_with_strict_exit_3(store: Path, tmp_path: Path) -> None:
    """Two groups give no interval (docs/judging.md: fewer than three); a loss at a limit goes before that."""
    with Store.open(store) as opened:
        frozen = opened.frozen_set("all")
        sessions = [s for s in frozen.sessions if s.unit.name in ("u2", "u3")]
        opened.freeze("few", sessions, GroupBy.UNIT, {"u2": Role.PROVE, "u3": Role.PROVE})
    on_few = ("--frozen", "few")
    told = "Not enough evidence: all: 2 groups with frames that both accept; an interval needs 3."
    done = innage(store, "compare", "bad", "good", *on_few)
    assert (done.exit_code, told in done.stdout) == (0, True), done.output
    assert "good has no regression that matters against bad, as far as these groups can tell." in done.stdout
    done = innage(store, "compare", "bad", "good", *on_few, "--strict", "--json")
    assert (done.exit_code, json.loads(done.stdout)["losses"]) == (3, [])
    assert innage(store, "compare", "good", "bad", *on_few, "--strict").exit_code == 1
    assert innage(store, "compare", "bad", "good", "--strict").exit_code == 0
    page = tmp_path / "page.html"
    assert innage(store, "report", "compare", "bad", "good", *on_few, "--out", str(page)).exit_code == 0
    assert "not enough evidence, all: 2 groups" in page.read_text("utf-8")
    caveat = "Models were chosen on these groups"
    assert (caveat in page.read_text("utf-8"), "openings of" in page.read_text("utf-8")) == (False, True)
    choose = ("compare", "bad", "good", "--role", "choose")
    assert caveat in innage(store, *choose).stdout
    assert "no size here; --budget NAME measures both" in innage(store, *choose).stdout
    assert innage(store, "report", *choose, "--out", str(page), "--replace").exit_code == 0
    assert f"<p class=caution>{caveat}" in page.read_text("utf-8")
    assert ("of 'prove'" in page.read_text("utf-8"), "has no size here" in page.read_text("utf-8")) == (
        False,
        True,
    )


@pytest.mark.longer
def test_the_page_of_a_comparison_takes_no_opening_of_its_own(store: Path, tmp_path: Path) -> None:
    """The same two models on the same set, looked at again, are the same figures; another pair is another
    opening.
    """
    page = ("report", "compare", "good", "bad", "--out", str(tmp_path / "page.html"))
    assert innage(store, "compare", "good", "bad").exit_code == 1
    assert innage(store, *page).exit_code == 0
    assert "1 opening of" in (tmp_path / "page.html").read_text("utf-8")
    assert innage(store, "compare", "bad", "good").exit_code == 0
    with Store.open(store) as opened:
        assert opened.prove_purposes(opened.frozen_set("all")) == ("compare good bad", "compare bad good")


def test_a_picture_or_page_without_a_place_takes_no_opening(store: Path, tmp_path: Path) -> None:
    """Where nothing can be written is told before 'prove' is opened, and before a sweep is run."""
    (tmp_path / "file").write_text("mine")
    place = tmp_path / "file" / "below"
    for words in (
        ("compare", "good", "bad", "--picture", f"{place}/c.svg"),
        ("compare", "good", "bad", "--picture", str(tmp_path / "c.txt")),
        ("report", "compare", "good", "bad", "--out", f"{place}/page.html"),
        ("sweep", "good", "--picture", f"{place}/s.svg"),
    ):
        done = innage(store, *words)
        assert (done.exit_code, done.stdout) == (2, ""), words
    with Store.open(store) as opened:
        assert opened.prove_openings(opened.frozen_set("all")) == 0


def test_a_model_and_itself_and_models_for_different_tanks_are_refused(store: Path) -> None:
    """Before an opening of 'prove' is spent on a comparison that says nothing."""
    with Store.open(store) as opened:
        first = opened.session(opened.sessions()[0].id)
        frames = opened.frames(first)

        def higher(more: int) -> Frames:
            return replace(frames, counts=(frames.counts + more).astype(np.uint32))

        tall = bench_store(
            opened,
            tank=Tank("tower", 0, 100.0),
            sensor=first.mounting.sensor,
            liquid=first.liquid,
            unit=(),
            mounting="tall",
        ).mounting
        sessions = [
            NewSession(
                opened.unit(unit), first.liquid, tall, higher(k), first.marks, Source(f"{k}.csv", f"{k}" * 64)
            )
            for k, unit in enumerate(("u0", "u1", "u2"), 5)
        ]
        roles = {"u0": Role.FIT, "u1": Role.CHOOSE, "u2": Role.PROVE}
        frozen = opened.freeze("tall", opened.add_sessions(sessions), GroupBy.UNIT, roles)
        made, good = adds("tower", 64), opened.model("good")
        opened.add_model(
            replace(good, name="tower", sha256=digest(made), frozen=frozen, program=to_json(made))
        )
        opened.add_model(replace(good, name="again"))
    for second, said in (
        ("good", "models good and good: one and the same program; expected two models that differ"),
        ("again", "models good and again: one and the same program"),
        ("tower", "made for tank can@1 and for tank tower@1; expected two models for the same tank"),
    ):
        done = innage(store, "compare", "good", second)
        assert (done.exit_code, said in " ".join(done.stderr.split())) == (2, True), done.stderr
    with Store.open(store) as opened:
        assert [opened.prove_openings(opened.frozen_set(name)) for name in ("all", "tall")] == [0, 0]


def test_sessions_that_a_model_was_made_from_are_refused(store: Path) -> None:
    done = innage(store, "compare", "good", "bad", "--frozen", "other")
    assert done.exit_code == 2
    assert "model good: was made from session" in done.stderr
    assert innage(store, "compare", "good", "bad", "--role", "fit").exit_code == 2


def test_a_trim_outside_a_models_limits_is_named(store: Path) -> None:
    """By unit, kind and pad, and what to do; only units that are judged are looked at, and no opening is
    counted.
    """
    made = replace(adds("trimmed", 0), trim=Interval((0,), (2000,)), trim_kinds=("full",))
    with Store.open(store) as opened:
        sessions, frozen = opened.sessions(), opened.frozen_set("all")
        for unit, count in (("u0", 7000), ("u2", 1500), ("u3", 2001), ("u4", 1500)):
            opened.add_trim(
                Trim(opened.unit(unit), sessions[0].mounting, TrimKind.FULL, (count,), "2026-01-01", "line")
            )
        again = opened.freeze("again", sessions, frozen.group_by, dict(frozen.roles))
        opened.add_model(Model("trimmed", digest(made), again, None, "{}", "{}", "{}", to_json(made), b""))
    done = innage(store, "compare", "good", "trimmed", "--frozen", "again")
    assert done.exit_code == 2, done.output
    assert (
        "unit u3 on mounting bench, full trim, pad pad: 2001; expected 0 to 2000, the limits "
        "of trims that model trimmed declares. Both" in done.stderr
    )
    with Store.open(store) as opened:
        assert opened.prove_openings(opened.frozen_set("again")) == 0


@pytest.mark.longer
def test_a_sweep_with_nothing_to_stand_says_why(store: Path) -> None:
    """'bad' is 2 mm off and its limit 1 mm, so no limit is met to begin with."""
    done = innage(store, "sweep", "bad")
    assert done.exit_code == 0, done.output
    assert "None of owner@1 is met without drift on the choose groups" in done.stdout


@pytest.mark.longer
def test_a_sweep_answers_limits_and_with_strict_ends_as_they_say(store: Path) -> None:
    """'bad' is 2 mm off, and the unit reads 0.16 mm high: beyond 1 mm, within 5 mm on too few groups."""
    with Store.open(store) as opened:
        opened.add_limits(Limits("many", 0, (Limit("p95_abs_mm", 5.0, min_groups=9),)))
    done = innage(store, "sweep", "bad", "--strict", "--json")
    assert (done.exit_code, json.loads(done.stdout)["answers"][0]["answer"]) == (1, "not met")
    few = innage(store, "sweep", "bad", "--limits", "many", "--strict")
    assert (few.exit_code, "not enough evidence" in few.stdout) == (3, True)


@pytest.mark.slow
def test_a_sweep_says_how_far_a_baseline_may_drift(store: Path, tmp_path: Path) -> None:
    """The swing is 80 mm = 5120 counts, an eighth and more of it off the label beyond the bound of 1 mm at 2
    % (1.6 mm), not at 1 % (0.8 mm).

    The one choose unit reads 10 counts (0.16 mm) high: 0.96 mm at +1 %, 0.64 mm at -1 %, 1.44 mm at -2 %.
    """
    done = innage(store, "sweep", "good", "--json", "--picture", str(tmp_path / "s.svg"))
    assert done.exit_code == 0, done.output
    facts = json.loads(done.stdout)
    its = facts["stands"]
    assert (its["baseline_up_pct"], its["baseline_down_pct"], its["dead_pads"]) == (1, 1, [])
    assert (facts["rows"][0]["kind"], facts["rows"][0]["fails"], facts["openings"]) == ("none", [], 0)
    up = next(r for r in facts["rows"] if r["kind"] == "baseline" and r["amount"] == 2)
    assert up["p95_mm"] == pytest.approx(1.6 + 10 / 64, abs=0.01)
    assert up["fails"] == ["p95_abs_mm all"]
    film = next(
        r for r in facts["rows"] if r["kind"] == "film" and r["amount"] == 2
    )  # on nine tenths of the pad at 10 mm: 1.44 mm too high
    assert film["p95_mm"] == pytest.approx(0.9 * 1.6 + 10 / 64, abs=0.01)
    assert its["film_pct"] == 1
    said = innage(store, "sweep", "good")
    assert "baseline: no limit fails from -1 % to +1 % of the swing, in the steps above." in said.stdout
    assert "film above the liquid: no limit fails up to 1 % of the swing on every pad" in said.stdout
    assert "one dead pad: a limit fails whichever it is." in said.stdout
