"""What an export asks of the C beside the model and how its layers are written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dataset.errors import InputError

MOST_SLICE = 64  # bytes of the tables in one slice of the self-test, where the budget has room for them

LEANEST = ("init", "prepare", "step")
FRAME_SELFTEST, SELFTEST = "frame-selftest", "selftest"
# What a firmware may use beside init, prepare and step, and what is linked for it.
INTERFACES: Mapping[str, tuple[str, ...]] = {
    SELFTEST: ("selftest_init", "selftest_slice"),
    "trim-check": ("trim_check",),
    "code-crc": ("selftest_code_slice",),
    "identity": ("identity", "api_version", "model_id"),
}
NONE = "leanest"
USES = (FRAME_SELFTEST, *INTERFACES)
USUAL = (FRAME_SELFTEST, "trim-check")  # as the example does


@dataclass(frozen=True)
class Extras:
    """``uses``: what the firmware uses beside init, prepare and step, words of ``USES``; it changes no
    function, but what is linked and counted. ``slice_bytes``: of the tables, tested in one frame beside a
    step; ``slice_known``: whether a frame has room for a piece of the known answer too, which is else left to
    power-on. ``costs``: sentences for the header's comment. ``fast_crc``: the CRC goes by a table.
    ``memory_check``: every frame checks state and prepared values (see ``export.c.step.memory_check``).
    """

    uses: tuple[str, ...] = USUAL
    slice_bytes: int = MOST_SLICE
    slice_known: bool = True
    costs: tuple[str, ...] = ()
    fast_crc: bool = False
    memory_check: bool = False

    @property
    def functions(self) -> tuple[str, ...]:
        """What is linked, names without the prefix."""
        return (*LEANEST, *(name for use in self.interfaces for name in INTERFACES[use]))

    @property
    def interfaces(self) -> tuple[str, ...]:
        """The interfaces that are used, in the order of ``INTERFACES``."""
        used = {SELFTEST if use == FRAME_SELFTEST else use for use in self.uses}
        return tuple(name for name in INTERFACES if name in used)


PLAIN_EXTRAS = Extras()


def check_uses(uses: tuple[str, ...]) -> tuple[str, ...]:
    """``uses`` in the order of ``USES``, each once; 'leanest' stands for none of them. InputError for another
    word.
    """
    for use in uses:
        if use not in (NONE, *USES):
            raise InputError("uses", repr(use), "one of " + ", ".join((NONE, *USES)), fields=("uses",))
    return tuple(use for use in USES if use in uses)
