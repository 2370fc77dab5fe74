"""Hostile bytes for every reader: what each reads, samples to start from, and changes to them. A reader may
answer, or raise an error of ``dataset.errors``; anything else is a finding.
"""

from __future__ import annotations

import contextlib
import json
import struct
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from programs import single_channel

from dataset.admission.session_files import read_file
from dataset.canonical import mark_revision_sha256
from dataset.errors import InnageError
from dataset.labels.marking import Labelling, read_marks
from dataset.live.board import LineReader
from dataset.live.plans import read_plan
from dataset.records import ColumnMapping, CountLaw, Frames, Liquid, Pad, Sensor, Tank, TrimKind
from dataset.rig.scenario import read_scenario
from dataset.tanks.mesh import read_mesh
from dataset.tanks.profile import Profile, from_json, to_json
from dataset.tanks.shapes import Box
from dataset.tanks.strapping import read_strapping
from dataset.text.layouts import read_layout
from dataset.text.limits_text import DEFAULT_TOML, read_limits
from dataset.text.read import read_text
from dataset.text.write import MARK_COLUMNS, REVISION_COLUMNS
from export import trim_bytes, vectors
from export.bundle import packing
from export.bundle.manifest import MANIFEST, read_manifest
from export.evidence.drawing import make_vectors
from export.onnx.graph import emit_onnx
from export.onnx.run import in_onnxruntime, in_reference
from training.program import from_json as read_program
from training.program import to_json as program_text

INPUT_BYTES = 1 << 16
PROGRAM = single_channel()
TANK = Tank("can", 1, 100.0, profile=to_json(Profile((Box(100.0, 50.0, 110.0),))))
SENSOR = Sensor("strip", 1, (Pad(0, "a", 0.0, 50.0), Pad(1, "b", 50.0, 50.0)), 16, CountLaw.RISES, 100)
FRAMES = Frames(np.arange(20, dtype=np.int64) * 100, np.zeros((20, 2), np.uint32))
TOKENS = (
    b"",
    b"\0",
    b"\n",
    b"\r",
    b",",
    b'"',
    b"'",
    b"=",
    b"[",
    b"]",
    b"{",
    b"}",
    b"[[row]]",
    b"nan",
    b"inf",
    b"-inf",
    b"1e999",
    b"-1",
    b"1e-999",
    b"null",
    b"true",
    b"9" * 400,
    b"9" * 5000,
    b"[" * 3000,
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\xed\xa0\x80",
    b"\x00\x00\x80\x7f",
    b"\xff\xff\xff\xff",
    b"../../x",
    b"/etc/passwd",
    b"<script>",
    "ä\u2028\U0001f600".encode(),
    b"#",
    b"@",
    b";",
    b"\t",
)


@dataclass(frozen=True)
class Reader:
    """What reads, given bytes and a folder for files, and samples that it takes."""

    read: Callable[[bytes, Path], object]
    samples: Callable[[], Sequence[bytes]]


def _in_file(name: str, read: Callable[[Path], object]) -> Callable[[bytes, Path], object]:
    def through_file(content: bytes, folder: Path) -> object:
        path = folder / name
        path.write_bytes(content)
        return read(path)

    return through_file


def _text(read: Callable[[str], object]) -> Callable[[bytes, Path], object]:
    return lambda content, _folder: read(content.decode("utf-8", "replace"))


def _csv(path: Path) -> object:
    plain = ColumnMapping("m", ("a", "b"), "t", level="mm", temperature="c")
    try:
        return read_file(path, plain, SENSOR, TANK)
    except InnageError:
        return read_file(path, ColumnMapping("m", ("1", "2"), header=False), SENSOR, TANK)


def _parquets() -> list[bytes]:
    import pyarrow
    from pyarrow import parquet

    table = pyarrow.table(
        {
            "t": [0, 100, 200],
            "a": [1, 3, 5],
            "b": pyarrow.array([2, 4, 6], pyarrow.uint16()),
            "mm": [5.0, None, 10.0],
            "c": [20.5, 20.5, 21.0],
        }
    )
    files = []
    for how in (
        {},
        {"compression": "none", "use_dictionary": False, "row_group_size": 2},
        {"compression": "zstd", "data_page_version": "2.0"},
    ):
        sink = pyarrow.BufferOutputStream()
        parquet.write_table(table, sink, store_schema=False, **how)
        files.append(sink.getvalue().to_pybytes())
    return files


