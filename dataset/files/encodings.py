"""A file's bytes as text, in UTF-8 unless another encoding is named, and files that are no text."""

from __future__ import annotations

from pathlib import Path

from dataset.errors import InputError, quoted

_FIELD = "ColumnMapping.encoding"
_OLE = bytes.fromhex("d0cf11e0a1b11ae1")  # compound files: MS-CFB, 2.2
_ZIP = b"PK\x03\x04"  # APPNOTE.TXT, 4.3.7
_IN_WORKBOOKS = (
    b"[Content_Types].xml",
    b"_rels/.rels",
    b"xl/",
    b"mimetypeapplication/vnd.oasis.opendocument",
)
_ARCHIVES = {_ZIP: "a ZIP archive", b"\x1f\x8b": "compressed by gzip", b"\xfd7zXZ\0": "compressed by xz"}
_NAMES_WITHIN = 4096  # bytes from the start in which a workbook shows the names of its parts


def check_encoding(where: str, name: str) -> None:
    """InputError for a name that is no encoding of text."""
    try:
        "a".encode(name)  # decoding looks up nothing where there is nothing to decode
    except (LookupError, ValueError) as error:
        expected = "an encoding such as utf-8, utf-16, latin-1 or cp1252"
        raise InputError(where, quoted(name), expected, fields=(_FIELD,)) from error


def refuse_workbook(path: Path, content: bytes) -> None:
    """InputError for a workbook or an archive, with the way out."""
    is_zip = content.startswith(_ZIP) and any(part in content[:_NAMES_WITHIN] for part in _IN_WORKBOOKS)
    if content.startswith(_OLE) or is_zip:
        hint = "open it and save the sheet with the readings as CSV"
        raise InputError(str(path), "is a workbook", "a text or Parquet file", hint)
    for magic, what in _ARCHIVES.items():
        if content.startswith(magic):
            raise InputError(str(path), f"is {what}", "a text or Parquet file", "unpack it first")


def text_of(path: Path, content: bytes, encoding: str | None) -> str:
    """The text, without a mark of the byte order.

    Raises:
        InputError: bytes that are none in this encoding, with their line; UTF-16 where none is named.
    """
    if encoding is None:
        return _utf8(path, content)
    check_encoding(_FIELD, encoding)
    try:
        return content.decode(encoding).removeprefix("\ufeff")
    except ValueError as error:
        at = getattr(error, "start", 0)
        line = content.count(b"\n", 0, at) + 1
        raise InputError(
            f"{path}, line {line}",
            f"byte 0x{content[at]:02x} is no text in {encoding}",
            "another ColumnMapping.encoding",
            fields=(_FIELD,),
        ) from error


def _utf8(path: Path, content: bytes) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        hint = "name ColumnMapping.encoding utf-16"
        raise InputError(str(path), "is text in UTF-16", "text in UTF-8", hint, fields=(_FIELD,))
    if b"\0" in content:
        line = content.count(b"\n", 0, content.index(b"\0")) + 1
        hint = "save it as text in UTF-8"
        raise InputError(f"{path}, line {line}", "a zero byte: the file is binary", "delimited text", hint)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{path}, line {line}",
            f"byte 0x{content[error.start]:02x} is not UTF-8",
            "text in UTF-8",
            "name another ColumnMapping.encoding, such as cp1252",
            fields=(_FIELD,),
        ) from error
