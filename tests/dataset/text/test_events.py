"""Amendments, retirements and unions of units as text: what is written reads back to the same events, in
whichever store has what they are of, and nothing that was changed by hand comes in.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from building import Bench, put
from dataset.canonical import amendment_content, amendment_sha256
from dataset.canonical_text import canonical_json
from dataset.errors import InnageError, InputError
from dataset.records import Conditions, Liquid, Operator, Restatement, Stretch, Unit
from dataset.store import Store
from dataset.store.whole.integrity import check_store
from dataset.text.events import AmendmentLine, SaidLater, read_events, write_events
from dataset.words import Wall

BY = ("A. Bench", "=read the label, again")
Filled = tuple[dict[str, str], Path]


@pytest.fixture(scope="module")
def filled(
    template: Path, tmp_path_factory: pytest.TempPathFactory, register: Callable[[Store], Bench]
) -> Filled:
    """The text of a store with a session amended twice, then on a second bench at once, a tank retired and
    taken back, a retired liquid, units that are one and were parted again; and the store as it was before.
    """
    folder = tmp_path_factory.mktemp("events")
    with Store.open(shutil.copy(template, folder / "one.db")) as store:
        bench = register(store)
        tea, second, third = put(store, Liquid("tea"), Unit("unit2"), Unit("unit3"))
        (session,) = store.add_sessions([bench.session(1)])
        store.add_operator(Operator("ab"))
        before = shutil.copy(store.path, folder / "before.db")
    with Store.open(shutil.copy(before, folder / "two.db")) as other:
        other.amend_session(session.id, Restatement(firmware="2.0"), *BY)
    with Store.open(folder / "one.db") as store:
        film = (Stretch(0, 5, Conditions(wall=(Wall.FILM,))),)
        store.amend_session(session.id, Restatement(unit=second, liquid=tea, stretches=film), *BY)
        store.amend_session(session.id, Restatement(operator="ab", started="2026-03-02T09:15:00+01:00"), *BY)
        store.merge(folder / "two.db")
        store.retire("tank", bench.tank.name, "=no longer made")
        store.take_back_retirement("tank", bench.tank.name, "it is")
        store.retire("liquid", "tea", "stains")
        store.unite_units(second.name, third.name, "one label on both")
        store.part_units(second.name, third.name, "two after all")
        store.unite_units(second.name, third.name, "one, by its scratches")
        return store.to_text(), Path(before)


@pytest.fixture
def before(filled: Filled, tmp_path: Path) -> Store:
    return Store.open(shutil.copy(filled[1], tmp_path / "before.db"))


@pytest.mark.longer
def test_all_of_it_reads_back(filled: Filled, before: Store) -> None:
    """The store that has the session says the same of it afterwards, retires what was retired, takes units
    for one, writes the same files, and is sound; a second time nothing is new.
    """
    report = before.from_text(filled[0])
    new = {taken.kind: taken.new for taken in report.merged.taken if taken.new}
    assert new == {"retirement": 2, "retirement taken back": 1, "unit union": 3, "amendment": 3}
    assert before.to_text() == filled[0]
    (session,) = before.sessions()
    assert (session.unit.name, session.liquid.name) == ("unit2", "tea")
    assert session.occasion.operator == "ab"
    assert len(session.amended_apart) == 2
    assert before.retired("liquid") == {"tea": "stains"}
    assert before.retired("tank") == {}
    assert [unit.name for unit in before.units() if unit.name.startswith("unit")].count("unit3") == 0
    assert before.from_text(filled[0]).merged.new == 0
    before.close()
    assert check_store(before.path).faults == ()


def test_without_the_session_its_amendments_stay_elsewhere(
    filled: Filled, template: Path, tmp_path: Path
) -> None:
    """What is of the registry comes in all the same."""
    with Store.open(shutil.copy(template, tmp_path / "blank.db")) as blank:
        report = blank.from_text(filled[0])
        assert len(report.elsewhere) == 1
        assert "amendment" not in {taken.kind for taken in report.merged.taken}
        assert blank.retired("liquid") == {"tea": "stains"}
        again = blank.to_text()
    for name in ("retirements.csv", "unit_unions.csv"):
        assert again[name] == filled[0][name]


REFUSED = [
    ("retirements.csv", "stains", "smells", "liquid tea: it hashes to"),
    ("retirements.csv", "takes_back", "back", "other columns"),
    ("retirements.csv", ",yes", ",si", "takes_back: 'si'; expected yes, or an empty cell"),
    ("retirements.csv", ",stains,", ",,", "reason: an empty cell"),
    ("unit_unions.csv", "one label on both", "one label", "it hashes to"),
    ("amendments.csv", "A. Bench", "B. Bench", "amendment .*: .* hash"),
    ("amendments.csv", "2.0", "2.1", "amendment .*: .* hash"),
    ("amendments.csv", '""film""', '""dry""', "amendment "),
    ("amendments.csv", ",tea,", ",coffee,", "coffee"),
]


@pytest.mark.longer
@pytest.mark.parametrize(("name", "old", "new", "said"), REFUSED, ids=[f"{r[0]}-{r[1]}" for r in REFUSED])
def test_changed_by_hand(filled: Filled, before: Store, name: str, old: str, new: str, said: str) -> None:
    """Refused with file and event, and nothing is written."""
    assert old in filled[0][name]
    with pytest.raises(InnageError, match=said):
        before.from_text(filled[0] | {name: filled[0][name].replace(old, new, 1)})
    assert before.retired("liquid") == {}
    assert before.sessions()[0].amendment is None


def test_a_line_that_is_missing(filled: Filled, before: Store) -> None:
    """What follows an event that is not there is refused; so is a union of units that nobody registered."""
    files, session = filled[0], before.sessions()[0]
    assert session.sha256 in files["amendments.csv"]
    for name, said in (("amendments.csv", "follows"), ("unit_unions.csv", "follows")):
        head, *lines = files[name].splitlines(keepends=True)
        parents = {line.split(",")[0] for line in lines if any(line.split(",")[0] in o[65:] for o in lines)}
        without = [line for line in lines if line.split(",")[0] not in parents]
        assert len(without) < len(lines)
        with pytest.raises(InputError, match=said):
            before.from_text(files | {name: head + "".join(without)})
    units = files["units.toml"]
    start, stop = units.index("[unit2]"), units.index("[unit3]")
    expected = r"union .*: unit .*; expected the identity of a unit in units\.toml"
    with pytest.raises(InputError, match=expected):
        before.from_text(files | {"units.toml": units[:start] + units[stop:]})


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        (Restatement(operator="zz"), "zz"),
        (Restatement(stretches=(Stretch(0, 10_000, Conditions(wall=(Wall.FILM,))),)), "10000"),
    ],
)
def test_a_text_whose_hash_is_right_is_held_to_the_rules(
    filled: Filled, before: Store, stated: Restatement, said: str
) -> None:
    """Whoever writes a line with its hash can't state what could not be amended."""
    session = before.sessions()[0].sha256
    sha256 = amendment_sha256(session, (), *BY, stated)
    body = canonical_json(amendment_content(stated, ()))
    line = AmendmentLine(sha256, session, (), *BY, None, None, None, None, body)
    files = write_events(SaidLater(amendments=(line,)))
    assert read_events(files) == SaidLater(amendments=(line,))
    with pytest.raises(InnageError, match=said):
        before.from_text(filled[0] | files)


@pytest.mark.longer
@pytest.mark.parametrize("body", ["[]", "{}", '{"stretches":[1]}', "not JSON", '{"warnings":3}'])
def test_bodies_that_are_none(filled: Filled, before: Store, body: str) -> None:
    """Whatever stands in a cell, one sentence names the amendment."""
    session = before.sessions()[0].sha256
    line = AmendmentLine("0" * 64, session, (), *BY, None, None, None, None, body)
    with pytest.raises(InputError, match=r"amendments\.csv, amendment 000000000000"):
        before.from_text(filled[0] | write_events(SaidLater(amendments=(line,))))
