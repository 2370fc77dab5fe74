"""What a search ends with, and what both of them put into it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from training.models.recipes import Hardware
from training.program import Program

RANDOM_ROWS = (
    "frames split at random, groups on both sides: not a claim, only how much too good such a split looks"
)


@dataclass(frozen=True)
class SearchResult:
    """What was picked: its program, the bytes of its float model, and its recipe and metrics, ready for
    JSON.
    """

    program: Program
    float_onnx: bytes
    recipe: dict[str, Any]
    metrics: dict[str, Any]


def stored_hardware(hardware: Hardware) -> dict[str, Any]:
    """Hardware as recipes keep it, under the key 'board'."""
    return {**asdict(hardware), "count_law": str(hardware.count_law)}
