"""``innage audit``: who did what, and whether the chain that says so is whole."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.words import counted
from innage.exit_codes import NOT_ENOUGH_EVIDENCE, SAID_NO
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_existing
from innage.terminal.output import emit, say, table

if TYPE_CHECKING:
    from dataset.records import AuditEntry

app = typer.Typer(
    help="The audit chain: who did what, and whether it is whole.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
ServerOption = Annotated[
    str | None, typer.Option("--server", help="Only receipts of this one, by its URL.", show_default=False)
]
EMPTY = "no audit yet: try 'innage token add NAME --scope push,read', which begins one"
_DIGITS, _MINUTE = 12, 16


@app.command("list")
def list_(
    last: Annotated[int, typer.Option("--last", min=1, help="So many of the last rows.")] = 30,
    about: Annotated[
        str | None,
        typer.Option(
            "--about", help="Every row on this session, or other object, by the first digits of its hash."
        ),
    ] = None,
    token: Annotated[
        str | None, typer.Option("--token", help="Only what was done by this token, by its id.")
    ] = None,
    who: Annotated[
        str | None, typer.Option("--who", help="Only what this one did, by the name that is listed.")
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List who did what and when, from the last rows of the chain."""
    with open_existing(store) as opened:
        if about is None:
            rows = opened.last_audit(last, token=token, who=who)
        else:
            rows = opened.audit_about(about, token=token, who=who)
    if json:
        emit([asdict(row) for row in rows])
    elif rows:
        columns = ("row", "when", "who", "from bench", "what", "on", "reason")
        table("audit", columns, [_cells(row) for row in rows])
    elif token is None and who is None:
        say(EMPTY)
    else:
        say("no such row")


def _cells(row: AuditEntry) -> tuple[object, ...]:
    who = row.who if row.token is None else f"{row.who} ({row.token})"
    bench = None if row.bench is None else row.bench[:6]
    on = (row.about or row.object_sha256)[:_DIGITS]
    return (row.number, f"{row.at[:_MINUTE]}Z", who, bench, row.kind, on, row.reason)


@app.command()
def verify(
    receipts: Annotated[
        list[Path] | None,
        typer.Option(
            "--receipts",
            help="What those who pushed hold: a rig's store, or what 'innage audit receipts --json' printed "
            "there. May be repeated.",
        ),
    ] = None,
    server: ServerOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Walk the chain, and name what is wrong with it.

    Exit 1 when rows were edited, removed or reordered; 3 when there is no row. Only receipts can show that
    its end was cut off, or that all of it was written anew.
    """
    from innage.jobs.team import verify_audit

    with open_existing(store) as opened:
        verified = verify_audit(opened, receipts or (), server)
    if json:
        emit(asdict(verified) | {"whole": verified.whole})
    else:
        end = "" if verified.last_sha256 is None else f"; the last has hash {verified.last_sha256[:_DIGITS]}"
        say(f"looked at {counted(verified.rows, 'row')} and {counted(verified.receipts, 'receipt')}{end}")
        if not verified.rows:
            say(EMPTY)
        if verified.faults:
            table("wrong", ("where", "what"), [(fault.where, fault.sentence) for fault in verified.faults])
        elif verified.rows:
            say(
                "The chain is whole."
                if verified.receipts
                else "The chain is whole, as far as it can tell by itself; receipts tell of its end."
            )
    if not verified.whole:
        raise typer.Exit(SAID_NO)
    if not verified.rows:
        raise typer.Exit(NOT_ENOUGH_EVIDENCE)


@app.command("receipts")
def receipts_(
    server: ServerOption = None, json: JsonOption = False, store: StoreOption = DEFAULT_STORE
) -> None:
    """List what servers acknowledged of what was pushed from here."""
    with open_existing(store) as opened:
        held = opened.receipts(server)
    if json:
        emit([asdict(receipt) for receipt in held])
    elif held:
        rows = [
            (
                one.kind,
                one.object_sha256[:_DIGITS],
                one.server,
                f"{one.received[:_MINUTE]}Z",
                one.audit_number,
            )
            for one in held
        ]
        table("receipts", ("what", "hash", "server", "received", "audit row"), rows)
    else:
        say("no receipts yet: nothing was pushed from here")
