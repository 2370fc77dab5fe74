"""Errors a user can act on: where, what was found, what was expected, what to do next."""

from __future__ import annotations

from collections.abc import Sequence


class InnageError(Exception):
    """Base of every error that the command line shows as one sentence with exit code 2.

    Attributes:
        where: the file, line, option or record at fault.
        found: what stands there.
        expected: what should have stood there.
        hint: what to do next.
    """

    def __init__(self, where: str, found: str, expected: str = "", hint: str = "") -> None:
        self.where, self.found, self.expected, self.hint = where, found, expected, hint
        sentence = f"{where}: {found}"
        if expected:
            sentence += f"; expected {expected}"
        if hint:
            sentence += f". {hint[0].upper()}{hint[1:]}"
        super().__init__(sentence)


class InputError(InnageError, ValueError):
    """A file, option or value given by the user cannot be used."""


class NotFoundError(InnageError, LookupError):
    """A record that was named does not exist in the store."""


class StoreError(InnageError):
    """The store itself cannot be opened, upgraded or written."""


class ProgramError(InnageError, ValueError):
    """A program is malformed, or could leave its declared ranges."""


class ToolError(InnageError, RuntimeError):
    """A compiler, emulator or runtime that a check needs did not do its part."""


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
