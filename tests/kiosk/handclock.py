"""A clock that the test advances: waiting moves it at once to the time that was waited for."""
from __future__ import annotations

from datetime import datetime, timedelta, timezone


class HandClock:
    """Stands in for the clock room wherever one is handed in."""

    def __init__(self, ns: int = 1_000_000_000_000) -> None:
        self.ns, self.slept = ns, 0

    def now_ns(self) -> int:
        return self.ns

    def utc_and_ns(self) -> tuple[datetime, int]:
        return datetime(2026, 1, 1, tzinfo=timezone.utc) + timedelta(microseconds=(self.ns + self.slept) // 1000), self.ns

    def slept_ns(self) -> int:
        return self.slept

    def wait_until(self, t_ns: int, stop=None) -> bool:
        if stop is not None and stop.is_set():
            return False
        self.ns = max(self.ns, t_ns)
        return True

    def sleep_s(self, seconds: float) -> None:
        """As of a machine that was put to sleep: the wall clock goes on, the monotonic one does not."""
        self.slept += round(seconds * 1e9)

    def pass_s(self, seconds: float) -> None:
        self.ns += round(seconds * 1e9)
