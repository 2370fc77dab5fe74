"""From 0.1 as docs/upgrading.md says it, on what 0.1 left behind: a store, a bundle, trims of a unit in the
field, its options and command lines.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from trim_records import DRY_CODE, FULL_CODE, closed, field_record
from trim_records import model as trimmed

from calling import options_of, refusal
from dataset.canonical import sensor_key, sensor_key_1
from dataset.errors import InputError, StoreError
from dataset.store import Store
from dataset.store.database import HISTORY, History
from doors import open_door
from export.bundle.manifest import MANIFEST, contradiction, read_manifest
from export.bundle.packing import unpack
from export.trim_answer import trim_answer
from export.trim_bytes import TrimAnswer, record_of, write_records
from innage.jobs.trims import read_trim_bytes
from innage.moved import MOVED
from training.program import Interval, from_json, to_json

LEFT = Path(__file__).parents[1] / "data" / "release_0_1"
Run = Callable[..., dict[str, str]]
SLOW = ("innage verify ", "innage replay ", "innage report ", "innage export ", "innage changes ")
RunLine = Callable[[str], tuple[int, str]]


@pytest.fixture
def left(tmp_path: Path) -> Path:
    """A folder with what 0.1 left behind, the store of a rig beside it, and a log of the field: the unit
    filled in steps.
    """
    for name in ("bundle.zip", "u0.bin"):
        shutil.copy(LEFT / name, tmp_path / name)
    for name in ("innage.db", "rig.db"):
        shutil.copy(LEFT / "store.db", tmp_path / name)
    share = np.repeat(np.linspace(0, 1, 17), 3)
    wet = 1 / (1 + np.exp(-20 * (share[:, None] - np.arange(4) / 4 - 0.1)))
    wet[:3] = 0
    counts = np.rint(np.array([19759, 19603, 19925, 20126]) + 3100 * wet).astype(int)
    rows = [",".join(map(str, row)) for row in counts.tolist()]
    (tmp_path / "field.csv").write_text("\n".join(["p0,p1,p2,p3", *rows, ""]), encoding="utf-8")
    return tmp_path


@pytest.mark.slow
def test_the_page_from_the_upgrade_to_the_rigs(run_page: Run, left: Path) -> None:
    """Each block but those of models and bundles, in order. A copy is kept, and 0.1 refuses the store by its
    revision. The rig's file is merged, upgraded then and pushed: nothing comes in twice.
    """
    before = (LEFT / "store.db").read_bytes()
    run_page("docs/upgrading.md", only=lambda line: not line.startswith(SLOW) and " push " not in line)
    assert dumped(left / "innage.db.0006_temperature.copy") == dumped(LEFT / "store.db")
    assert (left / "rig.db").read_bytes() == before
    older = History(HISTORY.revisions[:6], HISTORY.folders)
    with pytest.raises(StoreError, match=r"newer version of innage \(revision 0008_team\)"):
        Store.open(left / "innage.db", history=older)
    with (
        Store.open(left / "innage.db") as store,
        Store.open(left / "team.db") as team,
        open_door(team) as url,
    ):
        swap = {"https://store.example": url, " --token-file rig.token": ""}
        run_page("docs/upgrading.md", swap, only=lambda line: " push " in line)
        assert [one.sha256 for one in team.sessions()] == [one.sha256 for one in store.sessions()]
        assert (len(team.sessions()), len(team.trims())) == (5, 10)
    assert dumped(left / "rig.db.0006_temperature.copy") == dumped(LEFT / "store.db")


def dumped(path: Path) -> list[str]:
    """A store's schema and rows as SQL."""
    with closing(sqlite3.connect(f"{path.as_uri()}?immutable=1", uri=True)) as connection:
        return list(connection.iterdump())


