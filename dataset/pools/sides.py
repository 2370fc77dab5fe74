"""What has to be the same on both sides of a cluster for results to be the same to the last bit."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from threadpoolctl import threadpool_info

_PACKAGES = ("dataset", "training", "export", "innage")
_LIBRARIES = ("innage", "numpy", "scipy", "scikit-learn", "joblib")
_BETWEEN = ("cloudpickle", "dask", "distributed")  # what brings work there
_TOOLS = ("ziglang", "unicorn", "capstone")  # what costs are measured by
_KERNELS = ("BLAS", "processor")  # of no matter where no arithmetic is done


@cache
def own_side() -> Mapping[str, str]:
    """What this process runs, by name: versions, a digest of the tool's own code, and which kernels the
    libraries took for this processor. Another kernel sums in another order.
    """
    import numpy as np
    import scipy.linalg  # noqa: F401 - it brings a BLAS of its own, which is only told of once it is loaded

    simd = np.show_config(mode="dicts")["SIMD Extensions"]
    blas = {
        f"{library['internal_api']} {library['version']} for {library.get('architecture', 'any')}"
        for library in threadpool_info()
        if library["user_api"] == "blas"
    }
    return {
        "Python": ".".join(platform.python_version_tuple()[:2]),
        **{name: _version(name) for name in (*_LIBRARIES, *_BETWEEN, *_TOOLS)},
        "code of innage": _code(),
        "BLAS": ", ".join(sorted(blas)),
        "processor": f"{platform.machine()} with {' '.join(simd.get('found', ())) or 'no more'}",
    }


def apart(ours: Mapping[str, str], theirs: Mapping[str, str], *, computes: bool = True) -> str:
    """What differs, in words; empty where nothing does. ``computes``: whether arithmetic is done there."""
    return "; ".join(
        f"{name} {theirs.get(name, 'missing')} there, {value} here"
        for name, value in ours.items()
        if theirs.get(name) != value and (computes or name not in _KERNELS)
    )


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "missing"


def _code() -> str:
    digest = hashlib.sha256()
    for path in _sources():
        digest.update(f"{path.name}\0".encode() + path.read_bytes() + b"\0")
    return digest.hexdigest()[:12]


def _sources() -> Iterator[Path]:
    above = Path(__file__).parents[2]
    for package in _PACKAGES:
        yield from sorted((above / package).rglob("*.py"))
