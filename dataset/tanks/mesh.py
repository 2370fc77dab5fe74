"""Closed surface meshes cut into slices: the inner surface of a tank as its drawing has it, in millimetres, z
up.

A horizontal cut through a polyhedron is bounded by one segment for each triangle it meets, and encloses half
the sum of their cross products (the shoelace formula). Between two neighbouring corner heights the segments'
ends move linearly, so the area is a quadratic and is known from three cuts.
"""

from __future__ import annotations

import logging
import warnings
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dataset.errors import InputError
from dataset.files.disk import MOST_TEXT_BYTES, read_at_most
from dataset.tanks.quadrature import Reals
from dataset.tanks.strapping import Slices

MOST_SLICES = 1000
MOST_TRIANGLES = 100_000  # some seconds of cutting
_SAME = 1e-9  # corners closer than this share of the height lie at one height
_CUTS = 2_000_000  # segments held at once
_SILENT = logging.NullHandler()  # what is wrong with a mesh is said in one sentence, not in a library's log


def read_mesh(path: Path) -> Slices:
    """The slices of the closed surface in an STL file; the lowest corner is at 0.

    Raises InputError where the file can't be read, or the surface isn't closed or its triangles turn both
    ways.
    """
    import trimesh

    if path.suffix.lower() != ".stl":
        raise InputError(str(path), "a mesh of another kind", "an STL file (*.stl)")
    logging.getLogger("trimesh").addHandler(_SILENT)
    try:
        content = read_at_most(path, 4 * MOST_TEXT_BYTES)
    except OSError as error:
        raise InputError(str(path), f"cannot be read ({error.strerror})", "an STL file") from error
    if not _is_stl(content):
        raise InputError(
            str(path), "cannot be read as STL (neither its binary nor its text form)", "a whole STL file"
        )
    try:
        with np.errstate(invalid="ignore"), warnings.catch_warnings():
            # older numpy takes a damaged text up to the damage, and warns
            warnings.filterwarnings("error", "string or file could not be read", DeprecationWarning)
            mesh: Any = trimesh.load_mesh(BytesIO(content), file_type="stl")
    except (ValueError, DeprecationWarning) as error:
        raise InputError(
            str(path), f"cannot be read as STL ({error})", "an STL file, binary or text"
        ) from error
    if not 4 <= len(mesh.faces) <= MOST_TRIANGLES:
        hint = "export the drawing more coarsely: a tank's shape needs few" if len(mesh.faces) > 4 else ""
        raise InputError(str(path), f"{len(mesh.faces)} whole triangles", f"4 to {MOST_TRIANGLES}", hint)
    if not np.isfinite(mesh.vertices).all():
        raise InputError(str(path), "a corner that isn't a finite number", "a mesh in millimetres")
    if not mesh.is_watertight:
        raise InputError(
            str(path),
            "the surface isn't closed: some edges belong to one triangle only",
            "a watertight mesh of the inner surface",
        )
    if not mesh.is_winding_consistent:
        raise InputError(
            str(path),
            "some triangles face inwards and some outwards",
            "a mesh whose triangles all turn alike",
        )
    corners = np.asarray(mesh.vertices, dtype=np.float64)
    z_mm, areas = cut(corners, np.asarray(mesh.faces, dtype=np.int64))
    return Slices(
        tuple(z_mm.tolist()),
        tuple((low, middle, high) for low, middle, high in areas.tolist()),
        path.name,
        sha256(content).hexdigest(),
    )


def _is_stl(content: bytes) -> bool:
    """Whether the bytes are as long as their count of triangles says, or are text that begins as STL does."""
    if len(content) >= 84 and len(content) == 84 + 50 * int.from_bytes(content[80:84], "little"):
        return True
    return content.isascii() and content.lstrip().startswith(b"solid")


def cut(corners: Reals, triangles: NDArray[np.int64], most: int = MOST_SLICES) -> tuple[Reals, Reals]:
    """Heights (n+1,) of slices, from 0, and their areas (n, 3) at bottom, middle and top.

    Args:
        corners: (m, 3), mm, z up.
        triangles: (t, 3) indices of corners; all turning alike.
        most: fewer slices than corner heights are joined; the volume at each slice's ends stays exact.
    """
    z, places = _heights(corners[:, 2])
    if len(z) < 2:
        raise InputError("mesh", "a flat surface", "a body with a height")
    centred = corners[:, :2] - corners[:, :2].mean(axis=0)
    areas = _areas(z, np.column_stack([centred, z[places]])[triangles], places[triangles])
    areas = areas if areas.sum() > 0 else -areas
    slack = 1e-9 * float(areas.max())
    if (areas < -slack).any():
        raise InputError("mesh", "a cut with less than no area", "a surface that doesn't run through itself")
    return _joined(z, np.where(areas < slack * 1e-3, 0.0, areas), most)


