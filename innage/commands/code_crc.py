"""``innage crc``: the CRC of the model's code in a linked firmware."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from innage.exit_codes import SAID_NO
from innage.options import JsonOption
from innage.terminal.output import emit, say, table


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(crc)


def crc(
    firmware: Annotated[Path, typer.Argument(help="The ELF file of a linked firmware.")],
    prefix: Annotated[str, typer.Option(help="The prefix that the model was exported with.")] = "innage",
    section: Annotated[str | None, typer.Option(help="The section of the code, in place of symbols.")] = None,
    start_symbol: Annotated[
        str | None,
        typer.Option("--start-symbol", help="At the code's first byte; default: PREFIX_code_start."),
    ] = None,
    end_symbol: Annotated[
        str | None, typer.Option("--end-symbol", help="Behind its last byte; default: PREFIX_code_end.")
    ] = None,
    expected_symbol: Annotated[
        str | None,
        typer.Option("--expected-symbol", help="At the stored value; default: PREFIX_code_crc32, if any."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Write the firmware with the value filled in; may be the same file."),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Compute the CRC of a model's code in a linked firmware. Exit 1 when it stores another value."""
    from innage.jobs.models.code_crc import code_crc, code_facts

    code = code_crc(
        firmware,
        prefix=prefix,
        section=section,
        start_symbol=start_symbol,
        end_symbol=end_symbol,
        expected_symbol=expected_symbol,
        out=out,
    )
    facts = code_facts(code)
    if json:
        emit(facts | {"out": None if out is None else str(out)})
    else:
        rows = [(name, facts[name]) for name in ("start", "length", "crc", "expected")]
        table(f"code of {prefix} in {firmware}", ("fact", "value"), rows)
        if out is not None:
            say(f"{out} written, with the value filled in")
        elif code.agrees is None:
            say("no expected value is stored in it")
        else:
            say("the stored value agrees" if code.agrees else "the stored value is another one")
    if code.agrees is False:
        raise typer.Exit(SAID_NO)
