"""Trims and frozen sets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress

from sqlalchemy.orm import Session as OrmSession

from dataset.coverage import roles
from dataset.errors import InnageError
from dataset.records import (
    FrozenData,
    FrozenSet,
    GroupBy,
    Mounting,
    Role,
    Session,
    Trim,
    Unit,
)
from dataset.store import (
    frozen_sets,
    registry,
    standing_sets,
)
from dataset.store import trims as stored_trims
from dataset.store.doors.transactions import Transactions
from dataset.store.queue import leases
from dataset.store.reading import sets as sets_read
from dataset.store.standing_sets import StandingSet


class _UndoneError(Exception):
    """What was tried in a transaction is not meant to stay."""


class SetsDoor(Transactions):
    """Trims of units; frozen sets, their data and the openings of their prove groups."""

    def add_trim(self, trim: Trim) -> Trim:
        """Keep a trim in its unit's history.

        Raises:
            InputError: counts or facts that its kind does not allow, a dry trim that looks wet, or one that
                is there already.
        """
        return self._write(lambda orm: stored_trims.add_trim(orm, trim))

    def add_trims(self, trims: Sequence[Trim], units: Sequence[Unit] = ()) -> tuple[Trim, ...]:
        """Keep trims in their units' histories, and first add the ``units`` that are new: all, or none.
        Errors as of :meth:`add_trim`.
        """

        def work(orm: OrmSession) -> tuple[Trim, ...]:
            for unit in units:
                registry.add_unit(orm, unit)
            return stored_trims.add_trims(orm, trims)

        return self._write(work)

    def refused_trims(self, trims: Sequence[Trim], units: Sequence[Unit] = ()) -> dict[int, InnageError]:
        """Which of these trims :meth:`add_trims` would refuse, by their places, and why; adds nothing."""
        refused: dict[int, InnageError] = {}

        def work(orm: OrmSession) -> None:
            for unit in units:
                registry.add_unit(orm, unit)
            stored_trims.add_trims(orm, trims, refused)
            raise _UndoneError

        with suppress(_UndoneError):
            self._write(work)
        return refused

    def trims(self, unit: str | None = None) -> tuple[Trim, ...]:
        """The trims of a unit, or of all units, in the order they were added, every hash checked."""
        return self._read(lambda orm: stored_trims.trims(orm, unit))

    def doubts_of_trims(self, taken: Sequence[Trim]) -> dict[str, str]:
        """Which of these trims were taken from a session that says something else by now, or that is void: by
        the trim's hash, and why.
        """
        return self._read(lambda orm: stored_trims.doubts(orm, taken))

    def dry_counts(self, mounting: Mounting) -> tuple[tuple[str, tuple[float, ...]], ...]:
        """Units with frames marked at a level below every pad of a mounting, and the median count of each
        channel over those frames.
        """
        return self._read(lambda orm: stored_trims.dry_counts(orm, mounting))

    # -- frozen sets -----------------------------------------------------------------------------------------

    def freeze(
        self,
        name: str,
        sessions: Sequence[Session | str],
        group_by: GroupBy,
        roles: Mapping[str, Role],
        seed: int | None = None,
        *,
        allow_mixed: bool = False,
        edges_c: Sequence[float] = (),
        even_if_warned: str | None = None,
    ) -> FrozenSet:
        """Freeze a choice of sessions, each group with its role.

        Args:
            name: a new name.
            sessions: sessions or their ids; none void, all of one kind of sensor, each with a labelled frame.
            group_by: what the groups are.
            roles: every group's role; see :func:`dataset.coverage.roles.groups_of` for the groups there are.
            seed: kept beside the set when the roles were drawn with one; not part of the hash.
            allow_mixed: take simulated and measured sessions together; the set then says 'partly simulated'.
            edges_c: of temperature bands, rising, degrees Celsius, where these are the groups; kept with the
                set, and part of its hash.
            even_if_warned: why sessions may be in it whose readings and statements do not go together, by the
                import checks, and trims of sessions that were amended since or are void; kept with the
                set, not part of the hash.
        """
        refs = [s if isinstance(s, str) else s.sha256 for s in sessions]
        return self._write(
            lambda orm: frozen_sets.add_frozen_set(
                orm,
                name,
                refs,
                group_by,
                roles,
                seed,
                frozen_sets.Allowed(allow_mixed, even_if_warned),
                edges_c,
            )
        )

    def frozen_set(self, name: str) -> FrozenSet:
        """The frozen set called ``name``, its hash checked."""
        frozen = self._kept_sets.get(
            name,
            lambda: self._read_rows(lambda rows: frozen_sets.frozen_set(rows, name)),
            lambda files, stamp: files.frozen_set(stamp, name),
        )
        self._proven[id(frozen)] = frozen
        return frozen

    def standing_set(self, name: str, before: StandingSet | None = None) -> StandingSet:
        """As :meth:`frozen_set`, with those of its sessions that were amended as they are now. Where
        ``before`` is what this gave earlier of the set, only those sessions are read again of which something
        was said, and its hash is not checked again.
        """
        if before is not None:
            again = self._read_rows(lambda rows: standing_sets.read_on(rows, before))
            if again is not None:
                return again
        said = self._read_rows(lambda rows: standing_sets.read_said(rows, name))
        return StandingSet(self.frozen_set(name), said)  # what is said meanwhile is read once more later

    def frozen_sets(self) -> tuple[FrozenSet, ...]:
        """All frozen sets, by name."""
        return self._read(frozen_sets.frozen_sets)

    def frozen_set_digests(self) -> dict[str, str]:
        """By the name of each frozen set its hash, by name; none is read, or checked."""
        return self._read_rows(sets_read.digests)

    def openings_of_choices(self) -> dict[str, int]:
        """As :meth:`prove_openings`, of every choice that was opened, by its hash."""
        return self._read_rows(sets_read.openings)

    def state_of_frozen_sets(self) -> tuple[int, ...]:
        """Numbers that are others once a set was frozen, or its prove groups opened."""
        return self._read_rows(sets_read.state_of_frozen_sets)

    def frozen_data(self, frozen: FrozenSet) -> FrozenData:
        """The labelled frames of a frozen set, every hash checked; InputError when one of its sessions was
        voided since. Asked again while the store's file stays as it is, the same arrays, which cannot be
        written to; of a large set in a later process too, from the user's cache folder
        (:mod:`dataset.store.kept.set_files`).
        """
        proven = self._proven.get(id(frozen)) is frozen
        return self._kept_sets.get(
            (frozen.name, frozen.sha256),
            lambda: self._read_rows(lambda rows: frozen_sets.data(rows, frozen, proven=proven)),
            (lambda files, stamp: files.data(stamp, frozen)) if proven else None,
        )

    def groups(self, frozen: FrozenSet) -> tuple[roles.Group, ...]:
        """The groups of a frozen set, with their labelled frames and their sessions."""
        return self._read(lambda orm: frozen_sets.groups(orm, frozen))

    def frames_outside(self, frozen: FrozenSet) -> int:
        """How many labelled frames were measured outside the temperature band that their mark's mean lies in;
        0 where groups are something else.
        """
        return self._read(lambda orm: frozen_sets.frames_outside(orm, frozen))

    def open_prove(self, frozen: FrozenSet, purpose: str) -> int:
        """Record that the prove groups are looked at; the count of openings so far, this one included.

        Openings of the same choice under another name count: it is the same data.
        """
        held = self._held
        if held is not None:
            return self._write(lambda orm: leases.opened_once(orm, held, frozen, purpose))
        return self._write(lambda orm: frozen_sets.open_prove(orm, frozen, purpose))

    def prove_openings(self, frozen: FrozenSet) -> int:
        """How often the prove groups were opened."""
        return self._read(lambda orm: frozen_sets.prove_openings(orm, frozen))

    def prove_purposes(self, frozen: FrozenSet) -> tuple[str, ...]:
        """What the prove groups were opened for under this name, in order."""
        return self._read(lambda orm: frozen_sets.prove_purposes(orm, frozen))
