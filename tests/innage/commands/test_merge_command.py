"""``innage merge`` as a user sees it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from building import put
from dataset.records import Liquid, Tank, Unit
from dataset.store import Store
from innage.cli import app


@pytest.fixture
def right(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    """The other bench's store; the store of the commands shares a tank's name with it."""
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "left.db"))
    put(Store.open(tmp_path / "left.db"), Tank("can", 0, 100.0))
    other = Store.open(tmp_path / "right.db")
    put(other, Tank("can", 0, 120.0), Unit("u1"))
    return other


def run(*words: str, code: int = 0) -> Result:
    result = CliRunner().invoke(app, list(words), catch_exceptions=False)
    assert result.exit_code == code, result.output + result.stderr
    return result


def test_a_merge_says_what_came_in(right: Store) -> None:
    """A dry run, the merge and a second one each say what they did; revisions that got another number are
    named.
    """
    dry = run("merge", str(right.path), "--dry-run").output
    assert "tank can@1 of right.db is can@2 here" in dry
    assert "nothing was written; 2 new" in dry
    assert json.loads(run("unit", "list", "--json").output) == []
    assert "2 new; right.db is as it was" in run("merge", str(right.path)).output
    assert [t["revision"] for t in json.loads(run("tank", "list", "--json").output)] == [1, 2]
    again = json.loads(run("merge", str(right.path), "--json").output)
    assert (again["new"], again["counts"]) == (
        0,
        [{"known": 1, "new": 0, "what": "tank"}, {"known": 1, "new": 0, "what": "unit"}],
    )
    assert "nothing new in right.db" in run("merge", str(right.path)).output


def test_two_stores_whose_files_have_one_name(
    right: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other one is called by its path."""
    (tmp_path / "here").mkdir()
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "here" / "right.db"))
    monkeypatch.chdir(tmp_path)
    said = run("merge", right.path.name).output
    assert "right.db into right.db" not in said
    assert f"2 new; {right.path} is as it was" in "".join(said.splitlines(keepends=True)[-1:])


@pytest.mark.longer
def test_a_bench_that_nobody_has_named_takes_its_own_name_for_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Named after its units came in, it is called so here too, in options as well; a name that was given here
    stays, and so does this store's own.
    """
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "left.db"))
    with Store.open(tmp_path / "left.db", bench="a" * 32) as left:
        put(left, Unit("u1"))
    with Store.open(tmp_path / "far.db", bench="b" * 32) as far:
        put(far, Unit("u1"))
    run("merge", str(tmp_path / "far.db"))
    with Store.open(tmp_path / "far.db") as far:
        far.name_bench(far.bench().identity, "south")
    dry = run("merge", str(tmp_path / "far.db"), "--dry-run").output
    assert "bench bench-bbbbbb is called south from now on, as there" in dry
    assert benches() == {"bench-aaaaaa", "bench-bbbbbb"}
    run("merge", str(tmp_path / "far.db"))
    assert benches() == {"bench-aaaaaa", "south"}
    assert run("unit", "show", "u1@south").output
    run("check")
    run("unit", "name-bench", "by-the-door", "--bench", "south")
    assert "bench by-the-door is called south in" in run("merge", str(tmp_path / "far.db")).output
    assert benches() == {"bench-aaaaaa", "by-the-door"}
    run("merge", str(tmp_path / "left.db"), "--store", str(tmp_path / "far.db"))
    with Store.open(tmp_path / "far.db") as far:
        assert far.bench().name == "south"
        far.name_bench("a" * 32, "north")
    assert "bench bench-aaaaaa is called north in" in run("merge", str(tmp_path / "far.db")).output
    assert benches() == {"bench-aaaaaa", "by-the-door"}


def benches() -> set[str]:
    return {bench["name"] for bench in json.loads(run("unit", "benches", "--json").output)}


def test_a_contradiction_is_one_sentence(right: Store, tmp_path: Path) -> None:
    """Exit code 2, and a sentence that names the record, the fact, and both files."""
    put(right, Liquid("tea", 78.0))
    put(Store.open(tmp_path / "left.db"), Liquid("tea", 80.0))
    said = run("merge", str(right.path), code=2).stderr
    assert said == (
        "innage: liquid tea: permittivity is 80 in left.db and 78 in right.db; expected the same content "
        "under the same name. Nothing was merged; one of the two needs another name\n"
    )
