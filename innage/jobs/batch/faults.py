"""The faults of many lines, told together."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
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
        hint: str = "",
        fields: Sequence[str] = (),
    ) -> None:
        bad = len({line.number for line, _ in faults})
        counted = "the line can't be used" if lines == 1 else f"{bad} of {lines} lines can't be used"
        said = f"{counted}, and nothing was stored"
        super().__init__(str(path), said, "", hint, fields=fields)
        self._head = InputError(str(path), said, "", hint, fields=fields)
        self.faults, self._headings = tuple(faults), headings

    def __str__(self) -> str:
        return self.said_by(lambda field: field)

    def said_by(self, spell: Callable[[str], str]) -> str:
        """The sentence, and a line each; a field that is a heading stays as it is."""

        def heading(field: str) -> str:
            option = spell(field)
            bare = option.removeprefix("--").replace("-", "_")
            return bare if bare in self._headings else option

        alike: dict[str, list[tuple[int, str]]] = {}
        for line, error in self.faults:
            whole = error.said_by(heading).removeprefix(f"{line.where}, ").removeprefix(f"{line.where}: ")
            file = f"{line.path.parent / line.cells['file']}, " if "file" in line.cells else ""
            within = whole.removeprefix(file) if file else whole
            alike.setdefault(within, []).append((line.number, whole))
        told = [
            f"  {_lines_text([number for number, _ in found])}: {_told(within, [text for _, text in found])}"
            for within, found in alike.items()
        ]
        more = len(told) - MOST_TOLD
        ends = [f"  and {more} more"] if more > 0 else []
        return "\n".join([f"{self._head.said_by(spell)}:", *told[:MOST_TOLD], *ends])


def _told(within: str, sentences: Sequence[str]) -> str:
    """What is wrong, in words that hold for all lines: the files of several are not named."""
    if len(sentences) == 1 or sentences[0] == within:
        return sentences[0]
    return f"in each file, {within}"


def _lines_text(numbers: Sequence[int]) -> str:
    """Numbers of lines in words: 'line 4', 'lines 2 to 5, 9'."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    texts = [f"{run[0]} to {run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs]
    return f"line{'s' * (len(numbers) > 1)} {', '.join(texts)}"


def check_each(
    path: Path,
    lines: Sequence[RecordLine],
    headings: Collection[str],
    check: Callable[[RecordLine], Iterable[InnageError] | None],
    progress: Callable[[str, int, int], None] | None = None,
) -> None:
    """Check all lines, by what ``check`` raises or, where it goes on after a fault, gives back;
    LinesRefusedError with the faults of those that can't be used.
    """
    faults: list[tuple[RecordLine, InnageError]] = []
    for done, line in enumerate(lines):
        if progress is not None:
            progress(line.cells.get("file", f"line {line.number}"), done, len(lines))
        try:
            faults += [(line, error) for error in check(line) or ()]
        except InnageError as error:
            faults.append((line, error))
    if faults:
        raise LinesRefusedError(path, len(lines), faults, headings)
