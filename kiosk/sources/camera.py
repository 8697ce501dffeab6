"""Camera: a live camera that may be dim, slow, broken or unplugged, and is always being brought back.

A thread does nothing but read the driver. What it read is judged here: torn, wrong-sized and repeated frames are
counted and skipped. Where nothing new came for a second the device is closed, and opened anew with growing pauses,
since only that brings a camera back after it was unplugged. The driver itself is behind `grabber`; settings of the
lens are not made here.
"""
from __future__ import annotations

import threading
from collections import Counter, deque
from typing import Callable, Iterator, Mapping

import numpy as np

from creaseside.settings import Camera as Asked
from creaseside.stamps import NS, Stamp
from kiosk import clock as real_clock
from kiosk.faults import Fault
from kiosk.sources import jpeg
from kiosk.sources.v4l2 import V4L2, Format, Shot, steady_name

STALL_NS = NS                  # nothing new for so long: it is gone
FIRST_FRAME_NS = 4 * NS        # cameras take one to three seconds to send their first frame (common practice)
STILLS, STILLS_NS = 3, NS // 3    # so many, so far apart
PAUSES_NS = (NS // 4, NS // 2, NS, 2 * NS)   # before opening anew, the last over and over: back within 5 s
OLDEST_STAMP_NS = NS // 2      # a driver's stamp is on our clock if it is neither later than now nor older than this
HELD = 64                      # frames the reading thread may be ahead: half a second at 120 fps


class Camera:
    """One camera. `fps` is what the driver agreed to; the real rate is in the stamps."""

    live = True

    def __init__(self, device: str, asked: Asked = Asked(), clock=real_clock,
                 grabber: Callable[[str, Asked], V4L2] = V4L2, feed: Callable[[V4L2], Feed] | None = None) -> None:
        """Opens it; Fault where that cannot be. `grabber` and `feed` stand in for the driver and the thread in tests.
        """
        self._asked, self._clock, self._grabber = asked, clock, grabber
        self._feed_of = feed or (lambda g: Feed(g, clock))
        self._steady = steady_name(device)
        self._device = device
        self.name = f"camera {device}"
        self._stop = threading.Event()
        self._counts: Counter[str] = Counter()
        self._frame, self._last_ns = 0, -1
        self._last_data: bytes | None = None
        self.width_px = self.height_px = 0
        self.trouble: Fault | None = None
        self._tries = self.attempts = 0      # since the last good frame; ever
        self._feed = None
        got = self._open(device)
        self.width_px, self.height_px, self.fps = got.width_px, got.height_px, got.fps

    @property
    def counts(self) -> Mapping[str, int]:
        """damaged, wrong_size, repeated, dropped (read too slowly from us), reopened."""
        return dict(self._counts)

    def grab(self) -> tuple[Stamp, bytes] | None:
        """The next new, whole frame. Waits through a camera's absence (see `trouble`); None only after close."""
        while not self._stop.is_set():
            if self._feed is None:
                self._reopen()
                continue
            shot = self._feed.take(self._lost_at_ns)
            good = self._judged(shot) if shot else None
            if shot and self._feed.dropped:
                self._counts["dropped"] += self._feed.forget_dropped()
            if self._feed.over and not shot:
                self._lose(self._feed.why)
            elif self._clock.now_ns() >= self._lost_at_ns:
                self._lose(self._why)
            if good:
                return good
        return None

    def stills(self) -> Iterator[np.ndarray]:
        """Some time apart, since the first ones are often too dark; no longer than a camera takes to wake."""
        until_ns, due_ns, left = self._clock.now_ns() + FIRST_FRAME_NS, 0, STILLS
        while left and self._feed and (shot := self._feed.take(until_ns)):
            good = self._judged(shot)
            if good and good[0].t_ns >= due_ns and (bgr := jpeg.decode(good[1])) is not None:
                due_ns, left = good[0].t_ns + STILLS_NS, left - 1
                yield bgr

    def close(self) -> None:
        self._stop.set()
        if self._feed:
            self._feed.end()

    def _open(self, device: str) -> Format:
        grabber = self._grabber(device, self._asked)
        try:
            got = grabber.open()
            if self.width_px and (got.width_px, got.height_px) != (self.width_px, self.height_px):
                raise Fault(f"{self.name} at {self.width_px} x {self.height_px} again",
                            f"{got.width_px} x {got.height_px}", "plug it into the socket that it was in")
        except BaseException:
            grabber.close()
            raise
        self._feed = self._feed_of(grabber)
        self._last_driver_ns: int | None = None
        self._driver_tells_time: bool | None = None
        self._size = (got.width_px, got.height_px)
        self._why = "no frame"
        self._lost_at_ns = self._clock.now_ns() + FIRST_FRAME_NS
        return got

    def _reopen(self) -> None:
        """One try, after its pause. By the name that outlives replugging, then by the one that was asked for."""
        pause_ns = PAUSES_NS[min(self._tries, len(PAUSES_NS) - 1)]
        if not self._clock.wait_until(self._clock.now_ns() + pause_ns, self._stop):
            return
        names = dict.fromkeys((self._steady, self._device))
        self._tries += 1
        self.attempts += 1
        for name in names:
            try:
                self._open(name)
                self._counts["reopened"] += 1
                return
            except Fault as fault:
                self.trouble = fault

    def _lose(self, why: str) -> None:
        self._feed.end()
        self._feed = None
        self.trouble = Fault(f"the picture of {self.name}", why, "look at its plug and cable; it is being opened again")

    def _judged(self, shot: Shot) -> tuple[Stamp, bytes] | None:
        """The frame to hand out, or None, counted, where it is torn, of another size or the old one again."""
        data = self._whole(shot)
        if data is None:
            return None
        told_anew = shot.driver_ns is not None and shot.driver_ns != self._last_driver_ns
        changed = data != self._last_data
        if not (told_anew or changed):
            self._counts["repeated"] += 1
            self._why = "the same frame again and again"
            return None
        self._last_driver_ns, self._last_data = shot.driver_ns, data
        if changed:   # a sensor's noise never comes twice: the same bytes are no new sight
            self._lost_at_ns = self._clock.now_ns() + STALL_NS
            self._why, self.trouble, self._tries = "no frame for a second", None, 0
        else:
            self._why = "the same picture again and again"
        stamp = Stamp(self._frame, self._exposed_ns(shot))
        self._frame, self._last_ns = self._frame + 1, stamp.t_ns
        return stamp, data

    def _whole(self, shot: Shot) -> bytes | None:
        if not isinstance(shot.data, bytes):
            size, data = shot.data.shape[1::-1], None
        elif data := jpeg.whole(shot.data):
            size = jpeg.size_px(data)
        else:
            self._counts["damaged"] += 1
            self._why = "nothing but torn frames"
            return None
        if size != self._size:
            self._counts["wrong_size"] += 1
            self._why = "frames of another size" if size else "frames that are no pictures"
            return None
        return data or jpeg.encode(shot.data)

    def _exposed_ns(self, shot: Shot) -> int:
        """The driver's stamp, or the time of reading where the driver's is not on our clock.

        The first frame decides for the whole opening, so that the two never mix: a later stamp may well be old where we
        came late to read it.
        """
        if self._driver_tells_time is None:
            age_ns = -1 if shot.driver_ns is None else shot.read_ns - shot.driver_ns
            self._driver_tells_time = 0 <= age_ns <= OLDEST_STAMP_NS
        told_ns = shot.driver_ns if self._driver_tells_time and shot.driver_ns is not None else shot.read_ns
        return max(min(told_ns, shot.read_ns), self._last_ns + 1)


class Feed:
    """The thread that reads a grabber, and closes it at its end: nobody may close a device while it is read."""

    def __init__(self, grabber: V4L2, clock=real_clock) -> None:
        self._grabber, self._clock = grabber, clock
        self._shots: deque[Shot] = deque(maxlen=HELD)
        self._news = threading.Condition()
        self._ending = False
        self.over, self.why = False, "no frame from the driver"
        self.dropped = 0
        self._thread = threading.Thread(target=self._run, name="camera", daemon=True)
        self._thread.start()

    def take(self, until_ns: int) -> Shot | None:
        """The oldest frame not yet taken; None where none came until then, or where none will come any more."""
        with self._news:
            while not self._shots and not self.over and (left_ns := until_ns - self._clock.now_ns()) > 0:
                self._news.wait(left_ns / NS)
            return self._shots.popleft() if self._shots else None

    def forget_dropped(self) -> int:
        with self._news:
            dropped, self.dropped = self.dropped, 0
            return dropped

    def end(self) -> None:
        """Returns at once: a reader that hangs in its driver closes the device when it comes back."""
        with self._news:
            self._ending = self.over = True
            self._news.notify_all()

    def _run(self) -> None:
        try:
            while not self._ending and (shot := self._grabber.read()) is not None:
                with self._news:
                    self.dropped += len(self._shots) == HELD
                    self._shots.append(shot)
                    self._news.notify_all()
        except Exception as e:   # the driver's library; the camera is opened anew whatever it was
            self.why = f"a fault of the driver: {e}"
        finally:
            self._grabber.close()
            self.end()
