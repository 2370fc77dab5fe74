"""Whom a client speaks to: a door whose certificate an authority of this machine has signed, and no other."""

from __future__ import annotations

from pathlib import Path

import pytest
from certificates import write_certificates

from dataset.errors import StoreError
from dataset.store import Store
from dataset.store.team.tokens import spelled
from doors import EVERYTHING, open_door
from innage.service.client.connection import Connection
from innage.service.rights import Actor

TOKEN = spelled("a" * 10, "s" * 43)


def test_a_door_that_nobody_vouches_for_gets_no_token(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The handshake fails before the first request; with the authority named, the same door answers."""
    write_certificates(tmp_path)
    said: list[str | None] = []

    def heard(header: str | None) -> Actor:
        said.append(header)
        return EVERYTHING

    with (
        Store.open(tmp_path / "team.db") as store,
        open_door(store, authorise=heard, certificates=tmp_path) as url,
    ):
        with (
            Connection(url, TOKEN, sleep=lambda _: None) as client,
            pytest.raises(StoreError, match="certificate verify failed"),
        ):
            client.protocol()
        assert said == []
        monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "ca.pem"))
        with Connection(url, TOKEN) as client:
            assert client.protocol().protocol
        assert said == [f"Bearer {TOKEN}"]
