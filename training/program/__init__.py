"""Programs: operations, ranges, interpreter and text form. Light to import: numpy only."""

from training.program.builder import Builder
from training.program.interpreter import Readings, initial_state, prepare, run, step
from training.program.layers import running_range
from training.program.model import (
    EMPTY,
    FLAG_BITS,
    FORMAT,
    LEVEL_UNITS_PER_MM,
    NO_LEVEL,
    NO_TEMPERATURE,
    OUTPUTS,
    TEMPERATURE_RANGE,
    VALID,
    VALIDITY_NAMES,
    WITHHELD,
    Node,
    Program,
    State,
    flag_names,
)
from training.program.ops import INT32_MAX, INT32_MIN, Array, Attributes, Interval, matrix, scalar, vector
from training.program.ranges import OPS, analyse
from training.program.rounding import shift_round, shift_round_int
from training.program.text import digest, from_json, model_id, to_json

__all__ = [
    "EMPTY",
    "FLAG_BITS",
    "FORMAT",
    "INT32_MAX",
    "INT32_MIN",
    "LEVEL_UNITS_PER_MM",
    "NO_LEVEL",
    "NO_TEMPERATURE",
    "OPS",
    "OUTPUTS",
    "TEMPERATURE_RANGE",
    "VALID",
    "VALIDITY_NAMES",
    "WITHHELD",
    "Array",
    "Attributes",
    "Builder",
    "Interval",
    "Node",
    "Program",
    "Readings",
    "State",
    "analyse",
    "digest",
    "flag_names",
    "from_json",
    "initial_state",
    "matrix",
    "model_id",
    "prepare",
    "run",
    "running_range",
    "scalar",
    "shift_round",
    "shift_round_int",
    "step",
    "to_json",
    "vector",
]
