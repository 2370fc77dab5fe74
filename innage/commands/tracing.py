"""``innage trace``: from an exported file back to the capture sessions that made its numbers."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.output import emit, say, table

if TYPE_CHECKING:
    from dataset.records import ExportedFile, Session, Trim
    from dataset.store import Store


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(trace)


def trace(
    file: Annotated[Path, typer.Argument(help="A file of an exported bundle, wherever it lies now.")],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Walk from FILE to the model, the frozen set, the sessions and their source files; exit 1 when this store did not export it."""
    from dataset.errors import NotFoundError

    digest = hashlib.sha256(_read(file)).hexdigest()
    with open_store(store) as opened:
        try:
            found = [_facts(opened, exported) for exported in opened.exported(digest)]
        except NotFoundError:
            found = []
    if json:
        emit({"file": file.name, "sha256": digest, "exports": found})
    elif not found:
        say(f"{file.name}: no export of this store wrote this file (SHA-256 {digest})")
        say("It may have been changed after the export, or come from another store: compare it with the manifest.json beside it.")
    for facts in found if not json else ():
        _show(file.name, digest, facts)
    if not found:
        raise typer.Exit(1)


def _read(file: Path) -> bytes:
    from dataset.errors import InputError

    try:
        return file.read_bytes()
    except OSError as error:
        raise InputError(str(file), f"cannot be read ({error.strerror})", "a file of an exported bundle") from error


def _facts(store: Store, exported: ExportedFile) -> dict[str, Any]:
    model, frozen = exported.model, exported.model.frozen
    current = {session.sha256: session for session in store.sessions()}
    return {
        "exported_as": exported.name,
        "bundle_sha256": exported.bundle_sha256,
        "model": {"name": model.name, "sha256": model.sha256, "parent": model.parent},
        "frozen_set": {
            "name": frozen.name,
            "sha256": frozen.sha256,
            "origin": frozen.origin,
            "roles": {group: role.value for group, role in frozen.roles},
            "trims": [_trim(trim) for trim in frozen.trims],
        },
        "sessions": [_session(current.get(s.sha256, s)) for s in frozen.sessions],
    }


def _trim(trim: Trim) -> dict[str, Any]:
    facts = {"unit": trim.unit.name, "mounting": trim.mounting.name, "kind": trim.kind.value, "date": trim.date}
    return facts | {"counts": list(trim.counts), "session": trim.session, "sha256": trim.sha256}


def _session(session: Session) -> dict[str, Any]:
    tank, sensor = session.mounting.tank, session.mounting.sensor
    return {
        "id": session.id,
        "sha256": session.sha256,
        "unit": session.unit.name,
        "liquid": session.liquid.name,
        "tank": f"{tank.name}@{tank.revision}",
        "sensor": f"{sensor.name}@{sensor.revision}",
        "mounting": session.mounting.name,
        "frames": session.frames,
        "simulated": session.simulated,
        "levels_mm": sorted({mark.level_mm for mark in session.marks}),
        "source": {"file": session.source.file, "sha256": session.source.sha256},
        "void": session.void_reason,
    }


def _show(name: str, digest: str, facts: dict[str, Any]) -> None:
    frozen, model = facts["frozen_set"], facts["model"]
    roles = list(frozen["roles"].values())
    rows = [
        ("file", f"{name} (exported as {facts['exported_as']})"),
        ("SHA-256", digest),
        ("bundle", facts["bundle_sha256"]),
        ("model", f"{model['name']}, {model['sha256']}" + (f", retrained from {model['parent']}" if model["parent"] is not None else "")),
        ("frozen set", f"{frozen['name']} ({frozen['origin']}), {frozen['sha256']}"),
        ("groups", ", ".join(f"{roles.count(role)} {role}" for role in dict.fromkeys(roles))),
    ]
    rows += [("trim", f"unit {t['unit']}, mounting {t['mounting']}: {t['kind']} of {t['date']}, {t['sha256'][:12]}") for t in frozen["trims"]]
    for session in facts["sessions"]:
        levels = session["levels_mm"]
        rows += [
            ("session", f"{session['id']}: unit {session['unit']}, liquid {session['liquid']}, mounting {session['mounting']}"),
            (
                "",
                f"tank {session['tank']}, sensor {session['sensor']}, {session['frames']} frames, {len(levels)} levels"
                + (", simulated" if session["simulated"] else ""),
            ),
            ("", f"from {session['source']['file']}, SHA-256 {session['source']['sha256']}"),
        ]
        if session["void"] is not None:
            rows.append(("", f"VOID: {session['void']}"))
    table("trace", ("", "fact"), rows)
