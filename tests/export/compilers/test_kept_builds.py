"""What the tests keep of the compiler's work is what it would make again."""

from __future__ import annotations

from pathlib import Path

import pytest
from builds import KeptBuilds


class Compiler:
    """Writes what it is given and asked, and counts."""

    def __init__(self) -> None:
        self.runs = 0

    def says(self, root: Path, *arguments: str) -> tuple[int, str]:
        self.runs += 1
        (root / "out.o").write_text("".join(path.read_text() for path in sorted(root.glob("*.c"))))
        return (0, f"built with {arguments}") if (root / "a.c").exists() else (1, "no a.c")


def test_the_same_is_taken_and_anything_else_is_built(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another process finds it too; other words, another file, other content or a variable that a compiler
    might read is another build, and an error stays one.
    """
    compiler = Compiler()
    builds = KeptBuilds(tmp_path / "kept", compiler.says)
    again = KeptBuilds(tmp_path / "kept", compiler.says)

    def build(kept: KeptBuilds, words: str = "-O2", **files: str) -> tuple[int, str, str]:
        root = tmp_path / f"root{len(list(tmp_path.iterdir()))}"
        root.mkdir()
        for name, text in files.items():
            (root / f"{name}.c").write_text(text)
        code, messages = kept.says(root, words)
        return code, messages, (root / "out.o").read_text()

    first = build(builds, a="int x;")
    assert first == (0, "built with ('-O2',)", "int x;")
    assert (build(builds, a="int x;"), build(again, a="int x;"), compiler.runs) == (first, first, 1)
    assert build(builds, a="int y;")[2] == "int y;"
    assert build(builds, "-O1", a="int x;")[1] == "built with ('-O1',)"
    assert build(builds, a="int x;", b="int z;")[2] == "int x;int z;"
    assert compiler.runs == 4
    assert [build(builds, b="int x;")[:2] for _ in range(2)] == [(1, "no a.c")] * 2
    assert compiler.runs == 5
    monkeypatch.setenv("CPATH", "elsewhere")
    build(builds, a="int x;")
    monkeypatch.setenv("PYTEST_CURRENT_TEST", "another")
    build(builds, a="int x;")
    assert compiler.runs == 6
