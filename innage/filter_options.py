"""The options by which sessions are found, the same for every command that takes them."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

from innage.completion import names_of

if TYPE_CHECKING:
    from innage.jobs.sessions.finding import SessionFilter

FILTERS = "Which sessions"


def _option(name: str, text: str, kind: str | None = None) -> Any:
    complete: dict[str, Any] = {} if kind is None else {"autocompletion": names_of(kind)}
    return typer.Option(name, help=text, rich_help_panel=FILTERS, show_default=False, **complete)


_OPTIONS: dict[str, Any] = {
    "unit": Annotated[
        list[str] | None, _option("--unit", "Of this unit; repeat for any of several.", "unit")
    ],
    "tank": Annotated[
        list[str] | None, _option("--tank", "On this tank, NAME (any revision) or NAME@REVISION.", "tank")
    ],
    "liquid": Annotated[list[str] | None, _option("--liquid", "With this liquid.", "liquid")],
    "condition": Annotated[
        list[str] | None, _option("--condition", "With this condition in some stretch, such as foam.")
    ],
    "tag": Annotated[list[str] | None, _option("--tag", "With this tag.", "tag")],
    "operator": Annotated[list[str] | None, _option("--operator", "By this operator.", "operator")],
    "bench": Annotated[list[str] | None, _option("--bench", "On this bench, by name or identity.", "bench")],
    "since": Annotated[str | None, _option("--since", "Begun on this day or later, such as 2026-03-02.")],
    "until": Annotated[str | None, _option("--until", "Begun on this day or earlier.")],
    "warning": Annotated[
        str | None, _option("--warning", "With this import warning: a check's name, any, or none.")
    ],
    "void": Annotated[bool | None, _option("--void/--usable", "Only void ones, or none of them.")],
    "simulated": Annotated[
        bool | None, _option("--simulated/--measured", "Only simulated, or only measured ones.")
    ],
    "limit": Annotated[int | None, typer.Option("--limit", min=1, help="At most so many lines.")],
}


def filtered(*without: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command these options but those named: it takes what they come to as ``sessions``, and has its
    own of the same name beside it where it is named in ``without``.
    """
    taken = {name: kind for name, kind in _OPTIONS.items() if name not in without}

    def give(command: Callable[..., None]) -> Callable[..., None]:
        hints = get_type_hints(command, include_extras=True)
        own = [
            parameter.replace(annotation=hints[name])
            for name, parameter in inspect.signature(command).parameters.items()
            if name != "sessions"
        ]
        more = [
            inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=kind)
            for name, kind in taken.items()
        ]
        last = [own.pop() for _ in range(2)][::-1]  # --json and --store stand last everywhere

        @functools.wraps(command)
        def with_filters(**given: Any) -> None:
            values = {name: given.pop(name) for name in taken}
            command(**given, sessions=_filter(values))

        parameters = [p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in (*own, *more, *last)]
        with_filters.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]  # what typer reads
        with_filters.__annotations__ = {p.name: p.annotation for p in parameters}
        del with_filters.__wrapped__
        return with_filters

    return give


def _filter(values: dict[str, Any]) -> SessionFilter:
    from innage.jobs.sessions.finding import SessionFilter, read_day

    given = {name: value for name, value in values.items() if value is not None}
    for field in ("since", "until"):
        if field in given:
            given[field] = read_day(field, given[field])
    fields: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in given.items()
    }
    return SessionFilter(**fields)
