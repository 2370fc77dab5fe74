"""A port that is played waits until who opened it has set it up."""

from __future__ import annotations

import os
import tty
from pathlib import Path

import pytest

from innage.jobs.rig import pseudo_port

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")


def test_a_port_is_ready_once_its_reader_has_set_it_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not while nobody has it open, nor before it is raw, as who reads lines of a board makes it; and not
    when its reader has gone.
    """
    monkeypatch.setattr(pseudo_port, "SETTLED_S", 0.0)
    monkeypatch.setattr(pseudo_port, "PLAIN_S", float("inf"))
    with pseudo_port.pseudo_port() as port:
        assert not port.ready()
        reader = os.open(port.name, os.O_RDWR | os.O_NOCTTY)
        assert not port.ready()
        tty.setraw(reader)
        assert port.ready()
        port.write(b"0,1\n")
        assert os.read(reader, 10) == b"0,1\n"
        os.close(reader)
        assert not port.ready()


def test_who_never_sets_it_up_is_waited_for_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pseudo_port, "PLAIN_S", 0.0)
    with pseudo_port.pseudo_port() as port, Path(port.name).open("rb", buffering=0):
        assert port.ready()
