"""Stamps: a frame's number and the time at which it was exposed.

Times are integer nanoseconds on one monotonic axis (the shell's clock, or a clip's own time line that starts at 0). This
room does not read a clock and does not hold pixels: a frame number points into the shell's reel.
"""
from __future__ import annotations

from dataclasses import dataclass

NS = 1_000_000_000


@dataclass(frozen=True, slots=True, order=True)
class Stamp:
    """One frame: `frame` counts from 0 in the order of arrival, `t_ns` is when it was exposed."""

    frame: int
    t_ns: int

    @property
    def t_s(self) -> float:
        return self.t_ns / NS


def to_s(t_ns: int) -> float:
    return t_ns / NS


def to_ns(t_s: float) -> int:
    return round(t_s * NS)
