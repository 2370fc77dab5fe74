"""The form of a manifest: every entry that an export writes, and what it may hold."""

from __future__ import annotations

from collections.abc import Iterable

from dataset.words import GroupBy, ModelStatus, Role, TrimKind
from export.bundle.forms import (
    Form,
    by_name,
    each,
    flag,
    maybe,
    number,
    object_of_figures,
    record,
    text,
    whole,
)
from export.c.extras import INTERFACES, USES
from export.c.kernels import TIERS
from export.compilers.core_build import OPTIMISE
from export.identity import GATE_BITS
from export.vectors import MOST_SETTLING, MOST_VECTORS, STREAM_FRAMES
from training.program import FORMAT, INT32_MAX, LEVEL_UNITS_PER_MM
from training.program.model import GIVEN, REASON_NAMES

_LAST_SEED = 2**32 - 1  # the greatest that numpy takes
_MOST_SHIFT, _MOST_VOLUMES = 24, 4096  # far above any table of volumes


def _one_of(words: Iterable[str]) -> Form:
    return text("|".join(str(word) for word in words))


_WORD = text(r"[^\x00-\x1f\x7f]{0,200}")
VERSION = "[0-9A-Za-z][0-9A-Za-z.+!_-]{0,39}"
_INSTANT = text(r"[0-9T:.+Z-]{10,40}")
_HASH, _VERSION = text("[0-9a-f]{64}"), text(VERSION)
_VERSIONS = by_name(_VERSION, text("[A-Za-z0-9][A-Za-z0-9._-]{0,60}"))
_FILES = by_name(_HASH)
_SOURCE = record({"file": _WORD, "sha256": _HASH})
_SESSION = record(
    {
        "id": _WORD,
        "sha256": _HASH,
        "unit": _WORD,
        "liquid": _WORD,
        "mounting": _WORD,
        "tank": _WORD,
        "sensor": _WORD,
        "frames": whole(),
        "marks_sha256": maybe(_HASH),
        "simulated": flag,
        "source": _SOURCE,
        "void": maybe(text()),
    },
    {"group": _WORD, "started": _INSTANT},
)
_TRIM = record(
    {
        "unit": _WORD,
        "mounting": _WORD,
        "kind": _one_of(TrimKind),
        "date": _WORD,
        "stage": _WORD,
        "session": maybe(_WORD),
        "sha256": _HASH,
    }
)
_LIMIT = record(
    {
        "metric": _WORD,
        "bound": number(),
        "condition": _WORD,
        "confidence": maybe(number(0, 1)),
        "min_groups": whole(),
        "or_mm": maybe(number()),
    }
)
_LIMITS = record(
    {"name": _WORD, "revision": whole(), "rows": each(_LIMIT), "note": text(), "signer": maybe(_WORD)}
)
_BUDGET = record(
    {
        "name": _WORD,
        "core": _WORD,
        "note": text(),
        **dict.fromkeys(
            (
                "multiplier_cycles",
                "flash_bytes",
                "ram_bytes",
                "stack_bytes",
                "cycles",
                "wait_states",
                "clock_hz",
                "frame_period_ms",
            ),
            whole(),
        ),
    }
)
_LINE = record(
    {"resource": _WORD, "used": whole(), "allowed": whole(), "bound": maybe(whole()), "within": flag}
)
_COST = record(
    {
        "core": _WORD,
        "basis": text(),
        "optimise": _one_of(OPTIMISE),
        "kernels": _one_of(TIERS),
        "assembly": flag,
        "cycles_mean": number(0),
        "lines": each(_LINE, 16),
        **dict.fromkeys(
            (
                "flash_code",
                "flash_tables",
                "flash_helpers",
                "ram",
                "ram_state",
                "ram_prepared",
                "ram_scratch",
                "stack",
                "cycles",
                "prepare_cycles",
                "selftest_cycles",
                "slice_bytes",
            ),
            whole(),
        ),
        **dict.fromkeys(("stack_bound", "cycles_bound", "prepare_bound", "selftest_bound"), maybe(whole())),
    },
    {  # not in format 2
        "slice_known": flag,
        "known_cycles": whole(),
        "known_bound": maybe(whole()),
        "ram_selftest": whole(),
        "uses": each(_one_of(USES), len(USES)),
        "interfaces": by_name(whole(), _one_of(("leanest", *INTERFACES))),
        "compiler": _WORD,
    },
)
_VOLUME = record(
    {
        "tank": _WORD,
        "shift": whole(1, _MOST_SHIFT),
        "values": each(whole(0, INT32_MAX), _MOST_VOLUMES),
        "error_ml": number(0),
    }
)
_MODEL = record(
    {
        "name": _WORD,
        "sha256": _HASH,
        "model_id": text("0x[0-9a-f]{8}"),
        "program_format": whole(1, FORMAT),
        "parent": maybe(_WORD),
        "float_onnx_sha256": _HASH,
    },
    {"content_sha256": _HASH},  # not in format 2
)
_STATUS = record({"status": _one_of(ModelStatus), "author": text(), "reason": text()})
_UNITS = record(
    {
        "level_units_per_mm": whole(LEVEL_UNITS_PER_MM, LEVEL_UNITS_PER_MM),
        "span_mm": number(0),
        "period_ms": whole(1),
    }
)
_FROZEN = record(
    {
        "name": _WORD,
        "sha256": _HASH,
        "group_by": _one_of(GroupBy),
        "seed": maybe(whole()),
        "roles": by_name(_one_of(Role), _WORD),
    },
    {"edges_c": each(number(), 1000)},
)
_MEMBER = record({"name": _WORD, "type": _WORD, "shape": each(whole(), 2), "offset": whole()})
_STRUCT = record({"size": whole(), "members": each(_MEMBER, 4096)})
_LAYOUT = record(dict.fromkeys(("state", "prepared", "scratch", "reading"), _STRUCT))
_C = record(
    {"kernels": _one_of(TIERS), "assembly": flag, "volume": maybe(_VOLUME)},
    {  # not in format 2
        "fast_crc": flag,
        "memory_check": flag,
        "layout": _LAYOUT,
        "gates": each(_one_of(GATE_BITS), len(GATE_BITS)),
        "limits_sha256": maybe(_HASH),
    },
)

