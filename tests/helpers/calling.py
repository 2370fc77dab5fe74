"""Commands as a user calls them, in this process, and the measured readings that many are
tried on.
"""

from __future__ import annotations

import json
import shlex
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command
from typer.testing import CliRunner

import innage.demo_data
from innage.cli import app

READINGS = Path(innage.demo_data.__path__[0]) / "levels_tidy.csv"
OSCILLATOR = "sensor add osc --pad p0:0:100 --count-bits 16 --count-law falls --period-ms 2051"
PAIR = "sensor add pair --pad a:0:50 --pad b:50:50 --count-bits 12 --count-law rises --period-ms 100"
TWO_SENSORS = f"""tank add can --span-mm 100
liquid add water
{OSCILLATOR}
{PAIR}
mounting add m-osc --tank can --sensor osc
mounting add m-pair --tank can --sensor pair"""

_COMMAND = get_command(app)  # once: reading the options of all commands takes longer than most of them run


def run(*words: object, code: int = 0) -> str:
    """Run a command that must end with ``code``; what it printed."""
    result = CliRunner().invoke(app, [str(w) for w in words], catch_exceptions=False)
    assert result.exit_code == code, result.output
    return result.output


def run_json(*words: object) -> Any:
    """Run a command that must succeed; the JSON that it printed on stdout."""
    result = CliRunner().invoke(app, [*(str(w) for w in words), "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def run_lines(lines: str) -> None:
    """Run the commands that stand on the lines, each of which must succeed."""
    for line in lines.splitlines():
        run(*line.split())


def run_line(line: str) -> str:
    """Run the command of a line as the program does, which must succeed; what it printed on stdout."""
    out = StringIO()
    with redirect_stdout(out):
        _COMMAND.main(line.split(), prog_name="innage", standalone_mode=False)
    return out.getvalue()


def refused_line(line: str) -> str:
    """What the command of a line, which must end with exit code 2, says on stderr."""
    err = StringIO()
    with redirect_stderr(err), pytest.raises(SystemExit) as ended:
        _COMMAND.main(line.split(), prog_name="innage")
    assert ended.value.code == 2
    return err.getvalue()


def options_of(words: str) -> set[str]:
    """The options of a command, by its words."""
    command: Any = _COMMAND
    for word in words.split():
        command = command.get_command(None, word)
    return {
        spelling for parameter in command.params for spelling in (*parameter.opts, *parameter.secondary_opts)
    }


def refusal(line: str) -> str | None:
    """What is wrong with a line: read as the command line reads it, down to the last subcommand, without
    running it.
    """
    words, context = shlex.split(line, comments=True)[1:], None
    command: Any = _COMMAND
    while True:
        try:
            context = command.make_context(command.name or "innage", list(words), parent=context)
        except Exception as error:  # every refusal of the parser, and its way to say that help was asked for
            return None if type(error).__name__ in ("Exit", "NoArgsIsHelpError") else f"{line}: {error}"
        if not hasattr(command, "get_command"):
            return None
        words = [*context._protected_args, *context.args]
        if not words and getattr(command, "invoke_without_command", False):
            return None
        below = command.get_command(context, words[0])
        if below is None:
            return f"{line}: no command {words[0]}"
        command, words = below, words[1:]
