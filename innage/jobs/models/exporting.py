"""From a model to a bundle on disk: checked, measured, built, written, and recorded in the store."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.errors import InputError
from dataset.words import LimitAnswer, ModelStatus, counted
from innage.jobs import Progress, silent
from innage.jobs.models.training import status_facts, status_text
from innage.jobs.registry import in_use
from innage.jobs.stages import staged

if TYPE_CHECKING:
    from dataset.records import Model, StatusEvent
    from dataset.store import Store
    from export.bundle.manifest import Provenance
    from export.c.extras import Extras
    from export.evidence.excerpts import Excerpts
    from export.volume import VolumeTable
    from innage.jobs.models.budgets import BudgetVerdict
    from training.costs import Cost
    from training.judging.figures import AnsweredLimit

_BREAKING = "breaking the sensor chain"
_STAGES = (
    ("measuring",),
    (_BREAKING,),
    ("vectors",),
    ("program", "C", "ONNX", "vectors", "done"),
    ("breaks that count", "vectors", "self-test", "done"),
)
ZIP = "bundle.zip"  # the name under which the store keeps a zipped bundle's hash
_LEANEST = "BundleOptions(uses=('leanest',))"
_OF_USES = {"flash bytes", "cycles, worst frame"}  # resources that a firmware spends on what else it uses


@dataclass(frozen=True, kw_only=True)
class BundleSettings:
    """What a bundle is, be it a folder or one file.

    Attributes:
        prefix: begins the C identifiers and file names.
        optimise: compiled for ``size`` or ``speed`` when it is measured and verified.
        kernels: how layers and trees are written: ``small``, ``branches``, ``threes``, ``fast``,
            ``fastest`` or ``auto``.
        assembly: with the kernels' inline assembly on the cores that have it.
        volume_table: the C turns levels into millilitres, by the tank's profile.
        even_if_unproven: although limits lack evidence, there are none, or vectors leave a decision
            unvisited; the bundle says so.
        made_vectors_only: no stream of the vectors is taken of a session, so that no readings leave the
            house; the bundle says so.
        uses: what the firmware uses of the interface beside init, prepare and step, so that it is counted:
            ``frame-selftest``, ``selftest`` (at power-on only), ``trim-check``, ``code-crc``, ``identity``.
        fast_crc: the CRC of the self-test and of trims goes by a table of 64 bytes.
        memory_check: every frame checks state and prepared values before it uses them.
        even_if_retired: although the model is retired.
    """

    prefix: str = "innage"
    optimise: str = "size"
    kernels: str = "small"
    assembly: bool = False
    volume_table: bool = False
    even_if_unproven: bool = False
    made_vectors_only: bool = False
    uses: tuple[str, ...] = ("frame-selftest", "trim-check")
    fast_crc: bool = False
    memory_check: bool = False
    even_if_retired: bool = False


@dataclass(frozen=True, kw_only=True)
class BundleOptions(BundleSettings):
    """How a bundle is written: what :class:`BundleSettings` has, and where to.

    Attributes:
        zipped: one file, OUT.zip, instead of a folder.
    """

    zipped: bool = False


@dataclass(frozen=True)
class Concerns:
    """What speaks against handing a model over: sessions behind it that are void by now, with the reason, and
    the rows of its limits with what was found.
    """

    void: tuple[tuple[str, str], ...]
    answers: tuple[AnsweredLimit, ...]

    @property
    def not_met(self) -> list[AnsweredLimit]:
        return [row for row in self.answers if row.answer == LimitAnswer.NOT_MET]

    @property
    def unproven(self) -> list[AnsweredLimit]:
        """The rows without enough evidence."""
        return [row for row in self.answers if row.answer == LimitAnswer.UNPROVEN]

    @property
    def proven(self) -> bool:
        """Whether there are limits, and evidence for each."""
        return bool(self.answers) and not self.unproven


@dataclass(frozen=True)
class Exported:
    """A bundle as it was written: where, its hash, the sizes of its files in bytes by name, what the model
    costs in it, and what spoke against it.
    """

    out: Path
    bundle_sha256: str
    files: dict[str, int]
    verdict: BudgetVerdict
    concerns: Concerns

    @property
    def cost(self) -> Cost:
        """What the model costs, as measured."""
        return self.verdict.cost


class ExportRefusedError(InputError):
    """Nothing was written: void sessions, limits that are not met, or a model that is over its budget; then
    ``verdict`` has the figures.
    """

    def __init__(
        self,
        concerns: Concerns,
        found: str,
        *,
        where: str,
        hint: str,
        verdict: BudgetVerdict | None = None,
        field: str | None = None,
    ) -> None:
        super().__init__(where, found, "", hint, fields=() if field is None else (field,))
        self.concerns, self.verdict = concerns, verdict


class RetiredError(ExportRefusedError):
    """Nothing was written: the model is retired."""


class UnprovenError(ExportRefusedError):
    """Nothing was written: no limit says no, but limits lack evidence, or there are none."""


class UnvisitedError(ExportRefusedError):
    """Nothing was written: the vectors leave a side of a decision unvisited."""


def export(
    store: Store,
    model: str,
    budget: str,
    out: Path | str,
    *,
    even_if_void: bool = False,
    anyway: bool = False,
    options: BundleOptions = BundleOptions(),
    progress: Progress = silent,
) -> Exported:
    """Check limits and budget, then write the bundle of a model, as ``innage export`` does.

    Args:
        store: the open store; the hashes of what was written are recorded in it.
        model: the model's name.
        budget: the budget's name; checked before anything is written.
        out: the folder (zipped: the file) to write: new, empty, or a bundle of the same model.
        even_if_void: export although sessions behind the model were voided since.
        anyway: export although limits are not met; the bundle's report says which.
        options: how the bundle is written.
        progress: called with (what, done, total).

    Raises:
        UnprovenError: not enough evidence for a limit, or no limits at all; an ExportRefusedError.
        UnvisitedError: vectors leave a side of a decision unvisited; an ExportRefusedError.
        ExportRefusedError: void sessions, limits not met, or over budget; an InputError.
        InputError: a place that cannot be written, or an option that there is not.
        NotFoundError: a model or budget that the store does not have.
        ToolError: the compiler or the emulator did not do its part.
    """
    from importlib.metadata import version

    from export.bundle.manifest import Provenance
    from export.c.extras import Extras, check_uses
    from export.c.prefix import check_prefix
    from innage.jobs.models.budgets import check_optimise, judge_model
    from innage.jobs.models.faults import stated_faults
    from training.search.metrics import read_metrics

    check_prefix(options.prefix)
    check_optimise(options.optimise)
    extras = Extras(check_uses(options.uses), fast_crc=options.fast_crc, memory_check=options.memory_check)
    exported, left = store.model(model), in_use(store, "budget", store.budget(budget))
    concerns = Concerns(voided(store, exported), read_metrics(json.loads(exported.metrics)).limits)
    status = store.status(model)
    if status is not None and status.status is not ModelStatus.RETIRED:
        status = None
    if status is not None and not options.even_if_retired:
        raise _retired(concerns, model, status)
    _refuse(concerns, model, even_if_void=even_if_void, anyway=anyway)
    place = _check_place(Path(out), options.zipped, exported)
    volume = volume_of(exported) if options.volume_table else None
    progress = staged(progress, _STAGES)
    progress("measuring", 0, 1)
    form = (options.optimise, options.kernels, options.assembly, volume, extras)
    verdict = judge_model(store, exported, left, *form)
    if verdict.over:
        raise ExportRefusedError(
            concerns,
            f"over budget {budget}: {verdict.sentence()}",
            where=f"model {model}",
            hint=_what_would_fit(verdict),
            verdict=verdict,
            field=_LEANEST,
        )
    if not (concerns.proven or options.even_if_unproven):
        raise _unproven(concerns, model)
    given = None if options.made_vectors_only else _streams_of(store, exported)
    files = _build(
        Provenance(
            version("innage"),
            exported,
            left,
            verdict.cost,
            concerns.void,
            stated_faults(store, exported, lambda _, done, total: progress(_BREAKING, done, total)),
            status_facts(status),
        ),
        options.prefix,
        volume,
        extras,
        progress,
        given,
    )
    if not options.even_if_unproven:
        _refuse_unvisited(files, concerns, model)
    bundle_sha256 = _write(store, exported, place, files, zipped=options.zipped)
    sizes = {name: len(content) for name, content in files.items()}
    return Exported(place, bundle_sha256, sizes, verdict, concerns)


def _what_would_fit(verdict: BudgetVerdict) -> str:
    """What to do about a model that is over its budget."""
    over = {line.resource for line in verdict.over}
    leanest, allowed = verdict.cost.interfaces.get("leanest"), verdict.budget.flash_bytes
    if verdict.cost.uses and leanest is not None and leanest <= allowed and over <= _OF_USES:
        return (
            f"give it more, or have a firmware that uses init, prepare and step alone, of which {leanest} "
            f"bytes are linked: say {_LEANEST}"
        )
    return "give it more, or train a smaller model for this budget"


def _retired(concerns: Concerns, model: str, status: StatusEvent) -> RetiredError:
    return RetiredError(
        concerns,
        f"is {status_text(status)}",
        where=f"model {model}",
        hint="export one that is in use, or say even_if_retired=True",
        field="even_if_retired=True",
    )


def _refuse(concerns: Concerns, model: str, *, even_if_void: bool, anyway: bool) -> None:
    """ExportRefusedError for what was not allowed."""
    if concerns.void and not even_if_void:
        session, reason = concerns.void[0]
        raise ExportRefusedError(
            concerns,
            f"session {session} behind it is void ({reason})",
            where=f"model {model}",
            hint="train again without it, or say even_if_void=True",
            field="even_if_void=True",
        )
    if concerns.not_met and not anyway:
        raise ExportRefusedError(
            concerns,
            f"{counted(len(concerns.not_met), 'limit')} not met ({_sentence(concerns.not_met[0])})",
            where=f"model {model}",
            hint="say anyway=True to export all the same",
            field="anyway=True",
        )


def _sentence(answer: AnsweredLimit) -> str:
    """A limit and why it is answered so."""
    from dataset.text.limits_text import condition_text

    return f"{answer.metric} of {condition_text(answer.condition)}: {answer.reason}"


def _unproven(concerns: Concerns, model: str) -> UnprovenError:
    if concerns.unproven:
        rows = counted(len(concerns.unproven), "limit")
        lacking = f"not enough evidence for {rows} ({_sentence(concerns.unproven[0])})"
    else:
        lacking = "no limits: nothing says whether its figures are good enough"
    return UnprovenError(
        concerns,
        lacking,
        where=f"model {model}",
        hint="capture what is missing and train again, or say even_if_unproven=True",
        field="even_if_unproven=True",
    )


def _refuse_unvisited(files: dict[str, bytes], concerns: Concerns, model: str) -> None:
    """UnvisitedError where the vectors of a bundle leave a side of a decision unvisited."""
    from export.bundle.manifest import MANIFEST

    unvisited = json.loads(files[MANIFEST])["vectors"]["visited"]["decisions"]["unvisited"]
    if unvisited:
        raise UnvisitedError(
            concerns,
            f"no vector visits {', '.join(unvisited[:5])}{' ...' if len(unvisited) > 5 else ''}",
            where=f"model {model}",
            hint="its vectors would not show a fault there; train it again, or say even_if_unproven=True",
            field="even_if_unproven=True",
        )


def voided(store: Store, model: Model) -> tuple[tuple[str, str], ...]:
    """Sessions behind the model that are void by now, with the reason."""
    current = {session.sha256: session.void_reason for session in store.sessions()}
    reasons = [(s.id, current.get(s.sha256, s.void_reason)) for s in model.frozen.sessions]
    return tuple((name, reason) for name, reason in reasons if reason is not None)


def _check_place(out: Path, zipped: bool, model: Model) -> Path:
    """Where the bundle will lie; InputError where something else lies there."""
    from export.bundle.manifest import MANIFEST
    from innage.jobs.folders import check_target, check_zip_target
    from innage.outputs import check_place

    place = out.with_name(f"{out.name.removesuffix('.zip')}.zip") if zipped else out
    (check_zip_target if zipped else check_target)(place, model.sha256)
    check_place(place if zipped else place / MANIFEST)
    return place


def volume_of(model: Model) -> VolumeTable:
    """The table of volumes of the one tank behind the model; InputError where there are several, or the tank
    has no profile.
    """
    from dataset.tanks.profile import profile_of
    from export.volume import volume_table
    from training.program import from_json

    tanks = {s.mounting.tank.ref: s.mounting.tank for s in model.frozen.sessions}
    if len(tanks) > 1:
        raise InputError(
            "volume_table",
            "sessions of " + " and ".join(sorted(tanks)),
            "a model of one tank revision",
            fields=("volume_table",),
        )
    ((name, tank),) = tanks.items()
    if tank.profile is None:
        raise InputError(
            "volume_table",
            f"tank {name} has no profile",
            "a tank with a shape",
            "add a revision that has one with Store.add_tank",
            fields=("volume_table", "Store.add_tank"),
        )
    return volume_table(profile_of(tank), from_json(model.program, f"model '{model.name}'").span, name)


def _streams_of(store: Store, model: Model) -> Excerpts:
    """Streams of the sessions behind the model, of which its vectors may hold some."""
    from export.bundle.build import SEED, VECTORS
    from innage.jobs.models.vector_sources import excerpts_for
    from training.program import from_json

    program = from_json(model.program, f"model '{model.name}'")
    return excerpts_for(store, model.frozen, program, VECTORS, SEED)


def _build(
    provenance: Provenance,
    prefix: str,
    volume: VolumeTable | None,
    extras: Extras,
    progress: Progress,
    given: Excerpts | None,
) -> dict[str, bytes]:
    """The files of the bundle of a model whose limits and cost were looked at."""
    from export.bundle.build import build_bundle
    from export.bundle.manifest import Written
    from training.program import from_json

    model, cost = provenance.model, provenance.cost
    form = Written() if cost is None else Written(cost.kernels, cost.assembly)
    return build_bundle(
        from_json(model.program, f"model '{model.name}'"),
        model.float_onnx,
        provenance,
        prefix,
        progress=progress,
        written=replace(form, volume=volume, extras=extras),
        given=given,
    )


def _write(store: Store, model: Model, out: Path, files: dict[str, bytes], *, zipped: bool) -> str:
    """Write the bundle to a place that was looked at, and record it; gives its hash."""
    from export.bundle.manifest import MANIFEST, read_manifest
    from export.bundle.packing import pack
    from innage.jobs.folders import write_bundle
    from innage.outputs import write_file

    packed = pack(files)
    if zipped:
        write_file(out, packed)
    else:
        write_bundle(out, files)
    bundle_sha256 = read_manifest(files[MANIFEST]).bundle_sha256
    # The zip file's hash is recorded either way: whoever zips nothing now may be asked about a zipped bundle
    # later.
    hashes = {name: hashlib.sha256(content).hexdigest() for name, content in (files | {ZIP: packed}).items()}
    store.add_export(model, bundle_sha256, hashes)
    return bundle_sha256
