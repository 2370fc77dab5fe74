"""Freezing on the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calling import OSCILLATOR, READINGS, run, run_json, run_lines
from dataset.store import Store
from innage.cli import app

SETUP = f"""tank add can --span-mm 100
liquid add water
unit add u1
unit add u2
{OSCILLATOR}
mounting add m --tank can --sensor osc"""
LOG = ["--tank", "can", "--liquid", "water", "--sensor", "osc"]
FIT = "0,15,25,35,45,55,65,75,85,95"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with the real readings of unit u1, a short labelled session of u2, and one without labels."""
    folder = tmp_path_factory.mktemp("logged")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(folder / "innage.db"))
        run_lines(SETUP)
        columns = ["--time", "elapsed_ms", "--count", "N_counts", "--level", "level_cm", "--level-unit", "cm"]
        run("log", READINGS, *LOG, "--unit", "u1", *columns)
        (folder / "short.csv").write_text("p0,mm\n50000,0\n49000,0\n30000,15\n")
        (folder / "bare.csv").write_text("p0\n50001\n")
        run("log", folder / "short.csv", *LOG, "--unit", "u2", "--level", "mm")
        run("log", folder / "bare.csv", *LOG, "--unit", "u2")
    return (folder / "innage.db").read_bytes()


def test_levels_of_the_real_readings(store: Path) -> None:
    """The split of the readings by their levels: 380 frames to fit, 388 to prove.

    Source: innage/demo_data/SOURCE.txt for the levels; fit at 0, 15, 25, ..., 95 mm, prove at 10, 20, ...,
        100 mm.
    """
    real = run_json("sessions")[0]["id"]
    said = run("freeze", "levels", "--session", real, "--group", "level", "--fit", FIT, "--prove", "rest")
    assert "frames: fit 380, prove 388; sessions: 1 (measured); trims: 0; hash" in said
    found = run_json("frozen", "levels")
    by_role = {role: [g["group"] for g in found["groups"] if g["role"] == role] for role in ("fit", "prove")}
    assert by_role["fit"] == FIT.split(",")
    assert by_role["prove"] == [str(level) for level in range(10, 101, 10)]
    assert sum(g["frames"] for g in found["groups"] if g["role"] == "fit") == 380
    assert found["sha256"] in said
    again = run_json(
        "freeze",
        "again",
        "--session",
        real,
        "--group",
        "level",
        "--fit",
        "0.0,15.0," + FIT[5:],
        "--prove",
        "rest",
    )
    assert again["sha256"] == found["sha256"]


def test_a_tank_without_a_group_to_prove_is_named(store: Path, tmp_path: Path) -> None:
    """A draw of units may leave all of a tank's out of 'prove'; that is said, unless the groups are tanks."""
    run("tank", "add", "low", "--span-mm", "90")
    run("mounting", "add", "m-low", "--tank", "low", "--sensor", "osc")
    (tmp_path / "low.csv").write_text("p0,mm\n50002,0\n30002,15\n")
    low = [*LOG, "--mounting", "m-low", "--unit", "u3", "--level", "mm"]
    low[1] = "low"
    run("unit", "add", "u3")
    run("log", tmp_path / "low.csv", *low)
    said = " ".join(run("freeze", "one", "--group", "unit", "--fit", "u1,u3", "--prove", "u2").split())
    assert "warning: no group to prove is of tank low@1:" in said
    assert run_json("frozen", "one")["tanks_without_prove"] == ["low@1"]
    for name, split in (
        ("each", ("--group", "unit", "--fit", "u1", "--prove", "u2,u3")),
        ("new", ("--group", "tank", "--fit", "can@1", "--prove", "low@1")),
        ("open", ("--group", "unit", "--fit", "u1,u2,u3")),
    ):
        assert "no group to prove" not in run("freeze", name, *split)
        assert run_json("frozen", name)["tanks_without_prove"] == []


def test_sessions_that_are_left_out(store: Path) -> None:
    """By default every session that is labelled and not void is taken, and those left out are named; a level
    of two sessions is one group.
    """
    ids = [s["id"] for s in run_json("sessions")]
    assert f"left out session {ids[2]}: no labelled frame\n" in run(
        "freeze", "all", "--group", "level", "--fit", FIT, "--prove", "rest"
    )
    groups = {g["group"]: g for g in run_json("frozen", "all")["groups"]}
    assert (groups["15"]["frames"], sorted(groups["15"]["sessions"])) == (49, sorted(ids[:2]))
    run("void", ids[1], "--reason", "spilled")
    said = run("freeze", "less", "--group", "level", "--fit", FIT, "--prove", "rest")
    assert f"left out session {ids[1]}: void\n" in said
    assert f"session {ids[1]} was voided since: spilled" in run("frozen", "all")


