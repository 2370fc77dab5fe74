"""A connection to a store's door: what the jobs ask of it, over HTTP."""

from __future__ import annotations

import os
import ssl
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache
from types import TracebackType
from typing import Any, Self, TypeVar
from urllib.parse import urlsplit

import httpx
from pydantic import BaseModel, ValidationError

from dataset.errors import InputError, StoreError, quoted
from dataset.exchange.objects import Offered, Parcel
from dataset.exchange.report import Exchanged, Held
from dataset.exchange.report import Taken as Counted
from dataset.records import Receipt
from innage.jobs.exchange.peer import Answered, Sent
from innage.jobs.exchange.received import read_sent
from innage.jobs.sessions.finding import SessionFilter
from innage.service.addresses import is_loopback
from innage.service.messages import wire
from innage.service.problems import MEDIA_TYPE, PREFIX, error_of

MOST_ANSWER = 64 << 20  # bytes
TIMEOUT_S = 60.0
TRIES = 4
PAUSES_S = (0.5, 2.0, 5.0)  # before a request is made again
MOST_PAUSE_S = 60.0
_AGAIN = frozenset({"rate", "busy", "not-ready"})
_BYTES = "application/octet-stream"
_AT_ONCE = 200  # documents that are asked for together
A = TypeVar("A", bound=BaseModel)


