"""StandIn: pictures of a recording, in any order and at any rate, handed out as a camera would.

It waits for nobody: like a driver it keeps a few frames for whoever comes late, and what would have come while they lay
there is lost. Times are the moments at which the frames are due. The pictures lie in a file beside it, so that they take
none of the kiosk's memory.
"""
from __future__ import annotations

import os
import threading
from dataclasses import dataclass
from itertools import accumulate
from pathlib import Path
from typing import Callable, Iterable, Iterator, Mapping, Sequence

import numpy as np

from creaseside.stamps import NS, Stamp
from kiosk import clock as real_clock
from kiosk.faults import Fault
from kiosk.sources import jpeg
from kiosk.sources.tape import Tape
from kiosk.sources.v4l2 import BUFFERS


@dataclass(frozen=True, slots=True)
class Pictures:
    """JPEGs one after the other in `file`; ends: where each of them ends in it. fps: of the recording they are from."""

    file: Path
    ends: Sequence[int]
    fps: float
    size_px: tuple[int, int]

    @classmethod
    def of(cls, recording: Path, file: Path) -> Pictures:
        """Every picture of a recording, once."""
        with Tape(recording, paced=False) as tape, file.open("wb") as out:
            lengths = [out.write(jpeg.encode(bgr)) for _, bgr in tape.frames()]
            return cls(file, tuple(accumulate(lengths)), tape.fps, (tape.width_px, tape.height_px))

    def jpeg(self, picture: int) -> bytes:
        """One of them, by its number from 0."""
        begin = self.ends[picture - 1] if picture else 0
        with self.file.open("rb", buffering=0) as f:
            return os.pread(f.fileno(), self.ends[picture] - begin, begin)


class StandIn:
    """live: nobody holds it up, as nobody holds a camera up. lost: frames that came while the driver's were all in use."""

    live = True
    trouble: Fault | None = None
    counts: Mapping[str, int] = {}      # a lost frame is a gap between stamps, and counted there

    def __init__(self, pictures: Pictures, order: Iterable[int], fps: float, clock=real_clock) -> None:
        self.name, self.fps, (self.width_px, self.height_px) = "stand-in", fps, pictures.size_px
        self._pictures, self._order, self._clock = pictures, enumerate(order), clock
        self._stop, self._start_ns = threading.Event(), 0
        self.lost = 0
        self.at_end: Callable[[], object] = lambda: None      # called when there is no more, before that is said

    def grab(self) -> tuple[Stamp, bytes] | None:
        self._start_ns = self._start_ns or self._clock.now_ns()
        for frame, picture in self._order:
            t_ns = self._start_ns + round(frame * NS / self.fps)
            if self._clock.now_ns() - t_ns > BUFFERS * NS / self.fps:
                self.lost += 1
                continue
            if not self._clock.wait_until(t_ns, self._stop):
                return None
            return Stamp(frame, t_ns), self._pictures.jpeg(picture)
        if not self._stop.is_set():
            self.at_end()
        return None

    def stills(self) -> Iterator[np.ndarray]:
        yield jpeg.decode(self._pictures.jpeg(0))

    def close(self) -> None:
        self._stop.set()
