"""Clock: the only room that reads time, or waits for it.

One monotonic axis in integer nanoseconds; on Linux it is CLOCK_MONOTONIC, the axis of the camera driver's own stamps.
Wall time is for people and for rows: it is read as a pair with the monotonic time and never used in a difference.
"""
from __future__ import annotations

import threading
import time
from datetime import datetime

NS = 1_000_000_000


def now_ns() -> int:
    return time.monotonic_ns()


def utc_and_ns() -> tuple[datetime, int]:
    """Wall time, aware, in the local offset, and the monotonic time of the same moment."""
    before_ns = time.monotonic_ns()
    wall = datetime.now().astimezone()
    return wall, (before_ns + time.monotonic_ns()) // 2


def slept_ns() -> int:
    """How long the machine was asleep, which the monotonic time leaves out; from a start that is the system's own, so for
    differences alone. 0 where the monotonic time goes on meanwhile, as on Windows. Only Linux was tried."""
    awake = getattr(time, "CLOCK_BOOTTIME", getattr(time, "CLOCK_MONOTONIC", None))
    return 0 if awake is None else time.clock_gettime_ns(awake) - time.monotonic_ns()


def cpu_ns() -> int:
    """Processor time that this process has used, all its threads together; for shares and costs, never for order."""
    return time.process_time_ns()


def wait_until(t_ns: int, stop: threading.Event | None = None) -> bool:
    """Wait until now is `t_ns` or later, never less. False as soon as `stop` is set, whatever the time."""
    while (left_ns := t_ns - time.monotonic_ns()) > 0:
        if stop is None:
            time.sleep(left_ns / NS)
        elif stop.wait(min(left_ns / NS, threading.TIMEOUT_MAX)):
            return False
    return not (stop and stop.is_set())
