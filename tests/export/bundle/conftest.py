"""What the tests of bundles share: files made anew once, and a process that verifies within limits."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bundles import Files

from export.bundle.build import generate
from export.bundle.manifest import Written
from export.bundle.packing import pack
from export.evidence.streams import Streams
from training.program import Program, to_json


@pytest.fixture(scope="session", autouse=True)
def _made_again_once() -> Iterator[None]:
    """What verification makes anew of a program, to compare, is made once a session for the same program and
    manifest: thousands of changed bundles are tried on a few programs.
    """
    generated: dict[tuple[str, str, int, int, Written], dict[str, bytes]] = {}

    def again(
        program: Program, prefix: str, vectors: int, seed: int, written: Written, given: Streams | None
    ) -> dict[str, bytes]:
        if given is not None:
            return generate(program, prefix, vectors, seed, written, given=given)
        key = (to_json(program), prefix, vectors, seed, written)
        if key not in generated:
            generated[key] = generate(program, prefix, vectors, seed, written)
        return dict(generated[key])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("export.bundle.checks.generate", again)
        yield


# Verifies the bundles that it is told of, each within 60 s of processor time, and says for each: exit code,
# what was printed, and how much memory was taken at most until then, in KiB. The limit of memory only guards
# this computer: the emulator reserves more than it uses.
LIMITED = """
import contextlib, io, json, resource, sys
from innage.cli import main
resource.setrlimit(resource.RLIMIT_DATA, (3 * 2**30, 3 * 2**30))
for line in sys.stdin:
    used = sum(resource.getrusage(resource.RUSAGE_SELF)[:2])
    resource.setrlimit(resource.RLIMIT_CPU, (int(used) + 60, resource.RLIM_INFINITY))
    sys.argv = ["innage", "verify", "--json", line.strip()]
    code, out, err = 0, io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main()
        except SystemExit as ended:
            code = ended.code
    most = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(json.dumps([code, out.getvalue(), err.getvalue(), most]), flush=True)
"""
MOST_KIB = 2**20


@pytest.fixture(scope="session")
def limited() -> Iterator[subprocess.Popen[str]]:
    """A process that verifies within limits; one for all, since starting takes longer than refusing."""
    command = [sys.executable, "-P", "-c", LIMITED]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        yield process


@pytest.fixture
def verified(limited: subprocess.Popen[str], tmp_path: Path) -> Callable[[Files], tuple[int, dict[str, str]]]:
    """Verifies a bundle within 60 s and one gibibyte: the exit code, and the sentences of the checks that do
    not pass.

    Fails where the verification ends in a traceback, or is ended by the limits.
    """

    def run(files: Files) -> tuple[int, dict[str, str]]:
        archive = tmp_path / "bundle.zip"
        archive.write_bytes(pack(files))
        assert limited.stdin is not None
        assert limited.stdout is not None
        limited.stdin.write(f"{archive}\n")
        limited.stdin.flush()
        answer = limited.stdout.readline()
        assert answer, "ended by the limits"
        code, out, err, most = json.loads(answer)
        assert code in (0, 1, 3), err[-2000:]
        assert most < MOST_KIB
        return code, {c["name"]: c["sentence"] for c in json.loads(out)["checks"] if not c["passed"]}

    return run
