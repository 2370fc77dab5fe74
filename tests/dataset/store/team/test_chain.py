"""The audit chain: every act in it, in the act's own transaction, and whatever is done to it told."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from everything import fill
from sqlalchemy import func, select
from stores import behind, refusal_of, unguarded

from building import Bench
from dataset.errors import InputError, NotAllowedError
from dataset.exchange.objects import KINDS
from dataset.records import (
    Actor,
    AuditEntry,
    KnownBy,
    Limit,
    Limits,
    Liquid,
    Mark,
    Receipt,
    Restatement,
    Scope,
    Token,
    Trim,
    TrimKind,
    Unit,
)
from dataset.store import Store
from dataset.store.places import Address
from dataset.store.server.guards import trigger_statements
from dataset.store.tables import Base
from dataset.store.team import auditing, tokens
from dataset.store.team.chain import entry_sha256
from dataset.store.whole.integrity import check_store

Register = Callable[[Store], Bench]
ROWS = 5
SORTED = Base.metadata.sorted_tables
# tables whose rows are parts of others, or come and go, or hold nothing that anybody did to the store
NOT_AUDITED = {
    "bundle_content",  # by their hashes, which an export has
    *("pad", "limit_row", "mark", "condition_stretch", "door_warning", "frame_block", "exported_file"),
    *("frozen_role", "frozen_session", "frozen_trim", "open_capture", "open_block", "open_entry"),
    *("audit", "receipt", "staged_blob", "token_use", "sign_in", "job_file"),
}


@pytest.fixture
def five(team: Store) -> Store:
    """A chain of five rows: the token and four liquids."""
    for number in range(ROWS - 1):
        team.add_liquid(Liquid(f"liquid{number}", 80.0))
    return team


def acted(store: Store, *scopes: Scope, bench: str | None = None) -> Store:
    """The store as the holder of a new token works on it."""
    return store.acting_as(holder(store, *scopes, bench=bench).actor)


def holder(store: Store, *scopes: Scope, bench: str | None = None) -> Token:
    token, shown = store.add_token("holder", scopes, bench=bench)
    known = store.authentic(shown)
    assert known is not None
    assert known.id == token.id
    return known


def change(store: Store, *statements: str) -> None:
    """Past the guards."""
    with unguarded(store) as connection:
        for statement in statements:
            connection.execute(statement)


def said(store: Store, *receipts: Receipt) -> list[tuple[str, str]]:
    return [(fault.where, fault.sentence) for fault in store.audit_faults(receipts)]


def receipts_of(store: Store) -> list[Receipt]:
    """What clients hold of each row."""
    return [
        Receipt(row.kind, row.object_sha256, "https://lab", row.at, "d" * 64, row.number, row.sha256)
        for row in store.audit()
    ]


def written_anew(store: Store, entries: list[AuditEntry]) -> None:
    """A chain in place of the one that was there, sound in itself; hashed here by what the docs say."""
    previous, rows = "0" * 64, []
    for number, entry in enumerate(entries, 1):
        facts: dict[str, Any] = {name: getattr(entry, name) for name in AuditEntry.__dataclass_fields__}
        facts |= {"number": number, "previous": previous}
        del facts["sha256"]
        content = {"format": 1} | {key: value for key, value in facts.items() if value is not None}
        text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        previous = hashlib.sha256(text.encode()).hexdigest()
        rows.append(facts | {"sha256": previous})
    with unguarded(store) as connection:
        connection.execute("DELETE FROM audit")
        for row in rows:
            values = ", ".join("NULL" if value is None else f"'{value}'" for value in row.values())
            connection.execute(f"INSERT INTO audit ({', '.join(row)}) VALUES ({values})")  # noqa: S608 - a chain's


@pytest.mark.longer
def test_everything_that_stores_exchange_is_audited(team: Store) -> None:
    """After a whole job each object has its row, but the bench that the store began with; each row says who,
    and the chain is sound. The hash of a row follows from the rows before by what the docs say.
    """
    fill(team, 1)
    told = {row.object_sha256: row for row in team.audit()}
    missing = [one for one in team.objects() if one.key not in told]
    assert [one.kind for one in missing] == ["bench"]
    plain = {kind.removesuffix(" taken back").removesuffix(" removed") for kind in kinds(team)}
    assert plain == set(KINDS) - {"bench"} | {"token"}
    assert {"void taken back", "retirement taken back", "tag removed"} <= kinds(team)
    known_by = "role" if isinstance(team.place, Address) else "user"
    assert {row.known_by for row in team.audit()} == {known_by}
    (void, *_) = [row for row in team.audit() if row.kind == "void"]
    assert (void.reason, void.about) == ("the hose came off", team.sessions()[2].sha256)
    assert check_store(team.place).faults == ()
    hashes = [row.sha256 for row in team.audit()]
    written_anew(team, list(team.audit()))
    assert [row.sha256 for row in team.audit()] == hashes


def kinds(store: Store) -> set[str]:
    return {row.kind for row in store.audit()}


def test_what_is_exchanged_or_said_is_known_to_the_audit() -> None:
    """Every kind that stores exchange, and every table that the guards keep, but parts of others."""
    assert set(KINDS) <= set(auditing.AUDITED)
    audited = {told.rows.__tablename__ for told in auditing.AUDITED.values()}
    assert audited | NOT_AUDITED == set(Base.metadata.tables)
    assert not audited & NOT_AUDITED


def test_a_plain_file_is_not_audited(template: Path, tmp_path: Path) -> None:
    """Until it holds a token, or somebody is known to act on it."""
    with Store.open(shutil.copy(template, tmp_path / "plain.db")) as plain:
        plain.add_liquid(Liquid("before", 80.0))
        assert plain.audit() == ()
        plain.acting_as(Actor("someone", KnownBy.USER)).add_liquid(Liquid("as", 80.0))
        plain.add_liquid(Liquid("between", 80.0))
        assert [row.who for row in plain.audit()] == ["someone"]
        plain.add_token("first", [Scope.READ])
        plain.add_liquid(Liquid("after", 80.0))
        assert [row.kind for row in plain.audit()] == ["liquid", "token", "liquid"]


def test_an_act_and_its_row_are_one(team: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the row cannot be written nothing is; what is refused, tried or undone leaves no row."""
    before = team.audit()
    with pytest.raises(InputError):
        team.add_units([Unit("one"), Unit("one")])
    assert team.audit() == before

    def broken(*_: object) -> None:
        raise RuntimeError("no row")

    with monkeypatch.context() as patch:
        patch.setattr("dataset.store.team.chain.append", broken)
        with pytest.raises(RuntimeError, match="no row"):
            team.add_unit(Unit("two"))
    assert (team.units(), team.audit()) == ((), before)


