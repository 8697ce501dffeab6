"""Cuttings: the pictures of the last ball, and of those whose clip is still to be written, copied out of the reel byte for byte before it goes over them.

A ball's cutting is asked for as soon as the ball is known, often before its last frame was exposed, and grows as the
frames come; a part at a time, so that no single turn of the loop copies a whole ball. Nothing here reaches a disk.
"""
from __future__ import annotations

from dataclasses import dataclass, field
from typing import Container

import numpy as np

from creaseside.stamps import Stamp
from kiosk.reel import Reel
from kiosk.sources.jpeg import decode

A_TURN = 60      # frames copied at a time: about 6 MB, 2 ms


@dataclass(slots=True)
class Cutting:
    """The frames of `first_ns`..`last_ns` that are here so far, in order; `whole`: there will be no more of them."""

    first_ns: int
    last_ns: int
    stamps: list[Stamp] = field(default_factory=list)
    jpegs: dict[int, bytes] = field(default_factory=dict)
    whole: bool = False

    def frames(self, first_ns: int, last_ns: int) -> list[tuple[Stamp, bytes]]:
        return [(s, self.jpegs[s.frame]) for s in self.stamps if first_ns <= s.t_ns <= last_ns]


class Cuttings:
    """The cuttings by the engine's number of the ball."""

    def __init__(self, reel: Reel) -> None:
        self._reel = reel
        self._balls: dict[int, Cutting] = {}

    def want(self, ball: int, first_ns: int, last_ns: int) -> Cutting:
        """The ball's cutting, from now on with these moments in it too."""
        if (cutting := self._balls.get(ball)) is None:
            cutting = self._balls[ball] = Cutting(first_ns, last_ns)
        elif first_ns < cutting.first_ns or last_ns > cutting.last_ns:
            cutting.first_ns, cutting.last_ns = min(first_ns, cutting.first_ns), max(last_ns, cutting.last_ns)
            cutting.whole = False
        return cutting

    def tick(self, newest_ns: int, over: bool, wanted: Container[int] = ()) -> None:
        """Copy what has come, and let go of the balls before the last but for `wanted`: one takes some 70 MB at 120 fps.

        newest_ns: of the reel; over: no frame will follow it.
        """
        for ball in [ball for ball in self._balls if ball < max(self._balls) and ball not in wanted]:
            del self._balls[ball]
        for cutting in self._balls.values():
            if not cutting.whole:
                self._grow(cutting, over or newest_ns >= cutting.last_ns)

    def forget(self) -> None:
        """No picture of any ball is kept any more."""
        self._balls.clear()

    def bgr(self, frame: int) -> np.ndarray | None:
        """A frame's pixels (H, W, 3), from a cutting or else from the reel; None where it is gone."""
        data = next((c.jpegs[frame] for c in self._balls.values() if frame in c.jpegs), None)
        return self._reel.bgr(frame) if data is None else decode(data)

    def _grow(self, cutting: Cutting, all_here: bool) -> None:
        missing = [s for s in self._reel.stamps(cutting.first_ns, cutting.last_ns) if s.frame not in cutting.jpegs]
        for stamp in missing[:A_TURN]:
            if (jpeg := self._reel.jpeg(stamp.frame)) is not None:
                cutting.jpegs[stamp.frame] = jpeg
                cutting.stamps.append(stamp)
        cutting.stamps.sort()
        cutting.whole = all_here and len(missing) <= A_TURN
