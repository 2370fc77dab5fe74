"""The cost of a model in words, for its header and its report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def cost_sentences(cost: Mapping[str, Any]) -> tuple[str, ...]:
    """What a header says of the cost that was judged, and of what made it."""
    flash = cost["flash_code"] + cost["flash_tables"] + cost["flash_helpers"]
    uses = ", ".join(("init", "prepare", "step", *cost["uses"]))
    sentences = [
        f"By {cost['compiler']} for {cost['core']}",
        f"flash {flash} bytes with {uses}",
        f"step {_most(cost['cycles'], cost['cycles_bound'])} cycles",
        f"prepare {_most(cost['prepare_cycles'], cost['prepare_bound'])}",
    ]
    if cost["slice_bytes"]:
        sentences.append(
            f"the slice of the self-test beside step {_most(cost['selftest_cycles'], cost['selftest_bound'])}"
        )
    sentences.append(f"stack {_most(cost['stack'], cost['stack_bound'])} bytes")
    return (
        f"{sentences[0]}: {'; '.join(sentences[1:])}.",
        "Other compilers and flags give other figures. The build files beside the C pass those measured.",
    )


def _most(seen: int, bound: int | None) -> str:
    return f"{seen} seen, no bound" if bound is None else f"at most {bound}"
