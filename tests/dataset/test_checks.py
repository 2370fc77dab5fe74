"""Records that cannot be are refused at the door, with what was found and what was expected."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dataset import checks
from dataset.errors import InputError
from dataset.profile_shapes import Box
from dataset.profiles import Profile, to_json
from dataset.records import Budget, ColumnMapping, CountLaw, Frames, Limit, Limits, Liquid, Mark, Mounting, NewSession, Pad, PadRole, Sensor, Source, Tank, Unit

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
SESSION = NewSession(Unit("u"), LIQUID, MOUNTING, FRAMES, (Mark(0, 5, 0.0), Mark(5, 20, 100.0, 0.0)), Source("x.csv", "0" * 64))


def test_good_records_pass() -> None:
    """The records that the refusals below start from are themselves accepted."""
    checks.check_tank(TANK)
    checks.check_liquid(LIQUID)
    checks.check_liquid(Liquid("unknown"))
    checks.check_liquid(Liquid("tap", model="water"))
    checks.check_tank(replace(TANK, profile=BOX, headspace_mm=10.0, expansion_per_k=1e-4, reference_c=20.0))
    checks.check_sensor(SENSOR)
    checks.check_sensor(replace(SENSOR, pads=tuple(replace(PADS[0], channel=k, frequency_hz=f) for k, f in enumerate((1e5, 1e6)))))
    checks.check_mounting(MOUNTING)
    checks.check_unit(Unit("0.5-mm_board"))
    checks.check_budget(BUDGET)
    checks.check_limits(LIMITS)
    checks.check_mapping(MAPPING)
    checks.check_session(SESSION)


@pytest.mark.parametrize("name", ["", "a@2", "a b", "-a", ".a", "a/b", "a\n", "ä", "x" * 61, "a:b"])
def test_names(name: str) -> None:
    """Names are letters, digits, '-', '_' and '.', at most 60 of them; '@' is for revisions."""
    with pytest.raises(InputError, match="name"):
        checks.check_unit(Unit(name))
    checks.check_unit(Unit("x" * 60))


Change = tuple[Callable[[Any], None], Any, dict[str, Any], str]
REFUSED: list[Change] = [
    (checks.check_tank, TANK, {"span_mm": 0.0}, "span: 0; expected more than 0"),
    (checks.check_tank, TANK, {"span_mm": NAN}, "span: nan"),
    (checks.check_tank, TANK, {"wall_mm": 0.0}, "wall thickness"),
    (checks.check_tank, TANK, {"dead_volume_ml": -1.0}, "dead volume"),
    (checks.check_tank, TANK, {"inlet_mm": -1.0}, "inlet height"),
    (checks.check_tank, TANK, {"note": "a\x1b[31m"}, "control character"),
    (checks.check_liquid, LIQUID, {"permittivity": 0.9}, "relative permittivity: 0.9; expected at least 1"),
    (checks.check_liquid, LIQUID, {"conductivity": -0.1}, "conductivity"),
    (checks.check_liquid, LIQUID, {"density": 0.0}, "density"),
    (checks.check_liquid, LIQUID, {"temperature_c": -273.2}, "temperature"),
    (checks.check_sensor, SENSOR, {"pads": ()}, "0 pads"),
    (checks.check_sensor, SENSOR, {"pads": PADS[::-1]}, "channel 1; expected 0: pads come in channel order"),
    (checks.check_sensor, SENSOR, {"pads": (PADS[0], replace(PADS[1], name="a"))}, "channels 0 and 1 are both pad a with different bottom"),
    (checks.check_sensor, SENSOR, {"pads": (PADS[0], replace(PADS[0], channel=1))}, "both pad a without a frequency"),
    (checks.check_sensor, SENSOR, {"pads": tuple(replace(PADS[0], channel=k, frequency_hz=1e5) for k in (0, 1))}, "both pad a without a frequency"),
    (checks.check_liquid, LIQUID, {"model": "wine"}, "model: wine; expected one of water"),
    (checks.check_tank, TANK, {"headspace_mm": -1.0}, "headspace"),
    (checks.check_tank, TANK, {"expansion_per_k": 1e-4}, "expansion or a reference temperature alone"),
    (checks.check_tank, TANK, {"expansion_per_k": 0.1, "reference_c": 20.0}, "expansion: 0.1"),
    (checks.check_tank, TANK, {"profile": "{}"}, "text that holds none"),
    (checks.check_tank, TANK, {"profile": BOX, "span_mm": 110.5}, "a span of 110.5 mm; expected at most 110 mm"),
    (checks.check_tank, TANK, {"profile": BOX, "headspace_mm": 11.0}, "span of 100 mm with 11 mm of headspace"),
    (checks.check_tank, TANK, {"profile": BOX, "inlet_mm": 111.0}, "an inlet at 111 mm"),
    (checks.check_sensor, SENSOR, {"pads": (replace(PADS[0], height_mm=0.0),)}, "pad a, height: 0"),
    (checks.check_sensor, SENSOR, {"pads": (replace(PADS[0], bottom_mm=INF),)}, "pad a, bottom: inf"),
    (checks.check_sensor, SENSOR, {"pads": (replace(PADS[0], width_mm=-1.0),)}, "width"),
    (checks.check_sensor, SENSOR, {"pads": (replace(PADS[0], frequency_hz=0.0),)}, "frequency"),
    (checks.check_sensor, SENSOR, {"pads": (replace(PADS[0], role=PadRole.REFERENCE),)}, "only reference pads"),
    (checks.check_sensor, SENSOR, {"count_bits": 0}, "count bits: 0; expected at least 1 and at most 24"),
    (checks.check_sensor, SENSOR, {"count_bits": 25}, "count bits: 25"),
    (checks.check_sensor, SENSOR, {"period_ms": 0}, "period: 0"),
    (checks.check_sensor, SENSOR, {"period_tolerance_pct": 101}, "period tolerance"),
    (checks.check_mounting, MOUNTING, {"offset_mm": 100.0}, "pads reach from 100 to 200 mm"),
    (checks.check_mounting, MOUNTING, {"offset_mm": -100.0}, "pads reach from -100 to 0 mm"),
    (checks.check_mounting, MOUNTING, {"offset_tolerance_mm": -1.0}, "offset tolerance"),
    (checks.check_budget, BUDGET, {"core": "other"}, "core: other; expected cortex-m0plus"),
    # Arm Cortex-M0+ technical reference manual: MULS takes 1 or 32 cycles, as the implementer chose
    (checks.check_budget, BUDGET, {"multiplier_cycles": 2}, "multiplier cycles: 2; expected 1 .* or 32"),
    (checks.check_budget, BUDGET, {"flash_bytes": 0}, "flash"),
    (checks.check_budget, BUDGET, {"cycles": 0}, "cycles"),
    (checks.check_budget, BUDGET, {"wait_states": -1}, "wait states"),
    (checks.check_limits, LIMITS, {"rows": ()}, "no rows"),
    (checks.check_limits, LIMITS, {"rows": (Limit("rsme_mm", 1.0),)}, "metric: rsme_mm; expected one of rmse_mm"),
    (checks.check_limits, LIMITS, {"rows": (Limit("withheld_share", 1.1),)}, "bound of withheld_share: 1.1"),
    (checks.check_limits, LIMITS, {"rows": (Limit("rmse_mm", 1.0, or_mm=1.0),)}, "rmse_mm: or 1 mm; expected millimetres beside a percentage"),
    (checks.check_limits, LIMITS, {"rows": (Limit("p95_pct_span", 1.0, or_mm=-1.0),)}, "millimetres of p95_pct_span"),
    (checks.check_limits, LIMITS, {"rows": (Limit("rmse_mm", NAN),)}, "bound of rmse_mm: nan"),
    (checks.check_limits, LIMITS, {"rows": (Limit("rmse_mm", 1.0, "all", 1.0),)}, "confidence"),
    (checks.check_limits, LIMITS, {"rows": (Limit("rmse_mm", 1.0, "all", None, 0),)}, "fewest groups"),
    (checks.check_limits, LIMITS, {"rows": (Limit("rmse_mm", 1.0), Limit("rmse_mm", 2.0))}, "2 rows bound rmse_mm under 'all'"),
    (checks.check_mapping, MAPPING, {"counts": ()}, "no count column"),
    (checks.check_mapping, MAPPING, {"level": "t"}, "column 't' is named 2 times"),
    (checks.check_mapping, MAPPING, {"delimiter": "::"}, "a single character"),
    (checks.check_mapping, MAPPING, {"level_u_mm": -0.1}, "level uncertainty"),
    (checks.check_session, SESSION, {"frames": Frames(np.zeros(0, np.int64), np.zeros((0, 2), np.uint32)), "marks": ()}, "no frames"),
    (checks.check_session, SESSION, {"frames": replace(FRAMES, counts=FRAMES.counts[:, :1])}, r"counts of shape \(20, 1\); expected \(20, 2\)"),
    (checks.check_session, SESSION, {"frames": replace(FRAMES, counts=FRAMES.counts + np.uint32(65536))}, "a count of 65536; expected at most 65535"),
    (checks.check_session, SESSION, {"frames": replace(FRAMES, t_ms=FRAMES.t_ms // 200 * 200)}, "time does not rise at frame 1"),
    (checks.check_session, SESSION, {"frames": replace(FRAMES, t_ms=FRAMES.t_ms * 2)}, "median frame period of 200 ms"),
    (checks.check_session, SESSION, {"frames": replace(FRAMES, temperature_c=np.full(20, INF))}, "infinite"),
    (checks.check_session, SESSION, {"frames": replace(FRAMES, temperature_c=np.zeros(19))}, "not one a frame"),
    (checks.check_session, SESSION, {"marks": (Mark(0, 21, 1.0),)}, "frames 0 to 21; expected marks in order, apart, within 0 to 20"),
    (checks.check_session, SESSION, {"marks": (Mark(5, 5, 1.0),)}, "frames 5 to 5"),
    (checks.check_session, SESSION, {"marks": (Mark(0, 5, 1.0), Mark(4, 6, 1.0))}, "frames 4 to 6"),
    (checks.check_session, SESSION, {"marks": (Mark(0, 5, 100.5),)}, "level of frame 0: 100.5; expected at least 0 and at most 100"),
    (checks.check_session, SESSION, {"marks": (Mark(0, 5, 1.0, -0.1),)}, "uncertainty of the level of frame 0"),
]


@pytest.mark.parametrize(("check", "record", "change", "sentence"), REFUSED, ids=[f"{r[0].__name__}-{r[3][:25]}" for r in REFUSED])
def test_refusals(check: Callable[[Any], None], record: Any, change: dict[str, Any], sentence: str) -> None:
    """One wrong fact is enough, and the sentence names it."""
    with pytest.raises(InputError, match=sentence):
        check(replace(record, **change))


def test_a_mounting_need_only_touch_the_span() -> None:
    """A sensor that begins below the datum or ends above the span is accepted; a reference pad beside the span does not count."""
    checks.check_mounting(replace(MOUNTING, offset_mm=99.0))
    checks.check_mounting(replace(MOUNTING, offset_mm=-99.0))
    sensor = replace(SENSOR, pads=(PADS[0], replace(PADS[1], bottom_mm=150.0, role=PadRole.LEVEL)))
    checks.check_mounting(Mounting("m", TANK, sensor))
    with pytest.raises(InputError, match="reach from 150 to 200"):
        checks.check_mounting(Mounting("m", TANK, replace(sensor, pads=(replace(PADS[0], role=PadRole.REFERENCE), sensor.pads[1]))))
