"""Frames on a line to a board: what ``data/board.c`` states at its top, from the other end.

A frame is stuffed as RFC 1662, section 4.2, has it, and ends with the CRC-32 of IEEE 802.3. What comes from a
line is data: a frame longer than any that a board sends is dropped while it comes.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

FLAG, ESCAPE, TURNED = 0x7E, 0x7D, 0x20
ANSWERS, REFUSED = 0x80, 0xFF
MOST_PAYLOAD = 1024  # bytes of an answer; a state of a model has some hundred
_HEAD, _CRC = struct.Struct("<HBB"), struct.Struct("<I")
AROUND = _HEAD.size + _CRC.size + 2  # bytes of a frame beside its payload, unstuffed


@dataclass(frozen=True)
class Frame:
    """A request or an answer; ``number`` is the same in both."""

    type: int
    number: int
    payload: bytes


def framed(frame: Frame) -> bytes:
    """The bytes that carry ``frame``, flags around it."""
    content = _HEAD.pack(len(frame.payload), frame.type, frame.number) + frame.payload
    content += _CRC.pack(zlib.crc32(content))
    stuffed = bytearray([FLAG])
    for byte in content:
        stuffed += bytes([ESCAPE, byte ^ TURNED]) if byte in (FLAG, ESCAPE) else bytes([byte])
    return bytes(stuffed + bytes([FLAG]))


class Deframer:
    """Cuts bytes as they come into frames; ``damaged`` counts what was none."""

    def __init__(self) -> None:
        self.damaged = 0
        self._content = bytearray()
        self._escaped = self._too_long = False

    def feed(self, data: bytes) -> list[Frame]:
        """The frames that ``data`` completes."""
        frames = []
        for byte in data:
            if byte == FLAG:
                frame = self._ended()
                if frame is not None:
                    frames.append(frame)
            elif byte == ESCAPE:
                self._escaped = True
            elif len(self._content) >= MOST_PAYLOAD + _HEAD.size + _CRC.size:
                self._too_long = True
            else:
                self._content.append(byte ^ TURNED if self._escaped else byte)
                self._escaped = False
        return frames

    def _ended(self) -> Frame | None:
        content, too_long = bytes(self._content), self._too_long
        self._content.clear()
        self._escaped = self._too_long = False
        if not content:
            return None
        frame = None if too_long else _read(content)
        self.damaged += frame is None
        return frame


def _read(content: bytes) -> Frame | None:
    """The frame that unstuffed bytes are; None where they are damaged."""
    inside = content[: -_CRC.size]
    if len(inside) < _HEAD.size or _CRC.unpack(content[-_CRC.size :])[0] != zlib.crc32(inside):
        return None
    length, kind, number = _HEAD.unpack(inside[: _HEAD.size])
    payload = inside[_HEAD.size :]
    return Frame(kind, number, payload) if length == len(payload) else None
