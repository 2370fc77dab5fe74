"""``innage tank``: vessels and their revisions."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.output import emit, say, table

app = typer.Typer(help="Tanks: a vessel and its frozen shapes.", no_args_is_help=True, rich_markup_mode=None)


@app.command()
def add(
    name: str,
    span_mm: Annotated[float, typer.Option("--span-mm", help="Usable height above the datum, mm.")],
    wall_material: Annotated[str, typer.Option(help="Wall material.")] = "",
    wall_mm: Annotated[float | None, typer.Option("--wall-mm", help="Wall thickness, mm.")] = None,
    dead_volume_ml: Annotated[float | None, typer.Option("--dead-volume-ml", help="Volume below the datum, mL.")] = None,
    inlet_mm: Annotated[float | None, typer.Option("--inlet-mm", help="Height of the inlet above the datum, mm.")] = None,
    note: Annotated[str, typer.Option(help="Free text.")] = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a tank; a name that exists gets its next revision."""
    from dataset.records import Tank

    made = open_store(store).add_tank(Tank(name, 0, span_mm, wall_material, wall_mm, dead_volume_ml, inlet_mm, note))
    say(f"tank {made.name}@{made.revision}: span {made.span_mm:g} mm")


@app.command("list")
def list_(json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """List the tanks and their revisions."""
    tanks = open_store(store).tanks()
    if json:
        emit([asdict(t) for t in tanks])
    elif tanks:
        table("tanks", ("tank", "span mm", "wall", "wall mm"), [(f"{t.name}@{t.revision}", t.span_mm, t.wall_material, t.wall_mm) for t in tanks])
    else:
        say("no tanks yet: try 'innage tank add NAME --span-mm 100'")


@app.command()
def show(name: str, json: JsonOption = False, store: StoreOption = DEFAULT_STORE) -> None:
    """Show one tank (NAME or NAME@REVISION)."""
    tank = open_store(store).tank(name)
    if json:
        emit(asdict(tank))
    else:
        table(f"tank {tank.name}@{tank.revision}", ("fact", "value"), [(k, v) for k, v in asdict(tank).items() if k not in ("name", "revision")])
