"""``innage demo``: the whole job on measured readings, command by command, in a new folder."""

from __future__ import annotations

import shlex
from importlib import resources
from pathlib import Path
from typing import Annotated

import typer

from innage.output import say

# One unit, one liquid, one filling run (see demo_data/SOURCE.txt). Each line is a command that a user could type.
STEPS = """
tank add bench-tank --span-mm 100
liquid add bench-liquid
sensor add one-pad --pad pad0:0:100 --count-bits 16 --count-law falls --period-ms 2051
mounting add bench --tank bench-tank --sensor one-pad --offset-mm 0
unit add unit-1
budget add m0plus-small --core cortex-m0plus --multiplier-cycles 1 --flash 1536 --ram 64 --stack 128 --cycles 1000
limits add bench --row rmse_mm<=0.9#5 --row beyond_accepted_share<=0
log levels_tidy.csv --tank bench-tank --liquid bench-liquid --sensor one-pad --unit unit-1 --time elapsed_ms --count N_counts --level level_cm --level-unit cm
sessions
freeze half-steps --group level --fit 0,15,25,35,45,55,65,75,85,95 --prove rest
train half-steps --name first --limits bench --budget m0plus-small
budget check first --budget m0plus-small
export first --budget m0plus-small --out bundle
verify bundle
trace bundle/innage.c
"""


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(demo)


def demo(out: Annotated[Path, typer.Option("--out", help="The new folder to work in.")] = Path("innage-demo")) -> None:
    """Run the whole job on measured single-channel readings, showing each command."""
    from dataset.errors import InputError
    from innage.cli import app

    if out.exists():
        raise InputError(str(out), "is there already", "the name of a new folder", "name another with --out")
    out.mkdir(parents=True)
    data = resources.files("innage.demo_data")
    for name in ("levels_tidy.csv", "SOURCE.txt", "LICENSE"):
        (out / name).write_bytes(data.joinpath(name).read_bytes())
    say(f"measured readings of one pad, one unit, one liquid, one filling run; their source and licence lie beside them in {out}")
    command = typer.main.get_command(app)
    for line in STEPS.strip().splitlines():
        say(f"\n$ innage {line}")
        code = command(_in_folder(shlex.split(line), out), standalone_mode=False)
        if code:
            raise typer.Exit(code)
    say(f"\nThe bundle lies in {out / 'bundle'}: C, header, ONNX, vectors, harness, report and manifest; the store is {out / 'innage.db'}.")
    say("One unit, one liquid and one run show that the path works, not how accurate another unit or liquid would be.")


def _in_folder(arguments: list[str], folder: Path) -> list[str]:
    """The same command, run from here on the files in ``folder``."""
    moved = [str(folder / a) if a == "levels_tidy.csv" or a.split("/")[0] == "bundle" else a for a in arguments]
    return moved if arguments[0] == "verify" else [*moved, "--store", str(folder / "innage.db")]
