"""Documents of strangers: a hash says which document it is, not that its values are of the right types."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from building import LIQUID, MARKS, SENSOR, TANK, make_frames
from dataset.documents import Document
from dataset.errors import InputError
from dataset.exchange.objects import KINDS, REGISTRY, called_key, key_of
from dataset.exchange.reading import check_types, check_value, facts_of, read_document
from dataset.records import Conditions, Mark, Mounting, NewSession, Source, Stretch, Unit

SESSION = NewSession(
    Unit("u"),
    LIQUID,
    Mounting("m", TANK, SENSOR),
    make_frames(1),
    MARKS,
    Source("run.csv", "0" * 64),
    stretches=(Stretch(0, 10, Conditions(foam_mm=(1.0, 2.0))),),
)


def test_a_session_of_the_right_types() -> None:
    """As a store writes it, a session passes."""
    check_types("here", SESSION, "frames")


@pytest.mark.parametrize(
    ("field", "value", "place"),
    [
        ("note", 7, "here, note: 7"),
        ("simulated", "yes", "here, simulated: 'yes'"),
        ("marks", [Mark(0, 1, 2.0)], "here, marks"),
        ("marks", (Mark("0", 1, 2.0),), "here, marks, start: '0'"),  # type: ignore[arg-type]  # what is tried
        ("marks", (Mark(True, 1, 2.0),), "here, marks, start: True"),
        ("marks", (Mark(0, 1 << 64, 2.0),), "here, marks, stop"),
        ("marks", ((0, 1, 2.0),), "here, marks"),
        ("stretches", (Stretch(0, 1, Conditions(foam_mm=(1.0,))),), "conditions, foam_mm"),  # type: ignore[arg-type]  # as above
        ("note", "a\0b", "text in UTF-8 without NUL"),
        ("instruments", ("a", None), "here, instruments: None"),
    ],
)
def test_values_of_other_types(field: str, value: Any, place: str) -> None:
    """Each is refused, and the sentence says where it stands."""
    with pytest.raises(InputError) as refused:
        check_types("here", replace(SESSION, **{field: value}), "frames")
    assert place in str(refused.value)


def test_values_in_depth() -> None:
    """Whole numbers and texts that no database keeps are found at any depth, in keys too."""
    check_value("here", {"ä": [1.5, None, True, {"b": -(1 << 63) + 1}]})
    for value in ({"a": [{"b": 1 << 63}]}, [["a\0"]], {"a\0": 1}, ["\ud800"], float("nan")):
        with pytest.raises(InputError):
            check_value("here", value)


def test_facts_of_their_types() -> None:
    """What is missing may be, or not; others and other types are named."""
    document = Document("void", "0" * 64, {"reason": "x", "parents": ["a"]})
    assert facts_of(document, reason=str, parents=list, later_=int)["later"] is None
    for wanted, sentence in (
        ({"reason": str}, "a key 'parents'"),
        ({"reason": str, "parents": str}, "parents: ['a']"),
        ({"reason": str, "parents": list, "later": int}, "later: None"),
    ):
        with pytest.raises(InputError) as refused:
            facts_of(document, **wanted)
        assert sentence in str(refused.value)
    with pytest.raises(InputError, match="parents"):
        facts_of(Document("void", "0" * 64, {"parents": ["a", 7]}), parents=list)


def test_a_text_that_is_not_canonical() -> None:
    """One text a document: other spaces, keys twice, numbers that are none and deep nests are refused."""
    text = Document("tank", "0" * 64, {"a": 1}).text
    assert read_document("here", text).text == text
    nest = "[" * 100_000
    for other in (text + "\n", text.replace("1", "01"), text.replace("1", "NaN"), nest, "{}", "7", ""):
        with pytest.raises(InputError):
            read_document("here", other)


def test_keys() -> None:
    """Frozen sets, models and bundles of one content under two names are two objects."""
    one, other = (Document("model", "0" * 64, {"called": name}) for name in "ab")
    assert key_of(one) == called_key("model", "0" * 64, "a") != key_of(other)
    assert key_of(Document("tank", "0" * 64, {"name": "a"})) == "0" * 64
    assert set(KINDS) > REGISTRY
