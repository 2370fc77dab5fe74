"""Options of before that are called otherwise today, or stand at another command. Until version 0.3 they are
answered with today's spelling; they are in no help.
"""

from __future__ import annotations

from typing import Any

AIR = {"--air-density": "--air-density-kg-m3"}
CAPTURE = "'innage capture --port PORT --name NAME'"
# By the words of a command: an option of before, and today's option or (in inverted commas) command.
MOVED: dict[str, dict[str, str]] = {
    "budget add": {"--flash": "--flash-bytes", "--ram": "--ram-bytes", "--stack": "--stack-bytes"},
    "capture": {**AIR, "--hold": "--hold-s", "--levels": "--levels-mm"},
    "freeze": {"--kelvin": "--band-width-k", "--shares": "--roles"},
    "gaps": {"--kelvin": "--band-width-k"},
    "liquid add": {"--conductivity": "--conductivity-s-m", "--density": "--density-kg-m3"},
    "log": {
        **AIR,
        **dict.fromkeys(("--port", "--baud", "--name", "--frames"), CAPTURE),
        "--resume": "'innage capture --resume NAME --port PORT'",
        "--plan": "'innage capture --plan FILE'",
        "--levels": "'innage capture --levels-mm LEVELS'",
        "--hold": "'innage capture --hold-s SECONDS'",
        "--rig": "'innage rig log SCENARIO'",
        "--recipe": "'innage rig log SCENARIO --recipe RECIPE'",
        "--seed": "'innage rig log SCENARIO --seed SEED'",
    },
    "mark set": AIR,
    "plan": {"--band": "--band-pct"},
    "retrain": {"--tank": "--frozen"},
    "rig play": {"--hold": "--hold-s", "--levels": "--levels-mm"},
    "tank add": {"--cylinder": "--cylinder-mm"},
    "tank try": {"--conductivity": "--conductivity-s-m"},
}


def todays_spelling(error: Any) -> str | None:
    """One sentence on an option of before that was refused as unknown; None for any other error."""
    option, words = getattr(error, "option_name", None), _words(getattr(error, "ctx", None))
    today = MOVED.get(words, {}).get(str(option))
    if today is None:
        return None
    return f"innage {words} {option}: an option of before; expected {today}, as it is spelled today"


def _words(context: Any) -> str:
    """The words of the command that was called, without the program's name."""
    words: list[str] = []
    while context is not None and context.parent is not None:
        words.insert(0, str(context.info_name))
        context = context.parent
    return " ".join(words)
