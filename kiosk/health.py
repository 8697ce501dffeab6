"""Health: how the kiosk is doing, as counters, rates and lateness, read as one frozen snapshot.

It is told stamps and times and reads no clock. It judges nothing: what is bad is for those who show it to say.
"""
from __future__ import annotations

import threading
from collections import Counter, deque
from dataclasses import dataclass
from types import MappingProxyType
from typing import Mapping

from creaseside.stamps import NS, Stamp

WINDOW_NS = 5 * NS      # the rate that is shown; long enough for a steady number, short enough to see a light go out
SILENT_NS = 1 * NS      # no frame for so long: the rate is 0, whatever it was
GAP_PERIODS = 1.5       # a longer step between two stamps means lost frames
REMEMBERED = 2000       # latest latenesses of each kind, so that an evening's first minutes do not hide its last


@dataclass(frozen=True, slots=True)
class Lateness:
    """How much later than asked things happened, over the latest `n`: median, 95th percentile and worst, milliseconds.
    """

    n: int
    p50_ms: float
    p95_ms: float
    max_ms: float

    def shares(self, scale: float, decimals: int) -> dict[str, float | int]:
        """For whoever asked for JSON, in `scale` of a millisecond."""
        return {"p50": round(self.p50_ms * scale, decimals), "p95": round(self.p95_ms * scale, decimals),
                "max": round(self.max_ms * scale, decimals), "n": self.n}


@dataclass(frozen=True, slots=True)
class Snapshot:
    """fps: measured over the last 5 s, None before the second frame. silent_s: since the newest frame, None before the
    first.

    lost: frames that the stamps' steps say never came. counts: whatever else was counted, by name.
    """

    frames: int
    lost: int
    fps: float | None
    asked_fps: float | None
    silent_s: float | None
    counts: Mapping[str, int]
    late: Mapping[str, Lateness]

    def as_json(self) -> dict:
        late_ms = {what: {"n": v.n, "p50": _rounded(v.p50_ms), "p95": _rounded(v.p95_ms), "max": _rounded(v.max_ms)}
                   for what, v in self.late.items()}
        return {"frames": self.frames, "lost": self.lost, "fps": _rounded(self.fps),
                "asked_fps": _rounded(self.asked_fps), "silent_s": _rounded(self.silent_s), **self.counts,
                "late_ms": late_ms}


class Health:
    """Told from any thread; each call is short."""

    def __init__(self, asked_fps: float | None = None) -> None:
        self.asked_fps = asked_fps
        self._lock = threading.Lock()
        self._stamps: deque[int] = deque()
        self._frames = self._lost = 0
        self._counts: Counter[str] = Counter()
        self._late: dict[str, deque[float]] = {}

    def frame(self, stamp: Stamp) -> None:
        """A frame came. Steps longer than 1.5 usual periods count as lost frames; a pause of over 1 s does not (no
        camera).
        """
        with self._lock:
            if self._stamps:
                step = stamp.t_ns - self._stamps[-1]
                period = self._period()
                if period and GAP_PERIODS * period < step < SILENT_NS:
                    self._lost += round(step / period) - 1
            self._frames += 1
            self._stamps.append(stamp.t_ns)
            while self._stamps[0] < stamp.t_ns - WINDOW_NS:
                self._stamps.popleft()

    def count(self, what: str, n: int = 1) -> None:
        with self._lock:
            self._counts[what] += n

    def late(self, what: str, asked_ns: int, happened_ns: int) -> None:
        with self._lock:
            self._late.setdefault(what, deque(maxlen=REMEMBERED)).append((happened_ns - asked_ns) / 1e6)

    def snapshot(self, now_ns: int) -> Snapshot:
        with self._lock:
            silent_ns = now_ns - self._stamps[-1] if self._stamps else None
            late = {what: lateness(list(ms)) for what, ms in self._late.items()}
            return Snapshot(self._frames, self._lost, self._fps(silent_ns, now_ns), self.asked_fps,
                            None if silent_ns is None else max(0, silent_ns) / NS,
                            MappingProxyType(dict(self._counts)), MappingProxyType(late))

    def _fps(self, silent_ns: int | None, now_ns: int) -> float | None:
        if silent_ns is not None and silent_ns > SILENT_NS:
            return 0.0
        inside = [t for t in self._stamps if t >= now_ns - WINDOW_NS]
        return (len(inside) - 1) * NS / (inside[-1] - inside[0]) if len(inside) > 1 and inside[-1] > inside[0] else None

    def _period(self) -> float | None:
        """The asked period, or the mean of the window where none was asked."""
        if self.asked_fps:
            return NS / self.asked_fps
        n = len(self._stamps) - 1
        return (self._stamps[-1] - self._stamps[0]) / n if n >= 10 else None


def lateness(ms: list[float]) -> Lateness:
    """Of at least one number; percentiles between the ranks (as numpy's)."""
    ms = sorted(ms)
    return Lateness(len(ms), _percentile(ms, 0.5), _percentile(ms, 0.95), ms[-1])


def _percentile(ordered: list[float], share: float) -> float:
    at = share * (len(ordered) - 1)
    low = int(at)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (at - low)


def _rounded(x: float | None) -> float | None:
    return None if x is None else round(x, 3)
