"""The job of the driver lies in a core's memory as the core's compiler lays out its struct."""

from __future__ import annotations

import re

import pytest

from export.compilers.core_build import compile_alone
from export.core.replay_job import driver_code, driver_source, packed_job
from export.cores import CORES, Core


def members() -> list[str]:
    """The names that stand in the C's struct, in their order."""
    body = driver_source().partition("typedef struct {\n")[2].partition("} job_t;")[0]
    declared = [re.search(r"\(\*(\w+)\)\(|(\w+);$", line) for line in body.splitlines()]
    return [match[1] or match[2] for match in declared if match is not None]


NAMES = members()


def test_members_are_written_in_the_order_of_the_c() -> None:
    """Each value comes out at the place of its own name in the struct, four bytes a member."""
    job = packed_job({name: k for k, name in enumerate(NAMES)})
    words = [int.from_bytes(job[at : at + 4], "little") for at in range(0, len(job), 4)]
    assert words == [*range(len(NAMES))]


@pytest.mark.longer
@pytest.mark.parametrize("core", CORES.values(), ids=lambda core: core.name)
def test_offsets_are_the_compilers(core: Core) -> None:
    """The core's compiler takes the driver, and an array whose size is negative unless every member stands at
    four bytes times its index (C99, 7.17: ``offsetof``).
    """
    assert driver_code(core)
    checks = "\n".join(
        f"typedef char at_{name}[(offsetof(job_t, {name}) == {4 * k}U) ? 1 : -1];"
        for k, name in enumerate(NAMES)
    )
    assert compile_alone(core, f"{driver_source()}\n{checks}\n", "replay")


@pytest.mark.parametrize("change", [{"more": 1}, {"out": None}])
def test_a_job_without_or_beside_the_table_is_an_error(change: dict[str, int | None]) -> None:
    """A missing value or an unknown one is a mistake in this program."""
    values = dict.fromkeys(NAMES, 0) | change
    with pytest.raises(KeyError, match=next(iter(change))):
        packed_job({name: value for name, value in values.items() if value is not None})
