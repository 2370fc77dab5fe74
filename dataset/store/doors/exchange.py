"""What a store hands to another, and what it takes."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence

from sqlalchemy.orm import Session as OrmSession

from dataset.errors import NotAllowedError
from dataset.exchange.objects import KINDS, Offered, Parcel, Source
from dataset.exchange.report import Exchanged
from dataset.store.doors.transactions import Transactions
from dataset.store.exchange import accepting, offering
from dataset.store.exchange.packs import pack_name, pack_of, spans
from dataset.store.stored_blocks import StoredBlocks
from dataset.store.team import receipts
from dataset.store.team.auditing import Allowing


class ExchangeDoor(Transactions):
    """Objects by the hashes of their documents; a store is a :class:`dataset.exchange.objects.Source`."""

    @property
    def name(self) -> str:
        """What sentences call this store: the name of its file, or of its database and host."""
        return self._database.place.name

    def objects(self, kinds: Collection[str] = KINDS) -> tuple[Offered, ...]:
        """Everything that the store has of these kinds, in order of reference, without captures that are
        still open.
        """
        return self._read(lambda orm: offering.objects(orm, kinds))

    def lacking(self, offered: Sequence[Offered]) -> tuple[Offered, ...]:
        """Which of these objects the store does not have."""
        return self._read(lambda orm: offering.lacking(orm, offered))

    def parcels(self, wanted: Collection[Offered]) -> Iterator[Parcel]:
        """The wanted objects, whole, in order of reference, every hash checked; one view of the store for as
        long as they are asked for.
        """
        with self._database.reading() as orm:
            yield from offering.parcels(orm, wanted)

    def pack_names(self, session: str) -> tuple[str, ...]:
        """The hashes of the packs of at most 8 MiB in which the frames of the session with this hash travel
        over a line, in order; see :mod:`dataset.store.exchange.packs`.
        """

        def names(orm: OrmSession) -> tuple[str, ...]:
            stored = StoredBlocks(orm, session)
            return tuple(pack_name(pack_of(stored[span])) for span in spans(stored.lengths))

        return self._read(names)

    def pack(self, session: str, place: int) -> bytes:
        """The pack at a place among :meth:`pack_names`, made of the blocks that go into it alone."""

        def made(orm: OrmSession) -> bytes:
            stored = StoredBlocks(orm, session)
            return pack_of(stored[tuple(spans(stored.lengths))[place]])

        return self._read(made)

    def accept(
        self,
        source: Source,
        *,
        dry_run: bool = False,
        whole: bool = False,
        staged: Collection[str] = (),
        progress: Callable[[str, int, int], None] | None = None,
    ) -> Exchanged:
        """Take what ``source`` has and this store lacks, in one transaction. What contradicts this store, or
        refers to what is not here, is held back with all that leans on it; the rest comes in.

        Args:
            source: another store, or anything else that objects can be had from.
            dry_run: find out what would come in, and write nothing.
            whole: write nothing either where something is held back.
            staged: names of blobs that wait for what comes in; they go with it, in the same transaction.
            progress: called with (what, done, total).

        Raises:
            InputError: the source cannot give what it offers. NotAllowedError: it is to be taken whole, and
                whoever acts may not write some of it. Nothing is written then.
        """

        def work(orm: OrmSession) -> Exchanged:
            allow = None if self._actor is None else Allowing(orm, self._actor).check
            report = accepting.accept(orm, source, progress, allow, here=self._here)
            refused = [one.error for one in report.held if isinstance(one.error, NotAllowedError)]
            if whole and refused:
                raise refused[0]
            if dry_run or (whole and report.held):
                orm.rollback()
            elif staged:
                receipts.drop_staged(orm, staged)
            return report

        return self._write(work)

    def judge(self, groups: Sequence[tuple[Source, bool]]) -> tuple[Exchanged, ...]:
        """What :meth:`accept` would say of groups of documents, one after the other; nothing is written.

        What travels beside documents is not asked for: that frames fit their session and its sensor, and that
        a model has its hash, is not found out.

        Args:
            groups: each with whether it is taken whole or not at all.

        Raises:
            InputError: a source cannot give what it offers.
        """

        def work(orm: OrmSession) -> tuple[Exchanged, ...]:
            reports = tuple(self._judged(orm, source, whole) for source, whole in groups)
            orm.rollback()
            return reports

        return self._write(work)

    @property
    def _here(self) -> str:
        """Where sentences say that something is: who acts from elsewhere has another store than this one."""
        return "here" if self._actor is None else "in the team's store"

    def _judged(self, orm: OrmSession, source: Source, whole: bool) -> Exchanged:
        allow = None if self._actor is None else Allowing(orm, self._actor).check
        nested = orm.begin_nested()
        report = accepting.accept(orm, source, allow=allow, here=self._here, documents_alone=True)
        if whole and report.held:
            nested.rollback()
        else:
            nested.commit()
        return report
