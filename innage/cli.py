"""The command ``innage``: turns the one family of expected errors into a sentence. The commands are in
:mod:`innage.command_table`.
"""

from __future__ import annotations

import gc
import sys
import traceback
from typing import Annotated, Any

import typer

from dataset.errors import InnageError
from dataset.files.scratch import sweep_scratch
from innage.exit_codes import CRASHED, INTERRUPTED, WRONG_CALL
from innage.lazy import LazyGroup, after_the_command, suggest
from innage.moved import todays_spelling
from innage.options import option_of
from innage.terminal.output import harmless
from innage.terminal.streams import NOT_WRITTEN, READER_GONE, OutputLostError, flush_output, prepare_streams
from innage.usage import reword, store_behind

# Most of what a command makes lives until its end, so that looking through it for garbage finds nothing: a
# fifth of the time of a count over 2000 sessions.
COLLECTING = (100_000, 50, 100)


class Face(LazyGroup):
    """The one place where an expected error becomes a sentence on stderr and exit code 2, Ctrl-C 130;
    anything else goes on to :func:`main`.
    """

    def make_context(self, info_name: str | None, args: list[str], *others: Any, **extra: Any) -> Any:
        """Read the options that stand before the command."""
        try:
            return super().make_context(info_name, store_behind(args), *others, **extra)
        except KeyboardInterrupt:
            raise _interrupted() from None
        except Exception as error:
            suggest(error)
            after_the_command(error)
            _make_harmless(error)
            raise

    def invoke(self, ctx: Any) -> Any:
        """Run the command that the arguments name."""
        try:
            return super().invoke(ctx)
        except InnageError as error:
            print(harmless(f"innage: {error.said_by(option_of)}"), file=sys.stderr)
            raise typer.Exit(WRONG_CALL) from error
        except KeyboardInterrupt:
            raise _interrupted() from None
        except Exception as error:
            if _came_of_ctrl_c(error):  # such as of workers that were just starting
                raise _interrupted() from None
            moved = todays_spelling(error)
            if moved is not None:
                print(harmless(f"innage: {moved}"), file=sys.stderr)
                raise typer.Exit(WRONG_CALL) from error
            suggest(error)
            reword(error)
            _make_harmless(error)
            raise


def _make_harmless(error: Any) -> None:
    """A usage error quotes the arguments, which may be names of files."""
    if isinstance(getattr(error, "message", None), str):
        error.message = harmless(error.message)


def _interrupted() -> typer.Exit:
    print("innage: interrupted", file=sys.stderr)
    return typer.Exit(INTERRUPTED)


def _came_of_ctrl_c(error: BaseException | None) -> bool:
    """Whether an error was raised while Ctrl-C was being handled."""
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        if isinstance(error, KeyboardInterrupt):
            return True
        seen.add(id(error))
        error = error.__cause__ or error.__context__
    return False


app = typer.Typer(
    name="innage", cls=Face, no_args_is_help=True, pretty_exceptions_enable=False, rich_markup_mode=None
)


def _say_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"innage {version('innage')}")
        raise typer.Exit


@app.callback()
def innage(
    version: Annotated[
        bool,
        typer.Option("--version", help="Show the version and exit.", callback=_say_version, is_eager=True),
    ] = False,
) -> None:
    """Log capture sessions of contactless level sensors, train small integer models on them, and export
    verified C and ONNX.
    """


def main() -> None:
    """Run the command line. What nobody expected keeps its traceback and ends with 70."""
    prepare_streams()
    sweep_scratch()
    collecting = gc.get_threshold()
    gc.set_threshold(*COLLECTING)
    try:
        try:
            app()
        finally:
            gc.set_threshold(*collecting)
            flush_output()
    except OutputLostError as error:
        if error.reader_gone:
            sys.exit(READER_GONE)
        print(f"innage: {error}", file=sys.stderr)
        sys.exit(NOT_WRITTEN)
    except Exception:
        traceback.print_exc()
        sys.exit(CRASHED)
