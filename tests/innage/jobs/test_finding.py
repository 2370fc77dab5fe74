"""One set of filters finds sessions, whichever command asks."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import typer

from building import Bench, bench_store, put
from calling import run, run_json
from dataset.errors import InputError, NotFoundError
from dataset.records import (
    Conditions,
    DoorWarning,
    Flow,
    Occasion,
    Operator,
    Restatement,
    Stretch,
    Surface,
    Trim,
    TrimKind,
    Unit,
    Wall,
)
from dataset.store import Store
from dataset.store.listing import names, session_lines
from dataset.values import natural
from innage.cli import app
from innage.jobs.models.choosing import Choice, freeze
from innage.jobs.sessions.finding import (
    SessionFilter,
    as_people_count,
    line_of,
    read_day,
    settle,
    why_none,
)
from innage.jobs.tables import Remarks, frame_table, log_table, session_table

FOAM = Conditions(surface=(Surface.FOAM,), wall=(Wall.FILM,), tilt_deg=(1.0, 0.0), appliance="pump on")
FILLING = Conditions(flow=Flow.FILLING)
FILTERED = ("sessions", "gaps", "plan", "freeze", "models")


@pytest.fixture
def new_store(tmp_path: Path) -> Store:
    return Store.open(tmp_path / "innage.db", bench="a1" * 16)


@pytest.fixture
def bench(new_store: Store) -> Bench:
    """Four sessions of units unit-1, unit-2 and unit-10 on two tanks, each with something that others have
    not.
    """
    bench = bench_store(new_store, unit=("unit-10", "unit-2", "unit-1"))
    taller = new_store.add_tank(replace(bench.tank, span_mm=120.0))
    (mounting,) = put(new_store, replace(bench.mounting, name="m10", tank=taller))
    new_store.add_operator(Operator("ab"))
    new_store.add_operator(Operator("cd"))
    ten, two, one = bench.units
    sessions = new_store.add_sessions(
        [
            replace(
                bench.session(1, unit=ten),
                occasion=Occasion("ab", "a1" * 16, "2026-03-02T23:30:00-05:00", "1"),
                tags=("humid",),
            ),
            replace(bench.session(2, unit=two), stretches=(Stretch(0, 10, FOAM), Stretch(10, 20, FILLING))),
            replace(
                bench.session(3, unit=one),
                mounting=mounting,
                occasion=Occasion("cd", started="2026-03-04T08:00:00+01:00"),
                simulated=True,
                warnings=(DoorWarning("noise", "a lot"), DoorWarning("noise", "more")),
            ),
            replace(bench.session(4, unit=two), occasion=Occasion("cd", started="2026-03-01T08:00:00+01:00")),
        ]
    )
    new_store.void(sessions[1].id, "wrong unit")
    new_store.tag([sessions[3].id], ["humid", "late"])
    new_store.untag([sessions[3].id], ["humid"])
    return bench


def found(store: Store, **wanted: Any) -> list[int]:
    """The numbers of the sessions that a filter leaves, by the store and by the list alike."""
    only, sessions = SessionFilter(**wanted), store.sessions()
    by_store = [k for k, session in enumerate(sessions, 1) if session in only.of_sessions(sessions)]
    lines = session_lines(store.path) or ()
    assert by_store == [k for k, line in enumerate(lines, 1) if only.fits(line)]
    return by_store


def test_a_line_is_what_the_session_says(new_store: Store, bench: Bench) -> None:
    """The quick list and the records agree on every fact."""
    session = new_store.sessions()[0]
    for firmware in ("2", "3"):
        new_store.amend_session(session.id, Restatement(firmware=firmware), "ab", "read off")
    assert line_of(new_store.session(session.id)).amendments == 1
    assert session_lines(new_store.path) == tuple(line_of(s) for s in new_store.sessions())


@pytest.mark.usefixtures("bench")
def test_each_field_leaves_what_has_it(new_store: Store) -> None:
    noisy = [k for k, s in enumerate(new_store.sessions(), 1) if any(w.check == "noise" for w in s.warnings)]
    quiet = [k for k, s in enumerate(new_store.sessions(), 1) if not s.warnings]
    assert 3 in noisy
    for wanted, numbers in (
        ({}, [1, 2, 3, 4]),
        ({"unit": ("unit-2",)}, [2, 4]),
        ({"unit": ("unit-2", "unit-10")}, [1, 2, 4]),
        ({"tank": ("canister",)}, [1, 2, 3, 4]),
        ({"tank": ("canister@2",)}, [3]),
        ({"liquid": ("oil",)}, []),
        ({"condition": ("film",)}, [2]),
        ({"condition": ("wall=film",)}, [2]),
        ({"condition": ("surface=foam", "wall = film")}, [2]),
        ({"condition": ("tilted",)}, [2]),
        ({"condition": ("filling", "pump on")}, [2]),
        ({"tag": ("humid",)}, [1]),
        ({"tag": ("humid", "late")}, [1, 4]),
        ({"operator": ("cd",)}, [3, 4]),
        ({"bench": ("a1" * 16,)}, [1]),
        ({"since": date(2026, 3, 2)}, [1, 3]),
        ({"until": date(2026, 3, 2)}, [1, 4]),
        ({"since": date(2026, 3, 2), "until": date(2026, 3, 2)}, [1]),
        ({"warning": "noise"}, noisy),
        ({"warning": "none"}, quiet),
        ({"warning": "any"}, sorted({1, 2, 3, 4} - set(quiet))),
        ({"void": True}, [2]),
        ({"void": False}, [1, 3, 4]),
        ({"simulated": True}, [3]),
        ({"simulated": False}, [1, 2, 4]),
        ({"operator": ("cd",), "simulated": False}, [4]),
    ):
        assert found(new_store, **wanted) == numbers, wanted


@pytest.mark.usefixtures("bench")
def test_lists_stand_as_people_count(new_store: Store) -> None:
    """unit-2 before unit-10, m1 before m10, and of one unit what began first first."""
    lines = as_people_count(session_lines(new_store.path) or ())
    assert [(line.mounting, line.unit, line.started) for line in lines] == [
        ("m1", "unit-2", None),
        ("m1", "unit-2", "2026-03-01T08:00:00+01:00"),
        ("m1", "unit-10", "2026-03-02T23:30:00-05:00"),
        ("m10", "unit-1", "2026-03-04T08:00:00+01:00"),
    ]
    assert names(new_store.path, "unit") == ("unit-1", "unit-2", "unit-10")
    assert names(new_store.path, "tag") == ("humid", "late")
    assert names(new_store.path, "operator") == ("ab", "cd")
    assert sorted(["b2", "b10", "a"], key=natural) == ["a", "b2", "b10"]


@pytest.mark.usefixtures("bench")
def test_nothing_left_says_why(new_store: Store) -> None:
    lines = [line_of(session) for session in new_store.sessions()]
    assert why_none(SessionFilter(tag=("dry",)), lines) == "no session: tag dry (there are: humid, late)"
    both = SessionFilter(tag=("humid",), simulated=True)
    assert why_none(both, lines) == "no session: tag humid, simulated"
    with pytest.raises(NotFoundError, match="unit-3"):
        settle(new_store, SessionFilter(unit=("unit-3",)))
    with pytest.raises(InputError, match="a day such as") as refused:
        read_day("since", "monday")
    assert refused.value.fields == ("since",)
    with pytest.raises(InputError, match="condition: 'surface=foam,wall=film'; expected one, such as film"):
        SessionFilter(condition=("surface=foam,wall=film",))
    with pytest.raises(InputError, match=r"condition, wall: .*flim"):
        SessionFilter(condition=("wall=flim",))


@pytest.mark.usefixtures("bench")
def test_a_set_is_frozen_of_what_a_filter_leaves(new_store: Store) -> None:
    choice = Choice(only=SessionFilter(operator=("ab", "cd"), simulated=False))
    frozen = freeze(new_store, "set", group_by="unit", roles={"fit": ["rest"]}, sessions=choice)
    assert {session.unit.name for session in frozen.sessions} == {"unit-10", "unit-2"}
    assert len(frozen.sessions) == 2


def test_every_command_has_the_same_filters() -> None:
    """Names, texts and defaults; 'void' and 'limit' only where they can say something."""
    root: Any = typer.main.get_command(app)
    texts: dict[str, set[str]] = {}
    for name in FILTERED:
        for parameter in root.get_command(None, name).params:
            texts.setdefault(parameter.name, set()).add(f"{parameter.opts} {getattr(parameter, 'help', '')}")
    for field in SessionFilter.__dataclass_fields__:
        assert len(texts[field]) == 1, field
    given = {
        name: {p.name for p in root.get_command(None, name).params} & set(SessionFilter.__dataclass_fields__)
        for name in FILTERED
    }
    every = set(SessionFilter.__dataclass_fields__)
    assert given == {
        "sessions": every,
        "gaps": every - {"void"},
        "plan": every - {"void"},
        "freeze": every - {"void", "limit"},
        "models": every,
    }


@pytest.mark.usefixtures("bench")
def test_sessions_are_found_on_the_command_line(new_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The table and JSON show the same; a limit shows the newest; what none fits says why."""
    monkeypatch.setenv("INNAGE_STORE", str(new_store.path))
    ids = [session.id for session in new_store.sessions()]
    assert [s["id"] for s in run_json("sessions")] == ids
    assert [s["id"] for s in run_json("sessions", "--operator", "cd", "--usable")] == [ids[2], ids[3]]
    table = run("sessions", "--unit", "unit-2", "--unit", "unit-10")
    assert [table.index(ids[k]) for k in (1, 3, 0)] == sorted(table.index(ids[k]) for k in (1, 3, 0))
    assert ids[2] not in table
    assert "2026-03-02" in table
    assert "tag: humid" in table
    assert [s["id"] for s in run_json("sessions", "--limit", 2)] == ids[2:]
    assert run("sessions", "--limit", 1).endswith("the newest 1 of 4 sessions\n")
    assert run("sessions", "--tag", "dry") == "no session: tag dry (there are: humid, late)\n"
    assert run_json("sessions", "--tag", "dry") == []
    new_store.name_bench(new_store.bench().identity, "cellar")
    assert [s["id"] for s in run_json("sessions", "--bench", "cellar")] == ids[:1]
    assert "cellar" in run("sessions", "--bench", "a1a1a1")
    assert [s["id"] for s in run_json("sessions", "--unit", "unit-10@cellar")] == ids[:1]
    assert run("sessions", "--unit", "unit-3", code=2).startswith("innage: unit unit-3: is not in the store")
    assert run("sessions", "--since", "monday", code=2).startswith(
        "innage: --since: 'monday'; expected a day"
    )
    missing = run("sessions", "--operator", "xy", code=2)
    assert missing == "innage: operator xy: is not in the store. There are: ab, cd\n"
    shown = run_json("show", ids[3])
    assert (shown["operator"], shown["tags"]) == ("cd", ["late"])
    assert [event["removes"] for event in shown["tag_events"]] == [False, False, True]


