"""What each pad shows against level, foam and film: tables solved once for a slice and a liquid, kept in a
cache, interpolated from then on.

Interpolation: monotone cubics in level; between solved thicknesses of foam and film straight lines, foam's
wetness and film's thickness by their logarithm. A film's thickness may differ from pad to pad, each taken by
its own (a film's reach along the wall is left out), and foam over a film hides it in proportion.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from dataset.errors import InputError
from dataset.files.kept import cache_folder
from dataset.pools import TWO, Pool, Task, as_asked
from dataset.records import Coupling
from dataset.rig.grid import Complex, Floats
from dataset.rig.media import Medium
from dataset.rig.slices import COUPLINGS, FILMS_UM, Content, Slice, SliceProblem

VERSION = 2  # of the solution: another number, another cache
STEP_MM = 4.5
FOAMS_MM = (8.0, 30.0)
WETNESSES = (0.01, 0.08)
_DRY_WETNESS, _THIN_UM = 0.001, 0.5  # below these foam and film show nothing
_CHUNK = 8
SHIPPED = Path(__file__).parent / "tables"
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Response:
    """Tables of one slice, liquid and coupling. ``levels`` (k,) mm; ``coarse`` (m,) those that foam and film
    were solved at.

    ``clean`` (k, pads), ``foams`` (foams, wetnesses, m, pads) and ``films`` (films, m, pads): pF, foam and
    film as what they add to a clean wall. ``neighbours`` (k, pads - 1): pF between a pad and the next one up.
    """

    levels: Floats
    coarse: Floats
    clean: Floats
    foams: Floats
    films: Floats
    neighbours: Floats

    @property
    def pads(self) -> int:
        return int(self.clean.shape[1])

    def at(
        self,
        level_mm: Floats,
        foam_mm: Floats | None = None,
        wetness: Floats | None = None,
        film_um: Floats | None = None,
    ) -> Floats:
        """Self capacitances, pF (n, pads), for levels (n,), foam thickness and liquid fraction (n,), and film
        thickness (n, pads).
        """
        low, high = self.levels[0], self.levels[-1]
        level = np.clip(level_mm, low, high)
        pf = self._clean(level)
        swing = np.maximum(self.clean[-1] - self.clean[0], 1e-12)
        hidden = np.zeros_like(pf)
        if foam_mm is not None and wetness is not None and np.any(foam_mm > 0):
            froth = self._foam(level, np.asarray(foam_mm), np.asarray(wetness))
            hidden = np.clip(froth / swing, 0.0, 1.0)
            pf = pf + froth
        if film_um is not None and np.any(film_um > 0):
            pf = pf + (1 - hidden) * self._film(level, np.asarray(film_um))
        return np.asarray(pf, np.float64)

    def between(self, level_mm: Floats) -> Floats:
        """Capacitances between neighbours, pF (n, pads - 1), for levels (n,)."""
        return np.asarray(
            PchipInterpolator(self.levels, self.neighbours)(
                np.clip(level_mm, self.levels[0], self.levels[-1])
            ),
            np.float64,
        )

    @cached_property
    def _clean(self) -> PchipInterpolator:
        return PchipInterpolator(self.levels, self.clean)

    def _foam(self, level: Floats, foam_mm: Floats, wetness: Floats) -> Floats:
        tables = np.stack(
            [[PchipInterpolator(self.coarse, one)(level) for one in by_wetness] for by_wetness in self.foams]
        )
        thick = _weights(np.clip(foam_mm, 0, FOAMS_MM[-1]), np.asarray([0.0, *FOAMS_MM]))
        wet = _weights(
            np.log(np.clip(wetness, _DRY_WETNESS, WETNESSES[-1])), np.log([_DRY_WETNESS, *WETNESSES])
        )
        return np.asarray(np.einsum("nt,nw,twnp->np", thick[:, 1:], wet[:, 1:], tables), np.float64)

    def _film(self, level: Floats, film_um: Floats) -> Floats:
        tables = np.stack(
            [PchipInterpolator(self.coarse, one)(level) for one in self.films]
        )  # (films, n, pads)
        at = np.log(np.clip(film_um, _THIN_UM, FILMS_UM[-1]))
        weights = _weights(at.ravel(), np.log([_THIN_UM, *FILMS_UM])).reshape(*at.shape, -1)
        return np.asarray(np.einsum("npt,tnp->np", weights[:, :, 1:], tables), np.float64)


def _weights(x: Floats, nodes: Floats | Sequence[float]) -> Floats:
    """Weights of straight-line interpolation, (n, nodes)."""
    nodes = np.asarray(nodes, np.float64)
    return np.stack([np.interp(x, nodes, np.eye(len(nodes))[k]) for k in range(len(nodes))], axis=1)


def response_table(
    shape: Slice,
    liquid: Medium,
    span_mm: float,
    *,
    cache: Path | None = None,
    progress: Progress | None = None,
    pool: Pool = TWO,
) -> dict[Coupling, Response]:
    """The responses of a slice filled with a liquid, for every coupling to earth: from the cache, or solved
    and put there.

    Tables of the built-in scenario's first tanks come with the package, under the same hash; a change of
    geometry, liquid or solution is another hash. ``cache`` None means the user's cache folder.
    ``progress`` is called with (what, done, total). The result is real: the part of the capacitance that
    takes no power.

    Raises InputError when there is no folder for the cache and none can be made.
    """
    name = f"{_key(shape, liquid, span_mm)}.npz"
    shipped = _read(SHIPPED / name)
    if shipped is not None:
        return _split(shipped)
    folder = cache_folder() if cache is None else cache
    try:  # before the work, not after it
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            str(folder),
            f"cannot be made ({error.strerror})",
            "a folder for solved tables",
            "name another with INNAGE_CACHE",
        ) from error
    path = folder / name
    solved = _read(path)
    if solved is None:
        solved = _solve(shape, liquid, span_mm, progress or (lambda what, done, total: None), pool)
        _write(path, solved)
    return _split(solved)


def _key(shape: Slice, liquid: Medium, span_mm: float) -> str:
    facts = {
        "version": VERSION,
        "slice": asdict(shape),
        "liquid": asdict(liquid),
        "span_mm": span_mm,
        "grid": [STEP_MM, FOAMS_MM, WETNESSES, FILMS_UM],
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:32]


def _solve(
    shape: Slice, liquid: Medium, span_mm: float, progress: Progress, pool: Pool
) -> dict[str, NDArray[np.float64]]:
    levels = SliceProblem(shape).levels(span_mm, STEP_MM)
    coarse = levels[::2] if len(levels) % 2 else np.append(levels[::2], levels[-1])
    contents = [Content(float(v)) for v in levels]
    contents += [Content(float(v), foam_mm=t, wetness=w) for t in FOAMS_MM for w in WETNESSES for v in coarse]
    contents += [Content(float(v), film_um=um) for um in FILMS_UM for v in coarse]
    chunks = [contents[k : k + _CHUNK] for k in range(0, len(contents), _CHUNK)]
    own: list[Complex] = []
    between: list[Complex] = []
    tasks = [Task(k, _solve_chunk, (shape, liquid, chunk)) for k, chunk in enumerate(chunks)]
    for done, part in enumerate(as_asked(pool, lambda share: tasks), 1):
        progress("solving the field", done, len(chunks))
        own += [one for one, _ in part]
        between += [two for _, two in part]
    return _tables(levels, coarse, np.real(np.stack(own)), np.real(np.stack(between[: len(levels)])))


def _solve_chunk(shape: Slice, liquid: Medium, contents: Sequence[Content]) -> list[tuple[Complex, Complex]]:
    """For each content the self capacitances (couplings, pads) and those of neighbours
    (couplings, pads - 1).
    """
    problem = SliceProblem(shape)
    solved = []
    for content in contents:
        seen = problem.pads_pf(liquid, content)
        solved.append((np.stack([seen[c][0] for c in COUPLINGS]), np.stack([seen[c][1] for c in COUPLINGS])))
    return solved


def _tables(levels: Floats, coarse: Floats, own: Floats, between: Floats) -> dict[str, NDArray[np.float64]]:
    """Everything with the coupling first; foam and film less the clean wall at the same level."""
    k, m = len(levels), len(coarse)
    clean = own[:k]
    base = clean[np.searchsorted(levels, coarse)]
    foams = (
        own[k : k + len(FOAMS_MM) * len(WETNESSES) * m].reshape(
            len(FOAMS_MM), len(WETNESSES), m, *clean.shape[1:]
        )
        - base
    )
    films = own[-len(FILMS_UM) * m :].reshape(len(FILMS_UM), m, *clean.shape[1:]) - base
    return {
        "levels": levels,
        "coarse": coarse,
        "clean": np.moveaxis(clean, 1, 0),
        "foams": np.moveaxis(foams, 3, 0),
        "films": np.moveaxis(films, 2, 0),
        "neighbours": np.moveaxis(between, 1, 0),
    }


def _split(tables: dict[str, NDArray[np.float64]]) -> dict[Coupling, Response]:
    return {
        c: Response(
            tables["levels"],
            tables["coarse"],
            *(tables[name][k] for name in ("clean", "foams", "films", "neighbours")),
        )
        for k, c in enumerate(COUPLINGS)
    }


def _read(path: Path) -> dict[str, NDArray[np.float64]] | None:
    """The tables in a file; None when there is none, or it is not whole."""
    try:
        with path.open("rb") as opened, np.load(opened, allow_pickle=False) as file:
            return {
                name: file[name] for name in ("levels", "coarse", "clean", "foams", "films", "neighbours")
            }
    except (FileNotFoundError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None


def _write(path: Path, tables: dict[str, NDArray[np.float64]]) -> None:
    """Whole or not at all: another process may be reading."""
    partial = path.with_name(f"{path.stem}.{os.getpid()}.partial.npz")
    np.savez_compressed(partial, **tables)  # type: ignore[arg-type]  # arrays by name
    partial.replace(path)
