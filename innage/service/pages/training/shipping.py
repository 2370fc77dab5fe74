"""'May it ship?' on a model's data sheet: what is asked, what was found, and what to do next."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from dataset.records import ID_DIGITS
from innage.jobs.releasing.gates import FAILED
from innage.jobs.releasing.shipping import Ships

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.records import Model
    from innage.jobs.releasing.gates import Gate
    from innage.jobs.releasing.shipping import Standing

ASKS = {
    "limits": "Limits met",
    "budget": "Within its budget",
    "readings": "Readings of real units",
    "void sessions": "No session behind it void",
    "amended sessions": "None amended since it was frozen",
    "status": "Not retired",
    "bundle": "Exported, not withdrawn",
    "channel": "On a channel",
}
VERDICTS = {
    Ships.YES: "Yes, as far as this store can tell: nothing below speaks against it.",
    Ships.CONCEDED: "By concession: it is out, although not everything below is in order.",
    Ships.OPEN: "Not yet",
    Ships.NO: "No",
}


@dataclass(frozen=True)
class Next:
    """What to do next: words, and where or by which command."""

    words: str
    path: str | None = None
    command: str | None = None


@dataclass(frozen=True)
class Asked:
    """A question that was answered, and what to do where the answer is not yes."""

    asks: str
    gate: Gate
    next: Next | None


def verdict(stood: Standing) -> str:
    """The answer in a sentence, which names what speaks against it, or else what is open; and where it is
    released all the same, that it is.
    """
    if stood.ships in (Ships.YES, Ships.CONCEDED):
        return VERDICTS[stood.ships]
    shut = [gate for gate in stood.gates if not gate.passed]
    against = [gate for gate in shut if gate.answer == FAILED]
    said = f"{VERDICTS[stood.ships]}: see {', '.join(gate.name for gate in against or shut)}."
    return " ".join(filter(None, (said, _released(stood, shut))))


def _released(stood: Standing, shut: Sequence[Gate]) -> str:
    """What a channel points at is released, whatever else is asked here; nothing where none does."""
    usable = {bundle.bundle_sha256 for bundle in stood.bundles if bundle.withdrawn is None}
    channels = [move.channel for move in stood.pointing if move.bundle_sha256 in usable]
    if not channels:
        return ""
    points = "points" if len(channels) == 1 else "point"
    said = f"It is released all the same: {', '.join(channels)} {points} at it."
    if any(gate.name == "readings" for gate in shut):
        said += " The gates before a channel do not ask whose readings a model rests on; a product does."
    return said


def facts(stood: Standing, model: Model) -> dict[str, Any]:
    """The same for programs: the answer, its sentence, and each question with what to do next."""
    return {
        "answer": str(stood.ships),
        "sentence": verdict(stood),
        "channels": [move.channel for move in stood.pointing],
        "asked": [
            {"asks": one.asks, **one.gate.facts(), "next": None if one.next is None else asdict(one.next)}
            for one in asked(stood, model)
        ],
    }


def asked(stood: Standing, model: Model) -> list[Asked]:
    """Every question with its answer."""
    return [
        Asked(ASKS[gate.name], gate, None if gate.passed else _next(gate, stood, model))
        for gate in stood.gates
    ]


def _next(gate: Gate, stood: Standing, model: Model) -> Next:
    failed = gate.answer == FAILED
    match gate.name:
        case "limits" if failed:
            step = Next("See where it errs, in the report", f"/models/{quote(model.name, safe='')}/report")
        case "limits" if model.limits:
            step = Next("Plan the sessions that it lacks", "/coverage#plan")
        case "limits":
            step = Next("State some, and train for them", command="innage limits add NAME --from default")
        case "budget":
            step = Next("Measure it for one", command=f"innage budget check {model.name} --budget BUDGET")
        case "readings":
            step = Next("Log sessions of real units", command="innage log FILE")
        case "void sessions" | "amended sessions":
            step = Next("Freeze the sessions anew, and train on that", command="innage freeze NAME")
        case "status":
            step = Next("Take another model", "/models")
        case "bundle" if failed:
            step = Next("Read why", f"/bundles/{stood.bundles[-1].bundle_sha256[:ID_DIGITS]}")
        case "bundle":
            command = f"innage export {model.name} --budget BUDGET --out FOLDER"
            step = Next("Export it", command=command)
        case _:
            step = _to_a_channel(stood)
    return step


def _to_a_channel(stood: Standing) -> Next:
    usable = [bundle for bundle in stood.bundles if bundle.withdrawn is None]
    if stood.pointing and not usable:
        channel = quote(stood.pointing[0].channel, safe="")
        return Next("Move the channel to another bundle", f"/release?channel={channel}")
    if not usable:
        return Next("Export it first")
    return Next("Order a channel to be moved to it", f"/release?bundle={usable[0].bundle_sha256[:ID_DIGITS]}")
