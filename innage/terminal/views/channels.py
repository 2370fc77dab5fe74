"""What is shown of channels: what they point at, their moves, and the gates before them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dataset.words import counted
from innage.terminal.output import say, table

if TYPE_CHECKING:
    from innage.jobs.releasing.gates import Gate, Judgement


def show_channels(rows: Sequence[Mapping[str, Any]]) -> None:
    """Each channel with its bundle."""
    if not rows:
        say("no channels yet: try 'innage channel move NAME BUNDLE --author ... --reason ...'")
        return
    cells = [
        (
            row["channel"],
            row["bundle_sha256"][:12],
            row["model"],
            row["moved_at"],
            row["author"],
            _remark(row),
        )
        for row in rows
    ]
    table("channels", ("channel", "bundle", "model", "since", "by", "remark"), cells)


def _remark(row: Mapping[str, Any]) -> str:
    return "" if row["withdrawn"] is None else f"withdrawn: {row['withdrawn']}"


def show_moves(name: str, moves: Sequence[Mapping[str, Any]], spell: Callable[[str], str]) -> None:
    """The moves of a channel, the newest first; ``spell`` says how a concession is spelled."""
    cells = [
        (
            move["moved_at"],
            move["bundle_sha256"][:12],
            move["author"],
            move["reason"],
            " ".join(map(spell, move["concessions"])),
        )
        for move in reversed(moves)
    ]
    table(f"channel {name}", ("moved", "bundle", "by", "reason", "conceded"), cells)


def show_bundle(bundle: Mapping[str, Any]) -> None:
    """What is said of a bundle."""
    size = sum(file["size"] or 0 for file in bundle["files"])
    signed = counted(len(bundle["signatures"]), "signature")
    say(
        f"Bundle {bundle['bundle_sha256'][:12]} of model {bundle['model']}: "
        f"{counted(len(bundle['files']), 'file')}, "
        f"{counted(size, 'byte')}, {signed}."
    )
    if bundle["withdrawn"] is not None:
        say(f"It is withdrawn: {bundle['withdrawn']}")
    for name, reason in bundle["void"].items():
        say(f"Session {name} behind it is void: {reason}")
    if bundle["amended"]:
        say(f"Sessions behind it that were amended since: {', '.join(bundle['amended'])}")


def show_gates(judgement: Judgement, stopping: Sequence[Gate], spell: Callable[[str], str]) -> None:
    """Each gate with its answer; what stays shut stands out, and the concessions that would open it."""
    rows = [
        (gate.name, "SHUT" if gate in stopping else _answer(gate), gate.sentence) for gate in judgement.gates
    ]
    table(f"gates of bundle {judgement.bundle_sha256[:12]}", ("gate", "answer", "found"), rows)
    asked = dict.fromkeys(gate.concession for gate in stopping)
    if asked and None not in asked:
        words = " and ".join(spell(str(word)) for word in asked)
        say(f"Say {words} with the reason to move it all the same.")


def _answer(gate: Gate) -> str:
    return gate.answer if gate.passed else f"{gate.answer}, conceded"
