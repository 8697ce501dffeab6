"""JPEG: is it whole, how large is its picture, and pixels into JPEG. Looks at markers only, never at what is pictured.
"""
from __future__ import annotations

import numpy as np

QUALITY = 92
BEGIN, END = b"\xff\xd8", b"\xff\xd9"
# Frame headers, ITU-T T.81 table B.1: SOF0..SOF15 without DHT (C4), JPG (C8) and DAC (CC).
FRAME_HEADERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}


def whole(data: bytes) -> bytes | None:
    """The JPEG without the padding that drivers leave behind it; None where its begin or its end is missing."""
    data = data.rstrip(b"\0")
    return data if data.startswith(BEGIN) and data.endswith(END) else None


def size_px(jpeg: bytes) -> tuple[int, int] | None:
    """Width and height from the frame header; None where there is none."""
    at = 2
    while at + 9 <= len(jpeg) and jpeg[at] == 0xFF:
        marker, length = jpeg[at + 1], int.from_bytes(jpeg[at + 2:at + 4])
        if marker in FRAME_HEADERS:
            return int.from_bytes(jpeg[at + 7:at + 9]), int.from_bytes(jpeg[at + 5:at + 7])
        at += 1 if marker == 0xFF else 2 + length
    return None


def decode(data: bytes) -> np.ndarray | None:
    """JPEG -> pixels (H, W, 3) BGR; None where it cannot be read."""
    import cv2
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


def encode(bgr: np.ndarray) -> bytes:
    """Pixels (H, W, 3) BGR -> JPEG."""
    import cv2
    return cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1].tobytes()
