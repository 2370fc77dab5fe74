"""Jobs that come to files, which the store keeps: report, export and replay."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from dataset.canonical_text import sha256
from dataset.errors import InputError, quoted
from dataset.files.scratch import scratch_folder
from dataset.words import Role
from innage.jobs.models.exporting import BundleOptions, BundleSettings, export
from innage.jobs.models.replaying import LogReplayer, newest_trim, program_of
from innage.jobs.registry import in_use
from innage.runner.kind import Done, Inputs, Kind, Work, hash_of_model, hashes_of, part_of
from innage.runner.kinds.judging import CompareSettings, compare_inputs

if TYPE_CHECKING:
    from dataset.store import Store

_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_. -]{0,99}")


class About(StrEnum):
    """What a page is about."""

    SESSION = "session"
    FROZEN = "frozen"
    MODEL = "model"
    COMPARE = "compare"


@dataclass(frozen=True)
class ReportSettings:
    """A page on ``name``, as of :mod:`innage.jobs.models.reporting`; a comparison is with ``second``."""

    about: About
    name: str
    second: str | None = None
    frozen: str | None = None
    role: Role = Role.PROVE
    budget: str | None = None


@dataclass(frozen=True, kw_only=True)
class ExportSettings(BundleSettings):
    """As of :func:`innage.jobs.models.exporting.export`; the bundle is one file."""

    model: str
    budget: str
    even_if_void: bool = False
    anyway: bool = False


@dataclass(frozen=True)
class ReplaySettings:
    """As of :class:`innage.jobs.models.replaying.LogReplayer`; ``files`` are names, whose contents are queued
    with the job.
    """

    model: str
    files: tuple[str, ...]
    unit: str | None = None
    mapping: str | None = None
    since_pour: str | None = None


# -- report --------------------------------------------------------------------------------------------------


def _settle_report(store: Store, settings: ReportSettings) -> ReportSettings:
    if (settings.about is About.COMPARE) is (settings.second is None):
        given = "no second model" if settings.second is None else "a second model"
        raise InputError("settings of report", given, "one where two are compared, and only there")
    if settings.about is About.SESSION:
        return replace(settings, name=store.session(settings.name).sha256)
    return settings


def _report_inputs(store: Store, settings: ReportSettings) -> Inputs:
    if settings.about is About.SESSION:
        return Inputs({"session": store.session(settings.name).sha256})
    if settings.about is About.FROZEN:
        return Inputs({"frozen": store.frozen_set(settings.name).sha256})
    if settings.about is About.COMPARE:
        return compare_inputs(store, _compared(settings))
    left = None if settings.budget is None else store.budget(settings.budget)
    return Inputs({"model": hash_of_model(store.model(settings.name)), **hashes_of(budget=left)})


def _compared(settings: ReportSettings) -> CompareSettings:
    return CompareSettings(
        first=settings.name, second=settings.second or "", frozen=settings.frozen, role=settings.role
    )


def _report(work: Work[ReportSettings]) -> Done:
    from innage.jobs.models.reporting import report_comparison, report_frozen, report_model, report_session

    store, asked = work.store, work.settings
    said = store.last_written()
    with scratch_folder() as folder:
        out = folder / "page.html"
        if asked.about is About.SESSION:
            report_session(store, asked.name, out)
        elif asked.about is About.FROZEN:
            report_frozen(store, asked.name, out)
        elif asked.about is About.MODEL:
            report_model(store, asked.name, out, budget=asked.budget)
        else:
            pair = _compared(asked)
            report_comparison(store, pair.first, pair.second, out, pair, progress=work.progress)
        page = out.read_bytes()
    # a page tells what was said of things since: it is held against pages that were told the same
    return Done({"page": _sha256(page)}, {"page.html": page}, _unless_changed(said, store.last_written()))


# -- export --------------------------------------------------------------------------------------------------


def _settle_export(store: Store, settings: ExportSettings) -> ExportSettings:
    from export.c.extras import check_uses
    from export.c.prefix import check_prefix
    from innage.jobs.models.budgets import check_optimise

    check_prefix(settings.prefix)
    check_optimise(settings.optimise)
    check_uses(settings.uses)
    in_use(store, "budget", store.budget(settings.budget))
    return settings


def _export_inputs(store: Store, settings: ExportSettings) -> Inputs:
    model, budget = store.model(settings.model), store.budget(settings.budget)
    return Inputs({"model": hash_of_model(model), **hashes_of(budget=budget)})


def _export(work: Work[ExportSettings]) -> Done:
    store, asked = work.store, work.settings
    said = store.said_of(asked.model)
    with scratch_folder() as folder:
        exported = export(
            store,
            asked.model,
            asked.budget,
            folder / "bundle.zip",
            even_if_void=asked.even_if_void,
            anyway=asked.anyway,
            options=part_of(BundleOptions, asked, zipped=True),
            progress=work.progress,
        )
        packed = exported.out.read_bytes()
    said_now = _unless_changed(said, store.said_of(asked.model))
    return Done({"bundle": exported.bundle_sha256}, {"bundle.zip": packed}, said_now)


# -- replay --------------------------------------------------------------------------------------------------


def check_names(names: Sequence[str]) -> None:
    """InputError for names of files that no folder takes everywhere, or that are not told apart."""
    if not names:
        raise InputError("files", "none", "one field log at least")
    for name in names:
        if not _NAME.fullmatch(name):
            raise InputError("files", quoted(name), "names of letters, digits, '.', '_', '-' and blanks")
    if len({name.casefold() for name in names}) < len(names):
        raise InputError("files", "two of one name", "files of different names")


def _settle_replay(store: Store, settings: ReplaySettings) -> ReplaySettings:
    check_names(settings.files)
    _replayer(store, settings)
    return settings


def _replay_inputs(store: Store, settings: ReplaySettings) -> Inputs:
    model = store.model(settings.model)
    mapping = None if settings.mapping is None else store.mapping(settings.mapping)
    hashes = {"model": hash_of_model(model), **hashes_of(mapping=mapping)}
    if settings.unit is not None:
        mountings = {session.mounting.name for session in model.frozen.sessions}
        taken = newest_trim(store, program_of(model), mountings, settings.unit)
        hashes["trim"] = sha256(taken.tolist())
    return Inputs(hashes)


def _replayer(store: Store, settings: ReplaySettings) -> LogReplayer:
    return LogReplayer(
        store,
        settings.model,
        unit=settings.unit,
        columns=settings.mapping,
        since_pour=settings.since_pour,
    )


def _replay(work: Work[ReplaySettings]) -> Done:
    asked = work.settings
    replayer = _replayer(work.store, asked)
    outputs: dict[str, bytes] = {}
    sums: dict[str, object] = {}
    with scratch_folder() as folder:
        logs = [folder / name for name in asked.files]
        for log in logs:
            log.write_bytes(work.files[log.name])
        for log, replayed in replayer.replay_each(logs, work.progress, work.pool):
            name = log.name
            if isinstance(replayed, InputError):
                raise _named_so(replayed, log, name) from replayed
            outputs[f"{name}.readings.csv"] = "".join(replayed.csv()).encode()
            sums[name] = replayed.facts()
    hashes = {name: _sha256(content) for name, content in outputs.items()}
    summed = json.dumps(sums, indent=2, sort_keys=True) + "\n"
    return Done(hashes, outputs | {"summary.json": summed.encode()})


def _named_so(error: InputError, log: Path, name: str) -> InputError:
    """The error with the name of a file in the place of where it lay meanwhile."""
    parts = (part.replace(str(log), name) for part in (error.where, error.found, error.expected, error.hint))
    return InputError(*parts, fields=error.fields)


def _unless_changed(before: str, after: str) -> str | None:
    """What was said, where nothing was said meanwhile; else a value of its own, which equals no other."""
    return before if before == after else sha256([before, after])


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


REPORT = Kind(ReportSettings, _settle_report, _report_inputs, _report)
EXPORT = Kind(ExportSettings, _settle_export, _export_inputs, _export)
REPLAY = Kind(ReplaySettings, _settle_replay, _replay_inputs, _replay)
