"""``innage trace``: from an exported file back to the capture sessions that made its numbers."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table

if TYPE_CHECKING:
    from dataset.records import ExportedFile, Session, Trim
    from dataset.store import Store


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(trace)


def trace(
    file: Annotated[Path, typer.Argument(help="A file of an exported bundle, wherever it lies now.")],
    every: Annotated[
        bool, typer.Option("--all", help="List every session and trim, not the summary alone.")
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Walk from an exported file back to the readings behind it. Exit 1 when this store did not export it."""
    content = _read(file)
    digest = hashlib.sha256(content).hexdigest()
    with open_store(store) as opened:
        found = _exports(opened, digest)
        inside = "" if found else _manifest_inside(content)
        found = found or (_exports(opened, inside) if inside else [])
        logged = [] if found else [s.id for s in opened.sessions() if s.source.sha256 == digest]
    if found and inside and not json:
        say(
            f"{file.name}: this archive was packed after the export; the manifest in it is "
            f"known. Whether its files are as exported: innage verify {file}"
        )
    if json:
        emit({"file": file.name, "sha256": digest, "exports": found})
    elif not found:
        say(f"{file.name}: no export of this store wrote this file (SHA-256 {digest})")
        if logged:
            say(f"It is a file that was logged, as session {', '.join(logged)}: 'innage show {logged[0]}'.")
        else:
            say(
                "It may have been changed after the export, or come from another store: "
                "compare it with the manifest.json beside it."
            )
    for facts in found if not json else ():
        _show(file.name, digest, facts)
        _show_every(facts) if every else _summarise(facts)
    if not found:
        raise typer.Exit(1)


def _read(file: Path) -> bytes:
    from dataset.errors import InputError

    try:
        return file.read_bytes()
    except OSError as error:
        raise InputError(
            str(file), f"cannot be read ({error.strerror})", "a file of an exported bundle"
        ) from error


def _exports(store: Store, digest: str) -> list[dict[str, Any]]:
    from dataset.errors import NotFoundError

    try:
        return [_facts(store, exported) for exported in store.exported(digest)]
    except NotFoundError:
        return []


def _manifest_inside(content: bytes) -> str:
    """The SHA-256 of the manifest of a bundle that someone zipped; '' for everything else."""
    if not zipfile.is_zipfile(io.BytesIO(content)):
        return ""
    from dataset.errors import InputError
    from export.bundle.manifest import MANIFEST
    from export.bundle.packing import unpack

    try:
        return hashlib.sha256(unpack(content, "archive")[MANIFEST]).hexdigest()
    except InputError:
        return ""


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
    facts = {
        "unit": trim.unit.name,
        "mounting": trim.mounting.name,
        "kind": trim.kind.value,
        "date": trim.date,
    }
    return facts | {"counts": list(trim.counts), "session": trim.session, "sha256": trim.sha256}


def _session(session: Session) -> dict[str, Any]:
    tank, sensor = session.mounting.tank, session.mounting.sensor
    return {
        "id": session.id,
        "sha256": session.sha256,
        "unit": session.unit.name,
        "liquid": session.liquid.name,
        "tank": tank.ref,
        "sensor": sensor.ref,
        "mounting": session.mounting.name,
        "frames": session.frames,
        "simulated": session.simulated,
        "levels_mm": sorted({mark.level_mm for mark in session.marks}),
        "source": {"file": session.source.file, "sha256": session.source.sha256},
        "void": session.void_reason,
    }


