"""What the OpenAPI document says beside the types of the routes: problems, tokens, and answers of bytes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from innage.service.problems import KINDS, MEDIA_TYPE, PREFIX
from innage.service.rights import RULES, Free

if TYPE_CHECKING:
    from fastapi import FastAPI

BEARER = "token"
_UNCHANGED = {"description": "What the client has is what there is (If-None-Match)"}


def _problems(status: str) -> dict[str, Any]:
    """Any of the problems whose status begins with this digit."""
    kinds = [PREFIX + name for name, kind in KINDS.items() if str(kind.status)[0] == status]
    members = {
        "type": {"type": "string", "enum": kinds},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
    }
    schema = {"type": "object", "properties": members, "required": list(members)}
    return {"description": "A problem (RFC 9457)", "content": {MEDIA_TYPE: {"schema": schema}}}


PROBLEMS: Mapping[int | str, dict[str, Any]] = {"4XX": _problems("4"), "5XX": _problems("5")}


def unless_unchanged() -> dict[int | str, dict[str, Any]]:
    """The answers of a route with an entity tag, beside its own."""
    return {304: _UNCHANGED}


def of_bytes(media_type: str) -> dict[int | str, dict[str, Any]]:
    """The answers of a route that gives bytes, or a part of them."""
    content = {media_type: {"schema": {"type": "string", "format": "binary"}}}
    part = {"description": "The part that was asked for (Range)", "content": content}
    return {200: {"description": "All of it", "content": content}, 206: part, 304: _UNCHANGED}


def describe(app: FastAPI) -> None:
    """Let the document of an app say which routes ask for a token, and for which scope."""
    of_types = app.openapi

    def openapi() -> dict[str, Any]:
        document = of_types()
        scheme = {"type": "http", "scheme": "bearer"}
        document.setdefault("components", {})["securitySchemes"] = {BEARER: scheme}
        for path, operations in document["paths"].items():
            for method, operation in operations.items():
                rule = _rule(method.upper(), path)
                operation["security"] = [] if rule is Free.PUBLIC else [{BEARER: []}]
                if not isinstance(rule, Free):
                    operation["x-scope"] = str(rule)
        return document

    app.openapi = openapi  # type: ignore[method-assign]  # as FastAPI's documentation has it


def _rule(method: str, path: str) -> object:
    """Of a route whose path stands there as OpenAPI writes it."""
    return next(
        rule for (verb, own), rule in RULES.items() if (verb, own.replace(":path}", "}")) == (method, path)
    )
