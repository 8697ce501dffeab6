"""Numbered: frames that carry their own number as big squares, and its reading back; to prove delay, order and loss.

No net, no bowler, no noise: nothing is to be learned from these pictures but which of them it is.
"""
from __future__ import annotations

import threading
from typing import Mapping

import numpy as np

from creaseside.stamps import NS, Stamp
from kiosk import clock as real_clock
from kiosk.faults import Fault
from kiosk.sources import jpeg

ROWS, COLUMNS = 4, 6          # squares: 18 bits of number, 6 bits of check
NUMBER_BITS, CHECK = 18, 61   # 61: the largest prime in 6 bits, so any one wrong square shows
DARK, BRIGHT = 40, 215
SURE = 40                     # a square's mean must be this far from the middle grey to count as read


class Numbered:
    """Any rate and size. Paced: in real time. Else each grab is one step, at once, from time 0."""

    live = False
    trouble: Fault | None = None
    counts: Mapping[str, int] = {}

    def __init__(self, width_px: int = 1280, height_px: int = 720, fps: float = 120.0, count: int | None = None,
                 paced: bool = False, clock=real_clock) -> None:
        self.name, self.width_px, self.height_px, self.fps = "numbered", width_px, height_px, fps
        self._count, self._paced, self._clock = count, paced, clock
        self._stop = threading.Event()
        self._frame = 0
        self._start_ns: int | None = None

    def grab(self) -> tuple[Stamp, bytes] | None:
        if self._stop.is_set() or self._frame == self._count:
            return None
        frame, self._frame = self._frame, self._frame + 1
        t_ns = round(frame * NS / self.fps)
        data = jpeg.encode(picture(frame, self.width_px, self.height_px))
        if not self._paced:
            return Stamp(frame, t_ns), data
        if self._start_ns is None:
            self._start_ns = self._clock.now_ns()
        if not self._clock.wait_until(self._start_ns + t_ns, self._stop):
            return None
        return Stamp(frame, self._start_ns + t_ns), data

    def stills(self) -> tuple[np.ndarray, ...]:
        return ()

    def close(self) -> None:
        self._stop.set()


def picture(number: int, width_px: int, height_px: int) -> np.ndarray:
    """(H, W, 3) BGR with `number` (modulo 2 ** 18) as squares over the whole of it, most significant first."""
    number %= 1 << NUMBER_BITS
    code = number << 6 | number % CHECK
    bits = code >> np.arange(ROWS * COLUMNS - 1, -1, -1) & 1
    squares = np.where(bits, BRIGHT, DARK).astype(np.uint8).reshape(ROWS, COLUMNS)
    rows, columns = np.arange(height_px) * ROWS // height_px, np.arange(width_px) * COLUMNS // width_px
    return np.repeat(squares[rows][:, columns, None], 3, axis=2)


def number_in(image: np.ndarray) -> int | None:
    """The number in a picture (H, W[, 3]) of any size, however it was scaled; None where it cannot be read for sure.

    Only the middle of each square is looked at: edges may be blurred or drawn over.
    """
    grey = np.asarray(image, float)
    grey = grey.mean(-1) if grey.ndim == 3 else grey
    height, width = grey.shape[0] / ROWS, grey.shape[1] / COLUMNS
    means = np.array([[grey[round((r + 0.3) * height):round((r + 0.7) * height),
                            round((c + 0.3) * width):round((c + 0.7) * width)].mean()
                       for c in range(COLUMNS)] for r in range(ROWS)]).ravel() - 127.5
    if not (np.abs(means) > SURE).all():
        return None
    code = int("".join("1" if m > 0 else "0" for m in means), 2)
    return code >> 6 if (code >> 6) % CHECK == (code & 63) else None