def _heights(z: Reals) -> tuple[Reals, NDArray[np.int64]]:
    """The distinct heights from 0 upwards, and which of them each corner has."""
    order = np.argsort(z, kind="stable")
    rising = z[order] - z[order[0]]
    first = np.concatenate([[True], np.diff(rising) > _SAME * rising[-1]])
    places = np.empty(len(z), dtype=np.int64)
    places[order] = np.cumsum(first) - 1
    return rising[first], places


def _areas(z: Reals, points: Reals, places: NDArray[np.int64]) -> Reals:
    """Areas (n, 3) of the cuts at the bottom, middle and top of each slice.

    ``points`` (t, 3, 3) are the triangles' corners, ``places`` (t, 3) their heights' indices.
    """
    order = np.argsort(places, axis=1, kind="stable")
    points, places = (
        np.take_along_axis(points, order[:, :, None], axis=1),
        np.take_along_axis(places, order, axis=1),
    )
    # sorting an odd way turns a triangle over: the sign of the permutation puts the segments' direction right
    swaps = (
        (order[:, 0] > order[:, 1]).astype(int) + (order[:, 0] > order[:, 2]) + (order[:, 1] > order[:, 2])
    ) % 2
    sign = np.where(swaps == 1, -1.0, 1.0)
    spans = places[:, 2] - places[:, 0]
    areas = np.zeros((len(z) - 1, 3))
    start = 0
    ends = np.cumsum(spans)
    while start < len(spans):
        before = ends[start] - spans[start]
        stop = max(int(np.searchsorted(ends, before + _CUTS, side="right")), start + 1)
        _add(areas, z, points[start:stop], places[start:stop], sign[start:stop])
        start = stop
    return areas


def _add(areas: Reals, z: Reals, points: Reals, places: NDArray[np.int64], sign: Reals) -> None:
    """Add each triangle's segments to the areas of the slices that it passes through."""
    spans = places[:, 2] - places[:, 0]
    which = np.repeat(np.arange(len(spans)), spans)
    slices = np.arange(len(which)) - np.repeat(np.cumsum(spans) - spans, spans) + places[which, 0]
    below = slices < places[which, 1]  # the slice lies below the triangle's middle corner
    low, middle, high = points[which, 0], points[which, 1], points[which, 2]
    foot, head = np.where(below[:, None], low, middle), np.where(below[:, None], middle, high)
    for column, share in enumerate((0.0, 0.5, 1.0)):
        at = z[slices] + share * (z[slices + 1] - z[slices])
        p, q = _along(low, high, at), _along(foot, head, at)
        cross = (p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]) * sign[which] / 2
        areas[:, column] += np.bincount(slices, cross, len(areas))


def _along(start: Reals, end: Reals, z: Reals) -> Reals:
    """The plan view, (n, 2), of where the line from ``start`` to ``end`` is at ``z``."""
    t = (z - start[:, 2]) / (end[:, 2] - start[:, 2])
    return np.asarray(start[:, :2] + t[:, None] * (end[:, :2] - start[:, :2]))


def _joined(z: Reals, areas: Reals, most: int) -> tuple[Reals, Reals]:
    """At most ``most`` slices: neighbours are joined, keeping their volume and the areas at their ends."""
    if len(areas) <= most:
        return z, areas
    volumes = np.concatenate(
        [[0.0], np.cumsum((areas[:, 0] + 4 * areas[:, 1] + areas[:, 2]) / 6 * np.diff(z))]
    )
    kept = np.unique(np.searchsorted(z, np.linspace(0, z[-1], most + 1)[1:-1]))
    kept = np.concatenate([[0], kept[(kept > 0) & (kept < len(z) - 1)], [len(z) - 1]])
    mean = np.diff(volumes[kept]) / np.diff(z[kept])
    low, high = areas[kept[:-1], 0], areas[kept[1:] - 1, 2]
    middle = (6 * mean - low - high) / 4  # Simpson's rule, read backwards
    # where the area jumps inside, a quadratic may dip below zero: the mean area then
    steady = (middle >= np.minimum(low, high) * 0.5) & (middle <= np.maximum(low, high) * 1.5)
    joined = np.column_stack([low, middle, high])
    return z[kept], np.where(steady[:, None], joined, mean[:, None])
