"""Who may what: the scopes of tokens, what each route asks for, and who is at the door."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from dataset import records
from dataset.records import KnownBy, Scope
from innage.service.problems import Problem, not_allowed, unauthorised

if TYPE_CHECKING:
    from dataset.store import Store

__all__ = [
    "ALSO",
    "ON_LOOPBACK",
    "RULES",
    "Actor",
    "Authorise",
    "Free",
    "Rule",
    "Scope",
    "any_tokens",
    "authorise_by",
    "unauthorised",
]


class Free(Enum):
    """What asks for no scope."""

    PUBLIC = "without a token"
    IN_FORM = "a token that stands in the form"
    ANY = "any token"


Rule = Scope | Free

# Every route, by its method and path; a test names those without a row. What objects that are sent ask for
# by their kinds (dataset.exchange.scopes), the store sees to.
RULES: Mapping[tuple[str, str], Rule] = {
    ("GET", "/healthz"): Free.PUBLIC,
    ("GET", "/readyz"): Free.PUBLIC,
    ("GET", "/v1"): Free.ANY,
    ("GET", "/v1/openapi.json"): Free.ANY,
    ("GET", "/v1/channels"): Scope.READ,
    ("GET", "/v1/channels/{name:path}"): Scope.READ,
    ("PUT", "/v1/channels/{name:path}"): Scope.RELEASE,
    ("GET", "/v1/moves"): Scope.READ,
    ("GET", "/v1/bundles/{sha256}"): Scope.READ,
    ("PUT", "/v1/bundles/{sha256}"): Scope.RELEASE,
    ("GET", "/v1/bundles/{sha256}/files/{file}"): Scope.PULL,
    ("POST", "/v1/bundles/{sha256}/withdraw"): Scope.RELEASE,
    ("POST", "/v1/bundles/{sha256}/take-back"): Scope.RELEASE,
    ("GET", "/v1/jobs"): Scope.READ,
    ("POST", "/v1/jobs"): Scope.RUN,
    ("GET", "/v1/jobs/{key}"): Scope.READ,
    ("POST", "/v1/jobs/{key}/cancel"): Scope.RUN,
    ("GET", "/v1/jobs/{key}/log"): Scope.READ,
    ("GET", "/v1/jobs/{key}/events"): Scope.READ,
    ("GET", "/v1/jobs/{key}/files/{sha256}"): Scope.PULL,
    ("GET", "/v1/tokens"): Scope.ADMIN,
    ("POST", "/v1/tokens"): Scope.ADMIN,
    ("DELETE", "/v1/tokens/{token_id}"): Scope.ADMIN,
    ("GET", "/v1/audit"): Scope.ADMIN,
    ("GET", "/v1/objects"): Scope.READ,
    ("POST", "/v1/objects"): Scope.PUSH,
    ("POST", "/v1/objects/lacking"): Scope.READ,
    ("POST", "/v1/objects/chosen"): Scope.READ,
    ("POST", "/v1/objects/documents"): Scope.READ,
    ("GET", "/v1/objects/{kind}/{key}"): Scope.READ,
    ("GET", "/v1/sessions/{key}/packs"): Scope.PULL,
    ("GET", "/v1/sessions/{key}/packs/{sha256}"): Scope.PULL,
    ("GET", "/v1/models/{key}/parts"): Scope.PULL,
    ("GET", "/v1/models/{key}/parts/{sha256}"): Scope.PULL,
    ("POST", "/v1/groups"): Scope.PUSH,
    ("POST", "/v1/groups/judged"): Scope.PUSH,
    ("POST", "/v1/blobs"): Scope.PUSH,
    ("POST", "/v1/blobs/missing"): Scope.PUSH,
    ("PUT", "/v1/blobs/{sha256}"): Scope.PUSH,
    ("GET", "/"): Scope.READ,
    ("GET", "/paper.css"): Free.PUBLIC,
    ("GET", "/mark.svg"): Free.PUBLIC,
    ("GET", "/sign-in"): Free.PUBLIC,
    ("POST", "/sign-in"): Free.IN_FORM,
    ("POST", "/sign-out"): Free.ANY,
    ("GET", "/sessions"): Scope.READ,
    ("GET", "/sessions.{form}"): Scope.READ,
    ("GET", "/sessions/{key}.json"): Scope.READ,
    ("GET", "/sessions/{key}"): Scope.READ,
    ("GET", "/sessions/{key}/marks.{form}"): Scope.PULL,
    ("POST", "/sessions/{key}/void"): Scope.AMEND,
    ("POST", "/sessions/{key}/take-back"): Scope.AMEND,
    ("POST", "/sessions/{key}/tag"): Scope.PUSH,
    ("POST", "/sessions/{key}/amend"): Scope.AMEND,
    ("GET", "/coverage"): Scope.READ,
    ("GET", "/coverage.{form}"): Scope.READ,
    ("GET", "/limits"): Scope.READ,
    ("GET", "/limits.{form}"): Scope.READ,
    ("GET", "/limits/{ref}.json"): Scope.READ,
    ("GET", "/limits/{ref}"): Scope.READ,
    ("POST", "/limits/{ref}/sign"): Scope.SIGN,
    ("GET", "/release"): Scope.READ,
    ("POST", "/release"): Scope.RELEASE,
    ("GET", "/order"): Scope.READ,
    ("POST", "/order"): Scope.RUN,
    ("POST", "/jobs/{key}/cancel"): Scope.RUN,
    ("GET", "/registry"): Scope.READ,
    ("GET", "/registry.json"): Scope.READ,
    ("GET", "/tanks.{form}"): Scope.READ,
    ("GET", "/liquids.{form}"): Scope.READ,
    ("GET", "/sensors.{form}"): Scope.READ,
    ("GET", "/mountings.{form}"): Scope.READ,
    ("GET", "/units"): Scope.READ,
    ("GET", "/units.{form}"): Scope.READ,
    ("GET", "/units/{name}.json"): Scope.READ,
    ("GET", "/units/{name}"): Scope.READ,
    ("GET", "/units/{name}/trims.{form}"): Scope.READ,
    ("GET", "/pictures.css"): Free.PUBLIC,
    ("GET", "/frozen"): Scope.READ,
    ("GET", "/frozen.{form}"): Scope.READ,
    ("GET", "/frozen/{name}.json"): Scope.READ,
    ("GET", "/frozen/{name}"): Scope.READ,
    ("GET", "/frozen/{name}/groups.{form}"): Scope.READ,
    ("GET", "/models"): Scope.READ,
    ("GET", "/models.{form}"): Scope.READ,
    ("GET", "/models/{name}.json"): Scope.READ,
    ("GET", "/models/{name}"): Scope.READ,
    ("GET", "/models/{name}/errors.{form}"): Scope.READ,
    ("GET", "/models/{name}/limits.{form}"): Scope.READ,
    ("GET", "/models/{name}/report"): Scope.READ,
    ("GET", "/bundles"): Scope.READ,
    ("GET", "/bundles.{form}"): Scope.READ,
    ("GET", "/bundles/{sha256}.json"): Scope.READ,
    ("GET", "/bundles/{sha256}"): Scope.READ,
    ("GET", "/bundles/{sha256}/files.{form}"): Scope.READ,
    ("POST", "/bundles/{sha256}/withdraw"): Scope.RELEASE,
    ("POST", "/bundles/{sha256}/take-back"): Scope.RELEASE,
    ("GET", "/channels"): Scope.READ,
    ("GET", "/channels.{form}"): Scope.READ,
    ("GET", "/channels/{name:path}"): Scope.READ,
    ("GET", "/moves.{form}"): Scope.READ,
    ("GET", "/jobs"): Scope.READ,
    ("GET", "/jobs.{form}"): Scope.READ,
    ("GET", "/jobs/{key}.json"): Scope.READ,
    ("GET", "/jobs/{key}"): Scope.READ,
    ("GET", "/jobs/{key}/log.{form}"): Scope.READ,
    ("GET", "/compare"): Scope.READ,
    ("GET", "/compare.{form}"): Scope.READ,
    ("GET", "/search"): Scope.READ,
    ("GET", "/search.{form}"): Scope.READ,
    ("GET", "/audit"): Scope.ADMIN,
    ("GET", "/audit.{form}"): Scope.ADMIN,
}
# Scopes that do as well: whoever amends sends what they say of sessions that are there already.
ALSO: Mapping[tuple[str, str], frozenset[Scope]] = {
    ("POST", "/v1/objects"): frozenset({Scope.AMEND}),
    ("POST", "/v1/groups"): frozenset({Scope.AMEND}),
    ("POST", "/v1/groups/judged"): frozenset({Scope.AMEND}),
    ("POST", "/v1/objects/lacking"): frozenset({Scope.PUSH, Scope.AMEND}),
}
API = ("/v1", "/healthz", "/readyz")  # what is for programs, which show their token each time


def is_page(path: str) -> bool:
    """Whether a path is one that people read in a browser."""
    return not any(path == own or path.startswith(f"{own}/") for own in API)


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

    @property
    def acting(self) -> records.Actor:
        """Who the store's audit names."""
        known_by = KnownBy.USER if self.token is None else KnownBy.TOKEN
        return records.Actor(self.name, known_by, self.token, self.bench, self.scopes)

    def must_have(self, wanted: Iterable[Rule]) -> None:
        """Problem 'not-allowed' for the first scope that is wanted and not there."""
        for rule in wanted:
            if isinstance(rule, Scope) and rule not in self.scopes:
                if self.token is None:
                    raise Problem(
                        "not-allowed", "the store holds no token yet: it can be read, and nothing written"
                    )
                raise not_allowed(f"the token has not the scope {rule}", rule)


ON_LOOPBACK = Actor("loopback", frozenset({Scope.READ, Scope.PULL}))
Authorise = Callable[[str | None], Actor]  # of the Authorization header


def any_tokens(store: Store) -> bool:
    """Whether the store holds a token, of whatever state."""
    return store.has_tokens()


def of_token(token: records.Token) -> Actor:
    """Who holds a token."""
    return Actor(token.name, frozenset(token.scopes), token.id, token.bench)


def authorise_by(store: Store) -> Authorise:
    """Who is at the door of this store, by the Authorization header of a request.

    The function raises Problem 'unauthorised' for a token that is missing, unknown, expired or revoked, in
    one sentence for all of them.
    """

    def authorise(header: str | None) -> Actor:
        if header is None:
            if not any_tokens(store):
                return ON_LOOPBACK
            raise unauthorised(given=False)
        scheme, _, presented = header.partition(" ")
        token = store.authentic(presented.strip()) if scheme.casefold() == "bearer" else None
        if token is None:
            raise unauthorised(given=True)
        return of_token(token)

    return authorise
