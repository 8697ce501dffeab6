"""Replay plan: which moment of the ball is on the screen at which moment of the replay. Pure: no clock, no picture."""
from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from typing import Sequence

from creaseside.orders import Show
from creaseside.stamps import NS, Stamp

HOLD_S = 0.8        # the last frame stays this long, so that the end is seen as an end


@dataclass(frozen=True, slots=True)
class Moment:
    """picture_ns: the moment of the ball. standing: at the stop, where the leg is drawn. slow: slower than it was."""

    picture_ns: int
    standing: bool
    slow: bool
    over: bool


@dataclass(frozen=True, slots=True)
class ReplayPlan:
    """Real speed, slow through the landing, a stand at the stop, slow on, real speed to the end, the last frame held.

    Points in time are on the frames' own axis. slow: speed between slow_from and slow_to, 1 is real. A stop outside
    first..last is left out; what reaches beyond them is cut to them.
    """

    first_ns: int
    last_ns: int
    slow_from_ns: int
    slow_to_ns: int
    stop_ns: int
    slow: float
    stop_s: float

    def __post_init__(self) -> None:
        if self.last_ns < self.first_ns or not 0 < self.slow <= 1 or self.stop_s < 0:
            raise ValueError(f"a replay runs forward, at a speed above 0 and up to 1: {self}")

    @classmethod
    def of(cls, show: Show, slow: float, stop_s: float) -> ReplayPlan:
        return cls(show.first_ns, show.last_ns, show.slow_from_ns, show.slow_to_ns, show.stop_ns, slow, stop_s)

    @property
    def duration_ns(self) -> int:
        return _parts(self)[-1].until_ns

    def at(self, elapsed_ns: int) -> Moment:
        """The moment to show when the replay has run for `elapsed_ns` of the screen's time."""
        parts = _parts(self)
        part = next((p for p in parts if elapsed_ns < p.until_ns), parts[-1])
        into_ns = min(max(elapsed_ns, 0), part.until_ns) - part.from_ns
        return Moment(part.picture_ns + int(into_ns * part.speed), part.standing, 0 < part.speed < 1,
                      elapsed_ns >= parts[-1].until_ns)


@dataclass(frozen=True, slots=True)
class _Part:
    """From..until on the screen, beginning at a moment of the ball, at one speed (0: it stands)."""

    from_ns: int
    until_ns: int
    picture_ns: int
    speed: float
    standing: bool = False


@lru_cache(8)
def _parts(plan: ReplayPlan) -> tuple[_Part, ...]:
    first, last = plan.first_ns, plan.last_ns
    cuts = sorted({first, last, *(t for t in (plan.slow_from_ns, plan.slow_to_ns, plan.stop_ns) if first < t < last)})
    parts: list[_Part] = []
    now_ns = 0

    def add(length_ns: float, picture_ns: int, speed: float, standing: bool = False) -> None:
        nonlocal now_ns
        parts.append(_Part(now_ns, now_ns + round(length_ns), picture_ns, speed, standing))
        now_ns += round(length_ns)

    for begin, end in zip(cuts, [*cuts[1:], last]):
        if begin == plan.stop_ns:
            add(plan.stop_s * NS, begin, 0.0, standing=True)
        speed = plan.slow if plan.slow_from_ns <= begin and end <= plan.slow_to_ns else 1.0
        if end > begin:
            add((end - begin) / speed, begin, speed)
    add(HOLD_S * NS, last, 0.0)
    return tuple(parts)


def newest(stamps: Sequence[Stamp], picture_ns: int) -> Stamp | None:
    """The newest frame that was exposed at or before that moment; the first where there is none. None: no frames."""
    if not stamps:
        return None
    return stamps[max(0, bisect_right(stamps, picture_ns, key=lambda s: s.t_ns) - 1)]
