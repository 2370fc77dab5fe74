"""Solve the rig's check cases on the grid that ships and on a halved one, and write a Markdown table of
errors to standard output.

With --times, print what a state of a tank costs instead: all pads from one factorisation, against one plain
``spsolve`` a pad.
"""

from __future__ import annotations

import argparse
from statistics import median

import numpy as np
from field_reference import coaxial_rows, foam_film_rows, parallel_rows, strips_rows, wall_rows
from measuring import Way, in_turns, ratio
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import spsolve
from threadpoolctl import threadpool_limits

from dataset.rig.media import Medium
from dataset.rig.slices import Content, Slice, SliceProblem


def error_table() -> list[str]:
    lines = [
        "| case | unit | outside | ours | error % | halved grid, error % |",
        "| --- | --- | ---: | ---: | ---: | ---: |",
    ]
    for rows in (strips_rows, wall_rows, foam_film_rows, parallel_rows, coaxial_rows):
        for coarse, fine in zip(rows(), rows(0.5), strict=True):
            errors = f"{100 * coarse.error:+.3f} | {100 * fine.error:+.3f}"
            lines.append(
                f"| {coarse.case} | {coarse.unit} | {coarse.outside:.4f} | {coarse.ours:.4f} | {errors} |"
            )
    return [*lines, "", "Sources: bench/field_reference.py. Errors of shares of full are of full."]


def times(rounds: int = 5) -> list[str]:
    section = Slice(
        tuple((1.0 + 20 * k, 19.0 + 20 * k) for k in range(8)),
        width_mm=12,
        wall_mm=2,
        wall_permittivity=2.3,
        height_mm=185,
    )
    problem, water = SliceProblem(section), Medium(78.4, 0.05)
    content = Content(60.0)
    runs = in_turns(
        {
            "ours": Way(lambda _: problem.solve(water, content)),
            "plain": Way(lambda _: _plain(problem, water, content)),
        },
        rounds,
    )
    ours, plain = runs["ours"].seconds, runs["plain"].seconds
    times_that = ratio(plain, ours).middle
    return [
        (
            f"{problem.unknowns} unknowns, {len(section.pads)} pads: {median(ours):.3f} s a state; one "
            f"spsolve a pad takes {times_that:.1f} times that"
        )
    ]


def _plain(problem: SliceProblem, liquid: Medium, content: Content) -> None:
    """The same states by the shortest way that the libraries offer: a call of ``spsolve`` for
    each conductor.
    """
    field, values = problem._problem, problem._permittivity(liquid, content)
    stiffness = csc_matrix(
        ((field._elements * values).ravel(), (field._rows, field._columns)),
        shape=(field.unknowns, field.unknowns),
    )
    inner = stiffness[field._free][:, field._free].tocsc()
    for nodes in field._held:
        volts = np.zeros(field.unknowns, np.complex128)
        volts[nodes] = 1.0
        spsolve(inner, -(stiffness @ volts)[field._free])


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", action="store_true")
    with threadpool_limits(limits=1):
        print("\n".join(times() if parser.parse_args().times else error_table()))
