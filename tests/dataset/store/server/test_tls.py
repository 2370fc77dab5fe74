"""A server that is reached over a network, with a certificate, as docs/team.md tells how.

The server of the tests speaks no TLS: what stands before it here answers as the protocol says
(postgresql.org/docs/current/protocol-flow.html, 'SSL Session Encryption') and passes on the rest.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import struct
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from building import Bench
from calling import run
from dataset.errors import StoreError
from dataset.store import Store
from servers import OWNER, Server

SSL_REQUEST, GSS_REQUEST = 80877103, 80877104
SECRET = "s3cret"  # noqa: S105 - invented, to be looked for


def certificate(name: str, folder: Path) -> Path:
    """A certificate for ``name`` that vouches for itself, and its key, in one file."""
    key = ec.generate_private_key(ec.SECP256R1())
    called = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(called)
        .issuer_name(called)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    file = folder / f"{name}.pem"
    file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
        + made.public_bytes(serialization.Encoding.PEM)
    )
    return file


@dataclass
class Front:
    """What takes connections on 127.0.0.1 and passes them on to a server's socket; without a certificate it
    says that it has no TLS.
    """

    behind: Path
    own: Path | None

    def __post_init__(self) -> None:
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.port = self.listening.getsockname()[1]
        self.encrypted = 0
        threading.Thread(target=self._take, daemon=True).start()

    def _take(self) -> None:
        with contextlib.suppress(OSError):  # it was closed
            while True:
                taken, _ = self.listening.accept()
                threading.Thread(target=self._serve, args=(taken,), daemon=True).start()

    def _serve(self, taken: socket.socket) -> None:
        with contextlib.suppress(OSError), taken:
            while True:
                head = taken.recv(8, socket.MSG_PEEK)
                if len(head) < 8:
                    return  # who wanted TLS and heard that there is none
                _, code = struct.unpack("!II", head)
                if code not in (SSL_REQUEST, GSS_REQUEST):
                    break
                taken.recv(8)
                if code == SSL_REQUEST and self.own is not None:
                    taken.sendall(b"S")
                    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
                    context.load_cert_chain(self.own)
                    taken = context.wrap_socket(taken, server_side=True)
                    self.encrypted += 1
                    break
                taken.sendall(b"N")
            with taken, socket.socket(socket.AF_UNIX) as behind:
                behind.connect(str(self.behind))
                back = threading.Thread(target=_pass_on, args=(behind, taken))
                back.start()
                _pass_on(taken, behind)
                back.join()


def _pass_on(one: socket.socket, other: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while some := one.recv(65536):
            other.sendall(some)
        other.shutdown(socket.SHUT_WR)


@pytest.fixture
def fronts(server: Server) -> Iterator[Callable[[Path | None], Front]]:
    """Makes what stands before the server of the tests."""
    with contextlib.ExitStack() as stack:

        def front(own: Path | None) -> Front:
            made = Front(server.folder / ".s.PGSQL.5432", own)
            stack.callback(made.listening.close)
            return made

        yield front


def test_over_tls(
    server: Server,
    fronts: Callable[[Path | None], Front],
    register: Callable[[Store], Bench],
    tmp_path: Path,
) -> None:
    """By URL alone: a server whose certificate is vouched for is used, by the open store and by lists, all of
    it encrypted. Another's certificate, another name and a server without TLS are each one sentence, and none
    shows the password.
    """
    place = server.store()
    database = place.partition("@/")[2].partition("?")[0]
    own, other = certificate("localhost", tmp_path), certificate("other.example", tmp_path)
    front = fronts(own)

    def url(host: str, port: int, root: Path) -> str:
        checked = f"sslmode=verify-full&sslrootcert={root}"
        return f"postgresql+psycopg://{OWNER}:{SECRET}@{host}:{port}/{database}?{checked}"

    good = url("localhost", front.port, own)
    with Store.open(good) as store:
        (session,) = store.add_sessions([register(store).session(1)])
        assert SECRET not in str(store.place)
    assert session.id in run("sessions", "--store", good)
    assert front.encrypted > 1
    for wrong, said in (
        (url("localhost", front.port, other), "certificate verify failed"),
        (url("127.0.0.1", front.port, own), "does not match host name"),
        (url("localhost", fronts(None).port, own), "server does not support SSL"),
    ):
        with pytest.raises(
            StoreError, match=rf"cannot be reached, or the connection broke .*{said}"
        ) as refused:
            Store.open(wrong)
        assert "Nothing was changed; check the URL" in str(refused.value)
        assert SECRET not in str(refused.value)
        assert "\n" not in str(refused.value)
    server.drop(place)
