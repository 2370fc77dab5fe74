"""``innage check``: is the store as it was written?"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from innage.options import DEFAULT_STORE, JsonOption, StoreOption
from innage.terminal.output import emit, progress, say, table


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command("check")(check)


def check(
    fill_up: Annotated[
        Path | None,
        typer.Option(
            "--fill-up",
            help="Of a file that was cut short: write a copy, zeros at its end, from which what is "
            "left can be read.",
        ),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Check every page, reference and hash of the store. Exit 1 when something is damaged, which is named."""
    from dataset.store.integrity import check_store

    if fill_up is not None:
        _fill_up(store, fill_up)
    with progress(f"checking {store.name}") as shown:
        report = check_store(store, digest_of=program_digest, progress=shown)
    if fill_up is not None and not json:
        say(f"{fill_up}: {store.name} with zeros where its end is missing")
    if json:
        emit(
            {
                "sound": report.sound,
                "checked": dict(report.checked),
                "faults": [asdict(fault) for fault in report.faults],
            }
        )
    else:
        say(
            f"{store}: looked at "
            + ", ".join(
                f"{count} {what}{'s' if count != 1 and what != 'limits' else ''}"
                for what, count in report.checked
                if count
            )
        )
        if report.sound:
            say("Everything is as it was written.")
        else:
            table("damaged", ("what", "how"), [(fault.what, fault.sentence) for fault in report.faults])
            say(
                f"{len(report.faults)} faults. What is not named here can still be read; "
                "'innage restore' puts a backup in the store's place."
            )
    if not report.sound:
        raise typer.Exit(1)


def _fill_up(store: Path, copy: Path) -> None:
    from dataset.errors import InputError
    from dataset.store.integrity import cut_short, fill_up

    missing = cut_short(store)
    if not missing or copy.exists():
        raise InputError(
            "--fill-up",
            "the store is as long as it says" if not missing else f"{copy} is there already",
            "a store that was cut short, a new file",
        )
    try:
        fill_up(store, copy)
    except OSError as error:
        raise InputError(
            str(copy), f"cannot be written ({error.strerror})", "a folder that may be written to"
        ) from error


def program_digest(text: str) -> str:
    """The digest of a stored program."""
    from training.program import digest, from_json

    return digest(from_json(text))


def refuse_unsound(path: Path) -> None:
    """Raise StoreError unless everything in the store at ``path`` is as it was written."""
    from dataset.errors import StoreError
    from dataset.store.integrity import check_store

    faults = check_store(path, digest_of=program_digest).faults
    if faults:
        raise StoreError(
            str(path),
            f"{faults[0].what}: {faults[0].sentence}",
            "a store as it was written",
            "see 'innage check'",
        )
