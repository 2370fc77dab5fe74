"""What works a job out, by versions: two runners come to the same only where these are the same."""

from __future__ import annotations

import platform
from functools import cache
from importlib.metadata import version

_PACKAGES = (
    *("innage", "joblib", "matplotlib", "numpy", "onnx", "onnxruntime", "pandas", "scikit-learn", "scipy"),
    *("skl2onnx", "threadpoolctl", "unicorn", "ziglang"),
)


@cache
def versions() -> dict[str, str]:
    """Those of this computer."""
    packages = {package: version(package) for package in _PACKAGES}
    return {"python": platform.python_version(), "machine": platform.machine(), **packages}
