"""Container: does a video file end where it says it ends? Reads sizes of outer boxes only, no pictures."""
from __future__ import annotations

from pathlib import Path

KNOWN_BOXES = {b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"uuid", b"moof", b"sidx", b"styp", b"meta"}


def missing_bytes(path: Path) -> int:
    """How many bytes are missing at the end of an mp4, mov or avi file; 0 where none are, or where it cannot be known.
    """
    size = path.stat().st_size
    with path.open("rb") as f:
        head = f.read(12)
        if head[:4] == b"RIFF" and head[8:] == b"AVI ":
            return max(0, 8 + int.from_bytes(head[4:8], "little") - size)
        end = 0
        while end + 8 <= size:
            f.seek(end)
            length, kind = int.from_bytes(f.read(4)), f.read(4)
            if kind not in KNOWN_BOXES:      # no such file, or a box of another kind: nothing is claimed
                return 0
            if length == 1:                  # ISO/IEC 14496-12, 4.2: the length follows in 64 bits
                length = int.from_bytes(f.read(8))
            if length < 8:                   # 0: up to the end of the file
                return 0
            end += length
    return max(0, end - size)
