"""Check-in: a player holds their card to the camera and is up, without a key.

It reads a frame a second beside the loop, and only where somebody has a card at all. A number counts when it was read
twice running; held up for longer, it counts once. Whose it is, is looked up by whoever asked.
"""
from __future__ import annotations

import contextlib
from typing import Callable

import numpy as np

from creaseside.stamps import NS, Stamp
from kiosk import cards
from kiosk.faults import Fault

LOOK_NS = NS                # 10 to 25 ms of a processor each (measured, kiosk/cards.py)
GONE_NS = 5 * NS            # a card that was away for so long was put down, and may come again


class CheckIn:
    """bgr: a frame's number -> its picture, None where it is gone. newest: the frame to read. busy: whether not to look
    just now. anybody: whether anybody has a card; asked once a minute."""

    def __init__(self, bgr: Callable[[int], np.ndarray | None], newest: Callable[[], Stamp | None],
                 busy: Callable[[], bool], anybody: Callable[[], bool],
                 aside: Callable[[Callable[[], None]], object]) -> None:
        self._bgr, self._newest, self._busy, self._anybody, self._aside = bgr, newest, busy, anybody, aside
        self._due_ns = self._asked_ns = 0
        self._wanted = self._looking = False
        self._read: list[int] | None = None
        self._before: set[int] = set()
        self._seen_ns: dict[int, int] = {}

    def tick(self, now_ns: int) -> list[int]:
        """The numbers of cards that are held up since."""
        if now_ns >= self._asked_ns:
            self._asked_ns = now_ns + 60 * NS
            with contextlib.suppress(Fault):        # a log that cannot be read just now: as it was
                self._wanted = self._anybody()
        found = self._found(now_ns)
        stamp = self._newest()
        if self._wanted and not self._looking and stamp is not None and now_ns >= self._due_ns and not self._busy():
            self._due_ns, self._looking = now_ns + LOOK_NS, True
            self._aside(lambda: self._look(stamp.frame))
        return found

    def _look(self, frame: int) -> None:
        try:
            bgr = self._bgr(frame)
            self._read = [] if bgr is None else cards.read(bgr)
        finally:
            self._looking = False

    def _found(self, now_ns: int) -> list[int]:
        if self._read is None:
            return []
        read, self._read = set(self._read), None
        sure, self._before = read & self._before, read
        new = [n for n in sorted(sure) if now_ns - self._seen_ns.get(n, -GONE_NS) >= GONE_NS]
        self._seen_ns |= dict.fromkeys(sure, now_ns)
        return new
