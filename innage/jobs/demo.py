"""The whole job, command by command, in a new folder: on the virtual rig, or on measured readings."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from dataset.errors import InputError
from innage.outputs import write_file

# One unit, one liquid, one filling run (see demo_data/SOURCE.txt). Each line is a command that a user could
# type.
REAL_STEPS = """
tank add bench-tank --span-mm 100
liquid add bench-liquid
sensor add one-pad --pad pad0:0:100 --count-bits 16 --count-law falls --period-ms 2051
mounting add bench --tank bench-tank --sensor one-pad --offset-mm 0
unit add unit-1
budget add m0plus-small --core cortex-m0plus --multiplier-cycles 1 --flash-bytes 1536 --ram-bytes 64 --stack-bytes 128 --cycles 1000
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
# The virtual rig: 24 units of a canister, and later 12 of a taller one. '!' marks the check that is meant to
# say no;
# --anyway and --even-if-unproven, since limits of an invented product need be neither met nor proven for a
# bundle to be looked at.
RIG_STEPS = """
rig show washer
rig fill washer --tank detergent-canister@1 --start 2026-01-05T08:00:00+00:00
gaps
freeze canister --group unit --roles fit:9,choose:3,calibrate:9,prove:3 --seed 1
limits add canister --from limits.toml
budget add left-over --core cortex-m0plus --multiplier-cycles 1 --flash-bytes 1024 --ram-bytes 64 --stack-bytes 128 --cycles 2000
budget add m0plus --core cortex-m0plus --multiplier-cycles 1 --flash-bytes 8192 --ram-bytes 512 --stack-bytes 512 --cycles 20000
train canister --name first --limits canister --budget m0plus --date 2026-01-12
!budget check first --budget left-over
budget check first --budget m0plus
export first --budget m0plus --out bundle --anyway --even-if-unproven
verify bundle
rig fill washer --tank detergent-canister@2 --start 2026-01-13T08:00:00+00:00
freeze taller --group unit --roles fit:5,choose:2,prove:5 --seed 1 --tank detergent-canister@2
retrain first --frozen taller --name second --limits canister --budget m0plus --date 2026-01-19
export second --budget m0plus --out bundle-taller --anyway --even-if-unproven
verify bundle-taller
models
"""
BENCH = "de30" * 8  # stated, so that a demo made again is the same
_REAL_FILES = ("levels_tidy.csv", "SOURCE.txt", "LICENSE")
_MOVED = (
    "levels_tidy.csv",
    "limits.toml",
    "bundle",
    "bundle-taller",
)  # names that stand for files in the demo's folder


@dataclass(frozen=True)
class Step:
    """A command of the demo: as a user would type it in the demo's folder, its words as they are run from
    here, and whether it is there to say no.
    """

    text: str
    words: tuple[str, ...]
    refuses: bool


def begin_demo(out: Path, *, real: bool = False) -> list[Step]:
    """Make the demo's folder with its files, and give the commands to be run in it.

    Args:
        out: the new folder.
        real: measured readings of one pad, one unit and one run, instead of the virtual rig.

    Raises:
        InputError: the folder is there already.
    """
    from dataset.store import Store

    if out.exists():
        raise InputError(
            str(out),
            "is there already",
            "the name of a new folder",
            "name another with out",
            fields=("out",),
        )
    data = resources.files("innage.demo_data")
    for name in _REAL_FILES if real else ("limits.toml",):
        write_file(out / name, data.joinpath(name).read_bytes())
    with Store.open(out / "innage.db", bench=BENCH):
        pass  # new, and of this bench
    return list(_steps(REAL_STEPS if real else RIG_STEPS, out))


def _steps(lines: str, out: Path) -> Iterator[Step]:
    for line in lines.strip().splitlines():
        text = line.removeprefix("!")
        yield Step(text, tuple(_in_folder(shlex.split(text), out)), line.startswith("!"))


def _in_folder(arguments: list[str], folder: Path) -> list[str]:
    """The same command, run from here on the files in ``folder``."""
    moved = [str(folder / a) if a.split("/")[0] in _MOVED and k else a for k, a in enumerate(arguments)]
    return moved if arguments[:2] == ["rig", "show"] else [*moved, "--store", str(folder / "innage.db")]