def _serial(content: bytes, _folder: Path) -> object:
    reader = LineReader(2, 16)
    lines = [
        line for k in range(0, len(content), 7) for line in reader.feed(content[k : k + 7])
    ] + reader.last()
    assert all(len(line.counts) == 2 and max(line.counts) < 1 << 16 for line in lines)
    return reader.strange_width()


def _onnx(content: bytes, _folder: Path) -> object:
    for load in (in_onnxruntime, in_reference):
        try:
            load(content)
        except InnageError:
            continue
    return None


def _unpack(content: bytes, folder: Path) -> object:
    before = sorted(folder.iterdir())
    files = packing.unpack(content, "bundle.zip")
    assert sorted(folder.iterdir()) == before
    assert not any("/" in name or "\\" in name or name.startswith(".") for name in files)
    return files


def _stl(text: bool) -> bytes:
    corners = np.asarray([(0, 0, 0), (10, 0, 0), (0, 10, 0), (0, 0, 10)], np.float32)
    faces = ((0, 2, 1), (0, 1, 3), (1, 2, 3), (0, 3, 2))
    if text:
        lines = [
            "facet normal 0 0 0\nouter loop\n"
            + "".join(f"vertex {x} {y} {z}\n" for x, y, z in corners[list(f)])
            + "endloop\nendfacet\n"
            for f in faces
        ]
        return ("solid x\n" + "".join(lines) + "endsolid x\n").encode()
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *corners[list(face)].ravel().tolist(), 0) for face in faces)
    return bytes(80) + struct.pack("<I", len(faces)) + body


def _manifest() -> bytes:
    """That of the bundle which the first version wrote, with a table of volumes."""
    pinned = Path(__file__).parents[1] / "data" / "bundles" / "format2.zip"
    body = json.loads(packing.unpack(pinned.read_bytes(), pinned.name)[MANIFEST])
    body["c"]["volume"] = {"tank": "can@1", "shift": 3, "values": [0, 5, 9], "error_ml": 0.5}
    return json.dumps(body).encode()


_FILES = (
    "tanks.toml",
    "sensors.toml",
    "mountings.toml",
    "limits.toml",
    "budgets.toml",
    "mappings.toml",
    "mark_revisions.csv",
    "marks/000000000000.csv",
)
_TEXTS = (
    "tanks.toml\n[\"can@1\"]\nspan_mm = 100.0\nnote = '''x'''\n",
    (
        'sensors.toml\n["s@1"]\npads = [\n { channel = 0, name = "p", bottom_mm = 0.0, '
        'height_mm = 10.0, role = "level" },\n]\ncount_bits = 16\n'
        'count_law = "falls"\nperiod_ms = 100\n'
    ),
    'limits.toml\n["l@1"]\nrows = [ { metric = "rmse_mm", bound = 0.9, min_groups = 5 } ]\n',
    (
        'budgets.toml\n[b]\ncore = "cortex-m0plus"\nmultiplier_cycles = 1\nflash_bytes = '
        "1536\nram_bytes = 64\nstack_bytes = 128\ncycles = 1000\n"
    ),
    'mappings.toml\n[m]\ncounts = ["a"]\ntime_unit = "s"\nheader = false\n',
    (
        f"mark_revisions.csv\n{','.join(REVISION_COLUMNS)}\n"
        f"{mark_revision_sha256('1' * 64, None, 'a', '=b', ())},{'1' * 64},,a,'=b\n"
    ),
    f"marks/000000000000.csv\n{','.join(MARK_COLUMNS)}\nsealed,0,10,5.0,,0.5,,x\n",
)


def _textual(content: bytes, _folder: Path) -> object:
    """The first line names the file that the rest is."""
    name, _, rest = content.decode("utf-8", "replace").partition("\n")
    return read_text({name if name in _FILES else "units.toml": rest})


def _trims() -> list[bytes]:
    records = [
        trim_bytes.TrimRecord(kind, 7, 200, (30_000, 40_000, 50_000), width, "unit-1")
        for kind, width in ((TrimKind.DRY, 2), (TrimKind.FULL, 4))
    ]
    return [trim_bytes.write_records([record]) for record in records]


def _trim(content: bytes, _folder: Path) -> object:
    """With the CRC as it comes, and mended, so that what lies behind it is reached."""
    with contextlib.suppress(InnageError):
        trim_bytes.read_records(content)
    return trim_bytes.read_records(content[:-4] + zlib.crc32(content[:-4]).to_bytes(4, "little"))


