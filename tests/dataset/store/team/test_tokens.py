"""Tokens: shown once, kept as a hash, one answer for all that are not good."""

from __future__ import annotations

import ast
import hashlib
import inspect
import re
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import event
from stores import behind, every_row, refusal_of, unguarded

from dataset.errors import InputError, NotFoundError, StoreError
from dataset.records import Scope
from dataset.store import Store
from dataset.store.places import Address
from dataset.store.team import clock, tokens
from dataset.store.whole.integrity import check_store

EVERYTHING = [*Scope]


def at(monkeypatch: pytest.MonkeyPatch, days: float) -> None:
    """The clock is so many days ahead."""
    real = clock.now
    monkeypatch.setattr(clock, "now", lambda orm: real(orm) + timedelta(days=days))


def test_a_token_is_what_was_shown(team: Store) -> None:
    """It has its form, by the record its scopes in their order, and is the only text that is good."""
    record, shown = team.add_token("rig-2", [Scope.PULL, Scope.READ], days=7, bench="b" * 32)
    assert re.fullmatch(r"inn_[a-z0-9]{10}_[A-Za-z0-9_-]{43}[0-9a-f]{8}", shown)
    assert shown[4:14] == record.id
    # CRC-32 by zlib, over everything before it
    assert zlib.crc32(shown[:-8].encode()) == int(shown[-8:], 16)
    assert (record.scopes, record.bench) == ((Scope.READ, Scope.PULL), "b" * 32)
    made, ends = (datetime.fromisoformat(time) for time in (record.created, record.expires))
    assert ends - made == timedelta(days=7)
    assert abs(made - datetime.now(UTC)) < timedelta(hours=1)
    known = team.authentic(shown)
    assert known is not None
    assert (known.id, known.last_used) == (record.id, None)
    again = team.authentic(shown)
    assert again is not None
    assert again.last_used == record.created[:13] or again.last_used is not None
    assert [token.id for token in team.tokens()][1:] == [record.id]
    mistyped = shown[:-1] + ("1" if shown[-1] == "0" else "0")
    others = [
        mistyped,
        shown[:-1],
        shown + "0",
        shown.upper(),
        f" {shown}",
        "",
        "inn_",
        shown.replace("inn", "inm"),
    ]
    assert [team.authentic(other) for other in others] == [None] * len(others)


@given(st.text(max_size=80))
def test_any_text_is_no_token(text: str) -> None:
    assert not tokens.looks_whole(text)


def test_one_character_that_is_another_is_seen_without_the_store() -> None:
    """A CRC tells every change of fewer bits than it has in a row."""
    shown = tokens.spelled("a" * 10, "b" * 43)
    assert tokens.looks_whole(shown)
    for place in range(4, len(shown)):
        other = "c" if shown[place] != "c" else "d"
        assert not tokens.looks_whole(shown[:place] + other + shown[place + 1 :])


