"""Who may what: the scopes of tokens, what each route asks for, and who is at the door."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import Enum, StrEnum
from typing import TYPE_CHECKING

from innage.service.problems import Problem

if TYPE_CHECKING:
    from dataset.store import Store


class Scope(StrEnum):
    """What a token may be good for. None of them includes another."""

    READ = "read"  # lists and documents
    PULL = "pull"  # frames and bundles
    PUSH = "push"
    AMEND = "amend"  # amendments and voids
    SIGN = "sign"
    RUN = "run"
    RELEASE = "release"  # channels, and withdrawing
    ADMIN = "admin"  # tokens, and the audit


class Free(Enum):
    """What asks for no scope."""

    PUBLIC = "without a token"
    ANY = "any token"


Rule = Scope | Free

# Every route, by its method and path; a test names those without a row.
RULES: Mapping[tuple[str, str], Rule] = {
    ("GET", "/healthz"): Free.PUBLIC,
    ("GET", "/readyz"): Free.PUBLIC,
    ("GET", "/v1"): Free.ANY,
    ("GET", "/v1/openapi.json"): Free.ANY,
}

# What a group of objects asks for beside 'push', by the kinds in it.
ALSO: Mapping[str, Scope] = {
    "void": Scope.AMEND,
    "amendment": Scope.AMEND,
    "mark revision": Scope.AMEND,
    "retirement": Scope.AMEND,
    "sign-off": Scope.SIGN,
}


@dataclass(frozen=True)
class Actor:
    """Who is at the door.

    Attributes:
        name: what the log and the audit call them.
        scopes: what they may.
        token: the public id of their token; None on loopback, while the store holds none.
        bench: the identity of the only bench that they may push sessions of; None is any.
    """

    name: str
    scopes: frozenset[Scope]
    token: str | None = None
    bench: str | None = None

    def must_have(self, wanted: Iterable[Rule]) -> None:
        """Problem 'not-allowed' for the first scope that is wanted and not there."""
        for rule in wanted:
            if isinstance(rule, Scope) and rule not in self.scopes:
                if self.token is None:
                    raise Problem(
                        "not-allowed", "the store holds no token yet: it can be read, and nothing written"
                    )
                challenge = f'Bearer realm="innage", error="insufficient_scope", scope="{rule}"'
                raise Problem(
                    "not-allowed",
                    f"the token has not the scope {rule}",
                    {"WWW-Authenticate": challenge},
                    scope=str(rule),
                )


ON_LOOPBACK = Actor("loopback", frozenset({Scope.READ, Scope.PULL}))
Authorise = Callable[[str | None], Actor]  # of the Authorization header


def any_tokens(store: Store) -> bool:
    """Whether the store holds a token, of whatever state."""
    return False


def authorise_by(store: Store) -> Authorise:
    """Who is at the door of this store, by the Authorization header of a request.

    The function raises Problem 'unauthorised' for a token that is missing, unknown, expired or revoked, in
    one sentence for all of them.
    """

    def authorise(header: str | None) -> Actor:
        if header is None and not any_tokens(store):
            return ON_LOOPBACK
        raise unauthorised(given=header is not None)

    return authorise


def unauthorised(*, given: bool) -> Problem:
    """Nobody who may anything."""
    error = ', error="invalid_token"' if given else ""
    detail = "the token is not one that is good here" if given else "give a token: Authorization: Bearer ..."
    return Problem("unauthorised", detail, {"WWW-Authenticate": f'Bearer realm="innage"{error}'})
