"""A private authority, and a node's certificate by it; for tests alone."""

from __future__ import annotations

import datetime
import ipaddress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

FROM = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
UNTIL = datetime.datetime(2126, 1, 1, tzinfo=datetime.UTC)


def write_certificates(folder: Path) -> None:
    """``ca.pem``, and ``node.pem``, for this machine alone, with its key ``node.key``."""
    authority, node = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    issued = _certificate("authority", authority, "authority", authority, is_authority=True)
    (folder / "ca.pem").write_bytes(issued.public_bytes(serialization.Encoding.PEM))
    issued = _certificate("node", node, "authority", authority, is_authority=False)
    (folder / "node.pem").write_bytes(issued.public_bytes(serialization.Encoding.PEM))
    (folder / "node.key").write_bytes(
        node.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )


def _certificate(
    name: str,
    key: ec.EllipticCurvePrivateKey,
    by_name: str,
    by_key: ec.EllipticCurvePrivateKey,
    *,
    is_authority: bool,
) -> x509.Certificate:
    def named(text: str) -> x509.Name:
        return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, text)])

    built = (
        x509.CertificateBuilder()
        .subject_name(named(name))
        .issuer_name(named(by_name))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(FROM)
        .not_valid_after(UNTIL)
        .add_extension(x509.BasicConstraints(ca=is_authority, path_length=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(by_key.public_key()), critical=False
        )
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False
        )
    )
    return built.sign(by_key, hashes.SHA256())
