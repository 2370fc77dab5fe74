"""Tokens, and the audit chain held against receipts."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dataset.errors import InputError, quoted
from dataset.files.disk import text_at_most
from dataset.records import Receipt, Scope

if TYPE_CHECKING:
    from dataset.store import Store
    from dataset.store.team.chain import ChainFault

_IDENTITY = re.compile(r"[0-9a-f]{32}")
_SQLITE = b"SQLite format 3\0"
_MOST_BYTES = 200_000_000  # of a file of receipts
_KINDS: dict[str, tuple[type, ...]] = {
    **dict.fromkeys(("kind", "object_sha256", "server", "received", "digest"), (str,)),
    "audit_number": (int, type(None)),
    "audit_sha256": (str, type(None)),
}


def scopes_of(words: Sequence[str]) -> tuple[Scope, ...]:
    """The scopes that words name, several in one with commas between.

    Raises:
        InputError: a word that is no scope.
    """
    named = [word.strip() for text in words for word in text.split(",") if word.strip()]
    for word in named:
        if word not in list(Scope):
            raise InputError("scope", quoted(word), "some of " + ", ".join(Scope), fields=("scope",))
    return tuple(scope for scope in Scope if scope in named)


def bench_of(store: Store, ref: str | None) -> str | None:
    """The identity of a bench by its name in the store, or its identity, which need not be known yet: a rig
    gets its token before it sends anything.
    """
    return ref if ref is None or _IDENTITY.fullmatch(ref) else store.bench(ref).identity


@dataclass(frozen=True)
class Verified:
    """What was found of an audit chain: how many rows it has, the hash of the last, how many receipts it was
    held against, and what is wrong.
    """

    rows: int
    last_sha256: str | None
    receipts: int
    faults: tuple[ChainFault, ...]

    @property
    def whole(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


def verify_audit(store: Store, files: Sequence[Path] = (), server: str | None = None) -> Verified:
    """Walk the audit chain of a store, and hold it against receipts.

    Args:
        store: the store.
        files: with receipts: stores of those who pushed, or what ``innage audit receipts --json`` printed.
        server: only receipts of this one count; None where they are all of one.

    Raises:
        InputError: a file that holds no receipts, or receipts of several servers and none is named.
    """
    held = [receipt for file in files for receipt in read_receipts(file)]
    servers = sorted({receipt.server for receipt in held})
    if server is not None:
        if held and server not in servers:
            raise InputError(
                "server", quoted(server), "one of " + ", ".join(map(quoted, servers)), fields=("server",)
            )
        held = [receipt for receipt in held if receipt.server == server]
    elif len(servers) > 1:
        raise InputError(
            "receipts",
            "are of several servers: " + ", ".join(map(quoted, servers)),
            "those of this store's",
            "name it with server",
            fields=("server", "receipts"),
        )
    walked = store.walk_audit(held)
    return Verified(walked.number, walked.sha256, len(held), walked.faults)


def read_receipts(path: Path) -> tuple[Receipt, ...]:
    """The receipts in a store, which is only read, or in a file of JSON.

    Raises:
        InputError: the file cannot be read, or is neither. StoreError: a store that cannot be used.
    """
    try:
        with path.open("rb") as file:
            head = file.read(len(_SQLITE))
    except OSError as error:
        raise InputError(str(path), f"cannot be read ({error.strerror})", "a file of receipts") from error
    if head == _SQLITE:
        from dataset.store.team.receipts import receipts_in

        return receipts_in(path)
    try:
        given = json.loads(text_at_most(path, _MOST_BYTES))
    except InputError:
        raise
    except (ValueError, RecursionError, OSError) as error:
        raise _no_receipts(path, "is neither a store nor JSON") from error
    if not isinstance(given, list):
        raise _no_receipts(path, "is no list")
    return tuple(_receipt(path, number, one) for number, one in enumerate(given, 1))


def _receipt(path: Path, number: int, given: Any) -> Receipt:
    if not isinstance(given, dict) or set(given) != set(_KINDS):
        raise _no_receipts(path, f"receipt {number} has not the keys of one")
    wrong = [key for key, kinds in _KINDS.items() if not isinstance(given[key], kinds)]
    if wrong:
        raise _no_receipts(path, f"in receipt {number}, {wrong[0]} is of another type")
    return Receipt(**given)


def _no_receipts(path: Path, what: str) -> InputError:
    return InputError(
        str(path),
        what,
        "a store, or receipts as JSON",
        "write them where they are kept with Store.receipts()",
        fields=("Store.receipts()",),
    )
