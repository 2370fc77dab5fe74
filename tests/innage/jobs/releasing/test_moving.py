"""Channels moved and bundles pulled, in a store at hand: what is written, what is refused, and that nothing
is there by half.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import pytest
from stores import behind, behind_the_back

from dataset.errors import ChangedMeanwhileError, InputError, NotFoundError
from dataset.records import BundleFile, Restatement
from dataset.store import Store
from dataset.store.whole.integrity import check_store
from export.bundle.manifest import MANIFEST, SIGNATURES
from export.bundle.packing import pack
from export.bundle.verify import Answer, Check, VerifyReport, read_bundle, verify_files
from innage.jobs import Progress, folders, silent
from innage.jobs.models.reporting import kept_score
from innage.jobs.releasing import gates, moving, pulling
from innage.jobs.releasing.gates import AMENDED, ANYWAY, UNPROVEN, VOID, WITHDRAWN, Judgement
from innage.jobs.releasing.moving import GatesShutError, Wish, move_channel
from innage.jobs.releasing.pulling import NotVerifiedError, StoppedError, StoreSource, bundle_now, pull_bundle
from innage.jobs.releasing.signing import sign_bundle
from innage.options import option_of
from innage.service.client.releases import Releases
from released import Released, write_key
from servers import Server

WHEN = datetime(2026, 3, 2, 9, 15, tzinfo=UTC)
JUDGED: dict[tuple[str, str], Judgement] = {}
WISH = Wish("washer/stable", "A. Owner", "meets every limit")


@pytest.fixture(params=["a file", pytest.param("on a server", marks=pytest.mark.slow)])
def store(request: pytest.FixtureRequest, released: Released, tmp_path: Path) -> Iterator[Store]:
    """A store with the models, in a file and on a server."""
    if request.param == "a file":
        with Store.open(released.store(tmp_path)) as opened:
            yield opened
        return
    server: Server = request.getfixturevalue("server")
    place = server.store()
    with Store.open(place) as on_server:
        on_server.merge(released.folder / "innage.db")
        yield on_server
    server.drop(place)


@pytest.fixture(autouse=True)
def _judged_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same bundle is judged once a session in the same state of what was said of it."""
    real = gates.judge

    def once(store: Store, files: Mapping[str, bytes], progress: Progress = silent) -> Judgement:
        body = json.loads(files[MANIFEST])
        key = (hashlib.sha256(files[MANIFEST]).hexdigest(), store.said_of(body["model"]["name"]))
        if key not in JUDGED:
            JUDGED[key] = real(store, files, progress)
        return JUDGED[key]

    monkeypatch.setattr(moving, "judge", once)


@pytest.fixture
def unverified(monkeypatch: pytest.MonkeyPatch) -> None:
    """Verification on arrival compiles nothing: for tests of something else."""
    monkeypatch.setattr(
        pulling, "verified", lambda files, _progress: verify_files(files, ("manifest", "files"))
    )


def test_a_channel_is_moved_and_moved_back(released: Released, store: Store) -> None:
    """Each move says from where, who and why; concessions that were not needed are not recorded; the files
    come back byte for byte, and the store stays sound.
    """
    good, bad = released.folder / "good", released.folder / "bad"
    first = move_channel(store, good, replace(WISH, concessions=(VOID,)), when=WHEN)
    assert (first.before, first.move.parent, first.move.concessions) == (None, None, ())
    assert first.move.moved_at == "2026-03-02T09:15:00+00:00"
    assert first.move.judged_by == f"innage {version('innage')}"
    forced = replace(WISH, reason="to be tried on one machine", concessions=(ANYWAY,))
    second = move_channel(store, bad, forced, when=WHEN)
    assert (second.before, second.move.parent) == (first.move.bundle_sha256, first.move.sha256)
    assert second.move.concessions == (ANYWAY,)
    back = move_channel(
        store, first.move.bundle_sha256[:12], replace(WISH, reason="it reads too high"), when=WHEN
    )
    assert [move.sha256 for move in store.channel_moves("washer/stable")] == [
        first.move.sha256,
        second.move.sha256,
        back.move.sha256,
    ]
    assert store.channels() == (back.move,)
    assert moving.files_of(store, first.move.bundle_sha256) == read_bundle(good)
    kept = store.bundle(first.move.bundle_sha256)
    assert (kept.kept, kept.model, kept.withdrawn) == (True, "good", None)
    scored = kept_score(store, "good")
    stated = json.loads(read_bundle(good)[MANIFEST])["score"]
    assert scored == {"score": stated, "score_of": first.move.bundle_sha256}
    assert kept_score(store, "unheard") == {}
    report = check_store(store.place)
    assert report.faults == ()
    assert dict(report.checked)["channel move"] == 3


