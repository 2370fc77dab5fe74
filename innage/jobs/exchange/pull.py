"""Pulling: what a server has and this store lacks. Everything is fetched first, frames into a folder where a
pull that was cut finds them again, and then taken in one transaction, so that nobody waits for the line.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.exchange.objects import REGISTRY, Offered
from dataset.exchange.reading import MOST_UNPACKED
from dataset.exchange.report import Exchanged, Taken
from innage.jobs import Progress, silent
from innage.jobs.exchange.peer import Peer, Sent
from innage.jobs.exchange.received import Received, read_sent
from innage.jobs.sessions.finding import EVERY_SESSION, SessionFilter

if TYPE_CHECKING:
    from dataset.documents import Document
    from dataset.store import Store


def pull(
    store: Store,
    peer: Peer,
    folder: Path,
    *,
    wanted: SessionFilter = EVERY_SESSION,
    dry_run: bool = False,
    progress: Progress = silent,
) -> Exchanged:
    """Take what ``peer`` has and the store lacks. What contradicts the store is held back.

    Args:
        store: the store.
        peer: the server.
        folder: where blobs are kept until they are taken; what is in it already is not fetched again.
        wanted: some sessions only, with what they lean on.
        dry_run: find out what would come in, and write nothing.
        progress: told how far it is.

    Raises:
        InputError: the server refuses, or gives other objects than it offers. StoreError: it cannot be
            reached; what was fetched stays in the folder.
    """
    offered = peer.offered(wanted)
    lacking = frozenset(store.lacking(offered))
    fetched = [one for one in offered if one in lacking or one.kind in REGISTRY]
    documents: list[tuple[Document, Sent]] = []
    for sent in peer.documents(fetched):
        progress("documents", len(documents), len(fetched))
        documents.append((read_sent(f"a document of {peer.name}", sent), sent))
    kept = Blobs(folder, peer)
    received = Received(peer.name, documents, kept.read, MOST_UNPACKED)
    others = set(received.objects()) ^ set(fetched)
    if others:
        kind, key = min(others)
        raise InputError(peer.name, f"{kind} {key[:12]} is not as it was offered", "what it offers")
    wanted_blobs = [
        (one, name) for one in received.objects() if one in lacking for name in received.blobs(one)
    ]
    for done, (one, name) in enumerate(wanted_blobs):
        progress("fetching", done, len(wanted_blobs))
        kept.fetch(one, name)
    report = store.accept(received, dry_run=dry_run, progress=progress)
    if not dry_run:
        kept.drop([name for _, name in wanted_blobs])
    taken = {one.kind: one for one in report.taken}
    # what is here already was not fetched, and is known all the same
    known = [one for one in offered if one not in frozenset(fetched)]
    for one in known:
        counted = taken.get(one.kind, Taken(one.kind, 0, 0))
        taken[one.kind] = Taken(one.kind, counted.new, counted.known + 1)
    return Exchanged(tuple(taken.values()), report.held, report.remarks)


class Blobs:
    """Blobs of a server in a folder, each under its hash, which is looked at whenever one is read."""

    def __init__(self, folder: Path, peer: Peer) -> None:
        self._folder, self._peer = folder, peer

    def fetch(self, one: Offered, name: str) -> None:
        """Have a blob of an object in the folder."""
        if self._kept(name) is not None:
            return
        content = self._peer.blob(one, name)
        if hashlib.sha256(content).hexdigest() != name:
            raise InputError(
                f"{one.kind} {one.key[:12]} of {self._peer.name}", "its bytes hash to another name", name[:12]
            )
        self._folder.mkdir(parents=True, exist_ok=True)
        part = self._folder / f"{name}.part"
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(self._folder / name)

    def read(self, one: Offered, name: str) -> bytes:
        """A blob; it is fetched where it is missing, such as in a dry run that came to an end."""
        self.fetch(one, name)
        content = self._kept(name)
        if content is None:
            raise InputError(str(self._folder / name), "was changed meanwhile", "a file of this pull's")
        return content

    def drop(self, names: list[str]) -> None:
        """Let go of blobs that are in the store by now."""
        for name in names:
            (self._folder / name).unlink(missing_ok=True)

    def _kept(self, name: str) -> bytes | None:
        try:
            content = (self._folder / name).read_bytes()
        except FileNotFoundError:
            return None
        return content if hashlib.sha256(content).hexdigest() == name else None
