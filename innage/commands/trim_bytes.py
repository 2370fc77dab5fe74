"""``innage trim bytes`` and ``innage trim read``: trims as they lie in a unit's non-volatile memory."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.records import TrimKind
from innage.completion import names_of
from innage.options import DEFAULT_STORE, JsonOption, StoreOption, open_store
from innage.terminal.output import emit, say, table

if TYPE_CHECKING:
    from dataset.records import Trim
    from export.trim_bytes import TrimRecord

_MOST_BYTES = 1 << 20  # far above any memory that holds trims


def register(app: typer.Typer) -> None:
    """Add the commands to those of trims."""
    app.command("bytes")(write)
    app.command()(read)


def write(
    unit: Annotated[str, typer.Argument(help="The unit.", autocompletion=names_of("unit"))],
    out: Annotated[Path, typer.Option("--out", help="The file to write.")],
    kind: Annotated[
        list[TrimKind] | None,
        typer.Option(help="A kind of trim, once for each; default: every kind that the unit has."),
    ] = None,
    mounting: Annotated[
        str | None,
        typer.Option(
            help="The mounting, where the unit has trims on several.", autocompletion=names_of("mounting")
        ),
    ] = None,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Write a unit's newest trims as the bytes that the C reads. One record for each kind; docs/firmware.md
    has the layout.
    """
    from export.trim_bytes import record_of, write_records

    records = [record_of(trim) for trim in _newest(open_store(store).trims(unit), unit, mounting, kind)]
    content = write_records(records)
    out.write_bytes(content)
    if json:
        emit({"out": str(out), "bytes": len(content), "records": [_facts(record) for record in records]})
        return
    _show(f"trims of unit {unit}", records)
    say(f"{out} written, {len(content)} bytes, {len(content) // len(records)} a record")


def read(
    file: Annotated[Path, typer.Argument(help="Bytes as they were in a unit's memory.")],
    json: JsonOption = False,
) -> None:
    """Show the trims in a file of bytes. Every byte is checked, and one that is wrong is named."""
    from dataset.errors import InputError
    from export.trim_bytes import read_records

    if not file.is_file() or file.stat().st_size > _MOST_BYTES:
        raise InputError(
            str(file),
            "no file" if not file.is_file() else f"{file.stat().st_size} bytes",
            f"a file of at most {_MOST_BYTES} bytes",
        )
    records = read_records(file.read_bytes(), str(file))
    if json:
        emit([_facts(record) for record in records])
        return
    _show(f"trims in {file}", records)


def _newest(
    trims: tuple[Trim, ...], unit: str, mounting: str | None, kinds: list[TrimKind] | None
) -> list[Trim]:
    """Of each kind the newest trim, all of them on one mounting."""
    from dataset.errors import InputError
    from dataset.labels.trims import latest

    names = sorted({trim.mounting.name for trim in trims})
    if mounting is None and len(names) > 1:
        raise InputError(
            "--mounting", "not given", f"one of {', '.join(names)}", f"unit {unit} has trims on each of them"
        )
    own = [trim for trim in trims if mounting in (None, trim.mounting.name)]
    wanted = kinds or [kind for kind in TrimKind if any(trim.kind is kind for trim in own)]
    found = [trim for kind in dict.fromkeys(wanted) for trim in latest(own, kind)]
    missing = [str(kind) for kind in wanted if all(trim.kind is not kind for trim in found)]
    if missing or not found:
        raise InputError(
            f"unit {unit}",
            f"no {missing[0] if missing else ''} trim".replace("  ", " "),
            "one",
            "add it with 'innage trim add'",
        )
    return found


def _show(title: str, records: list[TrimRecord] | tuple[TrimRecord, ...]) -> None:
    from training.program import NO_TEMPERATURE

    rows = [
        (
            r.kind,
            f"0x{r.sensor:08x}",
            "-" if r.temperature == NO_TEMPERATURE else f"{r.temperature / 10:.1f}",
            ", ".join(map(str, r.counts)),
        )
        for r in records
    ]
    table(title, ("kind", "sensor key", "C", "counts"), rows)


def _facts(record: TrimRecord) -> dict[str, Any]:
    from training.program import NO_TEMPERATURE

    temperature = None if record.temperature == NO_TEMPERATURE else record.temperature / 10
    return {
        "kind": record.kind,
        "sensor_key": f"0x{record.sensor:08x}",
        "temperature_c": temperature,
        "counts": list(record.counts),
        "bytes_each": record.width,
    }
