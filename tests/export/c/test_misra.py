"""The C held against the rules of MISRA C:2012 that a syntax tree can tell, and the lists of deviations in
the header and in docs/firmware.md against what is found.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from misra import KNOWN, rules_broken, syntax_tree

from export.c.kernels import TIERS
from export.c.source import emit_c

MANUAL = Path(__file__).parents[3] / "docs" / "firmware.md"


def listed_in_the_header(header: str) -> set[str]:
    block = header[header.index("DEVIATIONS FROM MISRA") : header.index("#ifndef")]
    lines = re.findall(r"(?:Rule|Dir) [\d., ]+\d.*?  ", block)
    return set(re.findall(r"\d+\.\d+", " ".join(lines)))


def test_the_manual_lists_what_the_header_lists(all_built: dict[str, Any]) -> None:
    """Each rule with a reason; none is in one list alone."""
    section = MANUAL.read_text("utf-8").partition("## Deviations from MISRA")[2].partition("\n## ")[0]
    rows = [row.split("|") for row in section.splitlines() if re.match(r"\| (Dir )?\d", row)]
    in_manual = {rule for row in rows for rule in re.findall(r"\d+\.\d+", row[1])}
    assert in_manual == listed_in_the_header(all_built["strip"].c.header)
    assert all(len(row[3].split()) > 3 for row in rows)


@pytest.mark.slow
def test_the_c_breaks_the_rules_listed_and_no_other(all_built: dict[str, Any], tmp_path: Path) -> None:
    """Of the rules that a tree can tell: every sample, plain and with packed words, together. A rule that
    nothing breaks any more is taken off the list.
    """
    broken: dict[str, set[str]] = {}
    for name, built in all_built.items():
        for kernels in TIERS:
            c = emit_c(built.program, name, kernels=kernels)
            (tmp_path / f"{name}.h").write_text(c.header)
            (tmp_path / f"{name}.c").write_text(c.source)
            for rule, where in rules_broken(syntax_tree(tmp_path, f"{name}.c"), name).items():
                broken.setdefault(rule, set()).update(f"{kernels} {place}" for place in where)
    listed = listed_in_the_header(all_built["strip"].c.header)
    assert {rule: sorted(where)[:3] for rule, where in broken.items() if rule not in listed} == {}
    assert set(broken) == KNOWN & listed


@pytest.mark.longer
@pytest.mark.parametrize(
    ("rule", "code"),
    [
        ("2.3", "typedef char x_assert[1];"),
        ("8.7", "int x_f(void) { return 1; }"),
        ("10.1", "static int x_f(int a) { return a >> 1; }"),
        ("10.8", "static int x_f(unsigned a) { return (int)(a + 1U); }"),
        ("11.3", "static int x_f(const int *a) { return (int)*(const short *)a; }"),
        ("11.5", "static int x_f(const void *a) { return *(const int *)a; }"),
        ("12.3", "static void x_f(int *a) { a[0] = 1, a[1] = 2; }"),
        ("13.3", "static int x_f(const int *a, int *b) { return a[(*b)++]; }"),
        ("13.4", "static int x_f(int *a) { return (*a = 3); }"),
        ("15.1", "static void x_f(void) { goto end; end: ; }"),
        ("15.5", "static int x_f(int a) { if (a > 0) { return 1; } return 2; }"),
        ("15.6", "static void x_f(int *a) { if (a[0] > 0) a[0] = 1; }"),
        ("15.7", "static void x_f(int *a) { if (a[0] > 0) { a[0] = 1; } else if (a[1] > 0) { a[1] = 1; } }"),
        ("16.1", "static void x_f(int a) { switch (a) { default: break; } }"),
        ("17.2", "static void x_f(int a) { if (a > 0) { x_f(a - 1); } }"),
        ("17.7", "static int x_g(void) { return 1; } static void x_f(void) { x_g(); }"),
        ("17.8", "static int x_f(int a) { a += 1; return a; }"),
        ("18.4", "static int x_f(const int *a) { return *(a + 1); }"),
        ("18.8", "static int x_f(int a) { int b[a]; b[0] = 1; return b[0]; }"),
        ("19.2", "union x_u { int a; short b; };"),
    ],
)
def test_each_rule_is_seen_broken(rule: str, code: str, tmp_path: Path) -> None:
    """A line that breaks one rule is found to break it, so that finding nothing means something."""
    (tmp_path / "odd.c").write_text(f"{code}\n")
    assert set(rules_broken(syntax_tree(tmp_path, "odd.c"), "x_")) == {rule}
