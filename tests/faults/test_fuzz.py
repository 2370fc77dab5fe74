"""Every reader against hostile bytes: it answers, or says in one sentence why not; never another error. The
long way is ``make fuzz``.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from readers import READERS, mutated, tried

EDITS = st.lists(
    st.tuples(st.integers(0, 5), st.integers(0, 1 << 16), st.integers(1, 20), st.integers(0, 63)),
    min_size=1,
    max_size=6,
)
RUN = settings(max_examples=40, suppress_health_check=list(HealthCheck))


@pytest.mark.parametrize("name", READERS)
def test_samples_are_taken(name: str, tmp_path: Path) -> None:
    """Each sample is read without an error: what follows begins with valid files."""
    for sample in READERS[name].samples():
        assert tried(name, sample, tmp_path) is None


@pytest.mark.longer
@pytest.mark.parametrize("name", READERS)
def test_changed_samples(name: str, tmp_path: Path) -> None:
    """Forty changed samples, the same each time; a refusal is one line of bounded length."""
    samples = READERS[name].samples()

    @RUN
    @given(st.sampled_from(samples), EDITS)
    def one(sample: bytes, edits: list[tuple[int, int, int, int]]) -> None:
        said = tried(name, mutated(sample, edits), tmp_path)
        assert said is None or said.strip()

    one()


# What a run of the long target has found once, and one of each kind that was feared: none may come back.
FOUND = [
    ("limits", b'[[row]]\nmetric = "rmse_mm"\nbound = ' + b"9" * 5000),
    ("scenario", b"name = " + b"9" * 5000),
    ("text", b"units.toml\n[u]\nnote = " + b"9" * 5000),
    ("profile", b"[" * 3000),
    ("profile", b'{"sections": [[]], "datum_mm": 0}'),
    ("program", b"[" * 3000),
    ("manifest", b"[" * 3000),
    ("marks", b"from,to,level_mm\n" + b"9" * 5000 + b",4,10\n"),
    ("vectors", b"stream_frames," + b"9" * 5000 + b"\n"),
    ("layout", b"channel,pad,bottom_mm,height_mm\n" + b"9" * 5000 + b",a,0,10\n"),
]


@pytest.mark.parametrize(("name", "content"), FOUND)
def test_found_once(name: str, content: bytes, tmp_path: Path) -> None:
    """Each is refused in a sentence."""
    assert tried(name, content, tmp_path)