@pytest.mark.longer
@pytest.mark.parametrize(
    ("statement", "what"),
    [
        ("DELETE FROM channel_move WHERE id = 1", "its moves are no chain"),
        ("DELETE FROM bundle_content WHERE id = 1", "are not all there"),
        ("UPDATE channel_move SET bundle_sha256 = reason WHERE id = 2", "hashes to"),
    ],
)
def test_what_was_taken_out_behind_the_back_is_told(
    released: Released, tmp_path: Path, statement: str, what: str
) -> None:
    """A move from the chain, a file of a bundle, another bundle under a move: named by a check."""
    path = released.store(tmp_path)
    with Store.open(path) as store:
        move_channel(store, released.folder / "good", WISH)
        move_channel(store, released.folder / "bad", replace(WISH, concessions=(ANYWAY,)))
    behind_the_back(path, statement)
    assert [fault for fault in check_store(path).faults if what in fault.sentence]


@pytest.mark.longer
@pytest.mark.parametrize("table", ["channel_move", "withdrawal_event", "bundle_content", "bundle_signature"])
def test_nothing_of_it_ever_changes(released: Released, store: Store, table: str, tmp_path: Path) -> None:
    """Triggers refuse what would change or delete it, in a file and on a server."""
    bundle = Path(shutil.copytree(released.folder / "good", tmp_path / "bundle"))
    sign_bundle(bundle, write_key(tmp_path)[0])
    moved = move_channel(store, bundle, WISH)
    store.withdraw(moved.move.bundle_sha256, "A. Owner", "reads foam as liquid", WHEN)
    for statement in (f"DELETE FROM {table}", f"UPDATE {table} SET id = id + 100"):  # noqa: S608 - from above
        with behind(store) as connection, pytest.raises(Exception, match=r"never (change|deleted)|are never"):
            connection.execute(statement)


def test_a_zip_file_is_the_same_bundle(released: Released, store: Store, tmp_path: Path) -> None:
    archive = tmp_path / "good.zip"
    archive.write_bytes(pack(read_bundle(released.folder / "good")))
    moved = move_channel(store, archive, WISH)
    assert moving.files_of(store, moved.move.bundle_sha256) == read_bundle(released.folder / "good")


@pytest.mark.longer
def test_gates_that_stay_shut_write_nothing(released: Released, store: Store) -> None:
    with pytest.raises(
        GatesShutError, match=r"limits: 1 of 1 not met.*Say anyway=True with the reason"
    ) as refused:
        move_channel(store, released.folder / "bad", replace(WISH, concessions=(UNPROVEN,)))
    assert not refused.value.lacks_evidence_only
    with pytest.raises(GatesShutError, match="no limits") as lacking:
        move_channel(store, released.folder / "bare", WISH)
    assert lacking.value.lacks_evidence_only
    assert store.channels() == ()
    assert not store.bundle(refused.value.judgement.bundle_sha256).kept


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        (replace(WISH, channel="Washer"), "lower-case letters"),
        (replace(WISH, channel="washer/../stable"), "lower-case letters"),
        (replace(WISH, channel="washer//stable"), "lower-case letters"),
        (replace(WISH, channel="a" * 61), "at most 60"),
        (replace(WISH, reason=" "), "why it was moved"),
        (replace(WISH, author=""), "who moved it"),
        (replace(WISH, concessions=("everything",)), "'everything'"),
    ],
)
def test_a_move_that_cannot_be_is_told_before_anything_is_judged(
    released: Released, store: Store, monkeypatch: pytest.MonkeyPatch, wish: Wish, said: str
) -> None:
    monkeypatch.setattr(moving, "judge", None)
    with pytest.raises(InputError, match=said):
        move_channel(store, released.folder / "good", wish)