_SIDES = {"sides": whole(), "visited": whole(), "unvisited": each(_WORD, 100)}
_INNER = record({**_SIDES, "floor": number(0, 1), "below_floor": flag})
_BRANCH = record({"says": _WORD, "frames": whole()})
_EXCERPT = record(
    {
        "session": _HASH,
        "first": whole(),
        "frames": whole(1, STREAM_FRAMES + MOST_SETTLING),
        "trims": each(_HASH, len(TrimKind)),
    }
)
_VISITED = record(
    {"frames": whole(), "branches": each(_BRANCH, 32), "decisions": record(_SIDES), "inner": _INNER}
)

_REASONS = tuple(name for code, name in REASON_NAMES.items() if code != GIVEN)
_NAMES = each(_WORD, 100)
_SCORE = record(
    {
        **dict.fromkeys(("tried", "breaks", "seed", "frames", "reference_seed"), whole()),
        "lines": each(
            record(
                {
                    "evidence": _one_of(("vectors", "self-test")),
                    "of": _WORD,
                    "noticed": whole(),
                    "counting": whole(),
                    "lower_bound": maybe(number(0, 1)),
                    "goal": maybe(number(0, 1)),
                }
            ),
            16,
        ),
        "unseen": record({"vectors": _NAMES, "self-test": _NAMES}),
    }
)

_FAULTS = record(
    {
        "rows": each(
            record(
                {
                    "kind": _WORD,
                    **dict.fromkeys(
                        (
                            "places",
                            "episodes",
                            "units",
                            "frames",
                            "altered",
                            "harmless",
                            "flagged",
                            "silent",
                            "too_high",
                            "noticed",
                            "wrong",
                            "unnoticed",
                            "refused",
                        ),
                        whole(),
                    ),
                    "withheld": record(dict.fromkeys(_REASONS, whole())),
                    "upper_bound_95": maybe(number(0, 1)),
                    "longest_silent_s": number(0),
                    "most_pct": maybe(number(0)),
                }
            ),
            64,
        ),
        "left_out": by_name(_WORD, _WORD),
        "roles": each(_one_of(Role), len(Role)),
        "units": whole(),
        "sessions": whole(),
        "bound_pct": number(0, 100),
        "seed": whole(),
    }
)

MANIFEST_FORM: Form = record(
    {
        "format": whole(),
        "innage": _VERSION,
        "caution": text(),
        "origin": _one_of(("measured", "simulated", "partly simulated")),
        "model": _MODEL,
        "units": _UNITS,
        "frozen_set": _FROZEN,
        "sessions": each(_SESSION),
        "trims": each(_TRIM),
        "limits": maybe(_LIMITS),
        "budget": _BUDGET,
        "cost": maybe(_COST),
        "recipe": object_of_figures,
        "libraries": _VERSIONS,
        "tools": _VERSIONS,
        "metrics": object_of_figures,
        "prefix": text("[a-z][a-z0-9_]{0,30}"),
        "c": _C,
        "vectors": record(
            {"count": whole(1, MOST_VECTORS), "seed": whole(0, _LAST_SEED)},
            {
                "visited": _VISITED,
                "made_only": flag,
                "excerpts": each(_EXCERPT, MOST_VECTORS),
            },  # not in format 2
        ),
        "files": _FILES,
        "bundle_sha256": _HASH,
    },
    {
        "float_onnx": maybe(record({"fills": whole(1), "median_mm": number(0), "most_mm": number(0)})),
        "unproven": each(text()),
        "score": maybe(_SCORE),
        "faults": maybe(_FAULTS),
        "readme": whole(1, 2),  # its form; none: the first
        "uneven_spans_mm": by_name(number(0), _WORD),  # where tanks differ in height
        "status": _STATUS,  # of a model that was exported although it was retired
        "manifest_sha256": _HASH,  # of format 2, which has none of those before
    },
)
