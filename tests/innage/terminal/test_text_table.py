"""Tables keep to the width, lose no cell, and tear no number."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from innage.terminal.output import say, table
from innage.terminal.text_table import NO_BREAK, lines_of, shown

WORDS = st.text("abc-/ ", max_size=40)


@settings(max_examples=30)
@given(
    st.lists(
        st.tuples(WORDS, st.integers(-(10**6), 10**6), WORDS, st.floats(0, 1).map(lambda x: f"{x:.4g}")),
        min_size=1,
        max_size=5,
    )
)
def test_no_line_is_too_wide_and_every_cell_is_whole(rows: list[tuple[str, int, str, str]]) -> None:
    """Whatever the words are: 60 columns hold two numbers and two texts, and the letters of each text come in
    their order.
    """
    cells = [[str(cell) for cell in row] for row in rows]
    lines = lines_of(("first", "count", "other", "share"), cells, (False, True, False, True), 60)
    assert max(map(len, lines)) <= 60
    body = "\n".join(lines[2:])
    for row in cells:
        assert row[1] in body.split()
        assert row[3] in body.split()
    assert sum(map(body.count, "abc")) == sum(
        sum(map(cell.count, "abc")) for row in cells for cell in (row[0], row[2])
    )


def test_what_fits_stands_in_one_line() -> None:
    lines = lines_of(("unit", "frames"), [("unit-1", "12"), ("unit-2", "1234")], (False, True), 80)
    assert lines == ["unit    frames", "──────────────", "unit-1      12", "unit-2    1234"]


def test_names_are_broken_after_punctuation() -> None:
    lines = lines_of(("unit", "note"), [("detergent-canister-17", "a b")], (False, False), 20)
    assert [line.split()[0] for line in lines[2:]] == ["detergent-", "canister-17"]


def test_a_files_name_takes_three_lines_at_most() -> None:
    """Where the table has room for that; the columns beside it then come in a second one."""
    name = "2026-03-02_canister-north_unit-0417_detergent-warm_third-fill.csv"
    rows = [["0123456789ab", "u1", "water", "300 of 300", name, "void: the wrong liquid"]]
    lines = lines_of(("session", "unit", "liquid", "labelled", "source", "remarks"), rows, [False] * 6, 80)
    height = len([line for line in "\n".join(lines).partition("\n\n")[0].split("\n")[2:] if line.strip()])
    assert height <= 3
    assert max(map(len, lines)) <= 80
    at = lines[0].index("source")
    assert "".join(line[at:].split("  ")[0].strip() for line in lines[2 : 2 + height]) == name


def test_a_pipe_is_as_wide_as_columns_says(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """80 where it says nothing, or nothing that is a width; never below 40."""
    widest = {}
    for stated in ("", "wide", "0", "12", "60", "120"):
        monkeypatch.setenv("COLUMNS", stated)
        table("title", ("a", "b"), [("word " * 40, "word " * 40)])
        widest[stated] = max(map(len, capsys.readouterr().out.splitlines()))
    assert widest.pop("12") == 40
    assert widest == {"": 80, "wide": 80, "0": 80, "60": 60, "120": 120}


def test_columns_that_do_not_fit_come_in_a_second_table_with_the_first_again() -> None:
    numbers = [str(10**9 + k) for k in range(4)]
    lines = lines_of(("mark", *"abcd"), [("0-9", *numbers)], (False, *[True] * 4), 40)
    assert [line.split() for line in lines if line[:3] == "0-9"] == [
        ["0-9", *numbers[:3]],
        ["0-9", numbers[3]],
    ]
    assert max(map(len, lines)) <= 40


def test_a_row_of_bands_is_never_torn() -> None:
    bands = NO_BREAK.join("0123456789")
    lines = lines_of(("liquid", "bands"), [("some longer liquid here", bands)], (False, False), 34)
    assert any("0 1 2 3 4 5 6 7 8 9" in line for line in lines)


def test_wide_and_combining_characters_keep_the_columns_straight() -> None:
    """Two columns for a character that East Asian Width calls wide, none for a combining one (Unicode
    Standard Annex 11).
    """
    assert [shown(text) for text in ("tank", "水槽", "e\u0301", "é")] == [4, 4, 1, 1]
    lines = lines_of(("liquid", "n"), [("水", "1"), ("water", "2")], (False, True), 80)
    assert [shown(line) for line in lines] == [9, 9, 9, 9]


def test_what_would_move_the_cursor_is_written_out(capsys: pytest.CaptureFixture[str]) -> None:
    table("a \x1b[2J title", ("file", "note"), [("run\x1b[31m.csv", "a\tb"), ("[bold]x[/bold]", None)])
    out = capsys.readouterr().out
    assert "\x1b" not in out
    assert "run\\x1b[31m.csv" in out
    assert "[bold]x[/bold]" in out


def test_a_terminal_has_bold_titles_and_its_own_width_and_no_color_is_kept(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """NO_COLOR as no-color.org has it: set and not empty. Sentences come in whole words on a terminal, in one
    line elsewhere.
    """
    sentence = "word " * 30
    say(sentence)
    assert capsys.readouterr().out.count("\n") == 1
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    for name, value in (("COLUMNS", "50"), ("NO_COLOR", ""), ("TERM", "xterm")):
        monkeypatch.setenv(name, value)
    table("title", ("a", "b"), [("word " * 20, "word " * 20)])
    said = capsys.readouterr().out
    assert said.startswith("\x1b[1mtitle\x1b[0m\n")
    assert max(map(len, said.splitlines()[1:])) <= 50
    say(sentence)
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 50
    monkeypatch.setenv("NO_COLOR", "1")
    table("title", ("a",), [(1,)])
    assert "\x1b" not in capsys.readouterr().out


def test_a_truth_value_is_a_word(capsys: pytest.CaptureFixture[str]) -> None:
    table("session", ("fact", "value"), [("simulated", True), ("void", False), ("note", None)])
    assert capsys.readouterr().out.split()[4:] == ["simulated", "yes", "void", "no", "note", "-"]
