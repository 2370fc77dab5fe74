"""What was held back of a push, and what leans on it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from dataset.documents import Document
from dataset.errors import InnageError, InputError
from dataset.exchange.objects import Offered
from dataset.exchange.reading import texts_of
from dataset.exchange.report import Held
from dataset.records import ID_DIGITS


class HeldBack:
    """Objects that a server does not take, which hold back what refers to them."""

    def __init__(self) -> None:
        self.objects: list[Held] = []
        self._names: dict[str, str] = {}

    def hold(self, held: Sequence[Held], documents: Mapping[Offered, Document]) -> None:
        """Keep that these are held back; ``documents`` are those that were sent with them."""
        self.objects += held
        for one in held:
            document = documents.get(Offered(one.kind, one.key))
            if document is not None:
                called = document.facts.get("called") or document.facts.get("name")
                told = called or document.name[:ID_DIGITS]
                self._names[document.name] = f"{document.kind} {told}"

    def leaning(self, documents: Iterable[Document]) -> InnageError | None:
        """That one of these refers to what was held back; None where none does."""
        return next(filter(None, map(self._leaning, documents)), None)

    def _leaning(self, document: Document) -> InnageError | None:
        names = self._names
        held = (
            next((names[text] for text in texts_of(document.facts) if text in names), None) if names else None
        )
        if held is None:
            return None
        where = f"{document.kind} {document.name[:ID_DIGITS]}"
        return InputError(where, f"leans on {held}, which was held back", "", f"first see to {held}")
