"""Cognitive complexity of C functions: how much a reader has to hold in mind, counted by the rules of
Campbell, Cognitive Complexity (SonarSource, 2018), as far as generated C needs them: it has no goto, no
switch and no recursion.
"""

from __future__ import annotations

import re

_FUNCTION = re.compile(
    r"^[A-Za-z_][^\n;{}=]*?\b(\w+)\((?:[^;{}]*)\)\n\{\n(.*?)^\}$", re.MULTILINE | re.DOTALL
)


def complexities(source: str) -> dict[str, int]:
    """The cognitive complexity of each function of a source, by name."""
    text = re.sub(r"/\*.*?\*/|^#.*?$", "", source, flags=re.MULTILINE | re.DOTALL)
    return {match[1]: complexity(match[2]) for match in _FUNCTION.finditer(text)}


def complexity(body: str) -> int:
    """The cognitive complexity of a function's body without comments, every branch in braces."""
    return _logical(body) + _flow(body)


def _flow(body: str) -> int:
    """One for each break in the linear flow, and one more for each level that it is nested in; an ``else``
    counts once, however deep it stands.
    """
    total, opens, previous, choices = 0, False, "", 0
    blocks = list[bool]()  # whether each open block nests what stands in it
    for word in re.findall(r"\b(?:if|else|for|while|do)\b|[{}?;]", body):
        if word == "{":
            blocks.append(opens)
            opens = False
        elif word == "}":
            blocks.pop()
        elif word == "else":
            total, opens = total + 1, True
        elif word != ";" and (word, previous) != ("if", "else"):
            total, opens = total + 1 + sum(blocks) + choices, word != "?"
            choices += word == "?"
        choices = 0 if word in "{};" else choices
        previous = word
    return total


def _logical(body: str) -> int:
    """One for each run of like logical operators; a negated parenthesis has runs of its own."""
    total, runs, negated = 0, [""], list[bool]()
    for word in re.findall(r"&&|\|\||!\(|[(){};]", body):
        if word in ("&&", "||"):
            total += word != runs[-1]
            runs[-1] = word
        elif word in ("(", "!("):
            negated.append(word == "!(")
            runs += [""] * negated[-1]
        elif word == ")":
            del runs[len(runs) - negated.pop() :]
        elif not negated:
            runs = [""]
    return total