class Connection:
    """A store behind a URL, as a :class:`innage.jobs.exchange.peer.Peer`. Use it in a ``with`` block.

    Args:
        url: where it is served, such as https://store.example; without user, query or fragment.
        token: what it is shown; None shows nothing.
        plain_http: show a token without TLS too, to another host than this one.
        sleep: how it waits before it asks again; only tests give another.

    Raises:
        InputError: no such URL, or one that a token must not go to.
    """

    def __init__(
        self,
        url: str,
        token: str | None = None,
        *,
        plain_http: bool = False,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.server = _checked(url, token, plain_http)
        self._sleep = sleep
        headers = {"User-Agent": "innage", "Accept": "application/json, */*;q=0.1"}
        if token is not None:
            headers["Authorization"] = f"Bearer {token}"
        self._client = httpx.Client(
            base_url=self.server,
            headers=headers,
            timeout=TIMEOUT_S,
            follow_redirects=False,
            verify=_trusted(os.environ.get("SSL_CERT_FILE"), os.environ.get("SSL_CERT_DIR")),
        )
        self._protocol: wire.Protocol | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._client.close()

    @property
    def name(self) -> str:
        """What sentences call it: the host, with its port."""
        return urlsplit(self.server).netloc

    def protocol(self) -> wire.Protocol:
        """What the server says of itself, asked once.

        Raises:
            InputError: it speaks another major version.
        """
        if self._protocol is None:
            said = self._json(wire.Protocol, "GET", "/v1")
            wire.check_protocol(self.server, said.protocol)
            self._protocol = said
        return self._protocol

    def lacking(self, offered: Sequence[Offered]) -> tuple[Offered, ...]:
        """Which of these objects it does not have."""
        self.protocol()
        asked = set(offered)
        lacking: list[Offered] = []
        for at in range(0, len(offered), wire.MOST_NAMED):
            body = wire.Asked.model_construct(objects=wire.named(offered[at : at + wire.MOST_NAMED]))
            answer = self._json(wire.Listed, "POST", "/v1/objects/lacking", body)
            lacking += [one.offered for one in answer.objects if one.offered in asked]
        return tuple(lacking)

    def blobs_missing(self, names: Sequence[str]) -> tuple[str, ...]:
        """Which of these blobs it does not hold for an object that is to come."""
        missing: list[str] = []
        for at in range(0, len(names), wire.MOST_NAMED):
            body = wire.BlobsAsked(blobs=list(names[at : at + wire.MOST_NAMED]))
            missing += self._json(wire.BlobsListed, "POST", "/v1/blobs/missing", body).blobs
        return tuple(missing)

    def send_blobs(self, blobs: Sequence[tuple[str, bytes]]) -> None:
        """Give it blobs, each with its hash."""
        if len(blobs) == 1:
            ((name, content),) = blobs
            self._ask("PUT", f"/v1/blobs/{name}", content, _BYTES)
            return
        parts = (
            (bytes.fromhex(name), len(content).to_bytes(4, "little"), content) for name, content in blobs
        )
        self._ask("POST", "/v1/blobs", b"".join(piece for part in parts for piece in part), _BYTES)

    def send(self, groups: Sequence[Sequence[Sent]]) -> tuple[Answered, ...]:
        """Give it groups of objects, each in order of reference; what became of each, with what is held back
        of it.
        """
        return self._groups("/v1/groups", groups)

    def judges(self) -> bool:
        """Whether it can be asked what it would not take."""
        return wire.is_at_least(self.protocol().protocol, wire.JUDGES)

    def judge(self, groups: Sequence[Sequence[Sent]]) -> tuple[Answered, ...]:
        """What :meth:`send` would answer, by the documents alone."""
        return self._groups("/v1/groups/judged", groups)

    def _groups(self, path: str, groups: Sequence[Sequence[Sent]]) -> tuple[Answered, ...]:
        sent = [wire.Group(objects=[_object(one) for one in group]) for group in groups]
        answer = self._json(wire.GroupsTaken, "POST", path, wire.Groups(groups=sent))
        if len(answer.groups) != len(groups):
            raise self._odd("answers for other groups than it was sent")
        return tuple(map(self._outcome, groups, answer.groups))

    def _outcome(self, group: Sequence[Sent], outcome: wire.GroupOutcome) -> Answered:
        if outcome.taken is not None:
            return self._taken(outcome.taken)
        members = outcome.problem or {}
        kind = str(members.get("type", "")).removeprefix(PREFIX)
        problem = ProblemError(kind, members, self._sentence(kind, members))
        if kind == "held-back":
            held = self._validated(members.get("held", []))
            return Answered(Exchanged((), tuple(map(_held, held)), ()))
        if kind not in ("refused", "not-found") and (kind != "not-allowed" or members.get("scope") == "push"):
            raise problem
        return Answered(Exchanged((), tuple(_refused(group, problem)), ()))

    def _validated(self, held: object) -> list[wire.HeldBack]:
        try:
            return [wire.HeldBack.model_validate(one) for one in held] if isinstance(held, list) else []
        except ValidationError as error:
            raise self._odd("answers in another form than the protocol has") from error

    def _taken(self, taken: wire.Taken) -> Answered:
        report = Exchanged(
            tuple(Counted(one.kind, one.new, one.known) for one in taken.taken),
            tuple(map(_held, taken.held)),
            tuple(taken.remarks),
        )
        receipts = (
            Receipt(
                one.kind,
                one.key,
                self.server,
                taken.received,
                one.digest,
                one.audit_number,
                one.audit_sha256,
            )
            for one in taken.acknowledged
        )
        return Answered(report, tuple(receipts))

    def offered(self, wanted: SessionFilter) -> tuple[Offered, ...]:
        """Everything that it has, in order of reference; with a filter the sessions that fit, what they lean
        on, and what was said of them.
        """
        self.protocol()
        if wanted.given:
            answer = self._json(wire.Listed, "POST", "/v1/objects/chosen", wire.filter_of(wanted))
            return tuple(dict.fromkeys(one.offered for one in answer.objects))
        every: dict[Offered, None] = {}
        after = ""
        while True:
            answer = self._json(wire.Listed, "GET", f"/v1/objects?limit={wire.MOST_LISTED}{after}")
            before = len(every)
            every |= dict.fromkeys(one.offered for one in answer.objects)
            if len(answer.objects) < wire.MOST_LISTED:
                return tuple(every)
            if len(every) == before:
                raise self._odd("lists the same objects again")
            last = answer.objects[-1]
            after = f"&after={wire.dashed(last.kind)}/{last.key}"

    def documents(self, wanted: Sequence[Offered]) -> Iterator[Sent]:
        """The documents of these objects, in its order; of sessions and models with the names of their
        blobs.
        """
        for at in range(0, len(wanted), _AT_ONCE):
            left = list(wanted[at : at + _AT_ONCE])
            while left:
                body = wire.Asked.model_construct(objects=wire.named(left))
                answer = self._json(wire.Documents, "POST", "/v1/objects/documents", body)
                if not answer.objects or len(answer.objects) > len(left):
                    raise self._odd(f"does not give {left[0].kind} {left[0].key[:12]}, which it offered")
                del left[: len(answer.objects)]
                for one in answer.objects:
                    yield Sent(one.document, tuple(one.blobs), one.hashed_by_upgrade)

    def blob(self, one: Offered, name: str) -> bytes:
        """A blob of an object."""
        beside = {"session": "packs", "model": "parts"}[one.kind]
        return self._ask("GET", f"/v1/{one.kind}s/{one.key}/{beside}/{name}")

    def _json(
        self,
        kind: type[A],
        method: str,
        path: str,
        body: BaseModel | None = None,
        conditions: Mapping[str, str] | None = None,
        wait_s: float = TIMEOUT_S,
    ) -> A:
        content = None if body is None else body.model_dump_json().encode()
        answer = self._ask(method, path, content, "application/json", conditions, wait_s)
        try:
            return kind.model_validate_json(answer)
        except ValidationError as error:
            raise self._odd("answers in another form than the protocol has") from error

    def _ask(
        self,
        method: str,
        path: str,
        content: bytes | None = None,
        media_type: str = "application/json",
        conditions: Mapping[str, str] | None = None,
        wait_s: float = TIMEOUT_S,
    ) -> bytes:
        """The body of the answer to a request, which is made again where that may help; ``conditions`` are
        further fields of its head, ``wait_s`` how long the next part of the answer may take.

        Raises:
            ProblemError: the server says no. StoreError: it cannot be reached, or is busy for long.
        """
        headers = dict(conditions or {}) | ({} if content is None else {"Content-Type": media_type})
        timeout = httpx.Timeout(TIMEOUT_S, read=wait_s)
        for tried in range(1, TRIES + 1):
            pause = PAUSES_S[min(tried, len(PAUSES_S)) - 1]
            try:
                with self._client.stream(
                    method, path, content=content, headers=headers, timeout=timeout
                ) as answer:
                    body = self._read(answer)
                    if answer.is_success:
                        return body
                    problem = self._problem(answer, body)
            except httpx.TransportError as error:
                if tried == TRIES:
                    raise StoreError(
                        self.server,
                        f"cannot be reached, or the connection broke ({error or type(error).__name__})",
                        "",
                        "nothing that was acknowledged is lost; do it again when it can be reached",
                    ) from error
            else:
                if problem.kind not in _AGAIN or tried == TRIES:
                    raise problem
                pause = min(max(pause, _seconds(answer.headers.get("retry-after"))), MOST_PAUSE_S)
            self._sleep(pause)
        raise AssertionError("the last try raises or returns")

    def _read(self, answer: httpx.Response) -> bytes:
        pieces, size = [], 0
        for piece in answer.iter_bytes():
            size += len(piece)
            if size > MOST_ANSWER:
                raise self._odd(f"answers with more than {MOST_ANSWER >> 20} MiB")
            pieces.append(piece)
        return b"".join(pieces)

    def _problem(self, answer: httpx.Response, body: bytes) -> ProblemError:
        if answer.is_redirect:
            to = urlsplit(answer.headers.get("location", "")).netloc
            return ProblemError(
                "",
                {},
                InputError(
                    self.server,
                    f"sends on to {quoted(to)}",
                    "the store's service itself, since a token goes nowhere else",
                    "name the URL that it sends to, if you trust it",
                ),
            )
        if answer.headers.get("content-type", "").partition(";")[0] != MEDIA_TYPE:
            return ProblemError("", {}, self._odd(f"answers {answer.status_code} without saying why"))
        try:
            members = wire.read_problem(body)
        except ValueError:
            return ProblemError("", {}, self._odd(f"answers {answer.status_code} in another form"))
        kind = str(members.get("type", "")).removeprefix(PREFIX)
        return ProblemError(kind, members, self._sentence(kind, members))

    def _sentence(self, kind: str, members: Mapping[str, Any]) -> InputError:
        if "where" in members and "found" in members:
            return error_of(members)
        said = str(members.get("detail", ""))[:500]
        # a token for one bench, say, has the scope
        hint = "" if kind == "not-allowed" and members.get("scope") is None else _HINTS.get(kind, "")
        return InputError(self.server, said or f"refuses ({kind[:40]})", "", hint)

    def _odd(self, what: str) -> InputError:
        return InputError(self.server, what, "the service of a store of innage")


class ProblemError(InputError):
    """A server says no: a type of problem, the members of its document, and the sentence."""

    def __init__(self, kind: str, members: Mapping[str, Any], error: InputError) -> None:
        super().__init__(error.where, error.found, error.expected, error.hint, fields=error.fields)
        self.kind, self.members = kind, members


_HINTS = {
    "unauthorised": "give a good token by INNAGE_TOKEN, or in a file",
    "not-allowed": "ask whoever runs the server for a token with that scope",
    "missing-blobs": "they waited for too long: push again",
    "rate": "wait, then do it again: it goes on where it was",
    "busy": "wait, then do it again: it goes on where it was",
    "quota": "tell whoever runs the server",
}


def _object(sent: Sent) -> wire.SentObject:
    return wire.SentObject(
        document=sent.document, blobs=list(sent.blobs), hashed_by_upgrade=sent.hashed_by_upgrade
    )


def _refused(group: Sequence[Sent], problem: ProblemError) -> Iterator[Held]:
    """Every object of a group that the token does not allow, which holds the other groups back no more than
    what leans on it.
    """
    for sent in group:
        one = Parcel(read_sent("what is sent", sent)).offered
        yield Held(one.kind, one.key, problem)


def _held(one: wire.HeldBack) -> Held:
    return Held(one.kind, one.key, error_of(one.model_dump()))


def _seconds(stated: str | None) -> float:
    return float(stated) if stated is not None and stated.isascii() and stated.isdigit() else 0.0


@cache
def _trusted(_file: str | None, _folder: str | None) -> ssl.SSLContext:
    """Whom this machine trusts, by what its environment names: read once, since that takes longer than an
    answer of a server nearby.
    """
    return httpx.create_ssl_context()


def _checked(url: str, token: str | None, plain_http: bool) -> str:
    """The URL as receipts name it."""
    try:
        parts = urlsplit(url.strip())
        host, port = (parts.hostname or ""), parts.port
    except ValueError as error:
        raise InputError("url", quoted(url[:200]), "http://HOST or https://HOST") from error
    if parts.scheme not in ("http", "https") or not host or parts.query or parts.fragment:
        raise InputError("url", quoted(url[:200]), "http://HOST or https://HOST")
    if parts.username is not None or parts.password is not None:
        raise InputError(
            "url",
            "holds a password",
            "one without",
            "give a token by INNAGE_TOKEN",
        )
    if token is not None and parts.scheme == "http" and not (plain_http or is_loopback(host)):
        raise InputError(
            "url",
            f"http://{host}: a token would travel so that anybody on the way can read it",
            f"https://{host}",
            "set plain_http=True only within a network that you trust",
            fields=("plain_http=True",),
        )
    shown = f"[{host}]" if ":" in host else host
    at = "" if port is None else f":{port}"
    return f"{parts.scheme}://{shown}{at}{parts.path.rstrip('/')}"