@pytest.mark.slow
@pytest.mark.usefixtures("left")
def test_models_and_bundles_of_before(run_page: Run, run_line: RunLine) -> None:
    """The bundle lacks evidence and no check of it fails; the model gives its readings, and exported anew has
    the same program.
    """
    code, said = run_line("innage verify bundle.zip --store innage.db")
    assert code == 3
    assert "4 of 14 checks lack their evidence" in said
    assert "FAILED" not in said
    printed = run_page("docs/upgrading.md", only=lambda line: line.startswith(SLOW[1:]))
    assert "Both bundles hold the same program: every reading is the same." in [*printed.values()][-1]


def test_the_manifest_of_a_bundle_of_before_contradicts_nothing() -> None:
    """Its lines of the budget have no dearest frame; one that is other than its figures is named."""
    body = read_manifest(unpack((LEFT / "bundle.zip").read_bytes(), "bundle.zip")[MANIFEST]).body
    assert (body["format"], contradiction(body)) == (2, "")
    body["cost"]["cycles"] += 1
    assert contradiction(body) == "cost, lines"


def test_which_records_of_trims_firmware_takes(left: Path) -> None:
    """As the page's table has it: a model of 0.1 those of 0.1 alone, one that is trained now both."""
    field = (left / "u0.bin").read_bytes()
    with Store.open(left / "innage.db") as store:
        model = store.model("first")
        now = write_records([record_of(trim, "u0") for trim in store.trims() if trim.unit.name == "u0"])
        sensor = store.sensor("strip")
    before = from_json(model.program)
    today = replace(before, sensor_key=sensor_key(sensor), sensor_key_1=sensor_key_1(sensor))
    answers = [trim_answer(program, records)[0] for program in (before, today) for records in (field, now)]
    assert answers == [TrimAnswer.OK, TrimAnswer.BAD_FORMAT, TrimAnswer.OK, TrimAnswer.OK]


def test_what_firmware_refuses_is_said_with_the_way_out(left: Path) -> None:
    """Written now, a kind missing, another sensor's, a swing of no unit."""
    memory, file = (left / "u0.bin").read_bytes(), left / "memory.bin"
    with Store.open(left / "innage.db") as store:
        model = store.model("first")
        now = write_records([record_of(trim, "u0") for trim in store.trims() if trim.unit.name == "u0"])
    dry, full = (memory[k : k + 28] for k in (0, 28))
    other = closed(dry[:8] + bytes(4) + dry[12:-4])
    for content, sentence in (
        (now, r"format: 2; expected 1\. .*trained by innage 0\.1.*train anew"),
        (dry, r"memory\.bin: dry; expected dry and full, .*store the kinds"),
        (other + full, r"sensor key: 0x00000000; expected 0x9ac8d289\. .*store this unit's own trims"),
    ):
        file.write_bytes(content)
        with pytest.raises(InputError, match=rf"(?is){sentence}"):
            read_trim_bytes(file, model)
    file.write_bytes(memory)
    assert [record.format for record in read_trim_bytes(file, model)] == [1, 1]
    gated = trimmed(swing=Interval((0, 101, 0), (999, 999, 999)))
    file.write_bytes(field_record(DRY_CODE, (9, 9, 9)) + field_record(FULL_CODE, (99, 109, 99)))
    with pytest.raises(InputError, match=r"channel 1, full less dry: .* = 100; expected a swing from 101"):
        read_trim_bytes(file, replace(model, program=to_json(gated)))


def test_every_option_of_before_is_there_or_answered() -> None:
    """By command."""
    lines = (LEFT / "options.txt").read_text(encoding="utf-8").splitlines()
    gone = []
    for line in lines:
        words = " ".join(word for word in line.split() if not word.startswith("-"))
        options = {word for word in line.split() if word.startswith("-")}
        gone += [f"{words} {o}" for o in options - options_of(words) - set(MOVED.get(words, ()))]
    assert (len(lines), gone) == (74, [])


def test_every_call_of_before_is_read() -> None:
    """The command lines that README and the pages of 0.1 showed, not run."""
    lines = (LEFT / "calls.txt").read_text(encoding="utf-8").splitlines()
    assert (len(lines), [said for line in lines if (said := refusal(line))]) == (113, [])
