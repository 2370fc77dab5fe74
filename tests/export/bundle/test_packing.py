"""A zipped bundle is the same bytes for the same files; an archive made to do harm is refused, and nothing of
it is written.
"""

from __future__ import annotations

import binascii
import io
import stat
import struct
import zipfile
from collections.abc import Mapping
from pathlib import Path

import pytest

from dataset.errors import InputError
from export.bundle import packing
from export.bundle.manifest import MANIFEST
from export.bundle.packing import pack, unpack
from export.bundle.verify import verify_bundle

FILES = {MANIFEST: b"{}", "a.c": b"int x;\n" * 99, "b.onnx": bytes(range(256))}


def zipped(files: Mapping[str, bytes], kind: int = stat.S_IFREG, method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """An archive as another tool might write it."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(name, (2026, 5, 4, 3, 2, 0))
            entry.external_attr, entry.compress_type = (kind | 0o644) << 16, method
            archive.writestr(entry, content)
    return out.getvalue()


def test_the_same_files_give_the_same_bytes() -> None:
    """The order of the files does not matter; the archive has one time, one mode, sorted names, and passes
    its own test.
    """
    packed = pack(FILES)
    assert pack(dict(reversed(FILES.items()))) == packed
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert archive.testzip() is None
        assert archive.namelist() == sorted(FILES)
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {entry.external_attr >> 16 for entry in archive.infolist()} == {stat.S_IFREG | 0o644}
        assert {entry.compress_type for entry in archive.infolist()} == {zipfile.ZIP_STORED}
    assert unpack(packed, "it") == FILES


def test_bytes_of_an_archive_follow_the_format() -> None:
    """A single file as PKWARE's APPNOTE.TXT lays it out, local header 4.3.7: signature, version 2.0, stored,
    time and date of 1980-01-01.
    """
    packed = pack({MANIFEST: b"{}"})
    signature, version, flags, method, time, date, crc, small, large, name, extra = struct.unpack(
        "<IHHHHHIIIHH", packed[:30]
    )
    assert (signature, version, flags, method, time, date) == (0x04034B50, 20, 0, 0, 0, (1 << 5) | 1)
    assert (crc, small, large, name, extra) == (binascii.crc32(b"{}"), 2, 2, len(MANIFEST), 0)
    assert packed[30 : 30 + name + 2] == MANIFEST.encode() + b"{}"


def test_a_compressed_archive_is_read() -> None:
    """One that another tool packed from the folder gives the same files."""
    assert unpack(zipped(FILES), "it") == FILES


@pytest.mark.parametrize(
    "name",
    [
        "../a.c",
        "/etc/passwd",
        "sub/a.c",
        "..",
        ".",
        "C:\\a.c",
        "a\\b",
        ".hidden",
        "a:b",
        "a\nb",
        "é.c",
        "sub/",
        "x" * 200,
    ],
)
def test_names_that_lead_elsewhere_are_refused(name: str) -> None:
    """Only plain file names: nothing with a folder, a drive, a leading dot or odd characters."""
    with pytest.raises(InputError, match=r"it: an entry named .*expected plain file names"):
        unpack(zipped(FILES | {name: b""}), "it")


def test_odd_entries_are_refused() -> None:
    """Links, entries that stand twice, and too many of them."""
    with pytest.raises(InputError, match="is no plain file"):
        unpack(zipped(FILES, stat.S_IFLNK), "it")
    twice = io.BytesIO(zipped(FILES))
    with zipfile.ZipFile(twice, "a") as archive, pytest.warns(UserWarning, match="Duplicate name"):
        archive.writestr("a.c", b"other")
    with pytest.raises(InputError, match="stands in it twice"):
        unpack(twice.getvalue(), "it")
    with pytest.raises(InputError, match="70 entries"):
        unpack(zipped({f"f{k}": b"" for k in range(70)}), "it")
    with pytest.raises(InputError, match=r"holds no manifest\.json"):
        unpack(zipped({"a.c": b""}), "it")


def test_encrypted_entries_are_refused() -> None:
    """The bit that says so is enough."""
    content = bytearray(zipped(FILES))
    at = content.index(b"PK\x01\x02")
    content[at + 8] |= 1
    with pytest.raises(InputError, match="is encrypted"):
        unpack(bytes(content), "it")


def test_what_swells_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that unpacks to more than a bundle can hold is refused, whether the archive says its size or
    lies about it.
    """
    monkeypatch.setattr(packing, "MAX_FILE", 100_000)
    bomb = zipped(FILES | {"vectors.csv": bytes(1_000_000)})
    assert len(bomb) < 5000
    with pytest.raises(InputError, match=r"vectors\.csv: more than 100000 bytes"):
        unpack(bomb, "it")
    lying = bomb.replace(struct.pack("<I", 1_000_000), struct.pack("<I", 10))
    assert lying != bomb
    with pytest.raises(InputError, match=r"cannot be unpacked|more than 10 bytes"):
        unpack(lying, "it")
    monkeypatch.setattr(packing, "_MAX_ALL", 500)
    with pytest.raises(InputError, match="bytes when unpacked"):
        unpack(zipped(FILES), "it")


def test_damage_anywhere_is_refused_or_shows() -> None:
    """Each byte turned over, and the end cut off anywhere: an error in one sentence, or other files, never
    the same ones with a traceback.
    """
    packed = pack({MANIFEST: b"{}", "a.c": b"int x;\n"})
    for k in range(len(packed)):
        for content in (packed[:k], packed[:k] + bytes([packed[k] ^ 0xFF]) + packed[k + 1 :]):
            try:
                unpack(content, "it")
            except InputError as error:
                assert str(error).startswith("it")  # noqa: PT017 - one error of several is looked at
    with pytest.raises(InputError, match="cannot be unpacked"):
        unpack(b"no archive", "it")


def test_a_zipped_bundle_is_verified(small_bundle: Mapping[str, bytes], tmp_path: Path) -> None:
    """The zip file gives the same answers as the folder; a changed file inside it is named."""
    path, only = tmp_path / "b.zip", {"manifest", "files"}
    path.write_bytes(pack(small_bundle))
    assert verify_bundle(path, only).passed
    path.write_bytes(pack({**small_bundle, "innage.c": small_bundle["innage.c"] + b"\n"}))
    (answer,) = (c for c in verify_bundle(path, only).checks if not c.passed)
    assert answer.sentence == "innage.c was changed"
