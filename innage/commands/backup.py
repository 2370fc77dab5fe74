"""``innage backup`` and ``innage restore``: the whole store in one file, with its hash beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dataset.words import counted
from innage.options import DEFAULT_STORE, JsonOption, StoreOption
from innage.terminal.output import emit, say


def register(app: typer.Typer) -> None:
    """Add the commands to the app."""
    app.command("backup")(backup)
    app.command("restore")(restore)


def backup(
    out: Annotated[Path, typer.Argument(help="The file to write; new. Its hash goes to OUT.sha256.")],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Copy the whole store, checked, to one file. Others may go on writing to it."""
    from innage.jobs.stores import back_up, hash_file

    copied = back_up(store, out)
    if json:
        emit(
            {
                "out": str(out),
                "sha256": copied.sha256,
                "content_sha256": copied.content_sha256,
                "revision": copied.revision,
                "bytes": copied.size,
            }
        )
        return
    say(f"{out}: {counted(copied.size, 'byte')}, every row as in {store}")
    say(f"sha256 {copied.sha256}, in {hash_file(out).name} too")
    say(f"Put it back with: innage restore {out} --store FILE")


def restore(
    copy: Annotated[Path, typer.Argument(help="A file that 'innage backup' wrote.")],
    sha256: Annotated[
        str | None, typer.Option("--sha256", help="Its hash; by default that in COPY.sha256.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Set a store that is there aside, under a new name.")
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Put a backup in the store's place, once it is checked."""
    from innage.jobs.stores import restore as put_back

    restored = put_back(copy, store, sha256=sha256, replace=replace)
    before = restored.before
    if json:
        emit(
            {
                "store": str(store),
                "sha256": restored.sha256,
                "before": None if before is None else str(before),
            }
        )
        return
    say(f"{store}: restored from {copy}, sha256 {restored.sha256}")
    if before is not None:
        say(f"the store that was there is now {before.name}")
