"""Memory of logging a long file: what a process takes at most for a million rows more.

A file of a million invented rows and one of twenty million are logged, each by a process of its own, whose
peak the system tells. The ratio is that of the peaks; the note says how much each million rows added.
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
LOG = """
import resource, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from invented import COLUMNS
from dataset.admission.session_files import read_file
from dataset.records import NewSession
from dataset.store import Store
with Store.open(Path(sys.argv[2])) as store:
    mounting, liquid, unit = store.mountings()[0], store.liquids()[0], store.units()[0]
    file = read_file(Path(sys.argv[3]), COLUMNS, mounting.sensor, mounting.tank)
    store.add_sessions([NewSession(unit, liquid, mounting, file.frames, file.marks, file.source)])
unit = 1 << 20 if sys.platform == "darwin" else 1 << 10
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // unit)
"""


def memory_rows(folder: Path, quick: bool) -> list[Row]:
    """Peaks of logging, of text and of Parquet."""
    rows_of_part = 2_000 if quick else MILLION
    part = pyarrow.Table.from_pandas(table(rows_of_part), preserve_index=False)
    rows = []
    for kind, name in (("csv", "CSV"), ("parquet", "Parquet")):
        peaks = []
        for times in (1, TIMES):
            file = _written(folder / f"run{times}.{kind}", part, times)
            peaks.append(_peak_mb(folder / f"{kind}{times}.db", file))
            file.unlink()
        more = (peaks[1] - peaks[0]) / (TIMES - 1)
        rows.append(
            Row(
                f"memory-{kind}",
                f"logging {name}, {TIMES * rows_of_part:,} rows",
                f"the same, {rows_of_part:,}",
                "peak memory",
                exact(peaks[1] / peaks[0]),
                Goal(MOST_MB / peaks[0], at_least=False),
                note=f"{peaks[0]} MB, {peaks[1]} MB: {more:.0f} MB for {rows_of_part:,} rows more",
            )
        )
    return rows


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


def _peak_mb(store: Path, file: Path) -> int:
    with Store.open(store) as opened:
        register(opened)
    command = [sys.executable, "-P", "-c", LOG, str(Path(__file__).parent), str(store), str(file)]
    return int(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
