"""``innage export`` and ``innage verify``: the bundle that is handed over, and the proof that its parts
agree.
"""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from innage.completion import names_of
from innage.exit_codes import NOT_ENOUGH_EVIDENCE, SAID_NO
from innage.options import (
    DEFAULT_STORE,
    ComparedStoreOption,
    JsonOption,
    SignedByOption,
    StoreOption,
    UsesOption,
    compared_store,
    open_existing,
    open_store,
    option_of,
)
from innage.terminal.output import emit, progress, say_aside
from innage.terminal.views.models.budget import show_verdict
from innage.terminal.views.models.bundle import (
    show_exported,
    show_kept,
    show_origins,
    show_refusal,
    show_score,
    show_verified,
    show_visited,
    warn,
)

if TYPE_CHECKING:
    from innage.jobs.models.exporting import Concerns, ExportRefusedError


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command()(export)
    app.command()(verify)


def export(
    model: Annotated[str, typer.Argument(help="The model to export.", autocompletion=names_of("model"))],
    budget: Annotated[
        str,
        typer.Option(
            "--budget",
            help="What the firmware team left; checked before anything is written.",
            autocompletion=names_of("budget"),
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            help="The folder (with --zip the file) to write; new, empty, or a bundle of the same model.",
        ),
    ],
    prefix: Annotated[
        str, typer.Option("--prefix", help="Begins the C identifiers and file names.")
    ] = "innage",
    zipped: Annotated[
        bool, typer.Option("--zip", help="Write one file, OUT.zip, instead of a folder.")
    ] = False,
    optimise: Annotated[
        str,
        typer.Option("--optimise", help="Compile for 'size' or 'speed' when it is measured and verified."),
    ] = "size",
    kernels: Annotated[
        str,
        typer.Option(
            "--kernels",
            help="How layers and trees are written: 'small', 'branches' (trees as code), 'threes' "
            "(three rows at a time), 'fast', 'fastest' (packed words), or 'auto' for the "
            "smallest that keeps the cycles.",
        ),
    ] = "small",
    assembly: Annotated[
        bool, typer.Option("--assembly", help="Use the kernels' inline assembly on the cores that have it.")
    ] = False,
    volume_table: Annotated[
        bool,
        typer.Option("--volume-table", help="Let the C turn levels into millilitres, by the tank's profile."),
    ] = False,
    even_if_void: Annotated[
        bool, typer.Option("--even-if-void", help="Export although sessions behind the model were voided.")
    ] = False,
    even_if_retired: Annotated[
        bool, typer.Option("--even-if-retired", help="Export although the model is retired.")
    ] = False,
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Export although limits are not met; the report says which.")
    ] = False,
    even_if_unproven: Annotated[
        bool,
        typer.Option(
            "--even-if-unproven",
            help="Export although limits or vectors lack evidence, or limits are missing; the bundle "
            "says so.",
        ),
    ] = False,
    made_vectors_only: Annotated[
        bool,
        typer.Option(
            "--made-vectors-only",
            help="Put no counts of sessions into vectors.csv; the report says so.",
        ),
    ] = False,
    uses: UsesOption = None,
    fast_crc: Annotated[
        bool,
        typer.Option("--fast-crc", help="Compute the CRC of self-test and trims by a table of 64 bytes."),
    ] = False,
    memory_check: Annotated[
        bool,
        typer.Option(
            "--memory-check",
            help="Check state and prepared values in every frame, and withhold where they are damaged.",
        ),
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Check limits and budget, then write the bundle.

    It holds C, header, ONNX, vectors, harness, report and manifest. Exit 1 when a limit is not met, the
    budget is exceeded or vectors leave a decision unvisited; 3 when only evidence is missing.
    """
    from innage.jobs.models.exporting import BundleOptions, ExportRefusedError, UnprovenError
    from innage.jobs.models.exporting import export as export_model

    options = BundleOptions(
        prefix=prefix,
        zipped=zipped,
        optimise=optimise,
        kernels=kernels,
        assembly=assembly,
        volume_table=volume_table,
        even_if_unproven=even_if_unproven,
        made_vectors_only=made_vectors_only,
        fast_crc=fast_crc,
        memory_check=memory_check,
        even_if_retired=even_if_retired,
    )
    if uses:
        options = replace(options, uses=tuple(uses))
    with open_store(store) as opened:
        exported_model = opened.model(model)
        try:
            with progress("exporting") as shown:
                exported = export_model(
                    opened,
                    model,
                    budget,
                    out,
                    even_if_void=even_if_void,
                    anyway=anyway,
                    options=options,
                    progress=shown,
                )
        except ExportRefusedError as refused:
            warn(exported_model, refused.concerns)
            _show_refused(model, refused, even_if_void=even_if_void, json=json)
            code = NOT_ENOUGH_EVIDENCE if isinstance(refused, UnprovenError) else SAID_NO
            raise typer.Exit(code) from refused
    warn(exported_model, exported.concerns)
    if json:
        emit(
            {
                "out": str(exported.out),
                "bundle_sha256": exported.bundle_sha256,
                "files": exported.files,
                "cost": asdict(exported.cost),
                "void": dict(exported.concerns.void),
                "uneven_spans_mm": exported_model.frozen.uneven_spans_mm,
                **_limits_facts(exported.concerns),
            }
        )
    else:
        show_exported(model, exported)


def _limits_facts(concerns: Concerns) -> dict[str, object]:
    """The limits that are not met, and those without enough evidence, ready for JSON."""
    return {
        "not_met": [answer.to_json() for answer in concerns.not_met],
        "unproven": [answer.to_json() for answer in concerns.unproven],
    }


def _show_refused(model: str, refused: ExportRefusedError, *, even_if_void: bool, json: bool) -> None:
    """Why nothing was written; as JSON where limits or the budget say no."""
    from innage.jobs.models.exporting import RetiredError, UnprovenError, UnvisitedError

    concerns, verdict = refused.concerns, refused.verdict
    of_void = bool(concerns.void) and not even_if_void
    if isinstance(refused, RetiredError | UnvisitedError):
        say_aside(f"Nothing was written: {refused.said_by(option_of)}")
    elif verdict is None:
        if json and not of_void:
            emit(_limits_facts(concerns))
        show_refusal(model, concerns, of_void=of_void, unproven=isinstance(refused, UnprovenError))
    elif json:
        emit(verdict.facts())
    else:
        show_verdict(verdict)
        say_aside(f"Nothing was written: {refused.said_by(option_of)}")


def verify(
    bundle: Annotated[Path, typer.Argument(help="The folder of an exported bundle, or its zip file.")],
    every_core: Annotated[
        bool,
        typer.Option(
            "--every-core", help="Run the C on every core that innage knows, not only on that of the budget."
        ),
    ] = False,
    score: Annotated[
        bool,
        typer.Option(
            "--score",
            help="Score the evidence too: which breaks of the program and bits of the code it notices.",
        ),
    ] = False,
    port: Annotated[
        str | None,
        typer.Option(
            "--port",
            help="A board that runs the model: a serial port, or an address such as socket://HOST:PORT.",
        ),
    ] = None,
    baud: Annotated[int, typer.Option("--baud", help="Speed of the serial port.")] = 115200,
    board: Annotated[
        str, typer.Option("--board", help="What the board is; kept in --store with what it measures.")
    ] = "",
    signed_by: SignedByOption = None,
    json: JsonOption = False,
    store: ComparedStoreOption = None,
) -> None:
    """Check that a bundle is whole and that its parts agree. Its C is made anew and compared; the bundle's
    own is never run.

    Exit 1 when a check says no, 3 without enough evidence, such as for C that another version wrote.
    --score runs once all checks have passed and takes minutes; it ends with 1 when a bound of the score is
    missed.
    """
    from dataset.errors import InputError
    from export.bundle.verify import Answer
    from innage.jobs.models.verifying import BoardPort, record_measured, score_bundle, verify_bundle

    if board and port is None:
        raise InputError("--board", f"{board!r} without a port", "the port of a board", "name it with --port")
    line, at = None if port is None else BoardPort(port, baud, board), compared_store(store)
    with nullcontext() if at is None else open_existing(at) as opened, progress("verifying") as shown:
        report = verify_bundle(
            bundle, opened, every_core=every_core, port=line, signed_by=signed_by, progress=shown
        )
        scored = score_bundle(bundle, progress=shown) if score and report.passed else None
        # a store that nobody named is only compared with
        kept = None if opened is None or store is None else record_measured(opened, bundle, report, board)
    if json:
        facts = {"passed": report.passed, "checks": [check.facts() for check in report.checks]}
        facts["visited"] = report.visited and report.visited.facts()
        facts["origins"] = report.origins and report.origins.facts()
        if port is not None:
            facts |= {"on_board": report.on_board and asdict(report.on_board), "recorded": kept}
        emit(facts | ({"score": scored and scored.facts()} if score else {}))
    else:
        show_verified(bundle, report)
        show_kept(report, kept, has_store=store is not None)
        show_visited(report.visited)
        show_origins(report.origins)
        if score:
            show_score(scored)
    if not report.passed:
        raise typer.Exit(SAID_NO if report.having(Answer.FAILED) else NOT_ENOUGH_EVIDENCE)
    if scored is not None and not scored.reached:
        raise typer.Exit(SAID_NO)