def test_what_is_not_good_has_one_answer(team: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Unknown, of another secret, revoked, expired: None, after the same questions to the database."""
    _, good = team.add_token("good", EVERYTHING)
    revoked, its_text = team.add_token("revoked", EVERYTHING)
    _, short = team.add_token("short", EVERYTHING, days=1)
    team.revoke_token(revoked.id, "its card was lost")
    unknown = tokens.spelled("z" * 10, good[15:58])
    swapped = tokens.spelled(good[4:14], its_text[15:58])
    assert team.authentic(good) is not None
    assert team.authentic(short) is not None
    at(monkeypatch, 1.001)
    assert team.authentic(good) is not None
    for refused in (unknown, swapped, its_text, short, "no token at all"):
        assert team.authentic(refused) is None
    asked = {text: _questions(team, text) for text in (unknown, swapped, its_text, short, "no token")}
    assert len(set(asked.values())) == 1
    at(monkeypatch, 90)
    assert team.authentic(good) is None


def _questions(store: Store, presented: str) -> tuple[str, ...]:
    """The statements that it takes to answer."""
    said: list[str] = []

    def listen(_c: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        said.append(statement)

    with store._database.reading() as orm:
        engine = orm.get_bind().engine
        event.listen(engine, "before_cursor_execute", listen)
        try:
            tokens.authentic(orm, presented)
        finally:
            event.remove(engine, "before_cursor_execute", listen)
    return tuple(said)


def test_secrets_are_compared_in_constant_time() -> None:
    """By how it is written, not by a clock: hashes by hmac.compare_digest and by nothing else, with no way
    out before that.
    """
    function = ast.parse(inspect.getsource(tokens.authentic)).body[0]
    assert isinstance(function, ast.FunctionDef)
    calls = [ast.unparse(node.func) for node in ast.walk(function) if isinstance(node, ast.Call)]
    assert calls.count("hmac.compare_digest") == 1
    compared = [ast.unparse(node) for node in ast.walk(function) if isinstance(node, ast.Compare)]
    assert [text for text in compared if "secret" in text or "hash" in text] == []
    steps = [ast.unparse(step) for step in function.body]
    (place,) = [k for k, step in enumerate(steps) if "compare_digest" in step]
    assert not any(
        isinstance(node, ast.Return) for step in function.body[: place + 1] for node in ast.walk(step)
    )


def test_the_secret_is_nowhere_in_the_store(team: Store) -> None:
    """Neither it, nor what it was hashed from with the id, is in any row; its hash is."""
    _, shown = team.add_token("rig", EVERYTHING)
    assert team.authentic(shown) is not None
    if isinstance(team.place, Address):
        with behind(team) as connection:
            rows = [
                connection.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608 - names from here
                for table in ("token", "token_use", "audit", "token_revocation")
            ]
    else:
        rows = [list(every_row(team.path).values())]
    content = repr(rows)
    assert shown[15:58] not in content
    assert hashlib.sha256(shown[15:58].encode()).hexdigest() in content
    assert shown[15:58] not in repr(team.tokens())


def test_bad_input_is_a_sentence(team: Store) -> None:
    record, shown = team.add_token("rig", [Scope.READ])
    with pytest.raises(InputError, match=r"scope: none; expected one at least of read, pull, push, amend"):
        team.add_token("rig", [])
    for days in (0, 367):
        with pytest.raises(InputError, match=f"days: {days}; expected 1 to 366"):
            team.add_token("rig", [Scope.READ], days=days)
    with pytest.raises(InputError, match="bench"):
        team.add_token("rig", [Scope.READ], bench="here")
    with pytest.raises(InputError, match="token"):
        team.add_token("no name", [Scope.READ])
    with pytest.raises(InputError, match="why it is revoked"):
        team.revoke_token(record.id, " ")
    with pytest.raises(NotFoundError, match=f"There are: .*{record.id}") as told:
        team.revoke_token(shown, "a reason")
    assert shown[15:58] not in str(told.value)
    assert team.revoke_token(record.id, "lost").revoked_for == "lost"
    with pytest.raises(InputError, match=r"is revoked already \('lost'\)"):
        team.revoke_token(record.id, "lost")
    assert len(team.tokens()) == 2


def test_a_record_that_was_edited_is_no_token(team: Store) -> None:
    """Scopes widened past the guards: the holder is told that the store was changed, and so is a check."""
    record, shown = team.add_token("rig", [Scope.READ])
    with behind(team) as connection, pytest.raises(refusal_of(team), match="never change"):
        connection.execute("UPDATE token SET scopes = 'admin'")
    with unguarded(team) as connection:
        connection.execute("UPDATE token SET scopes = 'read,admin' WHERE name = 'rig'")
    with pytest.raises(StoreError, match=f"token {record.id}: its content hashes to"):
        team.authentic(shown)
    assert "token 2" in {fault.what for fault in check_store(team.place).faults}


def test_a_revocation_stays(team: Store) -> None:
    record, shown = team.add_token("rig", [Scope.READ])
    team.revoke_token(record.id, "lost")
    for statement in ("DELETE FROM token_revocation", "UPDATE token_revocation SET reason = 'x'"):
        with behind(team) as connection, pytest.raises(refusal_of(team), match="never"):
            connection.execute(statement)
    assert team.authentic(shown) is None


def test_a_plain_file_holds_none(tmp_path: Path, template: Path) -> None:
    """What makes a store a team's is the first token."""
    with Store.open(template) as plain:
        assert not plain.has_tokens()
        assert plain.audit() == ()