def _show(name: str, digest: str, facts: dict[str, Any]) -> None:
    frozen, model, sessions = facts["frozen_set"], facts["model"], facts["sessions"]
    roles = list(frozen["roles"].values())
    void = [session for session in sessions if session["void"] is not None]
    rows = [
        ("file", f"{name} (exported as {facts['exported_as']})"),
        ("SHA-256", digest),
        ("bundle", facts["bundle_sha256"]),
        (
            "model",
            f"{model['name']}, {model['sha256']}"
            + (f", retrained from {model['parent']}" if model["parent"] is not None else ""),
        ),
        ("frozen set", f"{frozen['name']} ({frozen['origin']}), {frozen['sha256']}"),
        ("groups", ", ".join(f"{roles.count(role)} {role}" for role in dict.fromkeys(roles))),
        (
            "sessions",
            (
                f"{len(sessions)} from {len({s['source']['sha256'] for s in sessions})} files, "
                f"{sum(s['frames'] for s in sessions)} frames"
            ),
        ),
        ("trims", _kinds(frozen["trims"]) or "none"),
        *(
            (
                f"VOID {session['id']}",
                f"unit {session['unit']}, liquid {session['liquid']}, VOID: {session['void']}",
            )
            for session in void
        ),
    ]
    table("trace", ("", "fact"), rows)


def _kinds(trims: Sequence[dict[str, Any]]) -> str:
    kinds = [trim["kind"] for trim in trims]
    return ", ".join(f"{kinds.count(kind)} {kind}" for kind in sorted(set(kinds)))


def _summarise(facts: dict[str, Any]) -> None:
    """A row for each unit, liquid and mounting; sessions one by one come with --all."""
    places: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for session in facts["sessions"]:
        places.setdefault(
            (session["unit"], session["liquid"], session["mounting"], session["tank"]), []
        ).append(session)
    for mounting, tank in sorted({place[2:] for place in places}):
        rows = []
        for place, its in sorted(places.items()):
            if place[2:] == (mounting, tank):
                trims = [
                    t
                    for t in facts["frozen_set"]["trims"]
                    if (t["unit"], t["mounting"]) == (place[0], mounting)
                ]
                rows.append(
                    (
                        *place[:2],
                        len(its),
                        sum(s["frames"] for s in its),
                        _levels(its),
                        _kinds(trims) or None,
                        _remarks(its),
                    )
                )
        table(
            f"sessions behind it, mounting {mounting} on tank {tank}",
            ("unit", "liquid", "sessions", "frames", "levels mm", "trims", "remarks"),
            rows,
        )
    say("Every session with its source file, and every trim: --all")


def _levels(sessions: Sequence[dict[str, Any]]) -> str | None:
    levels = [level for session in sessions for level in session["levels_mm"]]
    return f"{min(levels):.4g} to {max(levels):.4g}" if levels else None


def _remarks(sessions: Sequence[dict[str, Any]]) -> str:
    simulated, void = sum(s["simulated"] for s in sessions), sum(s["void"] is not None for s in sessions)
    parts = ["simulated" if simulated == len(sessions) else f"{simulated} simulated"] if simulated else []
    return ", ".join(parts + ([f"{void} void"] if void else []))


def _show_every(facts: dict[str, Any]) -> None:
    trims = [
        (
            t["unit"],
            t["mounting"],
            t["kind"],
            t["date"],
            " ".join(map(str, t["counts"])),
            t["session"] and t["session"][:8],
        )
        for t in facts["frozen_set"]["trims"]
    ]
    if trims:
        table("trims", ("unit", "mounting", "kind", "date", "counts", "session"), trims)
    rows = [
        (
            s["id"],
            s["unit"],
            s["liquid"],
            s["mounting"],
            f"{s['tank']}, {s['sensor']}",
            s["frames"],
            _levels([s]),
            _remarks([s]),
            s["source"]["file"],
        )
        for s in facts["sessions"]
    ]
    table(
        "sessions",
        ("session", "unit", "liquid", "mounting", "tank, sensor", "frames", "levels mm", "remarks", "file"),
        rows,
    )
    sources = {s["source"]["sha256"]: s["source"]["file"] for s in facts["sessions"]}
    table(
        "source files",
        ("file", "SHA-256"),
        [(name, digest) for digest, name in sorted(sources.items(), key=lambda item: item[::-1])],
    )