@pytest.mark.usefixtures("bench")
def test_gaps_and_plans_are_of_what_a_filter_leaves(
    new_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("INNAGE_STORE", str(new_store.path))
    cells = run_json("gaps", "--operator", "cd", "--measured")["cells"]
    assert {cell["unit"] for cell in cells} == {"unit-2"}
    assert run("gaps", "--tag", "dry").startswith("no session: tag dry (there are: humid, late): try ")
    assert "1 of 2 lines" in run("gaps", "--limit", 1)
    planned = run_json("plan", "--tank", "canister@1", "--unit", "unit-1", "--unit", "unit-10")
    proposed = [proposal["unit"] for proposal in planned["proposals"]]
    assert "unit-1" not in proposed  # it is glued to the taller tank
    assert all(unit == "unit-10" or unit.startswith("a new unit") for unit in proposed)
    put(new_store, Unit("unit-3"), Unit("unit-4"))
    new_store.retire("unit", "unit-3", "dropped")
    assert "units without a session: unit-4" in run_json("gaps")["missing"]
    assert "unit-3" not in {proposal["unit"] for proposal in run_json("plan")["proposals"]}


def test_a_unit_shows_its_history(new_store: Store, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its own sessions and trims, void ones too, and the mountings of either."""
    monkeypatch.setenv("INNAGE_STORE", str(new_store.path))
    unit = new_store.unit("unit-1")
    new_store.add_trim(Trim(unit, bench.mounting, TrimKind.FULL, (40000, 40000), "2026-01-01", "line"))
    ids = [session.id for session in new_store.sessions()]
    shown = run_json("unit", "show", "unit-1")
    assert (shown["mountings"], shown["sessions"]) == (["m1", "m10"], [ids[2]])
    assert [(t["kind"], t["date"], t["mounting"]) for t in shown["trims"]] == [("full", "2026-01-01", "m1")]
    assert run_json("unit", "show", "unit-2")["sessions"] == [ids[1], ids[3]]
    told = run("unit", "show", "unit-2")
    assert "void" in told
    assert "2026-03-01" in told
    listed = run("unit", "list")
    assert listed.index("unit-2 ") < listed.index("unit-10")


def test_tables_say_who_and_when(new_store: Store, bench: Bench) -> None:
    """The sessions as pandas has them, and a table logged with an occasion."""
    table = session_table(new_store)
    assert table["operator"].fillna("").tolist() == ["ab", "", "cd", "cd"]
    assert table["tags"].tolist() == [("humid",), (), (), ("late",)]
    occasion = Occasion("ab", started="2026-03-05T10:00:00+01:00")
    frames = frame_table(new_store, new_store.sessions()[0].id).assign(low=range(40))
    logged = log_table(
        new_store,
        frames,
        unit="unit-1",
        liquid=bench.liquid.name,
        mounting="m10",
        name="again",
        remarks=Remarks(occasion=occasion, tags=("copied",)),
    )
    assert (logged.occasion, logged.tags) == (occasion, ("copied",))
