"""The files that pages load: their style and their mark."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from fastapi import FastAPI, Request
from starlette.responses import Response

from export.report.style import COLOURS, PICTURES
from innage.service.pages.paper.frame import PAGE, answer


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/paper.css", style, methods=["GET"], **PAGE)
    app.add_api_route("/pictures.css", pictures, methods=["GET"], **PAGE)
    app.add_api_route("/mark.svg", mark, methods=["GET"], **PAGE)


async def style(request: Request) -> Response:
    """The style of every page."""
    return answer(request, _content("paper.css"), "text/css; charset=utf-8")


async def pictures(request: Request) -> Response:
    """The style of pictures that reports have too; a page that shows them loads it before its own."""
    return answer(request, (COLOURS + PICTURES).encode(), "text/css; charset=utf-8")


async def mark(request: Request) -> Response:
    """What a browser shows beside the title."""
    return answer(request, _content("mark.svg"), "image/svg+xml")


@cache
def _content(name: str) -> bytes:
    return files("innage.service.pages").joinpath("static", name).read_bytes()