@pytest.mark.longer
def test_merged_and_accepted_objects_have_rows(full: Path, team: Store, tmp_path: Path) -> None:
    """Whichever way they come in; a dry run leaves none, and again nothing is new."""
    count = len(team.audit())
    with Store.open(full) as other:
        team.accept(other, dry_run=True)
        team.merge(full, dry_run=True)
        assert len(team.audit()) == count
        sender = acted(team, *Scope)
        sender.accept(other)
        told = team.audit_of([one.key for one in other.objects()])
        assert {one.kind for one in other.objects() if one.key not in told} == set()
        after = len(team.audit())
        assert {row.who for row in team.audit()[count + 1 :]} == {"holder"}
        sender.accept(other)
        assert len(team.audit()) == after
    with Store.open(tmp_path / "again.db") as again:
        again.add_token("first", [Scope.READ])
        again.merge(full)
        assert {row.object_sha256 for row in again.audit()} >= set(told)
        assert again.audit_faults() == ()


def test_writers_at_the_same_time_make_one_chain(team: Store) -> None:
    """Each takes its turn, so that no two rows follow the same one."""

    def write(number: int) -> None:
        with Store.open(team.place) as one:
            one.acting_as(Actor(f"writer{number}", KnownBy.USER)).add_liquid(Liquid(f"liquid{number}", 80.0))

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(write, range(6)))
    assert [row.number for row in team.audit()] == list(range(1, 8))
    assert {row.who for row in team.audit()[1:]} == {f"writer{number}" for number in range(6)}
    assert team.audit_faults() == ()


