"""The level that a trial is held against: of a scale that stands still, or as the operator says."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from dataset.errors import InputError, quoted
from dataset.labels.marking import Labelling, Method, level_of
from dataset.live.capture import READING
from dataset.live.feeds import Feed, News
from dataset.live.scale import MassReader, Steadiness, Weighing
from dataset.values import check_number

if TYPE_CHECKING:
    from dataset.records import Tank


class Reference:
    """A level in mm, None where none is known, and the entry that says it (``text``), for marks.

    ``labelling`` turns a mass into a level; None: masses can't be taken.
    """

    def __init__(self, tank: Tank, labelling: Labelling | None) -> None:
        self._tank, self._labelling = tank, labelling
        self.level_mm: float | None = None
        self.text = ""

    def enter(self, text: str, temperature_c: float | None) -> None:
        """Take what is read off: '12.5', '12.5 mm' or '431 g'.

        Raises:
            InputError: not understood, or a level that cannot be.
        """
        typed = READING.fullmatch(text.strip().lower())
        if typed is None:
            raise InputError("entry", quoted(text.strip()), "a reading such as 12.5 or 431 g")
        number, unit = float(typed[1].replace(",", ".")), typed[2] or "mm"
        if unit == "mm":
            check_number("entry", number, 0, self._tank.span_mm, unit="mm, the tank's span")
            level = number
        elif self._labelling is None:
            raise InputError(
                "entry", quoted(text.strip()), "a level: masses need the liquid, which is not stated"
            )
        else:
            level = level_of("entry", Method.MASS, number, temperature_c, self._tank, self._labelling).value
        self.level_mm, self.text = level, f"{typed[1]} {unit}"

    def clear(self) -> None:
        """Nothing is known any more."""
        self.level_mm, self.text = None, ""


class Scale:
    """A scale that is read beside the board."""

    def __init__(self, feed: Feed, rule: Steadiness, clock: Callable[[], float]) -> None:
        self._feed, self._clock = feed, clock
        self._masses, self._weighing = MassReader(), Weighing(rule)

    @property
    def mass_g(self) -> float | None:
        """What it shows; None where it says nothing."""
        return self._weighing.latest

    @property
    def held_g(self) -> float | None:
        """What it stands still at; None while it moves."""
        return self._weighing.held

    def look(self, seen: Callable[[], None]) -> list[str]:
        """Take what it sent; sentences about its port. ``seen`` is called at each mass with which it stands
        still.
        """
        sentences = []
        for piece in self._feed.take():
            if piece.news is News.BYTES:
                for mass in self._masses.feed(piece.data):
                    self._weighing.take(mass, piece.at_s)
                    if self._weighing.held is not None:
                        seen()
            elif piece.news is News.FOUND:
                sentences.append(f"scale: port {self._feed.source.name} is there")
            else:
                self._masses.cut()
                self._weighing.lose()
                sentences.append("scale: port lost, waiting for it to come back")
        self._weighing.quiet(self._clock())
        return sentences

    def close(self) -> None:
        """Let go of its port."""
        self._feed.close()
