"""Rules of MISRA C:2012 read off a syntax tree, the compiler's own (clang's, as JSON). Wording and numbers of
the rules from memory; only what a tree tells for certain is looked at.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from export.compilers import zig

Node = dict[str, Any]
# What rules_broken can tell.
KNOWN = frozenset(
    (
        *("2.3", "8.7", "10.1", "10.8", "11.3", "11.5", "12.3", "13.3", "13.4", "15.1"),
        *("15.5", "15.6", "15.7", "16.1", "17.2", "17.7", "17.8", "18.4", "18.8", "19.2"),
    )
)
_LOOPS = ("ForStmt", "WhileStmt", "DoStmt")
_ASSIGNING = ("BinaryOperator", "CompoundAssignOperator")


def syntax_tree(folder: Path, name: str) -> Node:
    """The tree of a C file."""
    words = ["-std=c99", "-fsyntax-only", "-Xclang", "-ast-dump=json", name]
    done = subprocess.run(
        [sys.executable, "-P", "-m", "ziglang", "cc", *words],
        cwd=folder,
        env=zig.environment(),
        capture_output=True,
        check=False,  # it looks for an object file that was not asked for
    )
    tree: Node = json.loads(done.stdout)
    return tree


def rules_broken(tree: Node, prefix: str) -> dict[str, set[str]]:
    """The rules that definitions beginning with ``prefix`` break, each with the functions or types that
    do.
    """
    broken: dict[str, set[str]] = {}
    calls: dict[str, set[str]] = {}
    for node in tree["inner"]:
        name = node.get("name", "")
        if not name.startswith(prefix):
            continue
        if node["kind"] == "TypedefDecl" and not node.get("isReferenced"):
            broken.setdefault("2.3", set()).add(name)
        if node["kind"] == "RecordDecl" and node.get("tagUsed") == "union":
            broken.setdefault("19.2", set()).add(name)
        if node["kind"] == "FunctionDecl" and any(part["kind"] == "CompoundStmt" for part in _inner(node)):
            if node.get("storageClass") != "static":
                broken.setdefault("8.7", set()).add(name)
            for rule in _of_function(node):
                broken.setdefault(rule, set()).add(name)
            calls[name] = {called for child in _all(node) if (called := _called(child))}
    for name in calls:
        if name in _reached(calls, name):
            broken.setdefault("17.2", set()).add(name)
    return broken


def _inner(node: Node) -> list[Node]:
    return [child for child in node.get("inner", []) if child.get("kind")]


def _all(node: Node) -> Iterator[Node]:
    yield node
    for child in _inner(node):
        yield from _all(child)


def _bare(node: Node) -> Node:
    """Without parentheses and what the compiler put around."""
    while node["kind"] in ("ParenExpr", "ImplicitCastExpr", "ConstantExpr"):
        node = _inner(node)[0]
    return node


def _type(node: Node) -> str:
    kind = node.get("type", {})
    return str(kind.get("desugaredQualType", kind.get("qualType", "")))


def _signed(node: Node) -> bool:
    return _type(node) in ("int", "short", "signed char", "long", "long long")


def _called(node: Node) -> str:
    if node["kind"] != "CallExpr":
        return ""
    return str(_bare(_inner(node)[0]).get("referencedDecl", {}).get("name", ""))


def _reached(calls: dict[str, set[str]], start: str) -> set[str]:
    reached: set[str] = set()
    waiting = list(calls[start])
    while waiting:
        name = waiting.pop()
        if name not in reached:
            reached.add(name)
            waiting += calls.get(name, ())
    return reached


def _of_function(function: Node) -> Iterator[str]:
    body = next(part for part in _inner(function) if part["kind"] == "CompoundStmt")
    returns = [node for node in _all(body) if node["kind"] == "ReturnStmt"]
    if len(returns) > 1 or (returns and returns[0] is not _inner(body)[-1]):
        yield "15.5"
    parameters = {part["id"] for part in _inner(function) if part["kind"] == "ParmVarDecl"}
    for node in _all(body):
        yield from _of_node(node)
        if _assigned(node).get("referencedDecl", {}).get("id") in parameters:
            yield "17.8"
    yield from _of_statements(body)


def _assigned(node: Node) -> Node:
    """What a node writes to; an empty one where it writes nothing."""
    if _is_assignment(node) or _is_step(node):
        return _bare(_inner(node)[0])
    return {}


def _is_assignment(node: Node) -> bool:
    return bool(node["kind"] == "CompoundAssignOperator" or node.get("opcode") == "=")


def _is_step(node: Node) -> bool:
    return bool(node.get("opcode") in ("++", "--"))


def _of_node(node: Node) -> Iterator[str]:
    """What one expression or statement breaks by itself."""
    kind, opcode = node["kind"], node.get("opcode", "")
    plain = {"GotoStmt": "15.1", "SwitchStmt": "16.1"}
    if kind in plain:
        yield plain[kind]
    if kind == "VarDecl" and re.search(r"\[[A-Za-z_]", _type(node)):
        yield "18.8"
    if kind in _ASSIGNING and opcode in (">>", ">>=") and _signed(_bare(_inner(node)[0])):
        yield "10.1"
    if kind in _ASSIGNING and opcode == ",":
        yield "12.3"
    if kind in _ASSIGNING and opcode in ("+", "-", "+=", "-=") and _type(node).endswith("*"):
        yield "18.4"
    if kind == "CStyleCastExpr":
        yield from _of_cast(node)


def _of_cast(node: Node) -> Iterator[str]:
    inside = _bare(_inner(node)[0])
    to, of = _type(node), _type(inside)
    if to.endswith("*") and of.endswith("*"):
        bare = [text.replace("const", "").replace("volatile", "").split("*")[0].strip() for text in (to, of)]
        if bare[1] == "void" and bare[0] != "void":
            yield "11.5"
        elif "void" not in bare and bare[0] != bare[1]:
            yield "11.3"
    composite = inside["kind"] == "BinaryOperator" and inside["opcode"] in (*"+-*/%&|^", "<<", ">>")
    if composite and of.startswith("unsigned") and _signed(node):
        yield "10.8"


def _of_statements(body: Node) -> Iterator[str]:
    """What depends on where a node stands: bodies, else, and what stands as a statement by itself."""
    for node in _all(body):
        parts = _inner(node)
        if node["kind"] in _LOOPS:
            inside = parts[0] if node["kind"] == "DoStmt" else parts[-1]
            if inside["kind"] != "CompoundStmt":
                yield "15.6"
        if node["kind"] == "IfStmt":
            yield from _of_if(parts)
        for child in parts:
            alone = _stands_alone(node, child)
            if _is_assignment(child) and not alone:
                yield "13.4"
            if _is_step(child) and not alone:
                yield "13.3"
            if child["kind"] == "CallExpr" and node["kind"] == "CompoundStmt" and _type(child) != "void":
                yield "17.7"


def _of_if(parts: list[Node]) -> Iterator[str]:
    for branch in parts[1:]:
        if branch["kind"] not in ("CompoundStmt", "IfStmt"):
            yield "15.6"
        if branch["kind"] == "IfStmt" and not branch.get("hasElse"):
            yield "15.7"


def _stands_alone(parent: Node, child: Node) -> bool:
    """A statement by itself, the first or third part of a for, or a side of a comma."""
    if parent.get("opcode") == ",":
        return True
    condition = {"CompoundStmt": None, "IfStmt": 0, "WhileStmt": 0, "DoStmt": 1, "ForStmt": 2}
    if parent["kind"] not in condition:
        return False
    at = condition[parent["kind"]]
    return at is None or child is not parent["inner"][at]
