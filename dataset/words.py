"""The words that records are written in: kinds of counts, roles, conditions, trims, and what limits and
budgets may name.

Light to import: the command line reads them to describe its options.
"""

from __future__ import annotations

from enum import StrEnum


def counted(number: int, what: str) -> str:
    """A number of things: '1 trim', '2 trims'."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


class CountLaw(StrEnum):
    """How a channel's count depends on its pad's capacitance C."""

    RISES = "rises"  # count grows in proportion to C
    FALLS = "falls"  # count goes with 1/C, as the frequency of a relaxation oscillator does


class PadRole(StrEnum):
    LEVEL = "level"
    REFERENCE = "reference"


class Role(StrEnum):
    """What a group of frames may be used for; a group has one role."""

    FIT = "fit"
    CHOOSE = "choose"
    CALIBRATE = "calibrate"
    PROVE = "prove"


METRICS = (  # what a limit may bound, each from above
    "rmse_mm",
    "worst_group_rmse_mm",
    "p50_abs_mm",
    "p95_abs_mm",
    "max_abs_mm",
    "p95_pct_span",
    "withheld_share",
    "beyond_accepted_share",
    "false_wet_episodes",
    "false_wet_share",
    "false_dry_share",
    "dry_missed_share",
    "band_missed_share",
    "longest_wrong_s",
    "longest_withheld_s",
    "first_reading_s",
)


class LimitAnswer(StrEnum):
    """What a limit is answered with."""

    MET = "met"
    NOT_MET = "not met"
    UNPROVEN = "not enough evidence"


EPISODE_RATES = ("false_wet_share", "false_dry_share")  # shares of episodes, not of frames
CORES = ("cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m33", "rv32imc")  # what a budget may name


class TimeUnit(StrEnum):
    """What a column of time counts in."""

    MILLISECONDS = "ms"
    SECONDS = "s"


class LevelUnit(StrEnum):
    """How a level column counts; ``fraction`` is of the tank's span."""

    MILLIMETRES = "mm"
    CENTIMETRES = "cm"
    FRACTION = "fraction"


class GroupBy(StrEnum):
    """What a claim of a frozen set speaks of: the thing that is never split between roles."""

    SESSION = "session"
    UNIT = "unit"
    LIQUID = "liquid"
    TANK = "tank"
    BENCH = "bench"  # named by the first digits of its identity, which no store calls otherwise
    LEVEL = "level"
    TEMPERATURE = "temperature"  # bands of it, between edges that the set keeps


class Surface(StrEnum):
    """What the free surface does; foam and sloshing may come together."""

    STILL = "still"
    FOAM = "foam"
    SLOSHING = "sloshing"


class Wall(StrEnum):
    """What is on the wall above the liquid; film, drops and scale may come together."""

    CLEAN = "clean"
    FILM = "film"
    DROPS = "drops"
    SCALE = "scale"


class Flow(StrEnum):
    STATIC = "static"
    FILLING = "filling"
    DRAINING = "draining"


class Coupling(StrEnum):
    """How the liquid is joined to earth."""

    FLOATING = "floating"
    IMPEDANCE = "impedance"
    EARTHED = "earthed"


class InstrumentKind(StrEnum):
    """What an instrument measures; its uncertainty and resolution are in g, K, mm or mL."""

    SCALE = "scale"
    THERMOMETER = "thermometer"
    HEIGHT_GAUGE = "height-gauge"
    CYLINDER = "cylinder"  # a measuring cylinder

    @property
    def unit(self) -> str:
        """In which its uncertainty and its resolution are stated."""
        return {"scale": "g", "thermometer": "K", "height-gauge": "mm", "cylinder": "mL"}[self.value]


class StandardKind(StrEnum):
    """What a check standard is."""

    BLOCK = "block"  # a block against the pads
    FILL = "fill"  # a sealed partial fill


class ModelStatus(StrEnum):
    """What somebody said that a model is."""

    CANDIDATE = "candidate"
    RETIRED = "retired"


# may be retired
REGISTERED = ("tank", "sensor", "liquid", "unit", "mounting", "instrument", "budget", "limits", "mapping")


class TrimKind(StrEnum):
    """What a unit was like when its counts were stored."""

    BOARD = "board"  # the board alone
    DRY = "dry"  # assembled, the tank dry
    BLOCK = "block"  # a surrogate block against the pads, in place of liquid
    PARTIAL = "partial"  # filled to a known level
    FULL = "full"
    LEARNED = "learned"  # in service


class Scope(StrEnum):
    """What a token allows; none includes another."""

    READ = "read"  # lists and documents
    PULL = "pull"  # frames and bundles
    PUSH = "push"
    AMEND = "amend"  # say something else of what is there, void it, retire it
    SIGN = "sign"  # sign limits off
    RUN = "run"
    RELEASE = "release"  # move channels, withdraw bundles
    ADMIN = "admin"  # tokens and the audit chain


class JobState(StrEnum):
    """Where a job of the queue stands."""

    QUEUED = "queued"
    RUNNING = "running"
    SUCCEEDED = "succeeded"
    FAILED = "failed"
    CANCELLED = "cancelled"

    @property
    def has_ended(self) -> bool:
        """Whether it stays so."""
        return self not in (JobState.QUEUED, JobState.RUNNING)


class JobReason(StrEnum):
    """Why a job failed."""

    REFUSED = "refused"  # what it works on cannot be used; its log says why
    INPUTS_CHANGED = "inputs_changed"  # a name stands for something else than when it was queued
    NOT_ALLOWED = "not_allowed"  # who queued it may not do this, or no longer
    TOOL_FAILED = "tool_failed"  # a compiler or an emulator did not do its part
    OUT_OF_MEMORY = "out_of_memory"
    TOO_LARGE = "too_large"  # an output is larger than the store keeps
    CRASHED = "crashed"  # nobody expected it; the runner's own output has the traceback
    WORKER_LOST = "worker_lost"  # at each attempt its runner went silent
    RESULT_DIFFERS = "result_differs"  # the same job came to something else before


class JobEventKind(StrEnum):
    """What is told of a job."""

    QUEUED = "queued"
    CLAIMED = "claimed"  # by a runner
    GIVEN_BACK = "given back"  # by a runner that was stopped
    LEASE_LOST = "lease lost"  # its runner went silent
    CANCEL_ASKED = "cancel asked"
    OPENING = "opening"  # of 'prove'
    WROTE = "wrote"  # to the store
    PROGRESS = "progress"
    LOG = "log"
    SUCCEEDED = "succeeded"
    FAILED = "failed"
    CANCELLED = "cancelled"


class KnownBy(StrEnum):
    """What an actor is known by."""

    TOKEN = "token"  # noqa: S105 - a word
    ROLE = "role"  # of the database
    USER = "user"  # of the operating system
