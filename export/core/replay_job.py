"""The driver that runs many frames in one call, and the job it takes: its members stand in one table, from
which the C that reads them is generated and by which Python writes them.
"""

from __future__ import annotations

import functools
import struct
from collections.abc import Mapping

from export.c.text import fill, template
from export.compilers.core_build import compile_alone
from export.cores import Core

# Each member by name, as C declares it: all of 32 bits on a core, in the order in which they lie.
_JOB: Mapping[str, str] = {
    "init": "void (*init)(void *state)",
    "prepare": "bool (*prepare)(void *prepared, const void *trim)",
    "step": (
        "uint8_t (*step)(void *state, const void *prepared, void *scratch, const void *counts, "
        "int16_t temperature, uint32_t faults,@since_pour@ void *reading)"
    ),
    "state": "void *state",
    "prepared": "void *prepared",
    "scratch": "void *scratch",
    "reading": "void *reading",
    "trims": "const uint8_t *trims",
    "counts": "const uint8_t *counts",
    "temperatures": "const int32_t *temperatures",
    "faults": "const uint32_t *faults",
    "pours": "const int32_t *pours",
    "out": "uint32_t *out",
    "frames": "uint32_t frames",
    "stream_frames": "uint32_t stream_frames",
    "trim_bytes": "uint32_t trim_bytes",
    "counts_bytes": "uint32_t counts_bytes",
    "reading_words": "uint32_t reading_words",
    "state_words": "uint32_t state_words",
    "scratch_words": "uint32_t scratch_words",
}


def packed_job(values: Mapping[str, int]) -> bytes:
    """The bytes of a job in a core's memory. KeyError for a member without a value, or a value without a
    member.
    """
    if odd := values.keys() ^ _JOB.keys():
        raise KeyError(*sorted(odd))
    return struct.pack(f"<{len(_JOB)}I", *(values[name] for name in _JOB))


def driver_source(*, told: bool = False) -> str:
    """The C of the driver; ``told``: of a step that takes the seconds since the last pour."""
    gaps = {"since_pour": " int32_t since_pour,", "pour": " job->pours[k],"}
    gaps = gaps if told else dict.fromkeys(gaps, "")
    members = "\n".join(f"    {text};" for text in _JOB.values())
    return fill(template("replay.c"), gaps | {"job_members": fill(members, gaps)})


@functools.cache
def driver_code(core: Core, *, told: bool = False) -> bytes:
    """The driver's machine code, compiled once for each core and each kind of step."""
    return compile_alone(core, driver_source(told=told), "replay")
