"""The token that a client shows: from the environment or a file that nobody else can read, never from a
command line, which others see in a list of processes.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from dataset.errors import InputError
from dataset.store.team.tokens import looks_whole

TOKEN, TOKEN_FILE = "INNAGE_TOKEN", "INNAGE_TOKEN_FILE"
_MOST = 1000  # characters


def find_token(file: Path | None) -> str | None:
    """The token in ``file``, else in INNAGE_TOKEN, else in the file that INNAGE_TOKEN_FILE names; None where
    there is none of these.

    Raises:
        InputError: a file that cannot be read, or that others can read; no token in it.
    """
    if file is None and os.environ.get(TOKEN):
        return _whole(TOKEN, os.environ[TOKEN])
    named = os.environ.get(TOKEN_FILE)
    path = file or (Path(named) if named else None)
    if path is None:
        return None
    try:
        with path.open(encoding="utf-8") as opened:
            mode = os.fstat(opened.fileno()).st_mode
            text = opened.read(_MOST + 1)
    except (OSError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or "no text"
        raise InputError(str(path), f"cannot be read ({reason})", "a file with a token") from error
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise InputError(
            str(path),
            f"can be used by others (mode {mode & 0o777:o})",
            "a file that its owner alone can read",
            f"let nobody else read it (chmod 600 {path}); if others have seen it, revoke the token",
        )
    return _whole(str(path), text)


def _whole(where: str, text: str) -> str:
    token = text.strip()
    if not token or len(token) > _MOST or not token.isascii() or not token.isprintable() or " " in token:
        raise InputError(where, "holds no token", "one line, as 'innage token add' showed it")
    if not looks_whole(token):
        raise InputError(
            where,
            "holds a token that was cut or mistyped: its last characters do not fit the others",
            "the whole of it, as 'innage token add' showed it",
            "nothing was sent; copy it again, or ask for another",
        )
    return token
