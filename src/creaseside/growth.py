"""Growth: how fast a young player grew between two measurements of height, and whether that is a spurt.

A body that changes bowls differently without anybody's doing; this room says so and nothing about injury or maturity.
"""
from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Sequence

SPURT_CM_YEAR = 7.0      # about 0.6 cm a month, which studies of young footballers took (from memory)
SHORTEST_DAYS = 60       # in less a centimetre of measuring error is more than what grew
READING_SD_CM = 0.5      # one height against a wall, read by a person (common practice, no source)
GROWN = 20               # after that birthday nobody's height is followed here


@dataclass(frozen=True, slots=True)
class Growth:
    """From one measurement to the next that is far enough away: centimetres a year, with its sd."""

    since: date
    until: date
    cm_year: float
    sd: float

    @property
    def spurt(self) -> str:
        """`yes` or `no` where it is sure to two standard deviations on the side of care, else `perhaps`."""
        if self.cm_year - 2 * self.sd >= SPURT_CM_YEAR:
            return "yes"
        return "perhaps" if self.cm_year + 2 * self.sd >= SPURT_CM_YEAR else "no"


def growths(heights: Sequence[tuple[date, float]]) -> list[Growth]:
    """heights: (day, metres), oldest first. From each measurement to the first one SHORTEST_DAYS or more later."""
    found = []
    for i, (day, metres) in enumerate(heights):
        later = next(((d, m) for d, m in heights[i + 1:] if (d - day).days >= SHORTEST_DAYS), None)
        if later:
            years = (later[0] - day).days / 365.25
            found.append(Growth(day, later[0], 100 * (later[1] - metres) / years, math.sqrt(2) * READING_SD_CM / years))
    return found
