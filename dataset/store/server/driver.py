"""The server's driver: connections, and its errors as sentences without a password.

SQLSTATE codes are those of postgresql.org/docs/current/errcodes-appendix.html.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import TYPE_CHECKING, Any

from dataset.errors import StoreBusyError, StoreError
from dataset.store.places import SCHEME, Address

if TYPE_CHECKING:
    import psycopg

# on every connection: how long to wait for a lock, and that what was reported saved survives a power cut
SETTINGS = (
    "SET lock_timeout = {milliseconds};"
    "SELECT set_config('synchronous_commit', 'on', false) WHERE current_setting('synchronous_commit') = 'off'"
)
CONNECT_S = 10
_LOCKED = ("55P03",)  # lock_not_available
TRY_AGAIN = ("40001", "40P01")  # serialization_failure, deadlock_detected: the transaction was undone whole
_FILES = "md.c"  # of the server's source: what writes its tables to disk
# by the beginning of the state: what is said, and what to do
_SAID: tuple[tuple[tuple[str, ...], str, str], ...] = (
    (
        _LOCKED,
        "another process was writing to it for more than {seconds:g} s",
        "nothing was changed; try again when the other process is done",
    ),
    (TRY_AGAIN, "others kept changing the same rows", "nothing was changed; try again"),
    (
        ("53100", "53200", "58030"),  # disk_full, out_of_memory, io_error
        "cannot be written ({line})",
        "nothing was changed; make room on the server, then try again",
    ),
    # a server that only follows another
    (("25006",), "can only be read here", "name the server that takes changes"),
    # insufficient_privilege, and what the guards of the schema say
    (("42501",), "the server refuses it ({line})", "nothing was changed"),
)


def driver(address: Address) -> ModuleType:
    """The driver.

    Raises:
        StoreError: a URL of another kind, or the extra is not installed.
    """
    if not address.known_scheme:
        raise StoreError(
            str(address),
            "is of a kind that innage does not work with",
            f"a file, or {SCHEME}://USER@HOST/DATABASE",
            "name another with store_path",
            fields=("store_path",),
        )
    try:
        import psycopg
    except ImportError as error:
        raise StoreError(
            str(address),
            "needs the PostgreSQL driver, which is not installed",
            "",
            "install it: pip install 'innage[postgres]'",
        ) from error
    module: ModuleType = psycopg  # of no type where it is not installed
    return module


def connect(address: Address, timeout_s: float) -> psycopg.Connection[Any]:
    """A connection; the driver's errors as they come, see :func:`told`.

    Raises:
        StoreError: as of :func:`driver`, or a URL that cannot be read.
    """
    driver(address)
    import psycopg
    from psycopg.conninfo import conninfo_to_dict

    try:
        given = conninfo_to_dict(address.for_driver)
    except psycopg.ProgrammingError as error:
        raise StoreError(
            str(address),
            f"is no URL that can be read ({_line(address, error)})",
            f"{SCHEME}://USER@HOST/DATABASE",
        ) from None
    settings: Any = {"connect_timeout": CONNECT_S, "fallback_application_name": "innage"} | given
    connection: psycopg.Connection[Any] = psycopg.connect(**settings, client_encoding="UTF8")
    try:
        connection.autocommit = True
        connection.execute(SETTINGS.format(milliseconds=max(1, round(timeout_s * 1000))).encode())
        connection.autocommit = False
    except BaseException:
        connection.close()
        raise
    return connection


@contextmanager
def told(address: Address, timeout_s: float) -> Iterator[None]:
    """Turn errors of the driver into a StoreError that says what to do."""
    try:
        yield
    except Exception as error:
        cause = driver_error(error)
        if cause is not None:
            raise _sentence(address, timeout_s, cause) from _harmless(address, cause)
        if type(error).__module__ != "sqlalchemy.exc" or type(error).__name__ != "TimeoutError":
            raise
        raise StoreBusyError(
            str(address),
            f"all connections of this process were in use for more than {timeout_s:g} s",
            "",
            "nothing was changed; try again",
        ) from error


def driver_error(error: BaseException) -> BaseException | None:
    """The driver's own error behind one; None where it is another."""
    cause: BaseException = (
        getattr(error, "orig", None) or error
    )  # as SQLAlchemy wraps it, which a list does without
    return cause if type(cause).__module__.partition(".")[0] == "psycopg" else None


def state_of(error: BaseException) -> str:
    """The SQLSTATE that the server gave, or ''."""
    return str(getattr(error, "sqlstate", None) or "")


def is_lost(error: BaseException) -> bool:
    """Whether the connection broke, so that the server's answer is not known."""
    return type(error).__name__ in (
        "OperationalError",
        "AdminShutdown",
        "CrashShutdown",
        "IdleSessionTimeout",
    ) and (state_of(error) in ("", "57P01", "57P02", "57P05") or state_of(error).startswith("08"))


def _sentence(address: Address, timeout_s: float, cause: BaseException) -> StoreError:
    state, line = state_of(cause), _line(address, cause)
    if getattr(getattr(cause, "diag", None), "source_file", None) == _FILES:
        state = "58030"  # also where the server calls it an internal error
    for states, found, hint in _SAID:
        if state.startswith(states):
            kind = StoreBusyError if state in (*_LOCKED, *TRY_AGAIN) else StoreError
            return kind(str(address), found.format(line=line, seconds=timeout_s), "", hint)
    if is_lost(cause):
        return StoreError(
            str(address),
            f"cannot be reached, or the connection broke ({line})",
            "",
            "nothing was changed; check the URL, and that the server answers",
        )
    return StoreError(str(address), line)


def _line(address: Address, error: BaseException) -> str:
    """What the driver says, in one line, without the password."""
    lines = [line.strip() for line in str(error).splitlines()]
    return address.hide("; ".join(line for line in lines[:2] if line))


def _harmless(address: Address, cause: BaseException) -> BaseException:
    """The cause as a traceback may show it: one whose text holds the password is left out."""
    return cause if address.hide(str(cause)) == str(cause) else RuntimeError(_line(address, cause))
