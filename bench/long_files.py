"""Memory of a long file: what a process takes at most for a million rows more.

A file of a million invented rows and one of twenty million are logged, the store with it is checked and
merged into a new one, each by a process of its own, whose peak the system tells. The ratio is that of the
peaks; the note says how much each million rows added.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pyarrow
import pyarrow.compute
import pyarrow.csv
import pyarrow.parquet
from invented import register, table
from measuring import Goal, Row, exact

from dataset.store import Store

MILLION = 1_000_000
TIMES = 20
MOST_MB = 1000
PEAK = """
status = Path("/proc/self/status")
if status.exists():  # what getrusage says there begins with the memory of the process that started this one
    (peak,) = [line.split()[1] for line in status.read_text().splitlines() if line.startswith("VmHWM")]
    print(int(peak) >> 10)
else:
    unit = 1 << 20 if sys.platform == "darwin" else 1 << 10
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // unit)
"""
HEAD = """
import resource, sys
from pathlib import Path
"""
LOG = """
sys.path.insert(0, sys.argv[1])
from invented import COLUMNS
from dataset.admission.session_files import read_file
from dataset.records import NewSession
from dataset.store import Store
with Store.open(Path(sys.argv[2])) as store:
    mounting, liquid, unit = store.mountings()[0], store.liquids()[0], store.units()[0]
    file = read_file(Path(sys.argv[3]), COLUMNS, mounting.sensor, mounting.tank)
    store.add_sessions([NewSession(unit, liquid, mounting, file.frames, file.marks, file.source)])
"""
CHECK = """
from dataset.store.whole.integrity import check_store
assert check_store(Path(sys.argv[1])).sound
"""
MERGE = """
from dataset.store import Store
with Store.open(Path(sys.argv[2])) as store:
    store.merge(Path(sys.argv[1]))
    assert len(store.sessions()) == 1
"""


def memory_rows(folder: Path, quick: bool) -> list[Row]:
    """Peaks of logging, of text and of Parquet, and of checking and merging what was logged."""
    rows_of_part = 2_000 if quick else MILLION
    part = pyarrow.Table.from_pandas(table(rows_of_part), preserve_index=False)
    peaks: dict[str, list[int]] = {}
    for times in (1, TIMES):
        for kind, name in (("csv", "CSV"), ("parquet", "Parquet")):
            file, store = _written(folder / f"run{times}.{kind}", part, times), folder / f"{kind}{times}.db"
            with Store.open(store) as opened:
                register(opened)
            log = _peak_mb(LOG, Path(__file__).parent, store, file)
            peaks.setdefault(f"logging {name}", []).append(log)
            file.unlink()
        peaks.setdefault("checking", []).append(_peak_mb(CHECK, store))
        peaks.setdefault("merging", []).append(_peak_mb(MERGE, store, folder / f"merged{times}.db"))
    return [_row(what, rows_of_part, *of_both) for what, of_both in peaks.items()]


def _row(what: str, rows_of_part: int, few: int, many: int) -> Row:
    more = (many - few) / (TIMES - 1)
    return Row(
        f"memory-{what.rsplit(maxsplit=1)[-1].lower()}",
        f"{what}, {TIMES * rows_of_part:,} rows",
        f"the same, {rows_of_part:,}",
        "peak memory",
        exact(many / few),
        Goal(MOST_MB / few, at_least=False),
        note=f"{few} MB, {many} MB: {more:.0f} MB for {rows_of_part:,} rows more",
    )


def _written(file: Path, part: pyarrow.Table, times: int) -> Path:
    """A file that repeats the rows, with times that go on."""
    step = 100 * part.num_rows
    text = file.suffix == ".csv"
    kind = pyarrow.csv.CSVWriter if text else pyarrow.parquet.ParquetWriter
    options = {"write_options": pyarrow.csv.WriteOptions(quoting_style="none")} if text else {}
    with kind(str(file), part.schema, **options) as writer:
        for k in range(times):
            later = pyarrow.compute.add(part["t_ms"], k * step)
            writer.write_table(part.set_column(0, "t_ms", later))
    return file


def _peak_mb(script: str, *words: Path) -> int:
    command = [sys.executable, "-P", "-c", HEAD + script + PEAK, *map(str, words)]
    return int(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
