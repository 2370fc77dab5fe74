"""What every kind of job says of itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from dataset.canonical import limits_sha256, model_sha256
from dataset.canonical_text import sha256

if TYPE_CHECKING:
    from dataset.pools import Pool
    from dataset.records import Budget, ColumnMapping, FrozenSet, JobEvent, Limits, Model
    from dataset.store import Store
    from innage.jobs import Progress

S = TypeVar("S")
P = TypeVar("P")


@dataclass(frozen=True)
class Inputs:
    """What a job works on: hashes by what they are of; and the frozen set whose prove groups it looks at,
    with what for, where it looks at them.
    """

    hashes: dict[str, str]
    opens: tuple[FrozenSet, str] | None = None


@dataclass(frozen=True)
class Work(Generic[S]):
    """A job as its kind gets it.

    Attributes:
        store: the store, through which nothing can be written once another runner has the job.
        settings: as they were queued.
        progress: to be told how far it is; it ends the job where that is asked.
        files: contents by name.
        wrote: what earlier attempts wrote to the store.
        pool: where fits, drifts and files are worked on; None means on all cores of this machine.
    """

    store: Store
    settings: S
    progress: Progress
    files: Mapping[str, bytes] = field(default_factory=dict)
    wrote: tuple[JobEvent, ...] = ()
    pool: Pool | None = None


@dataclass(frozen=True)
class Done:
    """What a job came to; see :class:`dataset.records.JobResult`. ``outputs`` are contents by name."""

    hashes: dict[str, str]
    outputs: dict[str, bytes] = field(default_factory=dict)
    said: str | None = None


@dataclass(frozen=True)
class Kind(Generic[S]):
    """A kind of job.

    Attributes:
        settings: the dataclass of its settings.
        settle: looks at settings when they are queued, refuses those that cannot be, and gives them with
            nothing left open: no revision, no day.
        inputs: what settled settings stand for in a store, now.
        run: does it.
    """

    settings: type[S]
    settle: Callable[[Store, S], S]
    inputs: Callable[[Store, S], Inputs]
    run: Callable[[Work[S]], Done]


def hash_of_model(model: Model) -> str:
    """All that a model is."""
    return model_sha256(model)


def hashes_of(
    limits: Limits | None = None, budget: Budget | None = None, mapping: ColumnMapping | None = None
) -> dict[str, str]:
    """Those of what is named beside models and sets, where it is named."""
    hashes = {} if limits is None else {"limits": limits_sha256(limits)}
    for name, record in (("budget", budget), ("mapping", mapping)):
        if record is not None:
            hashes[name] = sha256(asdict(record))
    return hashes


def part_of(kind: type[P], settings: Any, **beside: Any) -> P:
    """A record of what ``settings`` have of its fields, and of what is no setting ``beside``."""
    own = {one.name for one in fields(kind)}  # type: ignore[arg-type]  # each is a dataclass
    return kind(**{name: getattr(settings, name) for name in own - beside.keys()}, **beside)


def without(facts: Mapping[str, Any], *names: str) -> dict[str, Any]:
    """Facts but for those that change with what happens beside the job."""
    return {name: value for name, value in facts.items() if name not in names}
