"""The frozen sets: a line each, and the sheet of one."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, Request
from starlette.responses import Response

from dataset.records import Role
from dataset.values import natural
from innage.service.pages.paper.frame import PAGE, sheet
from innage.service.pages.paper.kept import Kept, KeptOf
from innage.service.pages.paper.tables import Form, json_file, rows_file

if TYPE_CHECKING:
    from innage.jobs.models.choosing import Frozen

ROLES = tuple(Role)


def register(app: FastAPI) -> None:
    """Add the routes."""
    app.add_api_route("/frozen", listed, methods=["GET"], **PAGE)
    app.add_api_route("/frozen.{form}", table, methods=["GET"], **PAGE)
    app.add_api_route("/frozen/{name}.json", as_json, methods=["GET"], **PAGE)
    app.add_api_route("/frozen/{name}", one, methods=["GET"], **PAGE)
    app.add_api_route("/frozen/{name}/groups.{form}", groups, methods=["GET"], **PAGE)


def listed(request: Request, kept: KeptOf) -> Response:
    """All of them, as people count."""
    return sheet(request, "frozen_sets.html", {"rows": _rows(kept), "roles": ROLES})


def table(request: Request, kept: KeptOf, form: Form) -> Response:
    """All of them."""
    names = ("name", "sha256", "group_by", *map(str, ROLES), "sessions", "origin", "prove_openings", "models")
    return rows_file(request, "frozen-sets", form, _rows(kept), names)


def one(request: Request, kept: KeptOf, name: str) -> Response:
    """The sheet of one: its groups and roles, its sessions, and what 'prove' was opened for."""
    frozen = kept.look_at(name)
    taken = frozen.frozen_set.sessions
    used = {s.id: s.void_reason for s in taken if s.void_reason is not None}
    facts = {
        "frozen": frozen.frozen_set,
        "seed": frozen.frozen_set.seed,
        "groups": _groups(frozen),
        "roles": [(role, frozen.frozen_set.groups(role)) for role in ROLES],
        "purposes": frozen.purposes,
        "outside": frozen.frames_outside,
        "void": used,
        "warned": frozen.warned_since,
        "models": [line.name for line in kept.models().of_name.values() if line.frozen == name],
        "units": len({s.unit.key for s in taken}),
        "liquids": sorted({s.liquid.name for s in taken}, key=natural),
        "tanks": sorted({s.mounting.tank.ref for s in taken}, key=natural),
        "sessions": sorted(taken, key=lambda s: natural(s.unit.name)),
    }
    return sheet(request, "frozen_set.html", facts)


def as_json(request: Request, kept: KeptOf, name: str) -> Response:
    """As ``innage frozen NAME --json`` has it."""
    return json_file(request, kept.look_at(name).facts())


def groups(request: Request, kept: KeptOf, name: str, form: Form) -> Response:
    """Its groups, a row each."""
    rows = _groups(kept.look_at(name))
    names = ("group", "role", "frames", "sessions")
    return rows_file(request, f"frozen-{name}-groups", form, rows, names)


def _groups(frozen: Frozen) -> list[dict[str, Any]]:
    """By role, then as people count."""
    roles = dict(frozen.frozen_set.roles)
    ordered = sorted(frozen.groups, key=lambda g: (ROLES.index(roles[g.name]), natural(g.name)))
    return [
        {"group": g.name, "role": str(roles[g.name]), "frames": g.frames, "sessions": len(g.sessions)}
        for g in ordered
    ]


def _rows(kept: Kept) -> list[dict[str, Any]]:
    """As people count."""
    sets = kept.frozen_sets()
    models = Counter(line.frozen for line in kept.models().of_name.values())
    return [
        {
            "name": line.name,
            "sha256": line.sha256,
            "group_by": line.group_by,
            "sessions": line.sessions,
            "origin": line.origin,
            "prove_openings": sets.openings.get(line.sha256, 0),
            "models": models[line.name],
            **{str(role): groups for role, groups in line.groups.items()},
        }
        for line in sets.of_name.values()
    ]
