"""``innage channel``, ``innage sign`` and ``innage verify --signed-by`` as a user calls them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from export.bundle.manifest import MANIFEST
from export.bundle.verify import read_bundle
from innage.cli import app
from released import Released, write_key

SAID = ("--author", "A. Owner", "--reason", "meets every limit")


@pytest.fixture
def store(released: Released, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the store, which the commands use."""
    path = released.store(tmp_path)
    monkeypatch.setenv("INNAGE_STORE", str(path))
    return path


def innage(*words: object, code: int = 0) -> Result:
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == code, done.output
    return done


@pytest.mark.longer
@pytest.mark.usefixtures("store")
def test_a_channel_from_its_first_move_to_a_withdrawal(released: Released) -> None:
    """Listed, moved, refused, conceded, shown, withdrawn and taken back, in words and as JSON."""
    assert "no channels yet: try 'innage channel move" in innage("channel", "list").output
    moved = json.loads(
        innage("channel", "move", "washer/stable", released.folder / "good", *SAID, "--json").output
    )
    bundle = moved["move"]["bundle_sha256"]
    assert (moved["before"], moved["stopping"], moved["move"]["concessions"]) == (None, [], [])
    move = ("channel", "move", "washer/stable", released.folder / "bad", *SAID)
    shut = innage(*move, "--even-if-void", code=1)
    assert "SHUT" in shut.output
    assert "Say --anyway with the reason to move it all the same." in shut.output.replace("\n", " ")
    assert "Channel washer/stable stays where it is." in shut.stderr
    refused = json.loads(innage(*move, "--json", code=1).stdout)
    assert refused["stopping"] == ["limits"]
    assert "failed, conceded" in innage(*move, "--anyway").output
    innage("channel", "move", "washer/next", released.folder / "bare", *SAID, code=3)
    innage("channel", "move", "washer/stable", bundle[:12], *SAID)
    shown = innage("channel", "show", "washer/stable").output
    assert "--anyway" in shown
    assert f"Bundle {bundle[:12]} of model good" in shown
    withdrawn = innage(
        "channel", "withdraw", bundle[:12], "--author", "A. Owner", "--reason", "reads foam as liquid"
    )
    assert "Still pointing at it: washer/stable." in withdrawn.stderr
    (row,) = json.loads(innage("channel", "list", "--json").output)
    assert row["withdrawn"] == "reads foam as liquid"
    assert "withdrawn: reads" in innage("channel", "list").output
    innage("channel", "take-back", bundle[:12], "--author", "A. Owner", "--reason", "it was the trim")
    facts = json.loads(innage("channel", "show", "washer/stable", "--json").output)
    assert [move["bundle_sha256"][:12] == bundle[:12] for move in facts["moves"]] == [True, False, True]
    assert facts["bundle"]["withdrawn"] is None


@pytest.mark.usefixtures("store")
def test_what_cannot_be_is_a_sentence(released: Released) -> None:
    """A name, a reason, a hash, a channel that cannot be or is not there: 2, and nothing moved."""
    good = released.folder / "good"
    for words, said in (
        (("move", "Washer", good, *SAID), "lower-case letters"),
        (("move", "a", good, "--author", "x", "--reason", " "), "channel a, reason: nothing"),
        (("move", "a", "abc", *SAID), "or at least its first 8 digits"),
        (("move", "a", "0123456789ab", *SAID), "is not in this store"),
        (("show", "a"), "'innage channel move'"),
        (("withdraw", "0123456789ab", *SAID), "is not in this store"),
    ):
        assert said in innage("channel", *words, code=2).stderr
    assert "no channels yet" in innage("channel", "list").output


@pytest.mark.longer
@pytest.mark.usefixtures("store")
def test_a_bundle_is_pulled_from_the_store_here(
    released: Released, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """0 and the folder; 1 and none where it is withdrawn; 2 for options that do not go together."""
    from export.bundle.verify import verify_files
    from innage.jobs.releasing import pulling

    monkeypatch.setattr(pulling, "verified", lambda files, _: verify_files(files, ("manifest", "files")))
    innage("channel", "move", "washer/stable", released.folder / "good", *SAID)
    out = tmp_path / "out"
    pull = ("pull", "--channel", "washer/stable", "--out")
    facts = json.loads(innage(*pull, out, "--json").output)
    assert read_bundle(out) == read_bundle(released.folder / "good")
    innage("channel", "withdraw", facts["move"]["bundle_sha256"], *SAID)
    stopped = innage(*pull, tmp_path / "other", code=1)
    assert "it is withdrawn: meets every limit" in stopped.stderr
    assert "--even-if-withdrawn" in stopped.stderr
    assert not (tmp_path / "other").exists()
    told = innage(*pull, tmp_path / "other", "--even-if-withdrawn")
    assert "warning: it is withdrawn" in told.stderr
    for words in (("--channel", "a"), ("--out", out), ("--channel", "a", "--out", out, "--unit", "u"), ()):
        innage("pull", *words, code=2)


def test_a_signature_is_checked(released: Released, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """0 by the key that signed it; 1 for another key, a changed byte, or none; without a key it is only
    stated.
    """
    from export.bundle import verify

    light = {name: check for name, check in verify.CHECKS.items() if name in ("manifest", "files")}
    monkeypatch.setattr(verify, "CHECKS", light)
    bundle = Path(shutil.copytree(released.folder / "good", tmp_path / "bundle"))
    (private, public), (_, other) = write_key(tmp_path), write_key(tmp_path, "other")
    assert "nobody signed it" in innage("verify", bundle, "--signed-by", public, code=1).output.replace(
        "\n", " "
    )
    signed = json.loads(innage("sign", bundle, "--key", private, "--json").output)
    assert "already" in innage("sign", bundle, "--key", private).output
    checks = json.loads(innage("verify", bundle, "--signed-by", public, "--json").output)["checks"]
    assert checks[-1]["sentence"] == f"signed by key {signed['keyid'][:12]}"
    innage("verify", bundle, "--signed-by", other, code=1)
    assert "nobody has checked" in innage("verify", bundle).output.replace("\n", " ")
    innage("verify", bundle, "--signed-by", tmp_path / "lost", code=2)
    manifest = bundle / MANIFEST
    manifest.write_bytes(manifest.read_bytes().replace(b'"seed": 0', b'"seed": 1', 1))
    innage("verify", bundle, "--signed-by", public, code=1)
