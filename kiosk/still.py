"""Still: whether a process stands still, by what the system says of it: stopped, or asleep without any processor time.

A process that is starved by others is not still: it is ready to run. On other systems than Linux nobody is.
"""
from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Seen:
    """stopped: by a signal. asleep: it waits for something other than the disk. ticks: of the processor, so far."""

    stopped: bool
    asleep: bool
    ticks: int


def look(pid: int) -> Seen | None:
    """None where the system does not say (proc(5): the state, then the times of the whole process, after the name)."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_bytes().rpartition(b")")[2].split()
        return Seen(fields[0] in (b"T", b"t"), fields[0] == b"S", int(fields[11]) + int(fields[12]))
    except (OSError, ValueError, IndexError):
        return None


class Watch:
    """Looks at one process, asked once a second or less often; by looks, not by time, since whoever asks may itself have been
    stopped with it."""

    def __init__(self, pid: int) -> None:
        self._pid = pid
        self._last: Seen | None = None
        self._stopped = self._idle = 0

    def still(self, stopped: int, idle: int | None) -> bool:
        """It was stopped at so many looks in a row; or it was asleep and did nothing from one look to the next so many times
        (None: that is all right)."""
        seen = look(self._pid)
        self._stopped = self._stopped + 1 if seen and seen.stopped else 0
        self._idle = self._idle + 1 if seen and seen.asleep and seen == self._last else 0
        self._last = seen
        return self._stopped >= stopped or idle is not None and self._idle >= idle
