"""Tape: a recording through the same door as the camera, in real time or as fast as it goes, with the file's own times.

Times come from the file frame by frame, so that a varying frame rate is right; `fps` says at what rate it was filmed
where the file says otherwise. Motion JPEG leaves as it lies in the file; everything else is encoded again. Nothing is
dropped here: a late consumer gets its frames at once, and the lateness is counted.
"""
from __future__ import annotations

import math
import queue
import statistics
import threading
from collections import deque
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import Iterator, Mapping

import numpy as np

from creaseside.stamps import NS, Stamp, to_s
from kiosk import clock as real_clock
from kiosk.faults import Fault
from kiosk.health import REMEMBERED, Lateness, lateness
from kiosk.sources import container, jpeg, opencv

AHEAD = 32                   # frames decoded ahead: a quarter of a second at 120 fps, about 8 MB
PLAUSIBLE_FPS = (1.0, 1000.0)
MOTION_JPEG = {b"MJPG", b"mjpg", b"jpeg"}
STILLS_S = 0.0, 1.0, 2.0     # from the beginning
PROBED = 30                  # frames that tell the rate where the file's head does not


class Tape:
    """`grab` for the live loop, `passes` times through the file; `frames` for measuring offline. Both number the frames from 0."""

    live = False
    trouble: Fault | None = None

    def __init__(self, path: str | Path, fps: float | None = None, paced: bool = True, passes: float = 1,
                 clock=real_clock) -> None:
        self.path = Path(path).expanduser()
        self.name = str(path)
        self._given_fps, self._paced, self._passes, self._clock = fps, paced, passes, clock
        if fps is not None and not PLAUSIBLE_FPS[0] <= fps <= PLAUSIBLE_FPS[1]:
            raise Fault(f"{fps:g} frames per second", "no rate that a camera films at", "give --fps between 1 and 1000")
        self._probe()
        self._stop = threading.Event()
        self._ahead: _Ahead | None = None
        self._start_ns: int | None = None
        self._pass_ns: int | None = None
        self._late_ms: deque[float] = deque(maxlen=REMEMBERED)
        self._damaged = 0

    @property
    def counts(self) -> Mapping[str, int]:
        return {"damaged": self._damaged}

    @property
    def late(self) -> Lateness | None:
        """How late frames were handed out; None where none was or where the tape is not paced."""
        return lateness(list(self._late_ms)) if self._late_ms else None

    def grab(self) -> tuple[Stamp, bytes] | None:
        """The next frame. Paced: at its time and never before; the stamp is that time. Else: at once, with the file's
        time.
        """
        if self._stop.is_set():
            return None
        if self._ahead is None:
            self._ahead = _Ahead(self._encoded(), AHEAD)
        got = self._ahead.take()
        if got is None or not self._paced:
            return got
        stamp, data = got
        if self._start_ns is None:
            self._start_ns = self._clock.now_ns() - stamp.t_ns
        stamp = Stamp(stamp.frame, self._start_ns + stamp.t_ns)
        if not self._clock.wait_until(stamp.t_ns, self._stop):
            return None
        self._late_ms.append((self._clock.now_ns() - stamp.t_ns) / 1e6)
        return stamp, data

    def clip_s(self, stamp: Stamp) -> float:
        """The stamp's time in the file, from its first frame."""
        t_ns = stamp.t_ns - (self._start_ns or 0)
        return to_s(t_ns % self._pass_ns if self._pass_ns else t_ns)

    def frames(self, first_s: float | None = None, last_s: float | None = None) -> Iterator[tuple[Stamp, np.ndarray]]:
        """The file's frames as pixels (H, W, 3) BGR with its own times, both ends included, as fast as it goes."""
        first_ns, last_ns = -math.inf if first_s is None else first_s * NS, math.inf if last_s is None else last_s * NS
        with closing(self._file(raw=False, first_ns=first_ns)) as pictures:
            for stamp, bgr in pictures:
                if stamp.t_ns > last_ns:
                    return
                yield stamp, bgr

    def stills(self) -> Iterator[np.ndarray]:
        for at_s in STILLS_S:
            yield from (bgr for _, bgr in islice(self.frames(at_s), 1))

    def close(self) -> None:
        self._stop.set()
        if self._ahead:
            self._ahead.end()

    def __enter__(self) -> Tape:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _encoded(self) -> Iterator[tuple[Stamp, bytes]]:
        """JPEGs with times from the first frame, pass after pass."""
        frame = passes = 0
        while True:
            times = []
            for stamp, data in self._file(self._raw):
                times.append(stamp.t_ns)
                data = jpeg.whole(data) if self._raw else jpeg.encode(data)
                if data is None:
                    self._damaged += 1
                    continue
                yield Stamp(frame, stamp.t_ns + passes * (self._pass_ns or 0)), data
                frame += 1
            passes += 1
            if passes >= self._passes or len(times) < 2:
                return
            self._pass_ns = times[-1] + round(times[-1] / (len(times) - 1))

    def _file(self, raw: bool, first_ns: float = -math.inf) -> Iterator[tuple[Stamp, np.ndarray | bytes]]:
        """One pass through the file: pixels, or where `raw` the bytes as they lie there."""
        import cv2
        capture = _open(self.path, raw)
        times = Times(NS / self.fps, self._given_fps is not None)
        try:
            frame = 0
            while capture.grab():
                stamp = Stamp(frame, times.next(capture.get(cv2.CAP_PROP_POS_MSEC)))
                frame += 1
                if stamp.t_ns < first_ns:
                    continue
                good, data = capture.retrieve()
                if good and data is not None:
                    yield stamp, data.tobytes() if raw else data
                else:
                    self._damaged += 1
        finally:
            capture.release()

    def _probe(self) -> None:
        """Size, rate and whether its bytes can leave as they are; Fault where this is no recording."""
        import cv2
        asked = f"the recording {self.path}"
        _is_file(self.path, asked)
        capture = _open(self.path)
        said_fps = capture.get(cv2.CAP_PROP_FPS)
        kind = int(capture.get(cv2.CAP_PROP_FOURCC)).to_bytes(4, "little")
        turned = capture.get(cv2.CAP_PROP_ORIENTATION_META)
        capture.release()
        self._raw, self._damaged, self.fps = False, 0, self._given_fps or 25.0
        pictures = list(islice(self._file(False), PROBED))
        if missing := container.missing_bytes(self.path):
            raise Fault(asked, f"a file that was cut short by {missing:,} bytes", "copy or record it again")
        if len(pictures) < 2 or kind == b"ansi":      # the decoder shows any text file as a film of letters
            raise Fault(asked, "a single picture" if len(pictures) == 1 else "no video", "give a video file")
        self.height_px, self.width_px = pictures[0][1].shape[:2]
        if self._given_fps is None:
            plausible = PLAUSIBLE_FPS[0] <= said_fps <= PLAUSIBLE_FPS[1]
            self.fps = said_fps if plausible else _usual_fps([stamp.t_ns for stamp, _ in pictures])
        self._raw = kind in MOTION_JPEG and not turned and self._fits(next(self._file(True), None))

    def _fits(self, first: tuple[Stamp, bytes] | None) -> bool:
        """The file's own bytes are one whole JPEG a frame, of the size of the frame."""
        data = first and jpeg.whole(first[1])
        return bool(data) and jpeg.size_px(data) == (self.width_px, self.height_px)


