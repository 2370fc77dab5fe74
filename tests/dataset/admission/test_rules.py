"""Records that cannot be are refused on import, with what was found and what was expected."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dataset.admission import rules
from dataset.errors import InputError
from dataset.records import (
    Budget,
    ColumnMapping,
    CountLaw,
    Frames,
    Limit,
    Limits,
    Liquid,
    Mark,
    Mounting,
    NewSession,
    Pad,
    PadRole,
    Sensor,
    Source,
    Tank,
    Unit,
)
from dataset.tanks.profile import Profile, to_json
from dataset.tanks.shapes import Box

NAN, INF = float("nan"), float("inf")
BOX = to_json(Profile((Box(100.0, 50.0, 110.0),)))
TANK = Tank("can", 1, 100.0)
LIQUID = Liquid("water", 80.0, 0.05, 998.0, 20.0)
PADS = (Pad(0, "a", 0.0, 50.0), Pad(1, "b", 50.0, 50.0))
SENSOR = Sensor("strip", 1, PADS, 16, CountLaw.RISES, 100)
MOUNTING = Mounting("m", TANK, SENSOR)
BUDGET = Budget("small", "cortex-m0plus", 32, 1536, 64, 128, 2000)
LIMITS = Limits("signed", 1, (Limit("rmse_mm", 1.0), Limit("rmse_mm", 2.0, "foam", 0.95, 3)))
MAPPING = ColumnMapping("tidy", ("a", "b"), "t")
FRAMES = Frames(np.arange(20) * 100, np.zeros((20, 2), np.uint32))
SESSION = NewSession(
    Unit("u"), LIQUID, MOUNTING, FRAMES, (Mark(0, 5, 0.0), Mark(5, 20, 100.0, 0.0)), Source("x.csv", "0" * 64)
)


def test_good_records_pass() -> None:
    """The records that the refusals below start from are themselves accepted."""
    rules.check_tank(TANK)
    rules.check_liquid(LIQUID)
    rules.check_liquid(Liquid("unknown"))
    rules.check_liquid(Liquid("tap", model="water"))
    rules.check_tank(replace(TANK, profile=BOX, headspace_mm=10.0, expansion_per_k=1e-4, reference_c=20.0))
    rules.check_sensor(SENSOR)
    rules.check_sensor(
        replace(
            SENSOR, pads=tuple(replace(PADS[0], channel=k, frequency_hz=f) for k, f in enumerate((1e5, 1e6)))
        )
    )
    rules.check_mounting(MOUNTING)
    rules.check_unit(Unit("0.5-mm_board"))
    rules.check_budget(BUDGET)
    rules.check_limits(LIMITS)
    rules.check_mapping(MAPPING)
    rules.check_session(SESSION)


@pytest.mark.parametrize("name", ["", "a@2", "a b", "-a", ".a", "a/b", "a\n", "ä", "x" * 61, "a:b"])
def test_names(name: str) -> None:
    """Names are letters, digits, '-', '_' and '.', at most 60 of them; '@' is for revisions."""
    with pytest.raises(InputError, match="name"):
        rules.check_unit(Unit(name))
    rules.check_unit(Unit("x" * 60))


Change = tuple[Callable[[Any], None], Any, dict[str, Any], str]
REFUSED: list[Change] = [
    (rules.check_tank, TANK, {"span_mm": 0.0}, "span: 0; expected more than 0"),
    (rules.check_tank, TANK, {"span_mm": NAN}, "span: nan"),
    (rules.check_tank, TANK, {"wall_mm": 0.0}, "wall thickness"),
    (rules.check_tank, TANK, {"dead_volume_ml": -1.0}, "dead volume"),
    (rules.check_tank, TANK, {"inlet_mm": -1.0}, "inlet height"),
    (rules.check_tank, TANK, {"note": "a\x1b[31m"}, "control character"),
    (rules.check_liquid, LIQUID, {"permittivity": 0.9}, "relative permittivity: 0.9; expected at least 1"),
    (rules.check_liquid, LIQUID, {"conductivity": -0.1}, "conductivity"),
    (rules.check_liquid, LIQUID, {"density": 0.0}, "density"),
    (rules.check_liquid, LIQUID, {"temperature_c": -273.2}, "temperature"),
    (rules.check_sensor, SENSOR, {"pads": ()}, "0 pads"),
    (rules.check_sensor, SENSOR, {"pads": PADS[::-1]}, "channel 1; expected 0: pads come in channel order"),
    (
        rules.check_sensor,
        SENSOR,
        {"pads": (PADS[0], replace(PADS[1], name="a"))},
        "channels 0 and 1 are both pad a with different bottom",
    ),
    (
        rules.check_sensor,
        SENSOR,
        {"pads": (PADS[0], replace(PADS[0], channel=1))},
        "both pad a without a frequency",
    ),
    (
        rules.check_sensor,
        SENSOR,
        {"pads": tuple(replace(PADS[0], channel=k, frequency_hz=1e5) for k in (0, 1))},
        "both pad a without a frequency",
    ),
    (rules.check_liquid, LIQUID, {"model": "wine"}, "model: wine; expected one of water"),
    (rules.check_tank, TANK, {"headspace_mm": -1.0}, "headspace"),
    (rules.check_tank, TANK, {"expansion_per_k": 1e-4}, "expansion or a reference temperature alone"),
    (rules.check_tank, TANK, {"expansion_per_k": 0.1, "reference_c": 20.0}, "expansion: 0.1"),
    (rules.check_tank, TANK, {"profile": "{}"}, "text that holds none"),
    (
        rules.check_tank,
        TANK,
        {"profile": BOX, "span_mm": 110.5},
        "a span of 110.5 mm; expected at most 110 mm",
    ),
    (
        rules.check_tank,
        TANK,
        {"profile": BOX, "headspace_mm": 11.0},
        "span of 100 mm with 11 mm of headspace",
    ),
    (rules.check_tank, TANK, {"profile": BOX, "inlet_mm": 111.0}, "an inlet at 111 mm"),
    (rules.check_sensor, SENSOR, {"pads": (replace(PADS[0], height_mm=0.0),)}, "pad a, height: 0"),
    (rules.check_sensor, SENSOR, {"pads": (replace(PADS[0], bottom_mm=INF),)}, "pad a, bottom: inf"),
    (rules.check_sensor, SENSOR, {"pads": (replace(PADS[0], width_mm=-1.0),)}, "width"),
    (rules.check_sensor, SENSOR, {"pads": (replace(PADS[0], frequency_hz=0.0),)}, "frequency"),
    (
        rules.check_sensor,
        SENSOR,
        {"pads": (replace(PADS[0], role=PadRole.REFERENCE),)},
        "only reference pads",
    ),
    (rules.check_sensor, SENSOR, {"count_bits": 0}, "count bits: 0; expected at least 1 and at most 24"),
    (rules.check_sensor, SENSOR, {"count_bits": 25}, "count bits: 25"),
    (rules.check_sensor, SENSOR, {"period_ms": 0}, "period: 0"),
    (rules.check_sensor, SENSOR, {"period_tolerance_pct": 101}, "period tolerance"),
    (rules.check_mounting, MOUNTING, {"offset_mm": 100.0}, "pads reach from 100 to 200 mm"),
    (rules.check_mounting, MOUNTING, {"offset_mm": -100.0}, "pads reach from -100 to 0 mm"),
    (rules.check_mounting, MOUNTING, {"offset_tolerance_mm": -1.0}, "offset tolerance"),
    (rules.check_budget, BUDGET, {"core": "other"}, "core: other; expected cortex-m0plus"),
    # Arm Cortex-M0+ technical reference manual: MULS takes 1 or 32 cycles, as the implementer chose
    (rules.check_budget, BUDGET, {"multiplier_cycles": 2}, "multiplier cycles: 2; expected 1 .* or 32"),
    (rules.check_budget, BUDGET, {"flash_bytes": 0}, "flash"),
    (rules.check_budget, BUDGET, {"cycles": 0}, "cycles"),
    (rules.check_budget, BUDGET, {"wait_states": -1}, "wait states"),
    (rules.check_limits, LIMITS, {"rows": ()}, "no rows"),
    (
        rules.check_limits,
        LIMITS,
        {"rows": (Limit("rsme_mm", 1.0),)},
        "metric: rsme_mm; expected one of rmse_mm",
    ),
    (rules.check_limits, LIMITS, {"rows": (Limit("withheld_share", 1.1),)}, "bound of withheld_share: 1.1"),
    (
        rules.check_limits,
        LIMITS,
        {"rows": (Limit("rmse_mm", 1.0, or_mm=1.0),)},
        "rmse_mm: or 1 mm; expected millimetres beside a percentage",
    ),
    (
        rules.check_limits,
        LIMITS,
        {"rows": (Limit("p95_pct_span", 1.0, or_mm=-1.0),)},
        "millimetres of p95_pct_span",
    ),
    (rules.check_limits, LIMITS, {"rows": (Limit("rmse_mm", NAN),)}, "bound of rmse_mm: nan"),
    (rules.check_limits, LIMITS, {"rows": (Limit("rmse_mm", 1.0, "all", 1.0),)}, "confidence"),
    (rules.check_limits, LIMITS, {"rows": (Limit("rmse_mm", 1.0, "all", None, 0),)}, "fewest groups"),
    (
        rules.check_limits,
        LIMITS,
        {"rows": (Limit("rmse_mm", 1.0), Limit("rmse_mm", 2.0))},
        "2 rows bound rmse_mm under 'all'",
    ),
    (rules.check_mapping, MAPPING, {"counts": ()}, "no count column"),
    (rules.check_mapping, MAPPING, {"level": "t"}, "column 't' is named 2 times"),
    (rules.check_mapping, MAPPING, {"delimiter": "::"}, "a single character"),
    (rules.check_mapping, MAPPING, {"level_u_mm": -0.1}, "level uncertainty"),
    (
        rules.check_session,
        SESSION,
        {"frames": Frames(np.zeros(0, np.int64), np.zeros((0, 2), np.uint32)), "marks": ()},
        "no frames",
    ),
    (
        rules.check_session,
        SESSION,
        {"frames": replace(FRAMES, counts=FRAMES.counts[:, :1])},
        r"counts of shape \(20, 1\); expected \(20, 2\)",
    ),
    (
        rules.check_session,
        SESSION,
        {"frames": replace(FRAMES, counts=FRAMES.counts + np.uint32(65536))},
        "a count of 65536; expected at most 65535",
    ),
    (
        rules.check_session,
        SESSION,
        {"frames": replace(FRAMES, t_ms=FRAMES.t_ms // 200 * 200)},
        "time does not rise at frame 1",
    ),
    (
        rules.check_session,
        SESSION,
        {"frames": replace(FRAMES, t_ms=FRAMES.t_ms * 2)},
        "median frame period of 200 ms",
    ),
    (rules.check_session, SESSION, {"frames": replace(FRAMES, temperature_c=np.full(20, INF))}, "infinite"),
    (
        rules.check_session,
        SESSION,
        {"frames": replace(FRAMES, temperature_c=np.zeros(19))},
        "not one a frame",
    ),
    (
        rules.check_session,
        SESSION,
        {"marks": (Mark(0, 21, 1.0),)},
        "frames 0 to 21; expected marks in order, apart, within 0 to 20",
    ),
    (rules.check_session, SESSION, {"marks": (Mark(5, 5, 1.0),)}, "frames 5 to 5"),
    (rules.check_session, SESSION, {"marks": (Mark(0, 5, 1.0), Mark(4, 6, 1.0))}, "frames 4 to 6"),
    (
        rules.check_session,
        SESSION,
        {"marks": (Mark(0, 5, 100.5),)},
        "level of frame 0: 100.5; expected at least 0 and at most 100",
    ),
    (
        rules.check_session,
        SESSION,
        {"marks": (Mark(0, 5, 1.0, -0.1),)},
        "uncertainty of the level of frame 0",
    ),
]


@pytest.mark.parametrize(
    ("check", "record", "change", "sentence"), REFUSED, ids=[f"{r[0].__name__}-{r[3][:25]}" for r in REFUSED]
)
def test_refusals(check: Callable[[Any], None], record: Any, change: dict[str, Any], sentence: str) -> None:
    """One wrong fact is enough, and the sentence names it."""
    with pytest.raises(InputError, match=sentence):
        check(replace(record, **change))


def test_a_mounting_need_only_touch_the_span() -> None:
    """A sensor that begins below the datum or ends above the span is accepted; a reference pad beside the
    span does not count.
    """
    rules.check_mounting(replace(MOUNTING, offset_mm=99.0))
    rules.check_mounting(replace(MOUNTING, offset_mm=-99.0))
    sensor = replace(SENSOR, pads=(PADS[0], replace(PADS[1], bottom_mm=150.0, role=PadRole.LEVEL)))
    rules.check_mounting(Mounting("m", TANK, sensor))
    with pytest.raises(InputError, match="reach from 150 to 200"):
        rules.check_mounting(
            Mounting(
                "m", TANK, replace(sensor, pads=(replace(PADS[0], role=PadRole.REFERENCE), sensor.pads[1]))
            )
        )
