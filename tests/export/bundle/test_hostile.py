"""Bundles made to harm whoever verifies them: nothing of theirs is run, and none takes much time or
memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from dataset.errors import InputError
from export.bundle.checks import Bundle
from export.bundle.packing import pack
from export.bundle.verify import verify_bundle

Files = Mapping[str, bytes]


# --- C that does something of its own when it is started ---


@pytest.fixture
def with_constructor(
    whole_bundle: Files, resealed: Callable[..., dict[str, bytes]], tmp_path: Path
) -> Callable[[str], tuple[dict[str, bytes], Path]]:
    """The bundle with a function in one of its files that runs before main and writes a file, hashes made to
    fit; and where it would write.
    """

    def append(name: str) -> tuple[dict[str, bytes], Path]:
        trace = tmp_path / "it-ran"
        code = f"""
#if !defined(__arm__) && !defined(HIDDEN)
#define HIDDEN
#include <stdio.h>
__attribute__((constructor)) static void hidden(void)
{{
    FILE *file = fopen("{trace}", "w");
    if (file != NULL) {{ (void)fclose(file); }}
}}
#endif
"""
        return resealed({**whole_bundle, name: whole_bundle[name] + code.encode()}), trace

    return append


@pytest.mark.parametrize("name", ["innage.c", "innage.h"])
def test_c_of_a_bundle_is_never_run(
    with_constructor: Callable[[str], tuple[dict[str, bytes], Path]], tmp_path: Path, name: str
) -> None:
    """From a folder and from a zip file: C with a function that starts by itself fails every check that
    compiles C, with the line named, and has not run.
    """
    files, trace = with_constructor(name)
    folder, archive = tmp_path / "bundle", tmp_path / "bundle.zip"
    folder.mkdir()
    for file, content in files.items():
        (folder / file).write_bytes(content)
    archive.write_bytes(pack(files))
    compiling = {"C on the core", "C on this host", "C, checked"}
    for place in (folder, archive):
        report = verify_bundle(place)
        assert not trace.exists()
        said = {check.name: check.sentence for check in report.checks if not check.passed}
        assert set(said) == {"made again", *compiling}
        assert all(f"{name}: it differs from line " in said[check] for check in compiling)


def test_a_bundle_gives_out_no_c_but_what_is_made_here(
    whole_bundle: Files, with_constructor: Callable[[str], tuple[dict[str, bytes], Path]]
) -> None:
    """What measures and compiles the C of a bundle gets the one made from its program, and nothing where the
    bundle's is another.
    """
    assert Bundle(whole_bundle).source.source.encode() == whole_bundle["innage.c"]
    with pytest.raises(InputError, match="neither compiled nor run"):
        _ = Bundle(with_constructor("innage.c")[0]).source
