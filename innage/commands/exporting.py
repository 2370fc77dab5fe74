"""``innage export`` and ``innage verify``: the bundle that is handed over, and the proof that its parts
agree.
"""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, progress, say, table

if TYPE_CHECKING:
    from collections.abc import Callable

    from dataset.records import Model
    from innage.jobs.budget_check import Judged


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
            help="How layers are written: 'small', 'fast', 'fastest', or 'auto' for what the cycles ask.",
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
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Export although limits are not met; the report says which.")
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Check limits and budget, then write the bundle.

    It holds C, header, ONNX, vectors, harness, report and manifest. Exit 1 when a limit is not met or over
    budget.
    """
    from export.c.prefix import check_prefix
    from innage.jobs.budget_check import check_optimise, judge_model
    from innage.jobs.handing_over import check_place, voided, volume_of, write

    check_prefix(prefix)
    check_optimise(optimise)
    with open_store(store) as opened:
        chosen, allowed = opened.model(model), opened.budget(budget)
        void = voided(opened, chosen)
        _warn_of_void(chosen, void, even_if_void)
        _warn_of_limits(chosen, anyway, json)
        place = check_place(out, zipped, chosen)
        volume = volume_of(chosen) if volume_table else None
        judged = _check_budget(
            lambda: judge_model(opened, chosen, allowed, optimise, kernels, assembly, volume), json
        )
        with progress("writing") as shown:
            made = write(
                opened,
                chosen,
                allowed,
                judged.cost,
                void,
                place,
                zipped=zipped,
                prefix=prefix,
                volume=volume,
                progress=shown,
            )
    if json:
        emit(
            {
                "out": str(made.out),
                "bundle_sha256": made.bundle_sha256,
                "files": made.files,
                "cost": asdict(made.cost),
                "void": dict(void),
            }
        )
        return
    table(f"bundle of {chosen.name} in {made.out}", ("file", "bytes"), list(made.files.items()))
    say(f"Within budget {allowed.name}: {judged.sentence()}.")
    say(f"Next: innage verify {made.out}")


def verify(
    bundle: Annotated[Path, typer.Argument(help="The folder of an exported bundle, or its zip file.")],
    every_core: Annotated[
        bool,
        typer.Option(
            "--every-core", help="Run the C on every core that innage knows, not only on that of the budget."
        ),
    ] = False,
    json: JsonOption = False,
) -> None:
    """Check that a bundle is whole and that its parts agree. C, ONNX and vectors give the same numbers; exit
    1 when they don't.
    """
    from export.bundle.verify import CHECKS, ON_REQUEST, verify_bundle

    with progress("verifying") as shown:
        report = verify_bundle(bundle, {*CHECKS, *ON_REQUEST} if every_core else None, progress=shown)
    if json:
        emit({"passed": report.passed, "checks": [asdict(check) for check in report.checks]})
    else:
        rows = [
            (check.name, "passed" if check.passed else "FAILED", check.sentence) for check in report.checks
        ]
        table(f"verification of {bundle}", ("check", "result", "what was found"), rows)
        failed = sum(not check.passed for check in report.checks)
        say(
            "Every check passed."
            if report.passed
            else f"{failed} of {len(report.checks)} checks failed: do not use this bundle."
        )
    if not report.passed:
        raise typer.Exit(1)


def _warn_of_void(model: Model, voided: tuple[tuple[str, str], ...], allowed: bool) -> None:
    for name, reason in voided:
        print(f"warning: session {name} behind model {model.name} is void: {reason}", file=sys.stderr)
    if voided and not allowed:
        print(
            "Nothing was written. Train again without it, or say --even-if-void to export all "
            "the same; the manifest will say so.",
            file=sys.stderr,
        )
        raise typer.Exit(1)


def _warn_of_limits(model: Model, allowed: bool, json: bool) -> None:
    """A limit that is not met stops the export unless it is allowed; one that is not shown is a warning."""
    from innage.jobs.handing_over import answers_of

    answers = answers_of(model)
    named = "" if model.limits is None else f"{model.limits.ref}, "
    for row in answers:
        if row["answer"] != "met":
            print(
                f"warning: limit {named}{row['metric']} of {row['condition']}: {row['answer']} "
                f"({row['reason']})",
                file=sys.stderr,
            )
    failed = [row for row in answers if row["answer"] == "not met"]
    if not failed or allowed:
        return
    if json:
        emit({"not_met": failed})
    said = f"{len(failed)} of {len(answers)} limits {'is' if len(failed) == 1 else 'are'} not met"
    print(
        f"Nothing was written: {said}. Say --anyway to export model {model.name} all the same; "
        "its report will say so.",
        file=sys.stderr,
    )
    raise typer.Exit(1)


def _check_budget(judge: Callable[[], Judged], json: bool) -> Judged:
    """The measured cost when it is within the budget; otherwise a table and exit 1."""
    from innage.jobs.budget_check import show

    with progress("measuring"):
        found = judge()
    if found.over:
        if json:
            emit(found.facts())
        else:
            show(found)
        raise typer.Exit(1)
    return found
