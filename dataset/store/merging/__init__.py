"""Bring another store in: without loss, without duplicates, all of it or nothing.

What is the same is found by content. Records with a name of their own are the same when name and facts are
equal, and refused when only the name is; tanks, sensors and limits have revisions, so that other content
under a name becomes a further one. Units are known by their identities: two of one name from two benches stay
two. Sessions, revisions of marks and trims are known by their hashes, and
every session that comes in is hashed again, from its frames and from the records that it stands on here.
Doing it again finds nothing new.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection
from sqlalchemy.orm import Session as OrmSession

from dataset.store.merging import bench_tools, captures, identities, named, results
from dataset.store.merging.report import Merged, MergeReport, Renumbered
from dataset.store.merging.two_stores import Progress, SameUnit, TwoStores

__all__ = ["MergeReport", "Merged", "Renumbered", "SameUnit", "merge"]

# what a step refers to was brought in by an earlier one
STEPS = (
    named.tanks_sensors_and_limits,
    named.liquids_operators_budgets_and_mappings,
    identities.benches,
    identities.all_units,
    bench_tools.all_instruments,
    bench_tools.all_check_standards,
    bench_tools.check_measurements,
    named.mountings,
    named.retirements,
    captures.sessions,
    captures.voids,
    captures.tags,
    captures.amendments,
    captures.session_amendments,
    captures.trims,
    identities.assignments,
    identities.one_and_the_same,
    results.frozen_sets,
    results.openings,
    named.models,
    results.statuses,
    results.exports,
    results.board_measurements,
    captures.open_captures,
)


def merge(
    orm: OrmSession,
    here: str,
    theirs: Connection,
    there: str,
    progress: Progress | None = None,
    same_units: Sequence[SameUnit] = (),
) -> MergeReport:
    """Write what the other store has and this one has not, in the transaction of ``orm``, which must end on
    any error.

    Args:
        orm: this store, writing.
        here: what sentences call this store.
        theirs: the other store, at the newest revision of the schema.
        there: what sentences call the other store.
        progress: called with (what, done, total).
        same_units: units that are one although each store registered one of its own.

    Raises:
        InputError: the stores contradict each other; the sentence names what, here and there.
        StoreError: a session that comes in does not hash to what was sealed.
    """
    stores = TwoStores(orm, here, theirs, there, progress or (lambda _what, _done, _total: None))
    stores.same_units = same_units
    for step in STEPS:
        step(stores)
    stores.refuse_conflicts()
    return stores.report()
