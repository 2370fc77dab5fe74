"""The door as a process: told to end, it ends; the commands at both ends."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from building import bench_store
from dataset.store import Store
from dataset.store.team.tokens import spelled
from innage.cli import app
from innage.service.client.secrets import find_token

WHOLE, OTHER = spelled("a" * 10, "s" * 43), spelled("b" * 10, "s" * 43)


@pytest.mark.slow
def test_a_door_that_is_told_to_end_ends(tmp_path: Path) -> None:
    """Within its grace, though a client keeps a request open: without a bound it would wait for ever. What it
    wrote is lines of JSON.
    """
    path = tmp_path / "team.db"
    Store.open(path).close()
    command = [
        sys.executable,
        "-P",
        "-m",
        "innage",
        "serve",
        "--store",
        str(path),
        "--port",
        "0",
        "--grace-s",
        "1",
    ]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        port = int(re.search(r"listening on http://127\.0\.0\.1:(\d+)", process.stderr.readline())[1])  # type: ignore[index]  # it is there
        with socket.create_connection(("127.0.0.1", port)) as line:
            line.sendall(
                b"POST /v1/objects/lacking HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n\r\n{"
            )
            with socket.create_connection(("127.0.0.1", port)) as other:  # which the first has arrived before
                other.sendall(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
                assert b"alive" in b"".join(iter(lambda: other.recv(4096), b""))
            process.send_signal(signal.SIGTERM)
            _, told = process.communicate(timeout=60)
    assert process.returncode in (0, -signal.SIGTERM, 128 + signal.SIGTERM)
    lines = [json.loads(line) for line in told.splitlines()]
    assert any(line["what"] == "request" and line["route"] == "/healthz" for line in lines)
    begun, told_to, ended = (line for line in lines if line["what"] in ("begun", "told to end", "ended"))
    assert (begun["url"], begun["store"]) == (f"http://127.0.0.1:{port}", str(path))
    assert (told_to["signal"], told_to["grace_s"], ended) == ("SIGTERM", 1, lines[-1])


def run(*arguments: str) -> tuple[int, str]:
    """The exit code of a command, and what it printed."""
    done = CliRunner().invoke(app, arguments)
    return done.exit_code, done.output


@pytest.mark.longer
def test_push_and_pull_as_commands(
    url: str, team: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A session goes from a rig to the team's store and from there to another; what is said of each step."""
    monkeypatch.setenv("INNAGE_CACHE", str(tmp_path / "cache"))
    rig, other = str(tmp_path / "rig.db"), str(tmp_path / "other.db")
    with Store.open(tmp_path / "rig.db") as store:
        store.add_sessions([bench_store(store).session(1)])
    code, said = run("push", url, "--store", rig, "--dry-run")
    assert (code, "nothing was written there; 7 new to" in said) == (0, True), said
    assert team.sessions() == ()
    code, said = run("push", url, "--store", rig, "--json")
    assert (code, json.loads(said)["new"], len(team.sessions())) == (0, 7, 1)
    code, said = run("push", url, "--store", rig)
    assert (code, "has acknowledged everything" in said) == (0, True)
    code, said = run("pull", url, "--store", other, "--tank", "canister", "--json")
    assert (code, json.loads(said)["held"]) == (0, [])
    code, said = run("pull", url, "--store", other)
    assert (code, "nothing new in" in said) == (0, True)
    code, said = run("pull", url, "--store", other, "--tank", "barrel")
    assert (code, "barrel" in said) == (2, True)


@pytest.mark.parametrize(
    ("url", "sentence"),
    [
        ("ftp://store.example", "http://HOST or https://HOST"),
        ("http://", "http://HOST or https://HOST"),
        ("https://store.example?token=x", "http://HOST or https://HOST"),
        ("https://inn_x@store.example", "Give a token by INNAGE_TOKEN"),
        ("http://store.example", "--plain-http"),
    ],
)
def test_urls_that_a_token_does_not_go_to(
    url: str, sentence: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("INNAGE_TOKEN", WHOLE)
    Store.open(tmp_path / "rig.db").close()
    code, said = run("push", url, "--store", str(tmp_path / "rig.db"))
    assert code == 2
    assert sentence in " ".join(said.split())
    assert WHOLE not in said


@pytest.mark.skipif(os.name != "posix", reason="modes of files are those of POSIX")
def test_a_token_is_had_from_a_file_that_nobody_else_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or from the environment; the file that is named goes before that."""
    for name in ("INNAGE_TOKEN", "INNAGE_TOKEN_FILE"):
        monkeypatch.delenv(name, raising=False)
    assert find_token(None) is None
    file = tmp_path / "token"
    file.write_text(f"{WHOLE}\n")
    file.chmod(0o640)
    with pytest.raises(Exception, match=r"used by others \(mode 640\).*chmod 600"):
        find_token(file)
    file.chmod(0o600)
    assert find_token(file) == WHOLE
    monkeypatch.setenv("INNAGE_TOKEN_FILE", str(file))
    assert find_token(None) == WHOLE
    monkeypatch.setenv("INNAGE_TOKEN", OTHER)
    assert (find_token(None), find_token(file)) == (OTHER, WHOLE)
    for text in ("", "two words", "b\u00e4d", "x" * 2000, "a\nb"):
        file.write_text(text, encoding="utf-8")
        with pytest.raises(Exception, match="holds no token"):
            find_token(file)
    for text in (WHOLE[:-1], WHOLE[1:], WHOLE.replace("s", "t"), "inn_x"):
        file.write_text(text)
        with pytest.raises(Exception, match="was cut or mistyped") as told:
            find_token(file)
        assert text not in str(told.value)
    with pytest.raises(Exception, match="cannot be read"):
        find_token(tmp_path / "none")
