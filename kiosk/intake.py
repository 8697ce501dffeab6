"""Intake: one thread that takes frames from the source into the reel, and knows the newest one.

It does nothing else, so that nothing keeps it from the next frame of a camera. A recording can wait: it is held while the
pose processes are so far behind that a frame which is still wanted would be gone. It looks at no picture.
"""
from __future__ import annotations

import threading
from types import ModuleType
from typing import Callable

from creaseside.stamps import Stamp
from kiosk import clock as real_clock
from kiosk.faults import Fault
from kiosk.health import Health
from kiosk.reel import Reel
from kiosk.sources import Source

CLOSING_S = 5.0     # a camera that hangs in its driver is left to the system
HELD_NS = 5_000_000 # a recording that is held looks this often whether it may go on


class Intake:
    """`newest`: the stamp of the newest frame in the reel. `frames`: how many came so far. `over`: no frame will follow.
    `fault`: what ended it. `behind`: whether a recording is to be held just now; a camera never is."""

    def __init__(self, source: Source, reel: Reel, health: Health, clock: ModuleType = real_clock) -> None:
        self.source, self._reel, self._health, self._clock = source, reel, health, clock
        self.behind: Callable[[], bool] = lambda: False
        self._writing, self._shut = threading.Lock(), False
        self._closed = threading.Event()
        self.newest: Stamp | None = None
        self.frames = 0
        self.over = False
        self.fault: Fault | None = None
        self._thread = threading.Thread(target=self.run, name="intake", daemon=True)

    @property
    def trouble(self) -> Fault | None:
        """Why no frame comes just now, or None."""
        return self.fault or self.source.trouble

    def start(self) -> None:
        self._thread.start()

    def run(self) -> None:
        """Until the source has no more."""
        try:
            while (got := self.source.grab()) is not None:
                self._keep(*got)
                self._wait()
        except Fault as fault:
            self.fault = fault
        except Exception as e:      # the decoder's library: the kiosk goes on without a picture
            self.fault = Fault(f"the next frame of {self.source.name}", f"{type(e).__name__}: {e}",
                               "start the kiosk again")
        finally:
            self.over = True

    def close(self) -> None:
        self._closed.set()
        self.source.close()
        if self._thread.is_alive():
            self._thread.join(CLOSING_S)

    def shut(self, closed: bool) -> None:
        """The hall is closed: what is in the reel is wiped, and frames are counted and not kept, until it opens."""
        with self._writing:
            self._shut = closed
            if closed:
                self._reel.wipe()

    def _keep(self, stamp: Stamp, jpeg: bytes) -> None:
        self._health.frame(stamp)
        self.frames += 1
        with self._writing:
            if self._shut:
                return
            kept = self._reel.write(stamp, jpeg) is None
        if kept:
            self.newest = stamp
        else:
            self._health.count("refused")

    def _wait(self) -> None:
        while not self.source.live and self.behind() and self._clock.wait_until(self._clock.now_ns() + HELD_NS, self._closed):
            self._health.count("held")
