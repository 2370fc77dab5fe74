"""What every page is made in: its template, its headers, who reads it, and its entity tag."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from html import unescape
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from export.cautions import CAUTIONS
from export.report.numbers import percent_kept
from export.report.style import harmless
from innage.service.answers import is_known
from innage.service.pages.paper import words
from innage.service.rights import Actor, Scope

# The chapters of the binder, as the line at its top names them.
CHAPTERS = (
    ("/", "Contents"),
    ("/sessions", "Sessions"),
    ("/coverage", "Coverage"),
    ("/units", "Units"),
    ("/frozen", "Frozen sets"),
    ("/limits", "Limits"),
    ("/models", "Models"),
    ("/channels", "Channels"),
    ("/jobs", "Jobs"),
)
# Sheets that stand in a chapter although their paths do not say so.
_WITHIN = {
    "/bundles": "/channels",
    "/compare": "/models",
    "/order": "/jobs",
    "/registry": "/",
    "/release": "/channels",
}
POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "private, no-cache",
    "Vary": "Accept, Authorization, Cookie",
}
PAGE: dict[str, Any] = {"include_in_schema": False, "response_class": Response}  # of a route


@dataclass(frozen=True)
class Reader:
    """Who reads a page: None is nobody yet."""

    actor: Actor | None

    @property
    def name(self) -> str | None:
        """The token that they signed in by, as it is called."""
        return None if self.actor is None or self.actor.token is None else self.actor.name

    def may(self, scope: str) -> bool:
        """Whether they may do what asks for a scope; without a token nothing is written."""
        return self.name is not None and self.actor is not None and Scope(scope) in self.actor.scopes

    @property
    def at_the_bench(self) -> bool:
        """Whether they read without a token, which a store allows on its own machine while it has none."""
        return self.actor is not None and self.actor.token is None


def sheet(
    request: Request,
    template: str,
    facts: Mapping[str, Any],
    *,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """A page of a template and what it shows, or that the browser has it already."""
    reader = Reader(getattr(request.state, "actor", None))
    path = request.url.path
    content = percent_kept(
        _environment()
        .get_template(template)
        .render(
            facts,
            reader=reader,
            chapters=CHAPTERS,
            chapter=_chapter(path),
            path=path,
            cautions=CAUTIONS,
            done=words.DONE.get(request.query_params.get("done", ""), ""),
        )
    )
    named = {"Content-Security-Policy": policy_of(content, "'self'")} | dict(headers or {})
    return answer(request, content.encode(), "text/html; charset=utf-8", status=status, headers=named)


def policy_of(page: str, *sources: str) -> str:
    """The policy of a page in which styles stand: those alone, by their hashes, beside those of ``sources``.
    Whatever a page shows of others is escaped, so that no style of theirs is among them.
    """
    hashes = [
        f"'sha256-{base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()}'"
        for style in re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    ]
    return POLICY.replace("style-src 'self'", f"style-src {' '.join([*sources, *hashes])}")


def _foot(title: str, hashed: str) -> Markup:
    """The style that prints at the foot of each sheet what it is of and its hash, beside its number: a string
    of CSS, of words that can't end it.
    """
    name = harmless(unescape(title))
    said = name if not hashed or hashed in name else f"{name}, hash {harmless(hashed)}"
    return Markup(f'@page{{@bottom-left{{content:"{said}"}}}}')  # noqa: S704 - no letter of it is markup


def _chapter(path: str) -> str:
    """The chapter in which the sheet of a path stands; nothing where in none."""
    first = "/" + path.split("/")[1]
    return _WITHIN.get(first, first if any(first == address for address, _ in CHAPTERS) else "")


def answer(
    request: Request,
    content: bytes,
    media_type: str,
    *,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """Bytes with the headers of pages and an entity tag."""
    tag = f'"{hashlib.sha256(content).hexdigest()}"'
    common = HEADERS | {"ETag": tag} | dict(headers or {})
    if status == 200 and is_known(request, tag):
        return Response(status_code=304, headers=common)
    return Response(content, status, common, media_type)


def see_other(path: str) -> Response:
    """Where to go on reading after a form (RFC 9110, 15.4.4)."""
    return Response(status_code=303, headers=HEADERS | {"Location": path, "Cache-Control": "no-store"})


@cache
def _environment() -> Environment:
    """Everything that templates show is escaped; what they name must be there."""
    environment = Environment(
        loader=PackageLoader("innage.service.pages"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters.update(words.FILTERS)
    environment.globals["foot"] = _foot
    return environment
