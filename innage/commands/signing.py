"""``innage sign``: a bundle signed with a key of the team's."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from innage.options import JsonOption
from innage.terminal.output import emit, say


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(sign)


def sign(
    bundle: Annotated[Path, typer.Argument(help="The folder of an exported bundle, or its zip file.")],
    key: Annotated[
        Path,
        typer.Option("--key", help="The file of an Ed25519 private key that only its owner can read."),
    ],
    json: JsonOption = False,
) -> None:
    """Sign a bundle with a key of the team's.

    Make one by 'openssl genpkey -algorithm ed25519 -out FILE', or by ssh-keygen; the envelope (DSSE) is
    written into the bundle. 'innage verify --signed-by FILE' checks it with the public key.
    """
    from innage.jobs.releasing.signing import sign_bundle

    signed = sign_bundle(bundle, key)
    if json:
        emit({"bundle_sha256": signed.bundle_sha256, "keyid": signed.keyid, "again": signed.again})
    elif signed.again:
        say(f"{bundle} is signed by key {signed.keyid[:12]} already")
    else:
        say(f"{bundle} is signed by key {signed.keyid[:12]}")
