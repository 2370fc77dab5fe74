"""The Python interface, on the measured readings that come with the package (their source:
innage/demo_data/SOURCE.txt).
"""

from __future__ import annotations

import csv
import subprocess
import sys
from importlib import import_module, resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import innage
from building import bench_store
from dataset.canonical import frozen_sha256
from dataset.store import Store
from dataset.store.reading import sets
from dataset.words import LevelUnit

COLUMNS = innage.ColumnMapping(
    "columns", ("N_counts",), time="elapsed_ms", level="level_cm", level_unit=LevelUnit.CENTIMETRES
)
FIT = ["0", "15", "25", "35", "45", "55", "65", "75", "85", "95"]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the one session, frozen by level."""
    path = tmp_path_factory.mktemp("api") / "innage.db"
    with innage.open_store(path) as store:
        bench_store(
            store,
            tank=innage.Tank("bench-tank", 0, 100.0),
            sensor=innage.Sensor(
                "one-pad", 0, (innage.Pad(0, "pad0", 0.0, 100.0),), 16, innage.CountLaw.FALLS, 2051
            ),
            liquid=innage.Liquid("bench-liquid"),
            unit="unit-1",
            mounting="bench",
        )
        with resources.as_file(resources.files("innage.demo_data") / "levels_tidy.csv") as file:
            innage.log_file(
                store, file, unit="unit-1", liquid="bench-liquid", mounting="bench", columns=COLUMNS
            )
        innage.freeze(store, "half-steps", group_by="level", roles={"fit": FIT, "prove": ["rest"]})
    return path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Any:
    """A copy of it."""
    path = tmp_path / "innage.db"
    path.write_bytes(filled.read_bytes())
    with innage.open_store(path) as opened:
        yield opened


def test_import_is_light_and_every_name_is_there_and_documented() -> None:
    code = (
        "import sys, innage; print(*sorted({'numpy', 'pandas', 'sqlalchemy', 'sklearn', 'typer', "
        "'onnx'} & set(sys.modules)))"
    )
    assert (
        subprocess.run(
            [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True, timeout=60
        ).stdout
        == "\n"
    )
    assert dir(innage) == sorted(innage.__all__)
    for name in innage.__all__:
        its = getattr(innage, name)
        assert its.__doc__, name
        assert import_module(its.__module__).__name__.split(".")[0] in ("innage", "dataset", "export")
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        innage.nothing  # noqa: B018 - the asking is what is tested


def test_frames_are_those_of_the_file(store: Store) -> None:
    """Counts, times and levels against the CSV, read here with the standard library."""
    with (
        resources.as_file(resources.files("innage.demo_data") / "levels_tidy.csv") as file,
        file.open(encoding="utf-8", newline="") as text,
    ):
        lines = list(csv.DictReader(text))
    table = innage.frame_table(store, store.sessions()[0].id[:6])
    assert list(table.columns) == ["t_ms", "pad0", "temperature_c", "level_mm", "u_mm"]
    assert table["pad0"].tolist() == [float(line["N_counts"]) for line in lines]
    assert table["t_ms"].tolist() == [float(line["elapsed_ms"]) for line in lines]
    np.testing.assert_allclose(table["level_mm"], [10 * float(line["level_cm"]) for line in lines])
    sessions = innage.session_table(store)
    assert sessions.loc[store.sessions()[0].id, ["unit", "frames", "labelled"]].tolist() == [
        "unit-1",
        len(lines),
        len(lines),
    ]


def test_a_frozen_set_as_a_table_has_its_roles(store: Store) -> None:
    table = innage.frozen_table(store, "half-steps")
    assert set(table.loc[table["role"] == "fit", "group"]) == set(FIT)
    assert (table["level_mm"] == table["group"].astype(float)).all()
    assert len(table) == store.sessions()[0].frames


def test_a_table_comes_back_as_it_was_logged(store: Store) -> None:
    """Out, a little altered, in again and out: the same; a mark for each level, with its uncertainty."""
    table = innage.frame_table(store, store.sessions()[0])
    table["pad0"] += 1
    table["temperature_c"] = 21.5
    table["u_mm"] = 0.5
    logged = innage.log_table(
        store,
        table,
        unit="unit-1",
        liquid="bench-liquid",
        mounting="bench",
        name="altered",
        conditions="wall=clean",
    )
    again = innage.frame_table(store, logged)
    assert again.equals(table.astype(again.dtypes.to_dict()))
    assert [(m.start, m.stop, m.level_mm) for m in logged.marks] == [
        (m.start, m.stop, m.level_mm) for m in store.sessions()[0].marks
    ]
    assert {m.u_mm for m in logged.marks} == {0.5}
    assert logged.stretches[0].stop == len(table)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda t: t.drop(columns="pad0"), "no column 'pad0'"),
        (lambda t: t.assign(pad0=t["pad0"] + 0.5), "column 'pad0', row 0: 50584.5; expected a whole number"),
        (lambda t: t.assign(pad0="x"), "column 'pad0': no numbers"),
        (lambda t: t.assign(pad0=-1), "counts from -1 to -1"),
        (lambda t: t.assign(pad0=70000), "70000"),
        (lambda t: t.assign(level_mm=400.0), "400"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused(store: Store, change: Any, said: str) -> None:
    table = change(innage.frame_table(store, store.sessions()[0]))
    with pytest.raises(innage.InputError, match=said.replace("+", r"\+")):
        innage.log_table(store, table, unit="unit-1", liquid="bench-liquid", mounting="bench", name="wrong")
    assert len(store.sessions()) == 1


def test_freezing_is_refused_in_a_sentence(store: Store) -> None:
    refusals: tuple[tuple[dict[str, Any], str], ...] = (
        ({"fit": 3, "prove": ["rest"]}, "numbers and names"),
        ({"fitt": ["rest"]}, "'fitt'; expected one of fit"),
        ({"fit": ["7"]}, "no group"),
    )
    for roles, said in refusals:
        with pytest.raises(innage.InputError, match=said):
            innage.freeze(store, "other", group_by="level", roles=roles)
    with pytest.raises(innage.InputError, match="group_by: 'units'"):
        innage.freeze(store, "other", group_by="units", roles={"fit": ["rest"]})
    drawn = innage.freeze(store, "drawn", group_by="level", roles={"fit": 12, "prove": 8}, seed=3)
    assert (len(drawn.groups(innage.Role.FIT)), drawn.seed) == (12, 3)


@pytest.mark.longer
def test_train_and_replay(store: Store) -> None:
    """What the C gives of the session is what the program gives, and what the estimator of that program
    predicts.
    """
    model = innage.train(store, "half-steps", "first", families=["line"], search=innage.Search(seed=1))
    assert model == store.model("first")
    assert store.prove_openings(store.frozen_set("half-steps")) == 1
    with pytest.raises(innage.InputError, match="exists already"):
        innage.train(store, "half-steps", "first")
    frames = store.frames(store.sessions()[0])
    readings = innage.replay(model, frames)
    assert list(readings.columns) == ["t_ms", "low_mm", "level_mm", "high_mm", "validity", "flags", "reason"]
    assert ((readings["validity"] == "withheld") == readings["level_mm"].isna()).all()
    program = innage.program_of(model)
    assert innage.trim_of(store, model, "unit-1").shape == (0,)
    estimator = innage.ProgramRegressor(program).fit(frames.counts)
    np.testing.assert_array_equal(estimator.predict(frames.counts), readings["level_mm"])


@pytest.mark.longer
def test_training_hashes_its_frozen_set_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where it is read; the frames and the model that come after hold on to what was read."""
    hashed: list[str] = []

    def counted(*content: Any) -> str:
        hashed.append(frozen_sha256(*content))
        return hashed[-1]

    monkeypatch.setattr(sets, "frozen_sha256", counted)
    model = innage.train(store, "half-steps", "once", families=["line"])
    assert hashed == [model.frozen.sha256]