def test_it_is_append_only(five: Store) -> None:
    """By what the schema refuses: change and deletion, and emptying on a server."""
    for statement in ("UPDATE audit SET who = 'x'", "DELETE FROM audit WHERE number = 5"):
        with behind(five) as connection, pytest.raises(refusal_of(five), match="rows of audit"):
            connection.execute(statement)
    assert len(five.audit()) == ROWS
    assert {"guard_audit_update", "guard_audit_delete", "guard_audit_truncate"} <= set(trigger_statements())


@pytest.mark.longer
@pytest.mark.parametrize(
    ("statements", "told"),
    [
        (("UPDATE audit SET who = 'x' WHERE number = 3",), [(3, "was edited: its content hashes to")]),
        (("UPDATE audit SET reason = 'x' WHERE number = 5",), [(5, "was edited")]),
        (
            ("DELETE FROM audit WHERE number = 3",),
            [(4, "row 3 is missing before it"), (4, "follows a row with hash")],
        ),
        (
            ("DELETE FROM audit WHERE number IN (1, 2)",),
            [(3, "rows 1 to 2 are missing before it"), (3, "follows a row with hash")],
        ),
        (
            (
                "UPDATE audit SET number = 99 WHERE number = 2",
                "UPDATE audit SET number = 2 WHERE number = 3",
                "UPDATE audit SET number = 3 WHERE number = 99",
            ),
            [
                (2, "was written as row 3: rows were reordered"),
                (3, "was written as row 2: rows were reordered"),
                (4, "follows a row with hash"),
            ],
        ),
        (
            (
                "UPDATE audit SET number = 99 WHERE number = 2",
                "UPDATE audit SET number = 2 WHERE number = 5",
                "UPDATE audit SET number = 5 WHERE number = 99",
            ),
            [(2, "was written as row 5"), (3, "follows a row with hash"), (5, "was written as row 2")],
        ),
    ],
)
def test_a_broken_chain_is_told(
    five: Store, statements: tuple[str, ...], told: list[tuple[int, str]]
) -> None:
    """Edited, removed, reordered: which row, and how; a check of the whole store says the same."""
    assert said(five) == []
    change(five, *statements)
    faults = said(five)
    assert [where for where, _ in faults] == [f"audit row {number}" for number, _ in told]
    for (_, sentence), (_, beginning) in zip(faults, told, strict=True):
        assert sentence.startswith(beginning)
    assert {where for where, _ in faults} <= {fault.what for fault in check_store(five.place).faults}


def test_a_row_that_was_edited_and_hashed_again_breaks_the_next(five: Store) -> None:
    entries = list(five.audit())
    third = entries[2]
    forged = AuditEntry(**{**vars(third), "who": "another"})
    hashed = f"sha256 = '{entry_sha256(forged)}'"
    change(five, f"UPDATE audit SET who = 'another', {hashed} WHERE number = 3")  # noqa: S608 - a hash
    ((where, sentence),) = said(five)
    assert where == "audit row 4"
    assert "not row 3 as it is now" in sentence


def test_an_end_that_was_cut_off_is_told_by_receipts(five: Store) -> None:
    """The chain alone is sound then; who holds a receipt for a row that is gone gives it away."""
    held = receipts_of(five)
    change(five, "DELETE FROM audit WHERE number > 3")
    assert said(five) == []
    assert said(five, *held[:3]) == []
    assert [sentence for _, sentence in said(five, *held)] == [
        "names audit row 4; the chain ends with row 3: its end was cut off",
        "names audit row 5; the chain ends with row 3: its end was cut off",
    ]
    change(five, "DELETE FROM audit")
    assert said(five, held[0])[0][1] == "names audit row 1; the chain is empty: its end was cut off"


