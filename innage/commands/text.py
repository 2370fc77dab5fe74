"""``innage text``: registry, limits and marks as plain text, for a version control system."""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table

app = typer.Typer(
    help="Registry, limits and marks as plain text that diffs well.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

MARKS = re.compile(r"[0-9a-f]{12}\.csv")
MOST_BYTES = 200_000_000  # of one file


@app.command("export")
def export(
    folder: Annotated[
        Path,
        typer.Argument(
            help="The folder to write to; made when missing. Files that are not of this command stay."
        ),
    ],
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Write registry, limits, mappings and marks as text files. All revisions; no frames, trims or models."""
    from innage.jobs.folders import write_file

    with open_store(store) as opened:
        files = opened.to_text()
    for name, text in files.items():
        write_file(folder / name, text.encode())
    for path in _mark_files(folder):
        if f"marks/{path.name}" not in files:
            path.unlink()  # a session that an earlier store had
    say(
        f"{folder}: {len(files)} files. Frames, trims, frozen sets, models and exports are in "
        "the store only: 'innage backup' copies those."
    )


@app.command("import")
def import_(
    folder: Annotated[Path, typer.Argument(help="A folder that 'innage text export' wrote.")],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Bring in what the text holds and the store has not. All of it or nothing, by the rules of 'innage
    merge'.
    """
    files = read_folder(folder)
    with open_store(store) as opened:
        report = opened.from_text(files)
    merged = report.merged
    if json:
        emit(asdict(merged) | {"new": merged.new, "elsewhere": report.elsewhere})
        return
    if merged.counts:
        table(
            f"{folder} into {store.name}",
            ("what", "new", "here already"),
            [(c.what, c.new, c.known) for c in merged.counts],
        )
    for one in merged.renumbered:
        say(f"{one.what} {one.theirs} of the text is {one.ours} here")
    for remark in merged.remarks:
        say(remark)
    if report.elsewhere:
        listed = ", ".join(report.elsewhere[:6]) + (", ..." if len(report.elsewhere) > 6 else "")
        say(
            f"{len(report.elsewhere)} sessions are not in this store, and their marks were left "
            f"out ({listed}): frames come with 'innage merge'"
        )
    say(f"{merged.new} new" if merged.new else "nothing new")


def read_folder(folder: Path) -> dict[str, str]:
    """The files of the command in a folder, by path; InputError when it is none, or a file cannot be read."""
    from dataset.errors import InputError
    from dataset.text.write import REGISTRY, REVISIONS

    paths = [
        path
        for name in (*(f"{kind}.toml" for kind in REGISTRY), REVISIONS)
        if (path := folder / name).exists()
    ]
    if not paths:
        raise InputError(str(folder), "holds no text of a store", "a folder that 'innage text export' wrote")
    files = {}
    for path in paths + _mark_files(folder):
        try:
            if path.is_symlink() or not path.is_file() or path.stat().st_size > MOST_BYTES:
                raise InputError(
                    str(path), "is no plain file, or too long", f"text of at most {MOST_BYTES} bytes"
                )
            files[path.relative_to(folder).as_posix()] = path.read_bytes().decode("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(str(path), "cannot be read", "text in UTF-8") from error
    return files


def _mark_files(folder: Path) -> list[Path]:
    marks = folder / "marks"
    return sorted(path for path in marks.iterdir() if MARKS.fullmatch(path.name)) if marks.is_dir() else []
