"""A bundle's model on an emulated board, to try the line before there is a board."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class PlayedModel:
    """A board that can be switched on: ``port`` gives the name of its port meanwhile. ``core``: what is
    emulated; ``flash`` and ``ram``: bytes of the whole image, the model's own included.
    """

    core: str
    flash: int
    ram: int
    port: AbstractContextManager[str]


def emulated_board(bundle: Path | str, core: str | None = None) -> PlayedModel:
    """A board that runs the model of a bundle; ``core`` None: that of its budget. The C is made anew of the
    bundle's program, and is what the bundle has.

    Raises:
        InputError: there is no bundle to read, its C is other than what is made of its program, or the system
            has no pseudo-terminals.
        ToolError: a core that is not known.
    """
    from dataset.errors import InputError
    from export.board.emulated import EmulatedBoard, build_board
    from export.board.wires import on_pseudo_terminal
    from export.bundle.checks import Bundle, NotEnoughEvidence
    from export.bundle.verify import read_bundle
    from export.cores import find_core

    read = Bundle(read_bundle(Path(bundle)))
    chosen = find_core(core or read.manifest.core).name
    name = f'{read.manifest.prefix.upper()}_BOARD_NAME="emulated {chosen}"'
    try:
        source = read.source
    except NotEnoughEvidence as missing:
        raise InputError(str(bundle), str(missing), "a bundle by this version") from missing
    image = build_board(source, chosen, read.optimise, (name,))
    return PlayedModel(chosen, len(image.flash), image.ram, on_pseudo_terminal(EmulatedBoard(image)))