def _scenarios() -> list[bytes]:
    from importlib import resources

    return [resources.files("dataset.rig.scenarios").joinpath("washer.toml").read_bytes()]


READERS: Mapping[str, Reader] = {
    "csv": Reader(
        _in_file("x.csv", _csv),
        lambda: [
            b"t,a,b,mm,c\n0,1,2,5,20.5\n100,3,4,,\n200,5,6,10,21\n",
            b'#x\n1\t2\n"3"\t4\n',
            b"t;a;b;mm;c\r\n0;1;2;0,5;20\r\n100;2;3;;\r\n",
        ],
    ),
    "parquet": Reader(_in_file("x.parquet", _csv), _parquets),
    "serial": Reader(_serial, lambda: [b"# board\n0,1,2\n100,3,4,20.5\n200,5\n\xff\n300,70000,1\n"]),
    "stl": Reader(_in_file("x.stl", read_mesh), lambda: [_stl(False), _stl(True)]),
    "program": Reader(_text(read_program), lambda: [program_text(PROGRAM).encode()]),
    "onnx": Reader(_onnx, lambda: [emit_onnx(PROGRAM)]),
    "trim": Reader(_trim, _trims),
    "manifest": Reader(lambda content, _folder: read_manifest(content), lambda: [_manifest()]),
    "zip": Reader(_unpack, lambda: [packing.pack({"manifest.json": b"{}", "p.c": b"int x;" * 20})]),
    "vectors": Reader(
        _text(lambda text: vectors.from_csv(PROGRAM, text)),
        lambda: [vectors.to_csv(make_vectors(PROGRAM, 8, 1)).encode()],
    ),
    "layout": Reader(
        _in_file("x.csv", read_layout),
        lambda: [
            b"channel,pad,bottom_mm,height_mm,width_mm,frequency_hz,role\n0,a,0,10,5,1e5,level\n1,b,10,10,,,reference\n"
        ],
    ),
    "strapping": Reader(
        _in_file("x.csv", read_strapping), lambda: [b"height_mm,volume_ml\n0,0\n10,100\n20,250\n"]
    ),
    "marks": Reader(
        _in_file(
            "x.csv",
            lambda path: read_marks(
                path, FRAMES, TANK, Labelling(Liquid("water", density=998.0, temperature_c=20.0))
            ),
        ),
        lambda: [b"from,to,level_mm,u_mm\n0,4,10,0.5\n5,9,20,\n", b"from_ms,to_ms,poured_ml\n0,400,100\n"],
    ),
    "plan": Reader(
        _in_file("x.csv", lambda path: read_plan(path, SENSOR, TANK)),
        lambda: [b"level_mm,hold_s\n0,5\n50,10\n100,5\n", b"level_mm\t,hold_s\n0,5\n"],
    ),
    "profile": Reader(_text(from_json), lambda: [str(TANK.profile).encode()]),
    "limits": Reader(
        _text(lambda text: read_limits("x", text, "x.toml")),
        lambda: [DEFAULT_TOML.encode(), b'[[row]]\nmetric = "rmse_mm"\nbound = 1\n'],
    ),
    "scenario": Reader(_text(lambda text: read_scenario(text, "x.toml")), _scenarios),
    "text": Reader(_textual, lambda: [text.encode() for text in _TEXTS]),
}

Edit = tuple[int, int, int, int]  # kind, place, length or bit, token


def mutated(sample: bytes, edits: Sequence[Edit]) -> bytes:
    """The sample after a few changes: bits turned, pieces removed, doubled or moved, tokens put in, the end
    cut off.
    """
    content = bytearray(sample)
    for kind, place, length, token in edits:
        at = place % (len(content) + 1)
        piece = bytes(content[at : at + length])
        if kind == 0 and content:
            content[at % len(content)] ^= 1 << (length % 8)
        elif kind == 1:
            del content[at : at + length]
        elif kind == 2:
            content[at:at] = TOKENS[token % len(TOKENS)]
        elif kind == 3:
            content[at : at + length] = TOKENS[token % len(TOKENS)]
        elif kind == 4:
            content[at:at] = piece * (1 + token % 4)
        elif kind == 5 and token % 4 == 0:
            del content[at:]
    return bytes(content[:INPUT_BYTES])


def tried(name: str, content: bytes, folder: Path) -> str | None:
    """The reader's own sentence, or None where it takes the bytes; whatever else it raises goes through."""
    try:
        READERS[name].read(content, folder)
    except InnageError as error:
        return str(error)
    return None
