"""``innage limits``: what a product owner signs."""

from __future__ import annotations

import re
from dataclasses import asdict, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.records import METRICS
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, RetiredOption, StoreOption, open_reading, open_store
from innage.terminal.output import emit, say, table
from innage.terminal.views.registry import show_retired, show_revision

if TYPE_CHECKING:
    from dataset.records import Limit, Limits

app = typer.Typer(
    help="Limits: bounds that a model must keep to, versioned.", no_args_is_help=True, rich_markup_mode=None
)

ROW = re.compile(
    r"\s*([^\s<=@%#]+)\s*<=\s*([^\s@%#]+)\s*(?:or\s+([^\s@%#]+)\s*mm\s*)?(?:@\s*([^\s@%#]+)\s*)?(?:%\s*([0-9]+(?:\.[0-9]+)?)\s*)?(?:#\s*([0-9]+)\s*)?"
)
ROW_FORM = "METRIC<=BOUND[ or MM mm][@CONDITION][%CONFIDENCE][#FEWEST_GROUPS]"
ROW_HELP = (
    f"One row, {ROW_FORM}, such as 'rmse_mm<=2' or 'rmse_mm<=2@foam%90#9'. Confidence in percent. "
    f"Metrics: {', '.join(METRICS)}."
)


@app.command()
def add(
    name: str,
    row: Annotated[list[str] | None, typer.Option(help=ROW_HELP)] = None,
    source: Annotated[
        str | None,
        typer.Option("--from", help="A TOML file with the rows, or 'default' for the built-in set."),
    ] = None,
    note: Annotated[str | None, typer.Option(help="Free text; goes before the file's.")] = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Add limits; a name that exists gets its next revision."""
    from dataset.errors import InputError
    from dataset.records import Limits
    from dataset.text.limits_text import bound_text, condition_text, limits_source, read_limits

    if (source is None) == (not row):
        given = "neither --row nor --from" if source is None else "both --row and --from"
        raise InputError(f"limits {name}", given, "one of them", "'--from default' takes the built-in set")
    limits = (
        Limits(name, 0, tuple(read_row(text) for text in row or ()))
        if source is None
        else read_limits(name, *limits_source(source))
    )
    added = open_store(store).add_limits(limits if note is None else replace(limits, note=note))
    bounds = [
        f"{r.metric} <= {bound_text(r.bound, r.or_mm)} ({condition_text(r.condition)})" for r in added.rows
    ]
    say(f"limits {added.ref}: {', '.join(bounds)}")
    show_revision(added)


def read_row(text: str) -> Limit:
    """A limit from the text of ``--row``."""
    from dataset.errors import InputError
    from dataset.records import Limit
    from dataset.values import plain_float

    parts = ROW.fullmatch(text)
    expected = f"{ROW_FORM}, such as 'worst_group_rmse_mm<=2 @beyond %90 #9'"
    if parts is None:
        raise InputError("--row", repr(text), expected)
    metric, bound, length, condition, percent, groups = parts.groups()
    try:
        value, or_mm = plain_float(bound), None if length is None else plain_float(length)
    except ValueError as error:
        raise InputError(
            "--row",
            f"{bound if length is None else f'{bound} or {length} mm'!r} as the bound in {text!r}",
            expected,
        ) from error
    confidence = None if percent is None else float(Decimal(percent) / 100)  # in decimal: 99.9 % is 0.999
    return Limit(metric, value, condition or "all", confidence, int(groups or 1), or_mm)


@app.command()
def sign(
    name: Annotated[
        str, typer.Argument(help="Limits, NAME or NAME@REVISION.", autocompletion=names_of("limits"))
    ],
    signer: Annotated[str, typer.Option(help="Who signs these limits.")],
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Sign limits: the same rows as a new revision with the signer. The earlier one stays as it is."""
    from dataset.canonical import limits_sha256

    opened = open_store(store)
    signed = opened.add_limits(replace(opened.limits(name), signer=signer))
    say(f"limits {signed.ref}: signed by {signed.signer}; hash of what is signed {limits_sha256(signed)}")


@app.command()
def default() -> None:
    """Print the built-in limits as TOML, with reasons. To change, and to add with --from."""
    from dataset.text.limits_text import DEFAULT_TOML

    say(DEFAULT_TOML.rstrip("\n"))


@app.command("list")
def list_(
    retired: RetiredOption = False, json: JsonOption = False, store: StoreOption = DEFAULT_STORE
) -> None:
    """List the limits and their revisions."""
    from innage.jobs.registry import listed

    opened = open_reading(store)
    in_list = listed(opened, "limits", opened.all_limits(), retired=retired)
    every = in_list.records
    if json:
        emit(in_list.facts(facts))
    elif every:
        table(
            "limits",
            ("limits", "rows", "signer", "note"),
            [(x.ref, len(x.rows), x.signer, x.note) for x in every],
        )
    else:
        say("no limits yet: try 'innage limits add NAME --from default', or --row \"rmse_mm<=2\"")
    if not json:
        show_retired(in_list.retired)


@app.command()
def show(
    name: Annotated[str, typer.Argument(autocompletion=names_of("limits"))],
    toml: Annotated[
        bool, typer.Option("--toml", help="Print TOML that 'innage limits add --from' reads.")
    ] = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show limits (NAME or NAME@REVISION), and who signed them. With the hash of what is signed."""
    from dataset.canonical import limits_sha256
    from dataset.errors import InputError
    from dataset.text.limits_text import bound_text, condition_text, write_limits

    if toml and json:
        raise InputError("limits show", "both --toml and --json", "one of them")
    limits = open_store(store).limits(name)
    if json:
        emit(facts(limits))
        return
    if toml:
        say(write_limits(limits).rstrip("\n"))
        return
    bounds = [r.bound if r.or_mm is None else bound_text(r.bound, r.or_mm) for r in limits.rows]
    percents = [None if r.confidence is None else f"{100 * r.confidence:g} %" for r in limits.rows]
    rows = [
        (r.metric, bound, condition_text(r.condition), percent, r.min_groups)
        for r, bound, percent in zip(limits.rows, bounds, percents, strict=True)
    ]
    table(
        f"limits {limits.ref}",
        ("metric", "at most", "condition", "confidence", "fewest groups"),
        rows,
    )
    say(
        f"signed by {limits.signer}"
        if limits.signer is not None
        else f"not signed yet: 'innage limits sign {limits.name} --signer NAME'"
    )
    say(f"sha256 {limits_sha256(limits)}")
    if limits.note:
        say(limits.note)


def facts(limits: Limits) -> dict[str, Any]:
    """Limits, ready for JSON."""
    from dataset.canonical import limits_sha256

    return asdict(limits) | {"sha256": limits_sha256(limits)}
