"""Options that several commands share, each under one name, so that they read the same everywhere; and the
spelling of fields in errors.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dataset.store.places import USERS, Address, place_of
from dataset.words import LevelUnit, Role, TimeUnit
from innage.completion import STORE_HERE, names_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dataset.records import ColumnMapping
    from dataset.store import Store
    from dataset.store.places import Place
else:
    Place = type("path", (), {})  # Typer knows no unions: what its help calls it; a parser makes what it is


DEFAULT_STORE = STORE_HERE
StoreOption = Annotated[
    Place,
    typer.Option(
        "--store",
        envvar="INNAGE_STORE",
        parser=place_of,
        help="The store: a file, or the URL of a database.",
        show_default=True,
    ),
]
OtherStoreArgument = Annotated[
    Place, typer.Argument(parser=place_of, help="The other bench's store; it is only read.")
]
ComparedStoreOption = Annotated[
    Place | None,
    typer.Option(
        "--store",
        envvar="INNAGE_STORE",
        parser=place_of,
        help="A store that has the model, or its sessions: what it has is compared. Default: innage.db, if "
        "it is here.",
        show_default=False,
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")]
EvenIfVoidOption = Annotated[
    bool, typer.Option("--even-if-void", help="Although sessions behind it are void.")
]
EvenIfAmendedOption = Annotated[
    bool, typer.Option("--even-if-amended", help="Although sessions behind it were amended since.")
]
SignedByOption = Annotated[
    Path | None,
    typer.Option("--signed-by", help="A public key by which the bundle has to be signed (Ed25519)."),
]
StrictOption = Annotated[
    bool,
    typer.Option("--strict", help="Exit 1 where a limit is not met, 3 without enough evidence or limits."),
]
SeedOption = Annotated[
    int, typer.Option("--seed", min=0, max=2**32 - 1, help="Seed of everything that is drawn.")
]

DaskOption = Annotated[
    str | None,
    typer.Option(
        "--dask",
        envvar="INNAGE_DASK",
        help="Spread the work over the Dask cluster whose scheduler is there, such as tls://HOST:8786. "
        "Default: the cores of this machine. The result is the same.",
        show_default=False,
    ),
]

UsesOption = Annotated[
    list[str] | None,
    typer.Option(
        "--uses",
        help="What the firmware uses: frame-selftest, selftest, trim-check, code-crc, identity, or leanest. "
        "May be repeated. Default: frame-selftest and trim-check.",
        show_default=False,
    ),
]

RetiredOption = Annotated[
    bool, typer.Option("--retired", help="Also those that are retired, with the reason.")
]

AfterOption = Annotated[
    str | None,
    typer.Option(
        "--after", help="A page: what comes after this key of the list; '' begins.", show_default=False
    ),
]
LimitOption = Annotated[int | None, typer.Option("--limit", min=1, help="At most so many, as a page.")]

# What is added to the store, and what a model is judged on.

FreeTextOption = Annotated[str, typer.Option("--note", help="Free text.")]
NewModelOption = Annotated[str, typer.Option("--name", help="The new model's name.")]
TrainedOption = Annotated[
    str | None, typer.Option("--date", help="When it is trained, YYYY-MM-DD.  [default: today]")
]
ModelArgument = Annotated[str, typer.Argument(help="The model.", autocompletion=names_of("model"))]
JudgedSetOption = Annotated[
    str | None,
    typer.Option(
        "--frozen",
        help="Judge on this frozen set. Default: the first model's.",
        autocompletion=names_of("frozen"),
    ),
]
JudgedRoleOption = Annotated[
    Role,
    typer.Option("--role", help="On the groups of this role; each opening of prove is counted."),
]

# What a session was captured on.

TankOption = Annotated[
    str | None,
    typer.Option("--tank", help="The tank, NAME or NAME@REVISION.", autocompletion=names_of("tank")),
]
SensorOption = Annotated[
    str | None,
    typer.Option("--sensor", help="The sensor, NAME or NAME@REVISION.", autocompletion=names_of("sensor")),
]
MountingOption = Annotated[
    str | None,
    typer.Option(
        "--mounting", help="Instead of these two: a mounting of both.", autocompletion=names_of("mounting")
    ),
]
LiquidOption = Annotated[
    str | None, typer.Option("--liquid", help="The liquid.", autocompletion=names_of("liquid"))
]
UnitOption = Annotated[str | None, typer.Option("--unit", help="The unit.", autocompletion=names_of("unit"))]
ConditionOption = Annotated[
    str | None,
    typer.Option(
        "--condition", help="Conditions of the whole session, such as surface=foam:20-45,wall=film."
    ),
]
NoteOption = Annotated[str, typer.Option("--note", help="Free text, kept with each session.")]
OCCASION = "Who, when, with what"
OperatorOption = Annotated[
    str | None,
    typer.Option(
        "--operator",
        help="Who captures: a code of 'innage operator list'.",
        autocompletion=names_of("operator"),
        rich_help_panel=OCCASION,
    ),
]
BenchOption = Annotated[
    str | None,
    typer.Option(
        "--bench",
        help="On which bench: its name or identity, of 'innage unit benches'.",
        autocompletion=names_of("bench"),
        rich_help_panel=OCCASION,
    ),
]
StartOption = Annotated[
    str | None,
    typer.Option(
        "--start",
        help="When it began, such as 2026-03-02T09:15+01:00.",
        rich_help_panel=OCCASION,
    ),
]
FileStartOption = Annotated[
    str | None,
    typer.Option(
        "--start",
        help="When it began, such as 2026-03-02T09:15+01:00; or where a file says it: column:NAME, "
        "header:KEY ('# KEY: ...' above the columns), name:PATTERN (such as name:*_%Y%m%d_%H%M*).",
        rich_help_panel=OCCASION,
    ),
]
UtcOffsetOption = Annotated[
    str | None,
    typer.Option(
        "--utc-offset",
        help="Offset from UTC of a start that states none, such as +01:00.",
        rich_help_panel=OCCASION,
    ),
]
FirmwareOption = Annotated[
    str | None,
    typer.Option("--board-firmware", help="The board's firmware revision.", rich_help_panel=OCCASION),
]
InstrumentOption = Annotated[
    list[str] | None,
    typer.Option(
        "--instrument",
        help="A scale, thermometer, height gauge or cylinder of 'innage instrument list'; repeat. Its "
        "uncertainty goes into the labels.",
        autocompletion=names_of("instrument"),
        rich_help_panel=OCCASION,
    ),
]
TagOption = Annotated[
    list[str] | None,
    typer.Option(
        "--tag",
        help="A tag; repeat.",
        autocompletion=names_of("tag"),
        rich_help_panel=OCCASION,
    ),
]
SessionArgument = Annotated[
    str, typer.Argument(help="The session's id, or its first digits.", autocompletion=names_of("session"))
]

# Which column of a file holds what.

COLUMNS = "Columns of the file"
CountOption = Annotated[
    list[str] | None,
    typer.Option(
        "--count",
        help="Counts; repeat. Default: the pads' names.",
        rich_help_panel=COLUMNS,
    ),
]
TimeOption = Annotated[
    str | None,
    typer.Option("--time", help="Time. Without it frames are one period apart.", rich_help_panel=COLUMNS),
]
TimeUnitOption = Annotated[
    TimeUnit, typer.Option("--time-unit", help="Unit of the time.", rich_help_panel=COLUMNS)
]
TemperatureColumnOption = Annotated[
    str | None, typer.Option("--temperature", help="Temperature, degrees Celsius.", rich_help_panel=COLUMNS)
]
DelimiterOption = Annotated[
    str | None,
    typer.Option(
        "--delimiter",
        help="A character, or tab, space, comma, semicolon, bar.",
        rich_help_panel=COLUMNS,
    ),
]
EncodingOption = Annotated[
    str | None,
    typer.Option(
        "--encoding", help="Encoding of the text, such as cp1252. Default: UTF-8.", rich_help_panel=COLUMNS
    ),
]
HeaderOption = Annotated[
    bool,
    typer.Option(
        "--header/--no-header",
        help="Without one the columns are 1, 2, ...",
        rich_help_panel=COLUMNS,
    ),
]
MappingOption = Annotated[
    str | None,
    typer.Option(
        "--mapping",
        help="Instead of these: a mapping saved before.",
        autocompletion=names_of("mapping"),
        rich_help_panel=COLUMNS,
    ),
]

# How sure a level is, and how a mass or a poured volume becomes one.

LEVELS = "Levels and their uncertainty"
AIR_DENSITY_KG_M3 = 1.2  # as dataset.labels.marking has it, which is too heavy to be imported for a default
LevelUnitOption = Annotated[
    LevelUnit,
    typer.Option("--level-unit", help="Unit of levels; fraction: of the span.", rich_help_panel=LEVELS),
]
LevelUncertaintyOption = Annotated[
    float | None,
    typer.Option("--level-u-mm", help="Standard uncertainty of the level, mm.", rich_help_panel=LEVELS),
]
LevelHalfWidthOption = Annotated[
    float | None,
    typer.Option(
        "--level-half-width-mm", help="Instead: the level is right within +- this.", rich_help_panel=LEVELS
    ),
]
TareOption = Annotated[
    float,
    typer.Option(
        "--tare-g",
        help="What the scale shows with the tank empty, g.",
        show_default=False,
        rich_help_panel=LEVELS,
    ),
]
ScaleOption = Annotated[
    float,
    typer.Option(
        "--scale-half-width-g",
        help="The scale is right within +- this.",
        show_default=False,
        rich_help_panel=LEVELS,
    ),
]
PouredOption = Annotated[
    float,
    typer.Option(
        "--poured-half-width-ml",
        help="The poured volume is right within +- this.",
        show_default=False,
        rich_help_panel=LEVELS,
    ),
]
DimensionOption = Annotated[
    float,
    typer.Option(
        "--dimension-half-width-mm",
        help="Inner diameter, +- this: one error for all marks.",
        show_default=False,
        rich_help_panel=LEVELS,
    ),
]
LabelTemperatureOption = Annotated[
    float | None,
    typer.Option(
        "--label-temperature-c",
        help="Temperature of what was weighed. Default: the frames'.",
        rich_help_panel=LEVELS,
    ),
]
TemperatureOption = Annotated[
    float,
    typer.Option(
        "--temperature-half-width-k",
        help="That temperature is right within +- this.",
        show_default=False,
        rich_help_panel=LEVELS,
    ),
]
AirOption = Annotated[
    float,
    typer.Option("--air-density-kg-m3", help="Density of the air around the scale.", rich_help_panel=LEVELS),
]

# The virtual rig.

ScenarioArgument = Annotated[
    str, typer.Argument(help="A built-in scenario (washer), or a TOML file.", show_default=False)
]
RigTankOption = Annotated[
    str,
    typer.Option("--tank", help="A tank of the scenario, NAME or NAME@REVISION.", show_default=False),
]
RigLiquidOption = Annotated[str, typer.Option("--liquid", help="A liquid of that tank.")]
RigUnitOption = Annotated[str, typer.Option("--unit", help="A unit of that tank, by number or name.")]
RigStartOption = Annotated[
    str | None,
    typer.Option(
        "--start",
        help="Start of the first session, such as 2026-03-02T09:15+01:00. Default: none is stated.",
        show_default=False,
    ),
]
RigSeedOption = Annotated[int, typer.Option("--seed", help="Another seed, other units and captures.")]

# How a field of an error is set on the command line, where that isn't its name with dashes, and which command
# does what a call does; {} stands for the call's quoted arguments, in their order.
_KINDS = ("budget", "limits", "liquid", "mapping", "mounting", "sensor", "tank", "unit")
SPELLED: dict[str, str] = {
    **{f"Store.{kind}(...)": f"'innage {kind} show {{}}'" for kind in _KINDS},
    **{f"Store.add_{kind}": f"'innage {kind} add'" for kind in _KINDS},
    "BundleOptions(...)": "--uses {}",
    "Capture.resume(...)": "'innage capture --resume {} --port ...'",
    "ColumnMapping.counts": "--count",
    "ColumnMapping.temperature": "--temperature",
    "Labelling.temperature_c": "--label-temperature-c",
    "Liquid(density=...)": "'innage liquid add NAME --density-kg-m3 ...'",
    "Liquid(permittivity=...)": "'innage liquid add NAME --permittivity ...'",
    "SerialSource": "--port",
    "Store.add_operator": "'innage operator add'",
    "Store.add_instrument": "'innage instrument add'",
    "Store.add_check_standard": "'innage standard add'",
    "Store.add_mapping": "'innage log ... --save-mapping NAME'",
    "Store.add_tank(...)": "'innage tank add {} --help'",
    "Store.add_trim(...)": "'innage trim add --kind {}'",
    "Releases.move(...)": "'innage channel move {} {} --reason ... --server {}'",
    "Store.move_channel": "'innage channel move'",
    "Store.move_channel(...)": "'innage channel move {} {} --author ... --reason ...'",
    "Store.amend_marks": "'innage mark'",
    "Store.amend_session": "'innage amend'",
    "Store.take_back_check_void": "'innage standard void NAME DATE --take-back --reason ...'",
    "Store.unite_units": "'innage unit same'",
    "Store.take_back_serial": "'innage unit serial NAME --take-back --reason ...'",
    "Store.give_serial": "'innage unit serial'",
    "Store.take_back_retirement(...)": "'innage retire {} {} --take-back --reason ...'",
    "Store.discard_capture(...)": "'innage capture discard {}'",
    "Store.benches()": "'innage unit benches'",
    "Store.budgets()": "'innage budget list'",
    "Store.freeze": "'innage freeze'",
    "Store.frozen_set(...)": "'innage frozen {}'",
    "Store.seal_capture(...)": "'innage capture seal {}'",
    "Store.receipts()": "'innage audit receipts --json'",
    "Store.sessions()": "'innage sessions'",
    "Store.trims()": "'innage trim list'",
    "Store.void(...)": "'innage void {} --reason ...'",
    "freeze(sessions=...)": "--session",
    "air_density": "--air-density-kg-m3",
    "channels": "--count",
    "cylinder": "--cylinder-mm",
    "same_units": "--same-unit",
    "conductivity": "--conductivity-s-m",
    "density": "--density-kg-m3",
    "families": "--family",
    "kelvin": "--band-width-k",
    "levels": "--levels-mm",
    "store_path": "--store",
    "innage.train": "'innage train'",
    "integrity.check": "'innage check'",
    "upgrade_store": "'innage store upgrade'",
    "backup.restore": "'innage restore'",
    "limits_text.DEFAULT_TOML": "'innage limits default'",
    "liquids.COMMON": "'innage liquid common'",
    "start": "--from",
    "started": "--start",
    "benches": "--bench",
    "firmware": "--board-firmware",
    "stop": "--to",
    "wetness": "--foam-wetness",
}


def option_of(field: str) -> str:
    """How a field or a call that an error names is put on the command line: ``edges_c`` and
    ``TemperatureBands.edges_c`` are ``--edges-c``, ``replace=True`` is ``--replace``, ``header=False`` is
    ``--no-header``; else as in :data:`SPELLED`.
    """
    called, _, arguments = field.partition("(")
    spelled = SPELLED.get(field) or SPELLED.get(f"{called}(...)")
    if spelled is not None:
        known = re.findall(r"'([^']*)'", arguments)
        return spelled.format(*known, *["..."] * spelled.count("{}"))  # a call may not say them all
    option = field.rpartition(".")[2].removesuffix("=True").replace("_", "-")
    return f"--no-{option.removesuffix('=False')}" if option.endswith("=False") else f"--{option}"


def open_store(path: Place) -> Store:
    """Open the store at ``path``; a file is made when it does not exist."""
    from dataset.store import Store

    return Store.open(path)


def open_reading(path: Place) -> Store:
    """As :func:`open_store`, for a command that only reads what a list, a count or a plan needs: quicker."""
    from dataset.store.reading.quick import open_reading

    return open_reading(path)


def open_existing(path: Place, users: int = USERS) -> Store:
    """Open the store at ``path``, for so many threads; InputError when there is none."""
    from dataset.errors import InputError
    from dataset.store import Store

    if not isinstance(path, Address) and not path.is_file():
        raise InputError(str(path), "is no store", "a store that exists")
    return Store.open(path, users=users)


def compared_store(named: Place | None) -> Place | None:
    """The store that is compared with: the one that is named, else that of the working folder; None where
    there is none.
    """
    return STORE_HERE if named is None and STORE_HERE.is_file() else named


def columns_of(
    mapping: str | None,
    counts: Sequence[str] | None,
    time: str | None,
    time_unit: TimeUnit,
    *,
    temperature: str | None,
    delimiter: str | None,
    header: bool,
    encoding: str | None = None,
) -> ColumnMapping | str:
    """The columns of a field log that options name, without counts where none are named, or the name of a
    saved mapping; InputError for both.
    """
    from dataset.errors import InputError
    from dataset.records import ColumnMapping
    from innage.jobs.batch.statements import delimiter_of

    if mapping is None:
        return ColumnMapping(
            name="columns",
            counts=tuple(counts or ()),
            time=time,
            time_unit=time_unit,
            temperature=temperature,
            delimiter=delimiter_of(delimiter),
            header=header,
            encoding=encoding,
        )
    given = {
        "--count": counts,
        "--time": time,
        "--temperature": temperature,
        "--delimiter": delimiter,
        "--encoding": encoding,
        "--no-header": not header,
    }
    clash = [option for option, value in given.items() if value]
    if clash:
        raise InputError("--mapping", f"{mapping}, and {', '.join(clash)} beside it", "one or the other")
    return mapping


def levels_of(text: str) -> tuple[float, ...]:
    """The levels in mm that ``--levels-mm`` lists."""
    from dataset.errors import InputError
    from dataset.values import plain_float

    try:
        return tuple(plain_float(level) for level in text.split(","))
    except ValueError as error:
        raise InputError(
            "--levels-mm", repr(text), "levels in mm with commas between, such as 0,10,20"
        ) from error
