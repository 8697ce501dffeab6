"""Row: one fault of the table, its pass line, and how it is injected so many times."""
from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Callable, Iterator


class Missed(AssertionError):
    """The pass line was not met; the words say by what."""


class NotHere(Exception):
    """This machine cannot have that fault; the words say why."""


@dataclass(frozen=True, slots=True)
class Row:
    """run(count, folder): inject it `count` times with everything under `folder`; what was counted, in words. `short`: in
    the default suite; `full`: asked for by --full."""

    name: str
    fault: str
    line: str
    short: int
    full: int
    run: Callable[[int, Path], str]


class Awake:
    """Seconds since it was made, without those in which whoever asks was itself stopped, as by a machine that went to sleep.

    Asked less often than every MOST_S it would leave out what it should count; more is not to be waited for at a time."""

    MOST_S = 2.0

    def __init__(self) -> None:
        self._asked = time.monotonic()
        self._s = self.stopped_s = 0.0

    def s(self) -> float:
        now = time.monotonic()
        step, self._asked = now - self._asked, now
        if step > self.MOST_S:
            self.stopped_s += step
        else:
            self._s += step
        return self._s


def minutes_left() -> Callable[[], bool]:
    """Whether the minutes of FAULTS_MINUTES, counted from now, are not over."""
    end = time.monotonic() + 60 * float(os.environ.get("FAULTS_MINUTES", "inf"))
    return lambda: time.monotonic() < end


def turns(count: int) -> Iterator[int]:
    """0, 1, 2 … `count` - 1, or as far as the minutes of FAULTS_MINUTES go; at least once."""
    left = minutes_left()
    for i in range(count):
        if i and not left():
            return
        yield i


def need(holds: object, words: str) -> None:
    """The pass line holds here, or it was missed."""
    if not holds:
        raise Missed(words)
