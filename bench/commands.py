"""Commands as processes: how long ``innage --help`` and lists and counts take, beside the least that such a
process needs, or one import of what lies under them.

The bare app has one command. Once it is written as Typer's first page shows, with rich help, and once with
plain help, as ours has.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
import sysconfig
from collections.abc import Callable, Mapping
from itertools import count
from pathlib import Path

import numpy as np
from invented import register, session, session_table
from measuring import Goal, Row, Way, in_turns, timed_row

from dataset.store import Store
from dataset.store.listing import session_lines
from dataset.store.whole.integrity import check_store

ROUNDS, MANY_ROUNDS = 15, 5
MANY, SHORT_FRAMES = 2000, 100  # sessions of a year of benches, and frames of each
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
    ways = {"ours": _process(innage_command(), "--help")} | {
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
        "ours": _process(innage_command(), "sessions", "--store", str(store)),
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


def reading_rows(quick: bool, demo: Callable[[], Path]) -> list[Row]:
    """What reads the demo's store, a process each, beside the import of the library that maps its tables."""
    store = demo()
    (first, *_) = session_lines(store) or ()
    lines = {
        "show": ("show", first.id),
        "gaps": ("gaps",),
        "plan": ("plan",),
        "models": ("models",),
        "limits-list": ("limits", "list"),
    }
    ways = {name: _process(innage_command(), *words, "--store", str(store)) for name, words in lines.items()}
    runs = in_turns(ways | {"import": _import()}, 1 if quick else ROUNDS)
    return [
        timed_row(
            name,
            f"innage {' '.join(words[:2] if name == 'limits-list' else words[:1])}",
            'python -c "import sqlalchemy"',
            "time",
            (runs[name], runs["import"]),
            goal=Goal(2.0, at_least=False),
            equal=bool(runs[name].result.strip()),
            compared="it says something",
        )
        for name, words in lines.items()
    ]


def many_rows(folder: Path, quick: bool) -> list[Row]:
    """Lists, counts and freezing over many short sessions, a process each, beside one import."""
    path, number = folder / "many.db", MANY // 50 if quick else MANY
    with Store.open(path) as store:
        on = register(store)
        store.add_sessions([session(k, SHORT_FRAMES, on) for k in range(number)])
    names = (f"set-{k}" for k in count())
    freeze = ("freeze", "--group", "session", "--roles", f"fit:{number // 2},prove", "--store", str(path))
    ways = {
        "sessions": _process(innage_command(), "sessions", "--store", str(path)),
        "gaps": _process(innage_command(), "gaps", "--store", str(path)),
        "freeze": Way(lambda name: output_of(innage_command(), *freeze, name), prepare=lambda: next(names)),
    }
    runs = in_turns(ways | {"import": _import()}, 1 if quick else MANY_ROUNDS)
    return [
        timed_row(
            f"{name}-many",
            f"innage {name}, {number} sessions",
            'python -c "import sqlalchemy"',
            "time",
            (runs[name], runs["import"]),
            goal=Goal(bound, at_least=False, seconds=True),
            equal=bool(runs[name].result.strip()),
            compared="it says something",
        )
        for name, bound in (("sessions", 1.0), ("gaps", 1.0), ("freeze", 2.0))
    ]


def batch_rows(folder: Path, quick: bool) -> list[Row]:
    """``innage log --batch`` of many short files into a new store, one process, beside copying the files."""
    bench, number = folder / "batch", MANY // 50 if quick else MANY
    bench.mkdir()
    with Store.open(bench / "empty.db") as store:
        on = register(store)
    files = bench / "files"
    files.mkdir()
    lines = ["file,unit"]
    for k in range(number):
        session_table(k, SHORT_FRAMES, on).to_csv(files / f"run{k}.csv", index=False)
        lines.append(f"files/run{k}.csv,{on.units[k % len(on.units)].name}")
    (bench / "sessions.csv").write_text("\n".join([*lines, ""]), encoding="utf-8")
    mounting = on.mounting
    alike = ("--tank", mounting.tank.name, "--sensor", mounting.sensor.name, "--liquid", on.liquids[0].name)
    columns = ("--time", "t_ms", "--level", "level", "--even-if-warned")
    call = (innage_command(), "log", "--batch", str(bench / "sessions.csv"), *alike, *columns, "--store")
    copies = count()
    runs = in_turns(
        {
            "ours": Way(
                lambda path: output_of(*call, path),
                prepare=lambda: str(shutil.copy(bench / "empty.db", bench / "filled.db")),
            ),
            "copy": Way(
                lambda path: output_of("cp", "-r", str(files), path),
                prepare=lambda: str(bench / f"copy-{next(copies)}"),
            ),
        },
        1,
        warm=False,
    )
    return [
        timed_row(
            "log-batch",
            f"innage log --batch, {number} files of {SHORT_FRAMES} frames",
            "cp of the files",
            "time",
            (runs["ours"], runs["copy"]),
            equal=f"{number} sessions logged" in runs["ours"].result,
            compared="all are logged",
        )
    ]


def check_rows(folder: Path, quick: bool) -> list[Row]:
    """The check of a whole store beside the hash of its frames alone, as plain columns in memory."""
    path, number, frames = folder / "checked.db", 2 if quick else 10, 200 if quick else 100_000
    with Store.open(path) as store:
        on = register(store)
        new = [session(k, frames, on) for k in range(number)]
        store.add_sessions(new)

    def hashed(_: object) -> bool:
        for one in new:
            for column in (one.frames.t_ms, one.frames.counts, one.frames.temperature_c):
                if column is not None:
                    hashlib.sha256(np.ascontiguousarray(column).data)
        return True

    runs = in_turns(
        {"ours": Way(lambda _: check_store(path).sound), "hash": Way(hashed)}, 1 if quick else MANY_ROUNDS
    )
    return [
        timed_row(
            "check",
            f"innage check, {number} sessions of {frames} frames",
            "SHA-256 of their columns, not packed",
            "frames/s",
            (runs["ours"], runs["hash"]),
            goal=Goal(0.5, at_least=True),
            equal=runs["ours"].result,
            compared="the store is sound",
        )
    ]


def _import() -> Way:
    return _process(sys.executable, "-P", "-c", "import sqlalchemy")


def innage_command() -> str:
    """The command as it is installed beside this Python."""
    command = shutil.which("innage", path=sysconfig.get_path("scripts"))
    if command is None:
        raise SystemExit("innage isn't installed beside this Python: run 'make bench'")
    return command


def _process(*words: str) -> Way:
    return Way(lambda _: output_of(*words))


def output_of(*words: str, env: Mapping[str, str] | None = None) -> str:
    """What a process prints; RuntimeError with all that it said where it does not end well."""
    done = subprocess.run(words, capture_output=True, text=True, check=False, env=env)
    if done.returncode:
        raise RuntimeError(f"{' '.join(words)}: exit code {done.returncode}\n{done.stdout}{done.stderr}")
    return done.stdout