def test_who_moved_it_meanwhile_is_not_overrun(released: Released, store: Store) -> None:
    """By the hash of the move that stands, not by the bundle: there and back is another state too."""
    good, bad = released.folder / "good", released.folder / "bad"
    first = move_channel(store, good, replace(WISH, follows=None))
    with pytest.raises(ChangedMeanwhileError, match="points at"):
        move_channel(store, bad, replace(WISH, follows=None, concessions=(ANYWAY,)))
    move_channel(store, bad, replace(WISH, follows=first.move.sha256, concessions=(ANYWAY,)))
    move_channel(store, good, WISH)
    with pytest.raises(ChangedMeanwhileError, match="points at"):
        move_channel(store, bad, replace(WISH, follows=first.move.sha256, concessions=(ANYWAY,)))
    with pytest.raises(InputError, match=r"points at bundle .* already"):
        move_channel(store, good, WISH)
    assert len(store.channel_moves("washer/stable")) == 3


@pytest.mark.parametrize("what", ["moved", "voided"])
def test_what_happens_while_a_bundle_is_judged_counts(
    released: Released, store: Store, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    """Judging takes its time; the transaction that moves the name looks again."""
    real: Callable[..., Judgement] = vars(moving)["judge"]

    def slow(*arguments: object) -> Judgement:
        judgement = real(*arguments)
        if what == "voided":
            store.void(store.sessions()[0].id, "the hose came off")
        else:
            monkeypatch.setattr(moving, "judge", real)
            move_channel(store, released.folder / "bad", replace(WISH, concessions=(ANYWAY,)))
        return judgement

    monkeypatch.setattr(moving, "judge", slow)
    with pytest.raises(ChangedMeanwhileError):
        move_channel(store, released.folder / "good", WISH)
    assert len(store.channels()) == (1 if what == "moved" else 0)


@pytest.mark.longer
def test_a_withdrawn_bundle_stays_and_is_not_moved_to(released: Released, store: Store) -> None:
    """Withdrawn, taken back, withdrawn again: each by an event; a channel can't be moved to it meanwhile."""
    bundle = move_channel(store, released.folder / "good", WISH).move.bundle_sha256
    move_channel(store, released.folder / "bad", replace(WISH, concessions=(ANYWAY,)))
    with pytest.raises(InputError, match="is not withdrawn"):
        store.take_back_withdrawal(bundle, "A. Owner", "never was", WHEN)
    store.withdraw(bundle[:8], "A. Owner", "reads foam as liquid", WHEN)
    with pytest.raises(InputError, match=r"is withdrawn already \('reads foam as liquid'\)"):
        store.withdraw(bundle, "A. Owner", "once more", WHEN)
    with pytest.raises(InputError, match="Take the withdrawal back first"):
        move_channel(store, bundle, WISH)
    assert store.bundle(bundle).withdrawn == "reads foam as liquid"
    store.take_back_withdrawal(bundle, "A. Owner", "it was the trim", WHEN)
    assert store.bundle(bundle).withdrawn is None
    move_channel(store, bundle, WISH)
    store.withdraw(bundle, "A. Owner", "it was not", WHEN)
    events = store.withdrawals(bundle)
    assert [event.takes_back for event in events] == [False, True, False]
    assert [event.parent for event in events] == [None, events[0].sha256, events[1].sha256]
    assert check_store(store.place).faults == ()
    for refused in ("b" * 64, "1234567", "x" * 12):
        with pytest.raises((NotFoundError, InputError), match="bundle"):
            store.withdraw(refused, "A. Owner", "none", WHEN)


@pytest.mark.longer
def test_a_bundle_of_an_earlier_version_can_be_gone_back_to(
    released: Released, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another version makes other bytes, which is no evidence: unless the same bytes passed here before."""
    from export.bundle import checks

    good = released.folder / "good"
    bundle = move_channel(store, good, WISH, when=WHEN).move.bundle_sha256
    move_channel(store, released.folder / "bad", replace(WISH, concessions=(ANYWAY,)))
    monkeypatch.setattr(moving, "judge", gates.judge)
    monkeypatch.setattr(checks, "version", lambda name: "9.9.9" if name == "innage" else "1")
    real = vars(checks)["generate"]
    monkeypatch.setattr(
        checks, "generate", lambda *given, **named: real(*given, **named) | {"innage.c": b"/* 9.9 */\n"}
    )
    back = move_channel(store, bundle, WISH)
    (again,) = [gate for gate in back.judgement.gates if gate.name == "made again"]
    assert again.sentence == "passed 2026-03-02, when channel washer/stable was moved to the same bytes"
    written = re.escape(f"written by innage {version('innage')}, this is 9.9.9")
    with pytest.raises(GatesShutError, match=f"made again: .*{written}"):
        move_channel(store, released.folder / "bare", replace(WISH, concessions=(UNPROVEN,)))


@pytest.mark.longer
@pytest.mark.usefixtures("unverified")
def test_a_pulled_bundle_is_whole(released: Released, store: Store, tmp_path: Path) -> None:
    """The bytes that were exported, and nothing beside the folder; again, and over the bundle of before."""
    move_channel(store, released.folder / "good", WISH)
    out = tmp_path / "here" / "bundle"
    pulled = pull_bundle(StoreSource(store), "washer/stable", out)
    assert read_bundle(out) == read_bundle(released.folder / "good")
    assert pulled.move == store.channel("washer/stable")
    assert [path.name for path in out.parent.iterdir()] == ["bundle"]
    pull_bundle(StoreSource(store), "washer/stable", out)
    move_channel(store, released.folder / "bad", replace(WISH, concessions=(ANYWAY,)))
    pull_bundle(StoreSource(store), "washer/stable", out)
    assert read_bundle(out) == read_bundle(released.folder / "bad")
    (out / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match=r"holds 'notes\.txt', which is no file of the bundle"):
        pull_bundle(StoreSource(store), "washer/stable", out)


@pytest.mark.longer
def test_a_pulled_bundle_is_verified_as_verify_does(released: Released, store: Store, tmp_path: Path) -> None:
    """Every check of 'innage verify', compiled and run here."""
    from export.bundle.verify import CHECKS

    move_channel(store, released.folder / "good", WISH)
    pulled = pull_bundle(StoreSource(store), "washer/stable", tmp_path / "out")
    assert [check.name for check in pulled.report.checks] == list(CHECKS)


@pytest.mark.longer
@pytest.mark.usefixtures("unverified")
def test_a_pull_of_a_withdrawn_bundle_says_how_to_go_back(
    released: Released, store: Store, tmp_path: Path
) -> None:
    """To the last one before that nothing speaks against, by a command that does it."""
    first = move_channel(store, released.folder / "good", WISH).move.bundle_sha256
    second = move_channel(store, released.folder / "bad", replace(WISH, concessions=(ANYWAY,))).move
    _withdraw(store)

    def refused() -> StoppedError:
        with pytest.raises(StoppedError) as raised:
            pull_bundle(StoreSource(store), "washer/stable", tmp_path / "out")
        return raised.value

    said = refused().said_by(option_of)
    command = f"innage channel move washer/stable {first[:12]} --author ... --reason ..."
    assert (
        f"Nothing speaks against bundle {first[:12]}, which channel washer/stable pointed at before" in said
    )
    assert f"'{command}'" in said
    assert "or say --even-if-withdrawn" in said
    with Releases("http://127.0.0.1:9") as elsewhere:
        call = elsewhere.call_to_move("washer/stable", first[:12])
    of_server = f"'innage channel move washer/stable {first[:12]} --reason ... --server http://127.0.0.1:9'"
    assert option_of(call) == of_server
    # back and forth, the one before is still the one before
    move_channel(store, first, WISH)
    _withdraw(store)
    store.take_back_withdrawal(second.bundle_sha256, "A. Owner", "it was another", WHEN)
    assert f"Nothing speaks against bundle {second.bundle_sha256[:12]}, " in str(refused())
    store.withdraw(second.bundle_sha256, "A. Owner", "it was this one", WHEN)
    assert "Channel washer/stable has no earlier one that nothing speaks against" in str(refused())


def _withdraw(store: Store) -> None:
    store.withdraw(store.channel("washer/stable").bundle_sha256, "A. Owner", "reads foam as liquid", WHEN)


def _void(store: Store) -> None:
    store.void(store.sessions()[0].id, "the hose came off")


def _amend(store: Store) -> None:
    store.amend_session(store.sessions()[0].id, Restatement(firmware="1.5"), "A. Bench", "read off the board")


@pytest.mark.longer
@pytest.mark.parametrize(
    ("happens", "concession", "said"),
    [
        (_withdraw, WITHDRAWN, "it is withdrawn: reads foam as liquid"),
        (_void, VOID, r"behind it is void \(the hose came off\)"),
        (_amend, AMENDED, "1 of the sessions behind it were amended since"),
    ],
)
@pytest.mark.usefixtures("unverified")
def test_what_speaks_against_it_is_told_and_nothing_written(
    released: Released,
    store: Store,
    tmp_path: Path,
    happens: Callable[[Store], None],
    concession: str,
    said: str,
) -> None:
    """Unless whoever pulls says the word for it; another word does not do."""
    move_channel(store, released.folder / "good", WISH)
    happens(store)
    out = tmp_path / "out"
    others = {WITHDRAWN, VOID, AMENDED} - {concession}
    with pytest.raises(StoppedError, match=said) as stopped:
        pull_bundle(StoreSource(store), "washer/stable", out, concessions=others)
    assert list(stopped.value.against) == [concession]
    assert not out.exists()
    assert pull_bundle(StoreSource(store), "washer/stable", out, concessions={concession}).conceded == (
        concession,
    )
    assert (out / MANIFEST).is_file()


class Crooked(StoreSource):
    """A source that gives something else than it says."""

    def __init__(
        self, store: Store, name: str, change: Callable[[bytes], bytes], *, rename: bool = False
    ) -> None:
        super().__init__(store)
        self._kept, self._name, self._change, self._rename = store, name, change, rename

    def bundle_now(self, bundle_sha256: str) -> pulling.BundleNow:
        now = bundle_now(self._kept, bundle_sha256)
        files = []
        for file in now.bundle.files:
            content = self._changed(file)
            sha256 = hashlib.sha256(content).hexdigest() if self._rename else file.sha256
            files.append(replace(file, sha256=sha256, size=len(content)))
        return replace(now, bundle=replace(now.bundle, files=tuple(files)))

    def bundle_file(self, bundle_sha256: str, sha256: str, size: int) -> bytes:
        for file in self._kept.bundle(bundle_sha256).files:
            if sha256 in (file.sha256, hashlib.sha256(self._changed(file)).hexdigest()):
                return self._changed(file)
        raise AssertionError("a file that nobody named")

    def _changed(self, file: BundleFile) -> bytes:
        bundle = self._kept.channel("washer/stable").bundle_sha256
        content = self._kept.bundle_file(bundle, file.sha256)
        return self._change(content) if file.name == self._name else content


@pytest.mark.longer
@pytest.mark.parametrize("name", ["innage.c", MANIFEST, "vectors.csv"])
@pytest.mark.parametrize("rename", [False, True])
@pytest.mark.usefixtures("unverified")
def test_other_bytes_are_not_written(
    released: Released, store: Store, tmp_path: Path, name: str, rename: bool
) -> None:
    """Bytes that do not hash to their name, and bytes under hashes that were made to fit: nothing is there
    then.
    """
    move_channel(store, released.folder / "good", WISH)
    said = r"manifest|was changed" if rename else "is not what its hash says"
    crooked = Crooked(store, name, lambda content: content + b"\n", rename=rename)
    with pytest.raises((InputError, NotVerifiedError), match=said):
        pull_bundle(crooked, "washer/stable", tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.longer
@pytest.mark.usefixtures("unverified")
def test_a_folder_appears_whole_or_not_at_all(
    released: Released, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that is full at the fifth file leaves nothing, and leaves the bundle of before where one was."""
    move_channel(store, released.folder / "good", WISH)
    out, written = tmp_path / "out", list[Path]()
    real = vars(folders)["write_new"]

    def full(path: Path, content: bytes) -> None:
        written.append(path)
        if len(written) == 5:
            raise OSError(28, "No space left on device")
        real(path, content)

    monkeypatch.setattr(folders, "write_new", full)
    with pytest.raises(InputError, match="No space left"):
        pull_bundle(StoreSource(store), "washer/stable", out)
    assert [path for path in tmp_path.iterdir() if "out" in path.name] == []
    assert pull_bundle(StoreSource(store), "washer/stable", out).out == out
    move_channel(store, released.folder / "bad", replace(WISH, concessions=(ANYWAY,)))
    written.clear()
    with pytest.raises(InputError, match="No space left"):
        pull_bundle(StoreSource(store), "washer/stable", out)
    assert read_bundle(out) == read_bundle(released.folder / "good")


@pytest.mark.longer
@pytest.mark.usefixtures("unverified")
def test_signatures_come_along(released: Released, store: Store, tmp_path: Path) -> None:
    """What was signed where it was exported is checked where it arrives; a later signature is brought too."""
    (first, first_public), (second, second_public) = write_key(tmp_path), write_key(tmp_path, "other")
    bundle = Path(shutil.copytree(released.folder / "good", tmp_path / "bundle"))
    sign_bundle(bundle, first)
    move_channel(store, bundle, WISH)
    out = tmp_path / "out"
    with pytest.raises(NotVerifiedError, match="signature: none of its signatures is by key"):
        pull_bundle(StoreSource(store), "washer/stable", out, signed_by=second_public)
    assert not out.exists()
    pull_bundle(StoreSource(store), "washer/stable", out, signed_by=first_public)
    assert (out / SIGNATURES).read_bytes() == (bundle / SIGNATURES).read_bytes()
    sign_bundle(bundle, second)
    _, new = moving.keep(store, read_bundle(bundle))
    assert new
    pull_bundle(StoreSource(store), "washer/stable", out, signed_by=second_public)
    assert moving.keep(store, read_bundle(bundle))[1] is False


def test_what_lacks_evidence_is_taken_only_when_told(
    released: Released, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a bundle by another version; what a check says no to is taken by no word."""
    move_channel(store, released.folder / "good", WISH)
    found = Check("made again", Answer.UNPROVEN, "another version wrote it")
    monkeypatch.setattr(pulling, "verified", lambda *_: VerifyReport((found,)))
    source, out = StoreSource(store), tmp_path / "out"
    with pytest.raises(NotVerifiedError, match="even_if_unproven=True") as lacking:
        pull_bundle(source, "washer/stable", out, concessions=(VOID,))
    assert lacking.value.lacks_evidence_only
    pull_bundle(source, "washer/stable", out, concessions=(UNPROVEN,))
    found = replace(found, answer=Answer.FAILED)
    with pytest.raises(NotVerifiedError) as refused:
        pull_bundle(source, "washer/stable", tmp_path / "other", concessions=(UNPROVEN,))
    assert not refused.value.lacks_evidence_only
    assert not (tmp_path / "other").exists()


def test_no_such_channel(store: Store, tmp_path: Path) -> None:
    with pytest.raises(NotFoundError, match="There are no channels yet"):
        pull_bundle(StoreSource(store), "washer/stable", tmp_path / "out")
    assert not (tmp_path / "out").exists()
