"""Files that jobs made, written where somebody asks for them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError
from innage.outputs import write_file

if TYPE_CHECKING:
    from dataset.records import QueuedJob
    from innage.runner.places import QueuePlace


def write_outputs(place: QueuePlace, job: QueuedJob, out: Path) -> None:
    """Write the files that a job made to the folder ``out``.

    Raises:
        InputError: it made none, the folder holds something, or cannot be written.
    """
    outputs = {} if job.result is None else job.result.outputs
    if not outputs:
        raise InputError(f"job {job.key[:12]}", "made no files", "a job that has succeeded, and made some")
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise InputError(str(out), "is there already", "a new folder, or an empty one", fields=("out",))
    for name, digest in outputs.items():
        write_file(out / name, place.file(job.key, digest))
