"""Tokens and the audit chain by their commands."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from stores import behind_the_back, every_row
from typer.testing import CliRunner

from calling import run, run_json
from dataset.records import Liquid, Receipt, Scope
from dataset.store import Store
from dataset.store.team.tokens import looks_whole
from innage.cli import app

RIG = "c" * 32


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "innage.db"
    Store.open(path).close()
    monkeypatch.setenv("INNAGE_STORE", str(path))
    return path


def add(*words: str) -> str:
    """The token that a command made."""
    done = CliRunner().invoke(app, ["token", "add", *words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    (shown,) = done.stdout.splitlines()
    assert shown[15:58] not in done.stderr
    return shown


def test_a_token_from_its_making_to_its_end(path: Path) -> None:
    """Standard output is the token alone, and nothing else ever shows it."""
    shown = add("rig-2", "--scope", "push,read", "--scope", "pull", "--days", "7", "--bench", RIG)
    assert looks_whole(shown)
    (token,) = run_json("token", "list")
    assert (token["id"], token["name"], token["state"]) == (shown[4:14], "rig-2", "good")
    assert (token["scopes"], token["bench"]) == (["read", "pull", "push"], RIG)
    said = run("token", "list") + run("token", "list", "--json") + run("audit", "list") + str(every_row(path))
    assert run("token", "revoke", shown[4:14], "--reason", "lost").startswith(
        f"token {shown[4:14]} for rig-2"
    )
    said += run("token", "list") + run("token", "list", "--json")
    said += run("token", "revoke", shown, "--reason", "lost", code=2)
    assert "revoked: lost" in said
    assert shown[15:58] not in said
    (token,) = run_json("token", "list")
    assert (token["state"], token["revoked_for"]) == ("revoked", "lost")


def test_a_bench_is_named_or_its_identity_stated(path: Path) -> None:
    with Store.open(path) as store:
        own = store.name_bench(store.bench().identity, "north")
    add("rig", "--scope", "push", "--bench", "north")
    assert run_json("token", "list")[0]["bench"] == own.identity
    assert "south" in run("token", "add", "rig", "--scope", "push", "--bench", "south", code=2)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("rig --scope everything", "--scope: 'everything'; expected some of read, pull, push"),
        ("rig --scope ,", "--scope: none; expected one at least of read"),
        ("rig --scope read --days 0", "--days: 0; expected 1 to 366"),
        ("no/name --scope read", "token"),
    ],
)
def test_bad_input_makes_no_token(path: Path, words: str, said: str) -> None:
    assert said in run("token", "add", *words.split(), code=2)
    assert run("token", "list").startswith("no tokens yet")
    assert run("audit", "list").startswith("no audit")


def test_no_store_is_made_for_a_token(tmp_path: Path) -> None:
    missing = tmp_path / "none.db"
    assert "is no store" in run("token", "add", "rig", "--scope", "read", "--store", missing, code=2)
    assert not missing.exists()


def test_acts_of_commands_are_in_the_chain(path: Path) -> None:
    """From the first token on; found again by what they are about."""
    run("liquid", "add", "before")
    add("nobody", "--scope", "read")
    run("liquid", "add", "water")
    run("retire", "liquid", "water", "--reason", "gone bad")
    rows = run_json("audit", "list")
    assert [(row["kind"], row["known_by"]) for row in rows] == [
        ("token", "user"),
        ("liquid", "user"),
        ("retirement", "user"),
    ]
    assert run_json("audit", "list", "--last", "1") == rows[-1:]
    assert run_json("audit", "list", "--who", rows[0]["who"]) == rows
    assert run_json("audit", "list", "--who", "nobody") == []
    assert run("audit", "list", "--token", "a" * 10) == "no such row\n"
    digits = rows[2]["about"][:10].upper()
    assert run_json("audit", "list", "--about", digits) == rows[1:]
    assert run_json("audit", "list", "--about", rows[2]["object_sha256"]) == rows[2:]
    assert "gone bad" in run("audit", "list")
    assert run_json("audit", "verify")["last_sha256"] == rows[2]["sha256"]
    assert "The chain is whole, as far as it can tell by itself" in run("audit", "verify")


@pytest.fixture
def pushed(path: Path, tmp_path: Path) -> tuple[Path, Path]:
    """A team's store with four rows, and a rig's with receipts for the last three."""
    rig = tmp_path / "rig.db"
    with Store.open(path) as store, Store.open(rig) as sender:
        store.add_token("nobody", [Scope.READ])
        for name in ("a", "b", "c"):
            store.add_liquid(Liquid(name, 80.0))
        sender.keep_receipts(
            [
                Receipt(row.kind, row.object_sha256, "https://lab", row.at, "d" * 64, row.number, row.sha256)
                for row in store.audit()[1:]
            ]
        )
    return path, rig


def test_receipts_of_a_rig_tell_what_the_chain_cannot(pushed: tuple[Path, Path], tmp_path: Path) -> None:
    """From its store, which is only read, or as JSON."""
    path, rig = pushed
    before = rig.read_bytes()
    assert "The chain is whole.\n" in run("audit", "verify", "--receipts", rig)
    as_json = tmp_path / "receipts.json"
    as_json.write_text(run("audit", "receipts", "--json", "--store", rig), encoding="utf-8")
    assert run_json("audit", "verify", "--receipts", as_json)["receipts"] == 3
    assert "https://lab" in run("audit", "receipts", "--store", rig)
    behind_the_back(path, "DELETE FROM audit WHERE number > 2")
    assert run_json("audit", "verify")["whole"]
    for file in (rig, as_json):
        said = run("audit", "verify", "--receipts", file, code=1)
        assert said.count("its end was cut off") == 2
    done = CliRunner().invoke(app, ["audit", "verify", "--receipts", str(rig), "--json"])
    assert (done.exit_code, json.loads(done.stdout)["whole"]) == (1, False)
    assert rig.read_bytes() == before


def test_receipts_of_several_servers_are_told_apart(pushed: tuple[Path, Path]) -> None:
    _, rig = pushed
    with Store.open(rig) as sender:
        (first, *_) = sender.receipts()
        sender.keep_receipts(
            [Receipt("void", "f" * 64, "https://other", first.received, "d" * 64, 9, "e" * 64)]
        )
    said = run("audit", "verify", "--receipts", rig, code=2)
    assert "are of several servers: 'https://lab', 'https://other'" in said
    assert "--server" in said
    assert "3 receipts" in run("audit", "verify", "--receipts", rig, "--server", "https://lab")
    assert "its end was cut off" in run(
        "audit", "verify", "--receipts", rig, "--server", "https://other", code=1
    )
    assert "expected one of 'https://lab'" in run(
        "audit", "verify", "--receipts", rig, "--server", "https://no", code=2
    )
    assert len(run_json("audit", "receipts", "--server", "https://other", "--store", rig)) == 1


GOOD: dict[str, Any] = {
    "kind": "void",
    "object_sha256": "f" * 64,
    "server": "https://lab",
    "received": "2026-03-02",
    "digest": "d" * 64,
    "audit_number": 1,
    "audit_sha256": "e" * 64,
}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("no JSON", "is neither a store nor JSON"),
        ("[" * 100_000, "is neither a store nor JSON"),
        ("{}", "is no list"),
        ("[1]", "receipt 1 has not the keys of one"),
        (json.dumps([GOOD, GOOD | {"more": 1}]), "receipt 2 has not the keys of one"),
        (json.dumps([GOOD | {"audit_number": "1"}]), "in receipt 1, audit_number is of another type"),
    ],
)
def test_a_file_that_holds_no_receipts(path: Path, tmp_path: Path, content: str, said: str) -> None:
    file = tmp_path / "receipts.json"
    file.write_text(content, encoding="utf-8")
    refused = run("audit", "verify", "--receipts", file, code=2)
    assert said in refused
    assert "innage audit receipts --json" in refused
    assert "cannot be read" in run("audit", "verify", "--receipts", tmp_path / "none", code=2)
