"""``innage backup`` and ``innage restore``: the whole store in one file, with its hash beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

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
    from dataset.errors import InputError
    from dataset.store.backup import backup as make
    from innage.jobs.folders import write_file

    beside = _beside(out)
    if beside.exists():
        raise InputError(
            str(beside), "is there already", "a new file", "name another; a backup is never overwritten"
        )
    made = make(store, out)
    write_file(beside, f"{made.sha256}  {out.name}\n".encode())
    if json:
        emit(
            {
                "out": str(out),
                "sha256": made.sha256,
                "content_sha256": made.content_sha256,
                "revision": made.revision,
                "bytes": made.size,
            }
        )
        return
    say(f"{out}: {made.size} bytes, every row as in {store}")
    say(f"sha256 {made.sha256}, in {beside.name} too")
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
    import tempfile

    from dataset.store.backup import restore as put_back
    from innage.commands.checking import refuse_unsound

    expected = sha256 or _read_hash(copy)
    with tempfile.TemporaryDirectory(prefix="innage-") as folder:
        trial = Path(folder) / "trial.db"
        put_back(copy, trial, expected)
        refuse_unsound(trial)
    before = put_back(copy, store, expected, replace=replace)
    if json:
        emit({"store": str(store), "sha256": expected, "before": None if before is None else str(before)})
        return
    say(f"{store}: restored from {copy}, sha256 {expected}")
    if before is not None:
        say(f"the store that was there is now {before.name}")


def _beside(copy: Path) -> Path:
    return copy.with_name(f"{copy.name}.sha256")


def _read_hash(copy: Path) -> str:
    from dataset.errors import InputError

    beside = _beside(copy)
    try:
        words = beside.read_text("utf-8")[:200].split()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            str(beside), "cannot be read", "the hash that 'innage backup' wrote", "give it with --sha256"
        ) from error
    if not words:
        raise InputError(
            str(beside), "is empty", "the hash that 'innage backup' wrote", "give it with --sha256"
        )
    return words[0]