class Times:
    """A file's times as ns from its first frame, rising whatever the file says: a step that does not rise is a usual
    one.
    """

    def __init__(self, period_ns: float, by_count: bool) -> None:
        self._period_ns, self._by_count = period_ns, by_count
        self._first_ms: float | None = None
        self._frame = -1
        self._last_ns = 0

    def next(self, position_ms: float) -> int:
        self._frame += 1
        if self._by_count or not math.isfinite(position_ms):
            t_ns = round(self._frame * self._period_ns)
        else:
            self._first_ms = position_ms if self._first_ms is None else self._first_ms
            t_ns = round((position_ms - self._first_ms) * 1e6)
        if self._frame and t_ns <= self._last_ns:
            t_ns = self._last_ns + round(self._period_ns)
        self._last_ns = t_ns
        return t_ns


class _Ahead:
    """Runs an iterator in a thread, at most `room` items ahead of who takes them."""

    def __init__(self, items: Iterator, room: int) -> None:
        self._items, self._room, self._ready = items, threading.Semaphore(room), queue.SimpleQueue()
        self._stop = threading.Event()
        self._over = False
        threading.Thread(target=self._run, name="tape", daemon=True).start()

    def take(self):
        """The next item; None at the end, every time. Raises what the iterator raised."""
        item = None if self._over else self._ready.get()
        if item is None or isinstance(item, BaseException):
            self._over = True
            if item is not None:
                raise item
            return None
        self._room.release()
        return item

    def end(self) -> None:
        self._stop.set()
        self._room.release()

    def _run(self) -> None:
        try:
            for item in self._items:
                self._room.acquire()
                if self._stop.is_set():
                    break
                self._ready.put(item)
            self._ready.put(None)
        except BaseException as e:   # whoever takes must hear of it, or waits for ever
            self._ready.put(e)


def _is_file(path: Path, asked: str) -> None:
    try:
        with path.open("rb") as f:
            empty = not f.read(1)
    except FileNotFoundError as e:
        raise Fault(asked, "no such file", "give the right path") from e
    except OSError as e:
        raise Fault(asked, e.strerror or str(e), "give a video file that may be read") from e
    if empty:
        raise Fault(asked, "an empty file", "copy or record it again")


def _open(path: Path, raw: bool = False):
    """An OpenCV capture; upright as the file says it was filmed."""
    cv2 = opencv()
    capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    if raw:
        capture.set(cv2.CAP_PROP_FORMAT, -1)
    return capture


def _usual_fps(times_ns: list[int]) -> float:
    return NS / statistics.median(b - a for a, b in zip(times_ns, times_ns[1:]))