def test_a_chain_that_was_written_anew_is_told_by_receipts(five: Store) -> None:
    """Without the third act: sound in itself, but its rows have other hashes from there on."""
    held, entries = receipts_of(five), list(five.audit())
    written_anew(five, entries[:2] + entries[3:])
    assert said(five) == []
    assert said(five, *held[:2]) == []
    sentences = [sentence for _, sentence in said(five, *held)]
    assert ["written anew" in sentence for sentence in sentences] == [True, True, False]
    assert "cut off" in sentences[2]


def test_receipts_are_kept(five: Store) -> None:
    """Each once, in order, by server; a receipt for what was there before the chain says nothing of it."""
    held = receipts_of(five)
    five.keep_receipts(held)
    five.keep_receipts(held[:2])
    other = Receipt("session", "a" * 64, "https://other", held[0].received, "d" * 64)
    five.keep_receipts([other])
    assert five.receipts() == (*held, other)
    assert five.receipts("https://other") == (other,)
    assert said(five, other) == []
    with behind(five) as connection, pytest.raises(refusal_of(five), match="never change"):
        connection.execute("UPDATE receipt SET server = 'x'")


@pytest.fixture
def writes(team: Store, register: Register) -> dict[str, tuple[Scope, Callable[[Store], object]]]:
    """What can be written, the scope that it takes, and how; all of the bench of the session."""
    bench = register(team)
    one, two, three = team.add_sessions([bench.session(seed) for seed in (1, 2, 3)])
    team.void(three.id, "a wrong label")
    trim = Trim(bench.unit, bench.mounting, TrimKind.FULL, (40000, 40000), "2026-01-03", "line")
    return {
        "session": (Scope.PUSH, lambda store: store.add_sessions([bench.session(9)])),
        "trim": (Scope.PUSH, lambda store: store.add_trim(trim)),
        "tag": (Scope.PUSH, lambda store: store.tag([one.id], ["humid"])),
        "mark revision": (Scope.AMEND, lambda s: s.amend_marks(one.id, [Mark(0, 5, 16.0)], "A. B", "late")),
        "void": (Scope.AMEND, lambda store: store.void(two.id, "not tared")),
        "void taken back": (Scope.AMEND, lambda store: store.take_back_void(three.id, "the label was right")),
        "amendment": (
            Scope.AMEND,
            lambda s: s.amend_session(one.id, Restatement(firmware="2"), "A. B", "read"),
        ),
        "retirement": (Scope.AMEND, lambda store: store.retire("liquid", bench.liquid.name, "gone bad")),
        "revocation": (Scope.ADMIN, lambda store: store.revoke_token(team.tokens()[0].id, "not needed")),
        "limits": (Scope.PUSH, lambda store: store.add_limits(_limits(None))),
        "sign-off": (Scope.SIGN, lambda store: store.add_limits(_limits("A. Owner"))),
    }


def _limits(signer: str | None) -> Any:
    return Limits("bound", 0, (Limit("rmse_mm", 2.0),), "why", signer)


OF_A_BENCH = ("session", "trim", "tag", "mark revision", "void", "void taken back", "amendment")


