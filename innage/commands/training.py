"""``innage train`` and ``innage models``: a frozen set becomes a model; what the store's models can do."""

from __future__ import annotations

from typing import Annotated

import typer

from innage.completion import names_of
from innage.exit_codes import of_limits
from innage.filter_options import filtered
from innage.jobs.sessions.finding import SessionFilter
from innage.options import (
    DEFAULT_STORE,
    AfterOption,
    DaskOption,
    JsonOption,
    NewModelOption,
    SeedOption,
    StoreOption,
    StrictOption,
    TrainedOption,
    open_reading,
    open_store,
)
from innage.sections import SectionedCommand
from innage.terminal.output import emit, progress, say, say_aside
from innage.terminal.views.models.bundle import warn_uneven
from innage.terminal.views.models.training import show_model, show_models
from innage.terminal.views.pages import show_next


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command()(train)
    app.command("models", cls=SectionedCommand)(models)


def train(
    frozen: Annotated[
        str, typer.Argument(help="The frozen set to train on.", autocompletion=names_of("frozen"))
    ],
    name: NewModelOption,
    limits: Annotated[
        str | None,
        typer.Option(
            "--limits",
            help="The limits to meet. Without them the least error on the choose groups decides.",
            autocompletion=names_of("limits"),
        ),
    ] = None,
    budget: Annotated[
        str | None,
        typer.Option(
            "--budget",
            help="What the firmware team left; candidates are compiled and measured for it.",
            autocompletion=names_of("budget"),
        ),
    ] = None,
    seed: SeedOption = 0,
    date: TrainedOption = None,
    family: Annotated[
        list[str] | None,
        typer.Option("--family", help="Only this family, or several: line, hinge, trees, net, array."),
    ] = None,
    recipe: Annotated[
        str | None,
        typer.Option(
            "--recipe",
            help="Only this recipe, as hinge-8-16: family, size, bits of a model without trims. The same "
            "set and seed give its program again, whatever else a search would find.",
        ),
    ] = None,
    trim: Annotated[
        str | None,
        typer.Option(
            "--trim",
            help="Pad arrays: the trim to train for: none, dry, block, partial, full. Default: the best.",
        ),
    ] = None,
    since_pour: Annotated[
        bool,
        typer.Option(
            "--since-pour",
            help="Pad arrays: the model also reads how many seconds ago liquid last came in, where "
            "the firmware knows. Sessions say it by flow=filling and by rising marks. More foam "
            "is flagged.",
        ),
    ] = False,
    ablation: Annotated[
        bool,
        typer.Option(
            "--ablation",
            help="Pad arrays: also fit with other features and trims, and without a watcher; keep the "
            "comparison with the model.",
        ),
    ] = False,
    dask: DaskOption = None,
    strict: StrictOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Search for the smallest integer model that meets the limits. It is tested on groups held
    out from training.
    """
    from dataset.pools.opening import pool_at
    from innage.jobs.models.memory import told_of_memory
    from innage.jobs.models.training import Search, model_facts
    from innage.jobs.models.training import train as train_model
    from training.search.metrics import read_metrics

    with open_store(store) as opened, pool_at(dask) as pool:
        if (sentence := told_of_memory(opened, frozen)) is not None:
            say_aside(f"warning: {sentence}")
        with progress("training") as shown:
            model = train_model(
                opened,
                frozen,
                name,
                limits=limits,
                budget=budget,
                families=family,
                search=Search(seed, trim, ablation, date, recipe, since_pour, pool),
                progress=shown,
            )
    facts = model_facts(model)
    if json:
        emit(facts)
    else:
        show_model(facts)
    warn_uneven(facts["uneven_spans_mm"])  # last, since a long page stands between it and what is said first
    if strict and (code := of_limits(read_metrics(facts["metrics"]).limits)):
        raise typer.Exit(code)


@filtered()
def models(
    sessions: SessionFilter,
    name: Annotated[
        str | None, typer.Argument(help="One model, in full.", autocompletion=names_of("model"))
    ] = None,
    after: AfterOption = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the models, or show the figures of one. --after gives a page of them, by name, byte by byte."""
    from innage.jobs.models.training import find_models, model_facts
    from innage.jobs.pages import page_of_models

    with open_reading(store) as opened:
        page = page_of_models(opened, sessions, after or None) if name is None and after is not None else None
        found = find_models(opened, sessions) if name is None and page is None else ()
        listed = (opened.model(name),) if name else page.items if page else found[: sessions.limit]
        boards = opened.board_measurements(name)
        facts = [model_facts(model, boards, opened.status(model.name)) for model in listed]
    if json:
        emit(facts[0] if name else facts if page is None else {"items": facts, "next": page.next})
    elif name is not None:
        show_model(facts[0])
    elif facts:
        show_models(facts)
        if page is not None:
            show_next(page.next, "model")
        elif len(listed) < len(found):
            say(f"{len(listed)} of {len(found)} models")
    elif sessions.given:
        say("no model was trained on such sessions: leave out a filter to see what there is")
    else:
        say("no models yet: try 'innage train FROZEN --name MODEL'")
