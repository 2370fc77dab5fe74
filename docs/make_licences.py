"""Write docs/licences.md (``python docs/make_licences.py``): every package that comes with an installed
innage, and its licence as its metadata says.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PAGE = Path(__file__).with_name("licences.md")
HEAD = """# Licences of what innage brings with it

Made by `docs/make_licences.py` from the packages' own metadata: what `pip install` of innage installs, directly or through another package,
without the extras for tests and lint. Nothing of them is copied into innage or into what it exports: exported C and ONNX hold only code and numbers that
innage writes. Two are worth a look before passing the tool itself on: `unicorn` (the emulated core) holds parts of QEMU under the
GPL version 2, whatever its metadata says of the binding (from memory), and `ziglang` holds LLVM and libc headers with licences of their own.
innage is under the MIT licence; the measured readings of `innage demo --real` have one of their own
(`innage/demo_data/LICENSE`).

| package | licence | directly |
|---|---|---|
"""  # noqa: E501 - a text as it is written out
LONGEST = 60  # of what is shown: some packages put the whole text where its name belongs


def packages(root: str = "innage") -> dict[str, bool]:
    """Names of all packages that ``root`` needs here, sorted; True for those it asks for itself."""
    direct_of: dict[str, bool] = {}
    pending = [(name, True) for name in _needs(root)]
    while pending:
        name, direct = pending.pop(0)
        if name in direct_of:
            continue
        direct_of[name] = direct
        pending += [(other, False) for other in _needs(name)]
    return dict(sorted(direct_of.items()))


def _needs(name: str) -> Iterator[str]:
    try:
        lines = distribution(name).requires or []
    except PackageNotFoundError:  # asked for on other systems
        return
    for line in lines:
        needed = Requirement(line)
        if needed.marker is None or needed.marker.evaluate({"extra": ""}):
            yield canonicalize_name(needed.name)


def licence(name: str) -> str:
    """The licence of an installed package: its expression, else its classifiers, else the first line of its
    field.
    """
    meta = distribution(name).metadata
    expression, field = (next(iter(meta.get_all(key) or [""])) for key in ("License-Expression", "License"))
    classifiers = [
        c.split(" :: ")[-1] for c in meta.get_all("Classifier") or [] if c.startswith("License :: ")
    ]
    stated = (
        expression or ", ".join(c for c in classifiers if c != "OSI Approved") or field.strip().split("\n")[0]
    )
    return re.sub(r"[|\s]+", " ", stated)[:LONGEST] or "not stated"


def page() -> str:
    """The whole page."""
    return HEAD + "".join(
        f"| {name} | {licence(name)} | {'yes' if direct else ''} |\n" for name, direct in packages().items()
    )


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
