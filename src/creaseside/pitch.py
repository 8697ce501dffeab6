"""Pitch: what the Laws of Cricket say about the ground at the bowler's end, and the named marks on it.

Pitch frame, metres: origin on the ground at the middle stump of the bowler's wicket; +x down the pitch to the striker's
wicket; +y to the bowler's left as they face the striker; +z up. This room knows no camera and no bowler.
"""
from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Mapping

# Laws of Cricket, 2017 Code: 7.2 and 7.4 (return creases 1.32 m either side of the middle stumps' line), 7.3 (popping
# crease 1.22 m in front of the bowling crease), 8.1 and 8.2 (wicket 22.86 cm wide, stumps 71.12 cm high and 3.50 to
# 3.81 cm thick, so that the outer stumps' centres are (0.2286 - 0.0366) / 2 from the middle).
RETURN_CREASE_Y_M = 1.32
POPPING_CREASE_X_M = 1.22
STUMP_HEIGHT_M = 0.7112
OUTER_STUMP_Y_M = 0.0960
# 7.3 and 7.4: how far they are painted at least: popping crease 1.83 m either side, return creases 2.44 m back from it.
POPPING_PAINT_Y_M, RETURN_PAINT_M = 1.83, 2.44

MARKS: Mapping[str, tuple[float, float, float]] = MappingProxyType({
    "middle_stump_base": (0.0, 0.0, 0.0),
    "middle_stump_top": (0.0, 0.0, STUMP_HEIGHT_M),
    "left_stump_base": (0.0, OUTER_STUMP_Y_M, 0.0),
    "left_stump_top": (0.0, OUTER_STUMP_Y_M, STUMP_HEIGHT_M),
    "right_stump_base": (0.0, -OUTER_STUMP_Y_M, 0.0),
    "right_stump_top": (0.0, -OUTER_STUMP_Y_M, STUMP_HEIGHT_M),
    "bowling_crease_left": (0.0, RETURN_CREASE_Y_M, 0.0),
    "bowling_crease_right": (0.0, -RETURN_CREASE_Y_M, 0.0),
    "popping_crease_left": (POPPING_CREASE_X_M, RETURN_CREASE_Y_M, 0.0),
    "popping_crease_right": (POPPING_CREASE_X_M, -RETURN_CREASE_Y_M, 0.0),
})
STUMPS_M = tuple(MARKS[f"{which}_stump_base"][:2] for which in ("left", "middle", "right"))


@dataclass(frozen=True, slots=True)
class Crease:
    """A painted line through two marks, from `begin` to `end`, (x, y) metres. The crease is the edge of its paint (7.2, 7.3,
    7.4): `paint` points from that edge over the paint."""

    marks: tuple[str, str]
    begin: tuple[float, float]
    end: tuple[float, float]
    paint: tuple[float, float]


CREASES: Mapping[str, Crease] = MappingProxyType({
    "bowling": Crease(("bowling_crease_left", "bowling_crease_right"), (0, RETURN_CREASE_Y_M), (0, -RETURN_CREASE_Y_M), (1, 0)),
    "popping": Crease(("popping_crease_left", "popping_crease_right"), (POPPING_CREASE_X_M, POPPING_PAINT_Y_M),
                      (POPPING_CREASE_X_M, -POPPING_PAINT_Y_M), (1, 0)),
    "left_return": Crease(("bowling_crease_left", "popping_crease_left"), (POPPING_CREASE_X_M - RETURN_PAINT_M, RETURN_CREASE_Y_M),
                          (POPPING_CREASE_X_M, RETURN_CREASE_Y_M), (0, 1)),
    "right_return": Crease(("bowling_crease_right", "popping_crease_right"),
                           (POPPING_CREASE_X_M - RETURN_PAINT_M, -RETURN_CREASE_Y_M), (POPPING_CREASE_X_M, -RETURN_CREASE_Y_M), (0, -1)),
})

LINES: tuple[tuple[str, str], ...] = (
    ("bowling_crease_left", "bowling_crease_right"),
    ("popping_crease_left", "popping_crease_right"),
    ("bowling_crease_left", "popping_crease_left"),
    ("bowling_crease_right", "popping_crease_right"),
    ("middle_stump_base", "middle_stump_top"),
)
"""The marks that a line joins, for drawing the pitch over the picture."""
