"""Tokens: listed, made, revoked."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

from fastapi import FastAPI, Path, Query, Response
from pydantic import BeforeValidator, Field

from dataset.records import Scope, Token
from dataset.store.team.tokens import DAYS, ID_LENGTH, MOST_DAYS
from innage.service.door import StoreOf
from innage.service.messages.wire import Answer, Message

MOST_REASON = 1000


def _whole(number: object) -> object:
    """84.0 is an integer to JSON Schema, and so to the description of the routes."""
    return int(number) if isinstance(number, float) and number.is_integer() else number


class NewToken(Message):
    """What a token is to be.

    Attributes:
        name: whose it is, or what it is for.
        scopes: what it allows; whoever makes it has these too.
        days: how long it is good.
        bench: the identity of the one bench of which it may write.
    """

    name: Annotated[str, Field(min_length=1, max_length=60)]
    scopes: Annotated[list[Annotated[Scope, Field(strict=False)]], Field(min_length=1, max_length=len(Scope))]
    days: Annotated[int, Field(ge=1, le=MOST_DAYS), BeforeValidator(_whole)] = DAYS
    bench: Annotated[str, Field(pattern="^[0-9a-f]{32}$")] | None = None


class TokenAnswer(Answer):
    """A token as it is kept: without its secret."""

    id: str
    name: str
    scopes: list[str]
    bench: str | None
    created: str
    expires: str
    last_used: str | None
    revoked: str | None
    revoked_for: str | None


class TokenMade(TokenAnswer):
    """A token that was made; ``token`` cannot be had again."""

    token: str


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/v1/tokens", listed, methods=["GET"])
    app.add_api_route("/v1/tokens", made, methods=["POST"], status_code=201)
    app.add_api_route("/v1/tokens/{token_id}", revoked, methods=["DELETE"], status_code=204)


def listed(store: StoreOf) -> list[TokenAnswer]:
    """All tokens, in the order in which they were made, revoked and expired ones too."""
    return [TokenAnswer.model_validate(_facts(token)) for token in store.tokens()]


def made(new: NewToken, store: StoreOf, response: Response) -> TokenMade:
    """Make a token. This answer is the only place where it stands."""
    token, shown = store.add_token(new.name, new.scopes, new.days, new.bench)
    response.headers["Cache-Control"] = "no-store"
    return TokenMade.model_validate(_facts(token) | {"token": shown})


def revoked(
    token_id: Annotated[str, Path(pattern=f"^[a-z0-9]{{{ID_LENGTH}}}$")],
    reason: Annotated[str, Query(min_length=1, max_length=MOST_REASON)],
    store: StoreOf,
) -> None:
    """Refuse a token from now on."""
    store.revoke_token(token_id, reason)


def _facts(token: Token) -> dict[str, object]:
    return asdict(token) | {"scopes": [scope.value for scope in token.scopes]}
