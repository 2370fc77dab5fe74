"""Builds of the C: what is built and counted, and how a build fails."""

from __future__ import annotations

import importlib.util
import os
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dataset.errors import ToolError
from export.compilers import zig
from export.compilers.core_build import build_core
from export.compilers.host_build import build_host, run_host
from export.cores import find_core


def test_parts_of_flash_add_up(built: Any) -> None:
    """Code, tables and helpers make up the image; the sizes are those that the header states."""
    image, header = built.image, built.c.header
    assert image.code + image.tables + image.helpers == len(image.flash)
    for name, size in (
        ("STATE", image.state_size),
        ("PREPARED", image.prepared_size),
        ("SCRATCH", image.scratch_size),
    ):
        assert f"#define INNAGE_{name}_SIZE {size}U" in header


def test_helpers_are_counted_when_pulled_in(all_built: dict[str, Any]) -> None:
    """A model brings its own division; the compiler's helper, which a plain division needs, would be counted;
    no unwind stub is linked.
    """
    its = all_built["inverse_law"]
    assert its.image.helpers == 0
    plain = "volatile uint32_t by = 3U;\n    return 100U / by;"
    divided = build_core(replace(its.c, source=its.c.source.replace("return INNAGE_API_VERSION;", plain)))
    assert divided.helpers > 0
    assert "__aeabi_uidiv" in divided.symbols
    assert not any("unwind" in s for its in all_built.values() for s in its.image.symbols)


@pytest.mark.usefixtures("compiling")
@pytest.mark.slow
def test_builds_are_reproducible_and_carry_no_path(all_built: dict[str, Any]) -> None:
    """Two builds in different folders give the same bytes, and no folder's name is in them."""
    its = all_built["inverse_law"]
    assert build_core(its.c).flash == its.image.flash
    first, second = build_host(its.c), build_host(its.c)
    assert first == second
    assert str(Path(tempfile.gettempdir())).encode() + b"/tmp" not in first.binary
    assert b"harness.c" not in its.image.flash


@pytest.mark.parametrize("name", ["cortex-m0plus", "Cortex-M0+", "cortex_m0plus", " CORTEX-M0PLUS "])
def test_spellings_of_a_core(name: str) -> None:
    """Common spellings of one core mean the same."""
    assert find_core(name).name == "cortex-m0plus"


def test_unknown_core(all_built: dict[str, Any]) -> None:
    """A core that cannot be built for is refused, with those that can."""
    with pytest.raises(ToolError, match="'z80'; expected one of cortex-m0plus"):
        build_core(all_built["constant"].c, "z80")


def test_compiler_errors_come_through(all_built: dict[str, Any]) -> None:
    """What the compiler says stands in the error, without the folder it ran in."""
    c = all_built["constant"].c
    with pytest.raises(ToolError, match=r"model\.c:\d+:\d+: error: .*broken") as failed:
        build_core(replace(c, source=c.source + "broken;\n"))
    assert tempfile.gettempdir() not in str(failed.value)


def test_globals_are_refused(all_built: dict[str, Any]) -> None:
    """A model that keeps something in a global variable is not measured but refused."""
    c = all_built["constant"].c
    source = c.source.replace(
        "    return INNAGE_API_VERSION;", "    static uint32_t calls;\n    return ++calls;"
    )
    with pytest.raises(ToolError, match="4 bytes of global variables"):
        build_core(replace(c, source=source))


def test_a_missing_function_is_named(all_built: dict[str, Any]) -> None:
    """C without one of the interface's functions is refused."""
    c = all_built["constant"].c
    with pytest.raises(ToolError, match="no function innage_selftest"):
        build_core(
            replace(c, source=c.source.replace("bool innage_selftest(void)", "bool innage_other(void)"))
        )


@pytest.mark.usefixtures("compiling")
def test_missing_compiler(all_built: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the compiler's package the error says what to install."""
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(ToolError, match="'ziglang' is not installed"):
        build_core(all_built["constant"].c)


def test_undefined_behaviour_stops_the_host_program(all_built: dict[str, Any]) -> None:
    """A signed overflow in the C ends the checked build, and goes unnoticed in the plain one: the trap is
    what finds it.
    """
    its = all_built["constant"]
    overflow = "    volatile int32_t most = 2147483647;\n    most = most + 1;\n"
    last = "    state->check = INNAGE_STATE_CHECK;\n"
    c = replace(its.c, source=its.c.source.replace(last, overflow + last))
    assert c != its.c
    with pytest.raises(ToolError, match="undefined behaviour"):
        run_host(build_host(c), its.vectors)
    run_host(build_host(c, checked=False), its.vectors)


def test_a_failing_selftest_stops_the_harness(all_built: dict[str, Any]) -> None:
    """Damaged tables end the harness before the first reading."""
    its = all_built["inverse_law"]
    with pytest.raises(ToolError, match="the self-test failed"):
        run_host(
            build_host(replace(its.c, source=its.c.source.replace("8947, 15098", "8947, 15099"))), its.vectors
        )


def test_cache_goes_where_it_can_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a home folder that cannot be written the compiler's cache goes to the temporary folder; a cache
    that is set stays.
    """
    monkeypatch.delenv("ZIG_GLOBAL_CACHE_DIR", raising=False)
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    assert zig.environment()["ZIG_GLOBAL_CACHE_DIR"].startswith(tempfile.gettempdir())
    monkeypatch.setenv("ZIG_GLOBAL_CACHE_DIR", str(tmp_path))
    assert zig.environment()["ZIG_GLOBAL_CACHE_DIR"] == str(tmp_path)
