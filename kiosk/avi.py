"""AVI: a file of JPEG frames, byte for byte as they came, that video players open. Lays out bytes; keeps no rules.

The layout is RIFF/AVI 1.0 (AVIMAINHEADER, AVISTREAMHEADER and BITMAPINFOHEADER as in Microsoft's "AVI RIFF File
Reference"; from memory) with one MJPG stream and an `idx1`. An AVI has one rate for all frames; their own times belong
beside the file.
"""
from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO, Iterator, Sequence

LARGEST = (1 << 32) - (1 << 20)     # sizes and offsets are 32 bits
HAS_INDEX, KEY_FRAME = 0x10, 0x10
HEAD = 224                          # bytes up to the first frame's chunk


def layout(lengths: Sequence[int], width_px: int, height_px: int, period_ns: int) -> tuple[bytes, bytes]:
    """What stands before the frames' chunks and what stands behind them. ValueError where an AVI cannot hold them.

    lengths: bytes of each frame, at least one. period_ns: mean time from frame to frame.
    """
    padded = [8 + n + n % 2 for n in lengths]
    movi, index = 4 + sum(padded), 16 * len(lengths)
    if HEAD + movi + index > LARGEST:
        raise ValueError(f"{HEAD + movi + index} bytes in one AVI")
    most, n = max(lengths), len(lengths)
    avih = struct.pack("<14I", period_ns // 1000, most * 1_000_000_000 // period_ns, 0, HAS_INDEX, n, 0, 1, most,
                       width_px, height_px, 0, 0, 0, 0)
    strh = struct.pack("<4s4sI2H8I4H", b"vids", b"MJPG", 0, 0, 0, 0, period_ns, 1_000_000_000, 0, n, most, 0xFFFFFFFF,
                       0, 0, 0, width_px, height_px)
    strf = struct.pack("<I2i2H4s5I", 40, width_px, height_px, 1, 24, b"MJPG", width_px * height_px * 3, 0, 0, 0, 0)
    strl = _list(b"strl", _chunk(b"strh", strh) + _chunk(b"strf", strf))
    hdrl = _list(b"hdrl", _chunk(b"avih", avih) + strl)
    riff = 4 + len(hdrl) + 8 + movi + 8 + index
    head = struct.pack("<4sI4s", b"RIFF", riff, b"AVI ") + hdrl + struct.pack("<4sI4s", b"LIST", movi, b"movi")
    at, entries = 4, []
    for length, step in zip(lengths, padded):
        entries.append(struct.pack("<4s3I", b"00dc", KEY_FRAME, at, length))
        at += step
    return head, _chunk(b"idx1", b"".join(entries))


def chunk(jpeg: bytes) -> bytes:
    """One frame as it stands in the file."""
    return _chunk(b"00dc", jpeg)


def frames(file: Path) -> Iterator[bytes]:
    """The JPEGs of a file that was laid out here, one after the other."""
    with file.open("rb") as f:
        yield from frames_in(f)


def frames_in(f: BinaryIO) -> Iterator[bytes]:
    """The same out of an open file, from its beginning."""
    f.seek(HEAD)
    while (head := f.read(8))[:4] == b"00dc":
        length = int.from_bytes(head[4:], "little")
        yield f.read(length)
        f.seek(length % 2, 1)


def frame(file: Path, number: int) -> bytes | None:
    """The JPEG of one frame, from 0, without reading the others; None where the file has none of that number."""
    with file.open("rb") as f:
        f.seek(HEAD)
        while (head := f.read(8))[:4] == b"00dc":
            length = int.from_bytes(head[4:], "little")
            if number == 0:
                return f.read(length)
            f.seek(length + length % 2, 1)
            number -= 1
    return None


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + len(data).to_bytes(4, "little") + data + b"\0" * (len(data) % 2)


def _list(name: bytes, data: bytes) -> bytes:
    return _chunk(b"LIST", name + data)
