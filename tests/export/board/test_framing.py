"""Frames on a line: the published stuffing and checksum, and what noise and cut lines do to them."""

from __future__ import annotations

import random

from export.board.framing import MOST_PAYLOAD, Deframer, Frame, framed


def by_hand(content: bytes) -> bytes:
    """Stuffed as RFC 1662, section 4.2, has it: 0x7E as 0x7D 0x5E, 0x7D as 0x7D 0x5D."""
    return b"\x7e" + content.replace(b"\x7d", b"\x7d\x5d").replace(b"\x7e", b"\x7d\x5e") + b"\x7e"


def crc_bit_by_bit(content: bytes) -> bytes:
    """CRC-32 of IEEE 802.3, clause 3.2.9, reflected: polynomial 0x04C11DB7, all ones before and after."""
    crc = 0xFFFF_FFFF
    for byte in content:
        for bit in range(8):
            crc = (crc >> 1) ^ (0xEDB8_8320 if (crc ^ (byte >> bit)) & 1 else 0)
    return (crc ^ 0xFFFF_FFFF).to_bytes(4, "little")


def test_a_frame_is_what_the_board_file_states() -> None:
    """Length, type, number, payload and checksum, little-endian; the checksum of '123456789' is 0xCBF43926
    (the check value of CRC-32 in the published catalogues of checksums).
    """
    assert crc_bit_by_bit(b"123456789") == (0xCBF4_3926).to_bytes(4, "little")
    payload = bytes([0x7E, 0, 0x7D, 0x5E, 255])
    content = b"\x05\x00\x04\x09" + payload
    expected = by_hand(content + crc_bit_by_bit(content))
    assert framed(Frame(4, 9, payload)) == expected
    assert Deframer().feed(expected) == [Frame(4, 9, payload)]


def test_every_payload_comes_back_in_any_pieces() -> None:
    """Drawn payloads, some full of flags and escapes, cut anywhere on their way."""
    draw = random.Random(1)  # noqa: S311 - bytes of a test
    frames = [
        Frame(k % 256, k % 255 + 1, bytes(draw.choices((0x7E, 0x7D, 0x20, k % 256), k=draw.randrange(60))))
        for k in range(300)
    ]
    line = b"".join(map(framed, frames))
    reader, came = Deframer(), list[Frame]()
    while line:
        cut = draw.randrange(1, 40)
        came += reader.feed(line[:cut])
        line = line[cut:]
    assert (came, reader.damaged) == (frames, 0)


def test_a_damaged_byte_costs_its_frame_and_no_other() -> None:
    """Each byte of a frame changed in each bit: no frame comes of it but the one behind, unless the change
    only doubled a flag.
    """
    first, second = Frame(4, 7, bytes(range(0x70, 0x90))), Frame(4, 8, b"next")
    whole = framed(first)
    for at in range(1, len(whole) - 1):
        for bit in range(8):
            damaged = bytearray(whole)
            damaged[at] ^= 1 << bit
            reader = Deframer()
            assert reader.feed(bytes(damaged) + framed(second)) == [second], (at, bit)
            assert reader.damaged > 0


def test_noise_and_cut_lines_are_got_over_with_the_next_flag() -> None:
    """Noise of any length before a frame, and frames cut off anywhere: the next whole frame is read."""
    draw = random.Random(2)  # noqa: S311 - bytes of a test
    wanted = Frame(0x84, 3, b"answer")
    for _ in range(200):
        reader = Deframer()
        came = reader.feed(draw.randbytes(draw.randrange(400)))
        cut = framed(Frame(0x84, 2, draw.randbytes(30)))
        came += reader.feed(cut[: draw.randrange(len(cut) - 1)])
        came += reader.feed(framed(wanted))
        assert came == [wanted]


def test_an_escape_before_a_flag_ends_with_it() -> None:
    """A frame that ends so is invalid (RFC 1662, section 4.3), and leaves the next one as it is."""
    reader, wanted = Deframer(), Frame(0x84, 3, b"answer")
    assert reader.feed(b"\x7e\x01\x02\x7d\x7e" + framed(wanted)) == [wanted]
    assert reader.damaged == 1


def test_what_never_ends_takes_no_memory() -> None:
    """A frame longer than any is dropped while it comes, and counted once."""
    reader = Deframer()
    assert reader.feed(framed(Frame(1, 1, bytes(MOST_PAYLOAD)))) == [Frame(1, 1, bytes(MOST_PAYLOAD))]
    assert reader.feed(framed(Frame(1, 1, bytes(MOST_PAYLOAD + 1)))) == []
    for _ in range(100):
        assert reader.feed(b"\x00" * 10_000) == []
    assert len(reader._content) <= MOST_PAYLOAD + 8
    assert reader.feed(b"\x7e") == []
    assert reader.damaged == 2
