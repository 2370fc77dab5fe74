"""Jobs put into a store's queue: settled, and what they work on named by hashes."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError
from dataset.records import NewJob, QueuedJob
from innage.runner.settings import read, written
from innage.runner.versions import versions

if TYPE_CHECKING:
    from dataset.store import Store

FILE = "file "  # begins the names of inputs that are files


def add_job(
    store: Store, kind: str, settings: Mapping[str, Any], files: Mapping[str, bytes] | None = None
) -> QueuedJob:
    """Queue a job; the one of the same settings, inputs and versions that is queued or runs is given instead.

    Args:
        store: the open store, where a runner (:func:`run_jobs`, ``innage runner``) takes it up.
        kind: ``train``, ``retrain``, ``compare``, ``sweep``, ``study``, ``report``, ``export`` or ``replay``.
        settings: by name, as of the dataclass of the kind in ``innage.runner.kinds``, which are those of the
            function that does it.
        files: of a replay: the contents of the logs, by name.

    Raises:
        InputError: a kind or a setting that there is not, a name that is taken, files that are not asked for,
            too many jobs that wait.
        NotFoundError: a name that the store does not have.
    """
    from innage.runner.kinds import kind_of

    of = kind_of(kind)
    given = dict(files or {})
    if kind == "replay":
        settings = {"files": list(given), **settings}
    asked = read(kind, of.settings, settings)
    if set(given) != set(getattr(asked, "files", ())):
        raise InputError(
            "files",
            ", ".join(given) or "none",
            ", ".join(getattr(asked, "files", ())) or f"none for {kind}",
        )
    settled = of.settle(store, asked)
    hashes = of.inputs(store, settled).hashes
    hashes |= {FILE + name: hashlib.sha256(content).hexdigest() for name, content in given.items()}
    return store.queue_job(NewJob(kind, written(settled), hashes, versions(), given))
