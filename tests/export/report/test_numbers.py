"""Numbers as people read them."""

from __future__ import annotations

import pytest

from export.report.axes import tick_texts
from export.report.html import counted, html_table, number
from export.report.numbers import cell_apart, counts_apart, percent_kept, set_apart

THIN, MINUS = "\u202f", "\u2212"


@pytest.mark.parametrize(
    ("plain", "read"),
    [
        ("0", "0"),
        ("999", "999"),
        ("4852", f"4{THIN}852"),
        ("-1234567.25", f"{MINUS}1{THIN}234{THIN}567.25"),
        ("+1000", f"+1{THIN}000"),
        ("0.12345", "0.12345"),
        ("1e-05", f"1e{MINUS}05"),
        ("nan", "nan"),
    ],
)
def test_thousands_stand_apart(plain: str, read: str) -> None:
    assert set_apart(plain) == read


def test_a_cell_of_words_is_left_alone() -> None:
    """A hash of digits alone stands in a tag or among columns of words; frames from and to are no number."""
    assert cell_apart("12345.5 (1000)") == f"12{THIN}345.5 (1{THIN}000)"
    for words in ("<code>12345678</code>", "0-1999", "2026-03-02", "net 1024", ""):
        assert cell_apart(words) == words


def test_tables_axes_and_sentences_say_a_number_alike() -> None:
    table = html_table(("Name", "Flash, B"), [("1234", "4852")])
    assert f"<td>1234</td><td class=n>4{THIN}852</td>" in table  # a name may be of digits
    said = {number(4852), number(4852.4), counted(4852, "").strip(" s"), tick_texts([0.0, 4852.0])[1]}
    assert said == {f"4{THIN}852"}


def test_a_sentence_counts_as_tables_do() -> None:
    """What it counts; no part of a name, a day, a hash or a measure."""
    said = "3 of 1234 episodes (20000 frames), unit u-2024 frames, 2026-03-02, 0.1234 readings, 5000 Hz"
    apart = said.replace("1234 episodes", f"1{THIN}234 episodes").replace("20000", f"20{THIN}000")
    assert counts_apart(said) == apart


def test_a_percent_sign_stays_with_its_number() -> None:
    """Wherever a text has it, also behind the last tag; what stands within a tag is left alone, and so are
    signs without a number.
    """
    kept = "\u00a0%"
    assert percent_kept("at most 5 % or 12.5 %") == f"at most 5{kept} or 12.5{kept}"
    assert percent_kept("<p>5 %</p><td>20 %, <b>7 % off") == f"<p>5{kept}</p><td>20{kept}, <b>7{kept} off"
    for page in ('<input value="5 % off"><p>', "accepted %", "5 mm", "5% or 5  %", f"5{kept}"):
        assert percent_kept(page) == page