def test_roles_by_number_of_levels(store: Path) -> None:
    """Numbers are drawn by the seed, which is kept; units have one role each, and names keep no seed."""
    one, two = (
        run_json("freeze", name, "--group", "level", "--roles", "fit:12,calibrate:3,prove:5", "--seed", "7")
        for name in ("a", "b")
    )
    assert one["sha256"] == two["sha256"]
    assert one["seed"] == 7
    assert [sum(g["role"] == role for g in one["groups"]) for role in ("fit", "calibrate", "prove")] == [
        12,
        3,
        5,
    ]
    units = run_json("freeze", "c", "--group", "unit", "--fit", "u1", "--prove", "u2")
    assert [(g["group"], g["role"], g["frames"]) for g in units["groups"]] == [
        ("u1", "fit", 768),
        ("u2", "prove", 3),
    ]
    assert units["seed"] is None


def test_listing_and_openings(store: Path) -> None:
    """Frozen sets are listed with how many groups each role has; a set shows how often and for what 'prove'
    was opened.
    """
    assert run("frozen").startswith("no frozen sets yet: try 'innage freeze")
    run("freeze", "units", "--group", "unit", "--fit", "u1", "--prove", "u2")
    assert "units" in run("frozen")
    assert run_json("frozen")[0]["name"] == "units"
    assert run("frozen", "units").endswith("openings of 'prove' so far: 0\n")
    opened = Store.open(store)
    opened.open_prove(opened.frozen_set("units"), "final figures")
    assert run("frozen", "units").endswith("openings of 'prove' so far: 1 (final figures)\n")
    assert run_json("frozen", "units")["prove_openings"] == 1


def test_roles_by_number(store: Path) -> None:
    """Numbers of groups are drawn with a seed, which is kept; a role without a number takes the rest."""
    made = run_json("freeze", "x", "--group", "unit", "--roles", "fit:1, prove", "--seed", "1")
    assert sorted(g["role"] for g in made["groups"]) == ["fit", "prove"]
    assert made["seed"] == 1
    assert (
        run_json("freeze", "y", "--group", "unit", "--roles", "fit:1,prove:1", "--seed", "1")["sha256"]
        == made["sha256"]
    )


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--fit", "u1"], "no role for 1 group: u2; expected every group exactly one role"),
        (["--fit", "u1,u3", "--prove", "rest"], "--fit: no group is called 'u3'. There are: u"),
        (["--fit", "u1", "--prove", "u1,u2"], "--prove: group u1 is named under fit already"),
        (
            [],
            (
                "groups: none has a role; expected --fit, --choose, --calibrate, --prove with names of "
                "groups, or --roles with numbers of them. The groups are: u1, u2"
            ),
        ),
        (["--fit", "u1", "--roles", "fit:2"], "roles: given in two ways; expected --fit, --choose"),
        (
            ["--roles", "fit:1,prove:2"],
            "--roles: fit:1, prove:2; expected numbers above 0 that sum to the 2 groups there are",
        ),
        (["--roles", "fit:2,prove"], "--roles: fit:2, prove:0; expected numbers above 0"),
        (["--roles", "fit:1,test:1"], "--roles: 'test:1'; expected each role once, ROLE:GROUPS"),
        (["--roles", "fit:1,fit:1"], "--roles: 'fit:1'; expected each role once"),
        (["--roles", "fit:-1,prove"], "--roles: 'fit:-1'; expected each role once"),
        (["--roles", "fit,prove"], "--roles: fit and prove both take the rest"),
        (["--session", "fff", "--fit", "rest"], "session fff: is not in the store. See 'innage sessions'"),
    ],
)
def test_refusals(store: Path, refused: Callable[..., str], options: list[str], sentence: str) -> None:
    """A split that is not one, or names what is not there, is refused and nothing is frozen."""
    assert sentence in refused("freeze", "x", "--group", "unit", *options)
    assert run_json("frozen") == []


def test_sessions_of_one_tank(store: Path) -> None:
    """--tank takes the sessions on a tank, with or without its revision, and names the tanks there are when
    none fits.
    """
    every = {s["id"]: s["tank"] for s in run_json("sessions") if s["labelled"]}
    tank = next(iter(every.values()))
    said = run_json("freeze", "one-tank", "--tank", tank, "--group", "session", "--fit", "rest")
    assert set(said["sessions"]) == {s for s, its in every.items() if its == tank}

    refused = CliRunner().invoke(
        app, ["freeze", "none", "--tank", "barrel", "--group", "session", "--fit", "rest"]
    )
    assert refused.exit_code == 2
    assert "tank barrel: is not in the store. There are: can" in refused.stderr
