"""Errors a user can act on: where, what was found, what was expected, what to do next."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

MOST_QUOTED = 200  # characters of a text from elsewhere
_MOST_SAID = 2000  # characters of a part of a sentence; what is longer is a text from elsewhere


def quoted(value: object) -> str:
    """A value from elsewhere as Python writes it: a text in quotation marks, what cannot be printed escaped.
    Of a long one the end is left out.
    """
    if isinstance(value, str) and len(value) > MOST_QUOTED:
        return f"{value[:MOST_QUOTED]!r}... ({len(value)} characters)"
    shown = repr(value)
    return shown if isinstance(value, str) or len(shown) <= MOST_QUOTED else f"{shown[:MOST_QUOTED]}..."


def _bounded(part: str) -> str:
    return part if len(part) <= _MOST_SAID else f"{part[:MOST_QUOTED]}... ({len(part)} characters)"


class InnageError(Exception):
    """Base of every error that the command line shows as one sentence with exit code 2.

    Attributes:
        where: the file, line, field or record at fault.
        found: what stands there.
        expected: what should have stood there.
        hint: what to do next.
        fields: what the sentence names that a face calls otherwise: arguments and attributes as they are
            called in Python (``edges_c``, ``ColumnMapping.time``), and calls that do what it asks for or list
            what there is (``Store.void('1a2b', ...)``). Each face says how its users do that: see
            :meth:`said_by`.
    """

    def __init__(
        self, where: str, found: str, expected: str = "", hint: str = "", *, fields: Sequence[str] = ()
    ) -> None:
        where, found, expected, hint = (_bounded(part) for part in (where, found, expected, hint))
        self.where, self.found, self.expected, self.hint = where, found, expected, hint
        self.fields = tuple(fields)
        sentence = f"{where}: {found}"
        if expected:
            sentence += f"; expected {expected}"
        if hint:
            sentence += f". {hint[0].upper()}{hint[1:]}"
        super().__init__(sentence)

    def __reduce__(self) -> tuple[Any, ...]:
        """As it stands, to another process."""
        return _as_it_was, (type(self), str(self), vars(self).copy())

    def said_by(self, spell: Callable[[str], str]) -> str:
        """The sentence with each field as a face's users set it, such as ``--edges-c`` for ``edges_c``."""
        if not self.fields:
            return str(self)
        words = "|".join(map(re.escape, sorted(self.fields, key=len, reverse=True)))
        # not within a longer name, a path or quotation marks: those come from elsewhere
        field = re.compile(rf"(?<![\w\-/\\.'])({words})(?![\w\-/\\']|\.\w)")
        rest = str(self).removeprefix(self.where)
        # a place that does not begin with a field is a file or a record of whatever name
        where = (
            field.sub(lambda match: spell(match.group()), self.where)
            if field.match(self.where)
            else self.where
        )
        return where + field.sub(lambda match: spell(match.group()), rest)


def _as_it_was(kind: type[InnageError], sentence: str, facts: dict[str, Any]) -> InnageError:
    error = kind.__new__(kind, sentence)
    vars(error).update(facts)
    return error


@contextmanager
def naming(*fields: str) -> Iterator[None]:
    """Errors from within name ``fields``: for checks that are told where they look, not that it is one."""
    try:
        yield
    except InnageError as error:
        error.fields += fields
        raise


class InputError(InnageError, ValueError):
    """A file, option or value given by the user cannot be used."""


class ChangedMeanwhileError(InputError):
    """What somebody looked at before they acted is another by now: nothing was done."""


class StateError(InputError):
    """What was asked for has been done already, or cannot be done as things stand by now."""


class NotFoundError(InnageError, LookupError):
    """A record that was named does not exist in the store."""


class StoreError(InnageError):
    """The store itself cannot be opened, upgraded or written."""


class LeaseLostError(StoreError):
    """A job is held by another runner by now, or by nobody: nothing was written for it."""


class NotAllowedError(InnageError):
    """Whoever acts may not do this: their token allows something else, is for another bench, or is no longer
    good.

    Attributes:
        scope: the scope that it takes; None where it is the bench, or the token itself.
        token_ended: the token was revoked or ran out since it was looked at.
    """

    def __init__(
        self,
        where: str,
        found: str,
        expected: str = "",
        hint: str = "",
        *,
        scope: str | None = None,
        token_ended: bool = False,
    ) -> None:
        super().__init__(where, found, expected, hint)
        self.scope, self.token_ended = scope, token_ended


class StoreBusyError(StoreError):
    """Others use the store for longer than this one waits; nothing was changed, and it may work later."""


class ProgramError(InnageError, ValueError):
    """A program is malformed, or could leave its declared ranges."""


class ToolError(InnageError, RuntimeError):
    """A compiler, emulator or runtime that a check needs did not do its part."""


class WorkersLostError(ToolError):
    """Processes or a cluster that work was given to were lost, more often than it is tried again there.
    Nothing was kept; it may work later, or where there is more memory.
    """


def nearest(wanted: str, names: Iterable[str]) -> str:
    """A hint that asks whether the nearest of these names was meant, one that begins so before others; ''
    where none is near.
    """
    import difflib  # only what failed needs it

    known = list(names)
    near = [name for name in known if len(wanted) > 1 and name.startswith(wanted)]
    near = near or difflib.get_close_matches(wanted, known, n=1, cutoff=0.6)
    return f"did you mean {near[0]!r}?" if near else ""


def there_are(names: Sequence[str], wanted: str, otherwise: str) -> str:
    """A hint that asks whether the name nearest to ``wanted`` was meant and lists what exists; ``otherwise``
    when there is nothing.
    """
    import difflib  # only what failed needs it

    known = list(dict.fromkeys(names))
    if not known:
        return otherwise
    near = difflib.get_close_matches(wanted, known, n=3, cutoff=0.5)
    listed = near + [name for name in known if name not in near]
    meant = difflib.get_close_matches(wanted, near, n=1, cutoff=0.7)
    asked = f"did you mean {meant[0]!r}? There" if meant else "there"
    return (
        f"{asked} are: "
        + ", ".join(listed[:12])
        + (f" and {len(listed) - 12} more" if len(listed) > 12 else "")
    )