@pytest.mark.slow
def test_export_writes_a_bundle_that_verifies_and_refuses_what_the_command_refuses(
    store: Store, tmp_path: Path
) -> None:
    store.add_budget(innage.Budget("roomy", "cortex-m0plus", 1, 4096, 512, 512, 10_000))
    store.add_budget(innage.Budget("tight", "cortex-m0plus", 1, 64, 512, 512, 10_000))
    store.add_limits(innage.Limits("strict", 0, (innage.Limit("rmse_mm", 0.001),)))
    innage.train(store, "half-steps", "first", families=["line"], budget="roomy", limits="strict")
    out = tmp_path / "bundle"
    with pytest.raises(innage.InputError, match="1 limit not met"):
        innage.export(store, "first", "roomy", out)
    with pytest.raises(innage.InputError, match="over budget tight"):
        innage.export(store, "first", "tight", out, anyway=True)
    assert not out.exists()
    made = innage.export(store, "first", "roomy", out, anyway=True)
    assert made.files == {path.name: path.stat().st_size for path in out.iterdir()}
    assert innage.verify_bundle(out).passed
    store.void(store.sessions()[0].id, "the scale was not tared")
    with pytest.raises(innage.InputError, match="is void"):
        innage.export(store, "first", "roomy", tmp_path / "other", anyway=True)
