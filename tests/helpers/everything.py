"""A bench with one or more of every kind of object that stores exchange."""

from __future__ import annotations

from dataclasses import replace

from building import TANK, bench_store, make_frames
from dataset.documents import name_of
from dataset.records import (
    BoardMeasurement,
    Budget,
    CheckMeasurement,
    CheckStandard,
    ColumnMapping,
    Conditions,
    DoorWarning,
    Flow,
    GroupBy,
    Instrument,
    InstrumentKind,
    Limit,
    Limits,
    Mark,
    Model,
    ModelStatus,
    Occasion,
    Operator,
    Restatement,
    Role,
    StandardKind,
    Stretch,
    Trim,
    TrimKind,
    Unit,
)
from dataset.store import Store

PROGRAM = '{"format":1}'


def fill(store: Store, seed: int) -> None:
    """Everything of a bench; with another seed other sessions, sets and models, on places alike."""
    store.add_operator(Operator("ab", "who captures"))
    scale = store.add_instrument(Instrument("scale", InstrumentKind.SCALE, "2026-01-01", 0.2, 2.0))
    store.add_tank(replace(TANK, note="an older one"))
    bench = bench_store(store, unit=("unit1", "spare", "twin"))
    serial = store.add_unit(Unit(f"board{seed}", "with a number", f"04{seed}"))
    block = store.add_check_standard(CheckStandard("block", StandardKind.BLOCK, bench.sensor))
    store.add_check_measurement(CheckMeasurement(block, "2026-01-02", (40000.0, 41000.5), 20.0, 50, "ab"))
    store.add_check_measurement(CheckMeasurement(block, "2026-01-03", (4000.0, 41000.5), 20.0, 50, "ab"))
    store.void_check_measurement(block, "2026-01-03", "a digit too few")
    store.add_instrument(Instrument("probe", InstrumentKind.THERMOMETER, "2026-01-01", 0.1))
    store.retire("instrument", "probe", "its cable broke")
    store.add_budget(Budget("small", "cortex-m0plus", 1, 1536, 64, 128, 2000))
    store.add_mapping(ColumnMapping(f"tidy{seed}", ("a", "b"), "t"))
    bounds = Limits("signed", 0, (Limit("rmse_mm", 1.0 + seed),), "why")
    store.add_limits(bounds)
    signed = store.add_limits(replace(bounds, signer="A. Owner"))
    store.retire("unit", "spare", "it leaks")
    store.take_back_retirement("unit", "spare", "it was the hose")
    store.unite_units("spare", "twin", "one board, registered twice")
    store.retire("tank", "canister@1", "worn out")
    first, second, third = store.add_sessions(
        [
            replace(
                bench.session(seed, frames=make_frames(seed, 60, warm=True), note="day 1"),
                stretches=(Stretch(0, 10, Conditions(flow=Flow.STATIC, foam_mm=(1.0, 2.0))),),
                warnings=(DoorWarning("noise", "a lot"),),
                occasion=Occasion("ab", store.bench().identity, "2026-01-02T08:00:00+00:00", "1.2"),
                instruments=(name_of(scale),),
                tags=("early",),
                simulated=True,
            ),
            replace(bench.session(seed + 10, unit=serial), simulated=True),
            replace(bench.session(seed + 20), simulated=True),
        ]
    )
    store.untag([first.id], ["early"], "ab")
    store.tag([second.id], ["kept"])
    store.void(third.id, "the hose came off")
    store.take_back_void(third.id, "it was another one")
    store.void(third.id, "it was this one")
    store.amend_session(second.id, Restatement(firmware="1.4"), "A. Bench", "read off the board")
    store.amend_marks(second.id, (Mark(0, 10, 16.0),), "A. Bench", "read off wrongly")
    store.add_trim(Trim(serial, bench.mounting, TrimKind.FULL, (40000, 40000), "2026-01-03", "line", 20.0))
    frozen = store.freeze(
        f"set{seed}",
        [first, second],
        GroupBy.UNIT,
        {"unit1": Role.FIT, f"board{seed}": Role.PROVE},
        7,
        even_if_warned="for the tests",
    )
    store.open_prove(frozen, "train")
    store.open_prove(frozen, "look again")
    texts = ('{"seed":0}', '{"numpy":"2"}', "{}", PROGRAM)
    parent = store.add_model(Model(f"m{seed}", "a" * 64, frozen, signed, *texts, b"\x08\x0a"))
    store.add_model(replace(parent, name=f"n{seed}", parent=parent.name, date="2026-02-03"))
    store.set_status(parent.name, ModelStatus.CANDIDATE, "A. Owner", "to be tried")
    store.add_export(parent, f"{seed}" * 64, {"innage.c": "c" * 64})
    words = ("board", "", "a compiler", "size")
    store.add_board_measurement(
        BoardMeasurement(parent.name, f"{seed}" * 64, *words, 0, 100, 9000, 8000.5, None, 180)
    )
