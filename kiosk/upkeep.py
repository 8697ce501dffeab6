"""Upkeep: what the kiosk looks after beside the balls while it runs, also for weeks: the watchdog, the hall's hours, and
clips whose time is over, or whose player's consent is, on the day on which that is so.

It decides nothing about balls and never makes the loop wait: what takes longer is handed aside.
"""
from __future__ import annotations

import contextlib
from datetime import date, datetime, timedelta
from types import ModuleType
from typing import Callable

from creaseside.stamps import NS
from kiosk import clips
from kiosk import clock as real_clock
from kiosk.faults import Fault
from kiosk.hours import Hours
from kiosk.logbook import Logbook

LOOK_NS = NS                        # how often the wall clock is read
SWEEP_NS = 600 * NS                 # how often clips are looked through: a clock that was set right counts soon
JUMP = timedelta(minutes=30)        # between the wall clock and the monotonic one: somebody set the wall clock
BELIEVED_NS = 3600 * NS             # and if it stays so for an hour, it is right: an hour's mistake costs no clip
AHEAD = timedelta(days=2)           # a log that is ahead of the clock by no more tells that the clock was set back


class Upkeep:
    """closed: told whether the hall is closed, when that changes. beat: told every turn. aside: does long things."""

    def __init__(self, log: Logbook, aside: Callable[[Callable[[], None]], object], hours: Hours | None = None,
                 closed: Callable[[bool], object] = lambda closed: None,
                 beat: Callable[[int], object] = lambda now_ns: None, clock: ModuleType = real_clock) -> None:
        self._log, self._aside, self._hours, self._closed = log, aside, hours, closed
        self._beat, self._clock = beat, clock
        self._due_ns = self._swept_ns = 0
        self._day: date | None = None
        self._pair = clock.utc_and_ns()
        self._jumped_ns: int | None = None
        self._is_closed = False

    def tick(self, now_ns: int) -> None:
        self._beat(now_ns)
        if now_ns < self._due_ns:
            return
        self._due_ns = now_ns + LOOK_NS
        wall = self._clock.utc_and_ns()[0]
        self._keep_hours(wall)
        if not self._believed(wall, now_ns):
            return
        if wall.date() != self._day or now_ns - self._swept_ns >= SWEEP_NS:
            self._day, self._swept_ns = wall.date(), now_ns
            self._aside(self._sweep)

    def _believed(self, wall: datetime, now_ns: int) -> bool:
        then, then_ns = self._pair
        if abs(wall - then - timedelta(microseconds=(now_ns - then_ns) // 1000)) < JUMP:
            self._jumped_ns = None
            return True
        self._jumped_ns = self._jumped_ns or now_ns
        if now_ns - self._jumped_ns >= BELIEVED_NS:
            self._pair = wall, now_ns
        return False

    def _sweep(self) -> None:
        with contextlib.suppress(Fault):        # a full or busy disk: ten minutes later it is tried again
            clips.remove_expired(self._log, day_of(self._log))

    def _keep_hours(self, wall: datetime) -> None:
        closed = self._hours is not None and not self._hours.open_at(wall)
        if closed != self._is_closed:
            self._is_closed = closed
            self._closed(closed)


def day_of(log: Logbook) -> date:
    """Today; where the clock was set back by a day or two, the log's latest day: no clip outlives its consent by that."""
    today, latest = log.today(), log.latest_day()
    return latest if latest is not None and today < latest <= today + AHEAD else today


def set_back(log: Logbook) -> str | None:
    """What people should hear where the clock is behind the log, or None."""
    today, latest = log.today(), log.latest_day()
    if latest is None or latest <= today:
        return None
    return f"the clock says {today}, but the log's latest session is of {latest}: set the clock, or days of bowling are wrong"
