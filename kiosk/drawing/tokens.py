"""Tokens: the few colours, and how tall letters must be to be read from where people stand.

A colour is never the only sign: each verdict also has its own shape and its own word.
"""
from __future__ import annotations

import math
from dataclasses import dataclass

Colour = tuple[int, int, int]

INK: Colour = (0x0E, 0x11, 0x16)
PLATE: Colour = (0x1B, 0x21, 0x29)
ROPE: Colour = (0x3A, 0x44, 0x50)
CHALK: Colour = (0xF4, 0xF1, 0xE8)
DIM: Colour = (0x9A, 0xA3, 0xAD)
SKY: Colour = (0x56, 0xB4, 0xE9)       # Okabe and Ito's sky blue: told apart from orange by every kind of colour vision
ORANGE: Colour = (0xE6, 0x9F, 0x00)    # Okabe and Ito's orange

BY_VERDICT: dict[str | None, Colour] = {"hit": SKY, "miss": ORANGE, "unsure": DIM, "not seen": DIM, None: CHALK}

VERDICT, SECOND, LEAST = 0.20, 0.10, 0.04     # letter heights as shares of the screen's height, at the least
SECOND_MOST = 0.14                            # more than that does not fit beside the verdict
WELL_ARCMIN = 20.0                            # ISO 9241-3: 20 to 22 minutes of arc are read well, 16 is the least


@dataclass(frozen=True, slots=True)
class Heights:
    """How tall a capital is, at the least, in pixels; and from how far the second line is still read well, metres."""

    verdict_px: int
    second_px: int
    least_px: int
    reads_to_m: float

    @classmethod
    def on(cls, size_px: tuple[int, int], screen_inches: float, view_distance_m: float) -> Heights:
        height_px = size_px[1]
        pixel_m = screen_inches * 0.0254 / math.hypot(*size_px)
        arc = 2 * math.tan(math.radians(WELL_ARCMIN / 60) / 2)
        asked_px = view_distance_m * arc / pixel_m
        second_px = math.ceil(min(max(SECOND * height_px, asked_px), SECOND_MOST * height_px))
        return cls(math.ceil(VERDICT * height_px), second_px, math.ceil(LEAST * height_px), second_px * pixel_m / arc)
