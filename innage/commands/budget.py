"""``innage budget``: what the firmware team left for the model."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from innage.completion import names_of
from innage.exit_codes import SAID_NO
from innage.options import (
    DEFAULT_STORE,
    FreeTextOption,
    JsonOption,
    RetiredOption,
    StoreOption,
    UsesOption,
    open_store,
)
from innage.terminal.output import emit, progress, say, table
from innage.terminal.views.registry import show_retired

app = typer.Typer(
    help="Budgets: flash, RAM, stack and cycles that a model may use.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command()
def add(
    name: str,
    core: Annotated[
        str, typer.Option(help="The core: cortex-m0plus, cortex-m3, cortex-m4, cortex-m33 or rv32imc.")
    ],
    flash_bytes: Annotated[int, typer.Option("--flash-bytes", help="Flash, bytes.")],
    ram_bytes: Annotated[int, typer.Option("--ram-bytes", help="RAM, bytes.")],
    stack_bytes: Annotated[int, typer.Option("--stack-bytes", help="Stack, bytes.")],
    cycles: Annotated[int, typer.Option(help="Cycles a frame.")],
    multiplier_cycles: Annotated[
        int | None,
        typer.Option(
            "--multiplier-cycles",
            help="Cycles of a multiplication: 1; cortex-m0plus and rv32imc, which may have 32, must say.",
        ),
    ] = None,
    wait_states: Annotated[int, typer.Option("--wait-states", help="Wait states of the flash.")] = 0,
    clock_hz: Annotated[int, typer.Option("--clock-hz", help="Clock, Hz; 0 when not known.")] = 0,
    frame_period_ms: Annotated[
        int, typer.Option("--frame-period-ms", help="Time between frames, ms; 0 when not known.")
    ] = 0,
    note: FreeTextOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add a budget."""
    from dataset.admission.rules import usual_multiplier
    from dataset.records import Budget

    budget = Budget(
        name,
        core,
        usual_multiplier(core) if multiplier_cycles is None else multiplier_cycles,
        flash_bytes,
        ram_bytes,
        stack_bytes,
        cycles,
        wait_states,
        clock_hz,
        frame_period_ms,
        note,
    )
    added = open_store(store).add_budget(budget)
    left = (
        f"{added.flash_bytes} B flash, {added.ram_bytes} B RAM, {added.stack_bytes} B stack, "
        f"{added.cycles} cycles a frame"
    )
    say(f"budget {added.name}: {added.core}, {left}")


@app.command("list")
def list_(
    retired: RetiredOption = False, json: JsonOption = False, store: StoreOption = DEFAULT_STORE
) -> None:
    """List the budgets."""
    from innage.jobs.registry import listed

    opened = open_store(store)
    in_list = listed(opened, "budget", opened.budgets(), retired=retired)
    budgets = in_list.records
    if json:
        emit(in_list.facts(asdict))
    elif budgets:
        rows = [
            (b.name, b.core, b.multiplier_cycles, b.flash_bytes, b.ram_bytes, b.stack_bytes, b.cycles)
            for b in budgets
        ]
        table("budgets", ("budget", "core", "multiplier", "flash B", "RAM B", "stack B", "cycles"), rows)
    else:
        say(
            "no budgets yet: try 'innage budget add NAME --core cortex-m0plus --multiplier-cycles 1 "
            "--flash-bytes 1536 --ram-bytes 64 --stack-bytes 128 --cycles 2000'"
        )
    if not json:
        show_retired(in_list.retired)


@app.command()
def show(
    name: Annotated[str, typer.Argument(autocompletion=names_of("budget"))],
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show one budget."""
    budget = open_store(store).budget(name)
    if json:
        emit(asdict(budget))
    else:
        table(
            f"budget {budget.name}",
            ("fact", "value"),
            [(k, v) for k, v in asdict(budget).items() if k != "name"],
        )


@app.command()
def check(
    model: Annotated[
        str,
        typer.Argument(
            help="A model, or the folder or zip file of an exported bundle.", autocompletion=names_of("model")
        ),
    ],
    budget: Annotated[
        str | None,
        typer.Option(
            help="The budget to compare with; for a bundle by default the one it was exported for.",
            autocompletion=names_of("budget"),
        ),
    ] = None,
    optimise: Annotated[
        str | None,
        typer.Option(help="Compile for 'size' or 'speed'; for a bundle by default as it was exported."),
    ] = None,
    uses: UsesOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Measure a model or a bundle on the budget's core. Exit 1 when it exceeds the budget; what would fit
    is named.
    """
    from innage.jobs.models.budgets import judge
    from innage.terminal.views.models.budget import show_verdict

    with progress("measuring"):
        verdict = judge(model, budget, optimise, lambda: open_store(store), tuple(uses) if uses else None)
    if json:
        emit(verdict.facts())
    else:
        show_verdict(verdict)
    if verdict.over:
        raise typer.Exit(SAID_NO)
