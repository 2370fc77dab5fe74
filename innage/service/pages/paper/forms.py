"""What a form brings: its fields, by a media type that a page of a stranger's can send too, so that where it
comes from is looked at first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers
from starlette.requests import Request

from dataset.errors import InnageError, InputError
from innage.service.pages.paper.words import said
from innage.service.problems import Problem

URLENCODED = "application/x-www-form-urlencoded"
MOST_FIELDS = 50
_SAFE = ("GET", "HEAD", "OPTIONS")


@dataclass(frozen=True)
class Fault:
    """A form that was not taken: which, the sentence, the field at fault, and what was in it."""

    form: str
    sentence: str
    field: str
    given: Mapping[str, str]


def fault_of(form: str, error: InnageError, fields: Mapping[str, str], otherwise: str = "") -> Fault:
    """What an error says of a form, at the field that it names, or whose value it quotes."""
    named = [field for field in error.fields if field in fields]
    quoting = [name for name, value in fields.items() if value and value in error.where + error.found]
    quoting.sort(key=lambda name: -len(fields[name]))
    first = otherwise or next(iter(fields), "")
    return Fault(form, said(error), (*named, *quoting, first)[0], fields)


def given(fields: Mapping[str, str], name: str) -> str:
    """What a field of a form has, which must have something."""
    text = fields.get(name, "")
    if not text:
        raise InputError(name, "is empty", "a few words", fields=(name,))
    return text


def check_origin(method: str, headers: Headers) -> None:
    """Refuse what a page of a stranger's lets a browser do: a browser says where a request comes from by
    Sec-Fetch-Site, an older one by Origin. A token in the request is no browser's doing.

    Raises:
        Problem: 'cross-origin'.
    """
    if method in _SAFE or headers.get("authorization") is not None:
        return
    site = headers.get("sec-fetch-site")
    if site is not None:
        if site in ("same-origin", "none"):
            return
    elif _host(headers.get("origin")) == headers.get("host", "").casefold():
        return
    raise Problem(
        "cross-origin", "the form was not sent from a page of this service; open the page and try again"
    )


def _host(origin: str | None) -> str | None:
    try:
        return None if origin is None else urlsplit(origin).netloc.casefold() or None
    except ValueError:
        return None


async def fields_of(request: Request) -> dict[str, str]:
    """The fields of a form, the last of several of a name.

    Raises:
        Problem: 'media-type', or 'malformed' for what is no form.
    """
    stated = request.headers.get("content-type", "").partition(";")[0].strip().casefold()
    if stated != URLENCODED:
        raise Problem("media-type", f"send the form as {URLENCODED}", {"Accept": URLENCODED})
    try:
        text = (await request.body()).decode("ascii")
        fields = parse_qs(text, keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict")
    except ValueError as error:
        raise Problem("malformed", "the form cannot be read") from error
    return {name: values[-1].strip() for name, values in fields.items()}