@pytest.mark.longer
def test_a_token_writes_what_it_allows(
    team: Store, writes: dict[str, tuple[Scope, Callable[[Store], object]]]
) -> None:
    """Of each way to write: refused with every other scope together, of another bench, revoked and expired
    since it was looked at, and nothing of it shows; with its own scope alone it is written, by its name.
    """
    own, stranger = team.bench().identity, "c" * 32
    for kind, (scope, write) in writes.items():
        others = acted(team, *(other for other in Scope if other is not scope))
        refuse(team, others, write, f"the token does not allow it; expected one with the scope {scope}")
        if kind in OF_A_BENCH:
            refuse(
                team,
                acted(team, *Scope, bench=stranger),
                write,
                "and the token is for bench cccccccccccc alone",
            )
        token = holder(team, scope)
        ended = team.acting_as(token.actor)
        team.revoke_token(token.id, "lost")
        refuse(team, ended, write, "was revoked, or ran out")
        good = acted(team, scope, bench=own if kind in OF_A_BENCH else None)
        before = team.audit()[-1].number
        write(good)
        rows = team.audit(before)
        assert kind in {row.kind for row in rows} <= {kind, "unit assignment"}
        assert {(row.who, row.known_by) for row in rows} == {("holder", "token")}
        assert {row.bench for row in rows} == {own if kind in OF_A_BENCH else None}
    assert team.audit_faults() == ()


def refuse(team: Store, acting: Store, write: Callable[[Store], object], sentence: str) -> None:
    before = rows_of(team)
    with pytest.raises(NotAllowedError) as told:
        write(acting)
    assert sentence in str(told.value)
    assert rows_of(team) == before


def rows_of(team: Store) -> list[int]:
    """How many rows each table has."""
    with team._database.reading() as orm:
        counts = [select(func.count()).select_from(table).scalar_subquery() for table in SORTED]
        return list(orm.execute(select(*counts)).one())


def test_a_token_that_ran_out_between_two_blocks(
    team: Store, register: Register, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was staged stays unseen, and the object that would name it is refused."""
    bench = register(team)
    sender = acted(team, Scope.PUSH)
    content = b"frames of a session"
    assert sender.stage_blob(hashlib.sha256(content).hexdigest(), content)
    assert team.staged_bytes() == len(content)
    before = team.objects()
    monkeypatch.setattr(tokens, "still_good", lambda _orm, _token: False)
    with pytest.raises(NotAllowedError, match="was revoked, or ran out") as told:
        sender.add_sessions([bench.session(1)])
    assert told.value.token_ended
    with pytest.raises(NotAllowedError):
        sender.stage_blob(hashlib.sha256(b"more").hexdigest(), b"more")
    assert (team.objects(), team.staged_bytes()) == (before, len(content))


def test_staged_blobs(team: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Known by their hash, each once, of whoever sent them; gone when they are named, or too old."""
    one, two = (acted(team, Scope.PUSH) for _ in range(2))
    names = {content: hashlib.sha256(content).hexdigest() for content in (b"a", b"bb", b"ccc")}
    assert [one.stage_blob(names[b"a"], b"a"), one.stage_blob(names[b"a"], b"a")] == [True, False]
    assert two.stage_blob(names[b"bb"], b"bb")
    with pytest.raises(InputError, match="its content hashes to"):
        one.stage_blob(names[b"ccc"], b"cc")
    assert (team.staged_blob(names[b"a"]), team.staged_blob(names[b"ccc"])) == (b"a", None)
    (token,) = {str(one._actor and one._actor.token)}
    assert (team.staged_bytes(), team.staged_bytes(token)) == (3, 1)
    with Store.in_memory() as blank:
        team.accept(blank, dry_run=True, staged=[names[b"a"]])
        assert team.staged_bytes() == 3
        team.accept(blank, staged=[names[b"a"]])
    assert (team.staged_bytes(), team.drop_staged_before(7), team.drop_staged_before(-1)) == (2, 0, 1)
    assert team.staged_bytes() == 0


def test_who_writes_without_a_token(team: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a server the role of the database, in a file the user by the system's list, whatever the environment
    says.
    """
    pwd = pytest.importorskip("pwd")
    for name in ("LOGNAME", "USER", "LNAME", "USERNAME"):
        monkeypatch.setenv(name, "somebody-else")
    auditing._user.cache_clear()
    team.add_unit(Unit("one"))
    row = team.audit()[-1]
    expected = {"role": "postgres", "user": pwd.getpwuid(os.getuid()).pw_name}
    assert row.who == expected[row.known_by]
