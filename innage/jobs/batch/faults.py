"""The faults of many lines, told together."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from pathlib import Path

from dataset.errors import InnageError, InputError
from dataset.files.record_lines import RecordLine

MOST_TOLD = 40


class LinesRefusedError(InputError):
    """Lines of a file can't be used, and so none of it is taken.

    Attributes:
        faults: each line, and what is wrong with it.
    """

    def __init__(
        self,
        path: Path,
        lines: int,
        faults: Sequence[tuple[RecordLine, InnageError]],
        headings: Collection[str],
    ) -> None:
        several = f"{len(faults)} of {lines} lines can't be used"
        one = "the line can't be used" if lines == 1 else f"1 of {lines} lines can't be used"
        super().__init__(str(path), f"{one if len(faults) == 1 else several}, and nothing was stored")
        self.faults, self._headings = tuple(faults), headings

    def __str__(self) -> str:
        return self.said_by(lambda field: field)

    def said_by(self, spell: Callable[[str], str]) -> str:
        """The sentence, and a line each; a field that is a heading stays as it is."""

        def heading(field: str) -> str:
            option = spell(field)
            bare = option.removeprefix("--").replace("-", "_")
            return bare if bare in self._headings else option

        told = []
        for line, error in self.faults[:MOST_TOLD]:
            sentence = error.said_by(heading)
            bare = sentence.removeprefix(f"{line.where}, ").removeprefix(f"{line.where}: ")
            told.append(f"  line {line.number}: {bare}")
        more = len(self.faults) - MOST_TOLD
        return "\n".join([f"{self.args[0]}:", *told, *([f"  and {more} more"] if more > 0 else [])])


def check_each(
    path: Path,
    lines: Sequence[RecordLine],
    headings: Collection[str],
    check: Callable[[RecordLine], object],
    progress: Callable[[str, int, int], None] | None = None,
) -> None:
    """Check all lines; LinesRefusedError with the faults of those that can't be used."""
    faults: list[tuple[RecordLine, InnageError]] = []
    for done, line in enumerate(lines):
        if progress is not None:
            progress(line.cells.get("file", f"line {line.number}"), done, len(lines))
        try:
            check(line)
        except InnageError as error:
            faults.append((line, error))
    if faults:
        raise LinesRefusedError(path, len(lines), faults, headings)
