"""A whole store as a folder of open files, and such a folder into a store."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.exchange.objects import Offered
from dataset.files.disk import sync_folder
from innage.jobs import Progress, silent
from innage.outputs import cannot_be_written, write_new

if TYPE_CHECKING:
    from collections.abc import Iterable

    from dataset.exchange.open_files import OpenFiles
    from dataset.exchange.report import Exchanged
    from dataset.store import Store
    from dataset.store.places import Place


@dataclass(frozen=True)
class Exported:
    """What was written: objects, files and bytes; ``open_captures`` are names of those that were left out."""

    objects: int
    files: int
    bytes: int
    open_captures: tuple[str, ...]


def export_store(store: Store, folder: Path, *, progress: Progress = silent) -> Exported:
    """Write everything that the store has to the new folder ``folder``, whole or not at all.

    Raises:
        InputError: the folder is there and not empty, or cannot be written.
        StoreError: something in the store is damaged; the sentence says what.
    """
    from dataset.exchange.open_files import files_of

    folder = folder.absolute()
    try:
        if folder.is_symlink() or (folder.exists() and (not folder.is_dir() or any(folder.iterdir()))):
            raise InputError(str(folder), "is there and not empty", "a new folder, or an empty one")
        folder.parent.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    except OSError as error:
        raise cannot_be_written(folder, error) from error
    objects = len(store.objects())
    try:
        fresh = aside / "new"
        fresh.mkdir()
        fresh.chmod(0o755)
        files, size = _write(fresh, files_of(store, store.bench().identity), objects, progress)
        fresh.rename(folder)  # over an empty folder too
        sync_folder(folder.parent)
    except OSError as error:
        raise cannot_be_written(folder, error) from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    return Exported(objects, files, size, tuple(capture.name for capture in store.open_captures()))


def _write(
    fresh: Path, files: Iterable[tuple[str, bytes]], objects: int, progress: Progress
) -> tuple[int, int]:
    """Write the files, down to the disk; how many, and how many bytes."""
    count = size = documents = 0
    folders: set[Path] = set()
    for name, content in files:
        path = fresh / name
        if path.parent not in folders:
            path.parent.mkdir(parents=True, exist_ok=True)
            folders |= {path.parent, path.parent.parent}
        write_new(path, content)
        count, size = count + 1, size + len(content)
        documents += name.startswith("documents/")
        progress("objects", documents, objects)
    for one in sorted(folders & {fresh, *(f for f in folders if fresh in f.parents)}):
        sync_folder(one)
    return count, size


def import_store(
    path: Place, folder: Path, *, dry_run: bool = False, progress: Progress = silent
) -> Exchanged:
    """Bring what a folder of open files holds into the store at ``path``. A store that is not there yet is
    made, and takes the place of the one that was exported: it is of the same bench.

    Raises:
        InputError: no such folder, or one of its files is missing, was changed or cannot be read. Nothing is
            written then.
    """
    from dataset.exchange.open_files import OpenFiles
    from dataset.store import Store

    source = OpenFiles(folder)
    with Store.open(path, bench=source.own_bench) as store:
        if not dry_run:
            _name_own_bench(store, source)
        return store.accept(source, dry_run=dry_run, progress=progress)


def _name_own_bench(store: Store, source: OpenFiles) -> None:
    """A store with nothing in it but the bench of the one that was exported calls it as that one did."""
    own = store.bench()
    if own.identity != source.own_bench or any(one.kind != "bench" for one in store.objects()):
        return
    benches: set[Offered] = {one for one in source.objects() if one.kind == "bench"}
    for parcel in source.parcels(benches):
        facts = parcel.document.facts
        if facts.get("identity") == own.identity:
            store.name_bench(own.identity, str(facts.get("name")), str(facts.get("note", "")))
