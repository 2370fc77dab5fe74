"""Commands as processes: how long ``innage --help`` and ``innage sessions`` take, beside the least that such
a process needs.

The bare app has one command. Once it is written as Typer's first page shows, with rich help, and once with
plain help, as ours has.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import sysconfig
from collections.abc import Callable
from pathlib import Path

from measuring import Goal, Row, Way, in_turns, timed_row

from dataset.store.listing import session_lines

ROUNDS = 15
_APP = '''
import typer

app = typer.Typer({options})


@app.command()
def hello(name: str = "you") -> None:
    """Greet someone."""
    print(name)


app()
'''


def help_rows(folder: Path, quick: bool) -> list[Row]:
    """``innage --help`` beside two bare apps' help."""
    bare = {}
    for name, options in (("rich", ""), ("plain", "rich_markup_mode=None")):
        bare[name] = folder / f"{name}_app.py"
        bare[name].write_text(_APP.format(options=options), encoding="utf-8")
    ways = {"ours": _process(_innage(), "--help")} | {
        name: _process(sys.executable, "-P", str(path), "--help") for name, path in bare.items()
    }
    runs = in_turns(ways, 1 if quick else ROUNDS)
    helped = all("--help" in way.result for way in runs.values())
    what = {"rich": "a bare Typer app's --help", "plain": "the same, help without rich"}
    return [
        timed_row(
            f"help-{name}",
            "innage --help",
            what[name],
            "time",
            (runs["ours"], runs[name]),
            goal=Goal(1.3, at_least=False),
            equal=helped,
            compared="both print their help",
        )
        for name in bare
    ]


def sessions_rows(quick: bool, demo: Callable[[], Path]) -> list[Row]:
    """``innage sessions`` on the demo's store beside one import."""
    store = demo()
    lines = session_lines(store) or ()
    ways = {
        "ours": _process(_innage(), "sessions", "--store", str(store)),
        "import": _process(sys.executable, "-P", "-c", "import sqlalchemy"),
    }
    runs = in_turns(ways, 1 if quick else ROUNDS)
    listed = bool(lines) and all(line.id in runs["ours"].result for line in lines)
    return [
        timed_row(
            "sessions",
            f"innage sessions, {len(lines)} sessions",
            'python -c "import sqlalchemy"',
            "time",
            (runs["ours"], runs["import"]),
            goal=Goal(0.5, at_least=False, seconds=True),
            equal=listed,
            compared="every session is listed",
        )
    ]


def _innage() -> str:
    """The command as it is installed beside this Python."""
    command = shutil.which("innage", path=sysconfig.get_path("scripts"))
    if command is None:
        raise SystemExit("innage isn't installed beside this Python: run 'make bench'")
    return command


def _process(*words: str) -> Way:
    def run(_: object) -> str:
        return subprocess.run(words, capture_output=True, text=True, check=True).stdout

    return Way(run)
