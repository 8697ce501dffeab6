"""Paint: how the creases run in a picture of the net, from their white paint, to a tenth of a pixel.

A hand places marks to about a pixel, and six marks that are so far off put a place four metres beyond them 13 cm aside. The
paint between them is seen at hundreds of places. Where it can be read and agrees with the marks, it comes to stand beside them;
else they stay as they are. What a camera makes of it is geometry, and the engine's to say.
"""
from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Iterable

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from creaseside import camera as cameras
from creaseside.camera import Camera, Paint
from creaseside.pitch import CREASES, Crease
from kiosk.marks import Marks

EVERY_PX, MARGIN_PX = 2.0, 4.0       # between two places along a crease; from the picture's edge
WIDE_M, MARK_PX = 0.125, 5.0         # to either side of where the marks have the crease: paint is 5 to 10 cm wide, marks are off by a few pixels
FINE_PX = 0.25                       # between two points across it
CALM = 5                             # places to either side whose median counts, so that a net's twine does not
CONTRAST = 25.0                      # grey levels between paint and ground
UNALIKE, UNALIKE_PX = 0.3, 0.7       # paint is alike wide everywhere: what is not is a leg, a stump or a bail of the net
LEAST_PLACES, LEAST_SHARE = 12, 0.3  # of a crease that must be seen
STRAIGHT_PX = 0.4                    # how far from a line its places may lie
POINTS = 8                           # that stand for a crease
LEAST_CREASES = 3
SAME_PX = 0.5                        # nearer than this, two readings are of the same paint under the same camera


@dataclass(frozen=True, slots=True)
class _Across:
    """Places along one crease: where the marks have it (N, 2) pixels, the direction over its paint (N, 2), pixels a metre there
    (N,), and where along that direction the paint begins and ends (N, 2), pixels, NaN where none is seen."""

    at_px: np.ndarray
    over: np.ndarray
    px_a_m: np.ndarray
    ends_px: np.ndarray

    @property
    def width_m(self) -> np.ndarray:
        return (self.ends_px[:, 1] - self.ends_px[:, 0]) / self.px_a_m


def sharpened(marks: Marks, pictures: Iterable[np.ndarray]) -> Marks:
    """The marks with the paint beside them, from the first of the (H, W, 3) BGR pictures in which it is seen; the same marks where
    there is none, or where it is of something else. MarksFault where the marks are no picture of a pitch."""
    alone = replace(marks, paint=())
    camera = alone.camera()
    for picture in pictures:
        found = replace(alone, paint=seen(picture, camera))
        if found.paint and max(found.camera().residual_px.values()) <= cameras.WRONG_MARK_PX * max(1.0, marks.width_px / 1280):
            return found
    return alone


def same(one: Paint, other: Paint) -> bool:
    """Whether two readings are of the same paint from the same place: every crease that both have lies alike, and there are enough."""
    a, b = dict(one), dict(other)
    both = a.keys() & b.keys()
    return len(both) >= LEAST_CREASES and all(_apart_px(np.array(a[name]), np.array(b[name])) <= SAME_PX for name in both)


def seen(bgr: np.ndarray, camera: Camera) -> Paint:
    """The middles of the creases' paint, each with points along it; empty where too few creases are seen."""
    if bgr.shape[:2] != (camera.height_px, camera.width_px):
        return ()
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    across = {name: found for name, crease in CREASES.items() if (found := _across(grey, camera, crease)) is not None}
    widths_m = np.concatenate([found.width_m for found in across.values()] or [np.empty(0)])
    if np.isfinite(widths_m).sum() < LEAST_PLACES:
        return ()
    usual_m = float(np.nanmedian(widths_m))
    read = tuple((name, _points(found, kept)) for name, found in across.items() if (kept := _kept(found, usual_m)) is not None)
    return read if len(read) >= LEAST_CREASES else ()


def _across(grey: np.ndarray, camera: Camera, crease: Crease) -> _Across | None:
    begin, end = (np.array([*place, 0.0]) for place in (crease.begin, crease.end))
    places = begin + (end - begin) * np.linspace(0, 1, 400)[:, None]
    at = camera.project(places)
    inside = ((at > MARGIN_PX) & (at < np.array([camera.width_px, camera.height_px]) - MARGIN_PX)).all(1)
    if inside.sum() < LEAST_PLACES:
        return None
    places, at = places[inside], at[inside]
    n = max(LEAST_PLACES, int(np.linalg.norm(np.diff(at, axis=0), axis=1).sum() / EVERY_PX))
    some = np.unique(np.linspace(0, len(at) - 1, n).astype(int))
    places, at = places[some], at[some]
    along = np.gradient(at, axis=0)
    over = np.stack([-along[:, 1], along[:, 0]], 1) / np.linalg.norm(along, axis=1, keepdims=True)
    px_a_m = ((camera.project(places + 0.05 * np.array([*crease.paint, 0.0])) - at) * over).sum(1) / 0.05
    over, px_a_m = over * np.sign(px_a_m)[:, None], np.abs(px_a_m)
    return _Across(at, over, px_a_m, _ends_px(grey, at, over, WIDE_M * float(np.median(px_a_m)) + MARK_PX))


def _ends_px(grey: np.ndarray, at: np.ndarray, over: np.ndarray, reach_px: float) -> np.ndarray:
    """(N, 2): where the brightest stripe across each place begins and ends, half-way from ground to paint."""
    step = np.arange(-reach_px, reach_px + FINE_PX, FINE_PX)
    x, y = np.moveaxis(at[:, None] + step[:, None] * over[:, None] - 0.5, -1, 0).astype(np.float32)
    light = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = np.median(sliding_window_view(np.pad(light, ((CALM, CALM), (0, 0)), "edge"), 2 * CALM + 1, axis=0), axis=-1)
    calm = cv2.blur(light, (3, 1))
    top, ground = calm[:, 2:-2].argmax(1) + 2, np.percentile(light, 30, axis=1)
    rows, index = np.arange(len(at)), np.arange(len(step))
    half = (ground + calm[rows, top]) / 2
    below = light < half[:, None]
    first = np.where(below & (index < top[:, None]), index, -1).max(1)                  # the last dark point before the stripe
    last = np.where(below & (index > top[:, None]), index, len(index)).min(1)           # the first after it
    good = (calm[rows, top] - ground >= CONTRAST) & (first >= 0) & (last < len(index))
    first, last = np.where(good, first, 0), np.where(good, last, len(index) - 1)

    def crossed(dark: np.ndarray, bright: np.ndarray) -> np.ndarray:
        share = (half - light[rows, dark]) / np.where(good, light[rows, bright] - light[rows, dark], 1.0)
        return np.where(good, step[dark] + share * (step[bright] - step[dark]), np.nan)
    return np.stack([crossed(first, first + 1), crossed(last, last - 1)], 1)


def _kept(found: _Across, usual_m: float) -> np.ndarray | None:
    """Which places (N,) show the crease's paint: as wide as usual and in a line, which a lens may bend; None for too few."""
    kept = np.abs(found.width_m - usual_m) < UNALIKE * usual_m + UNALIKE_PX / found.px_a_m
    least, middle, along = max(LEAST_PLACES, LEAST_SHARE * len(kept)), found.ends_px.mean(1), np.linspace(-1, 1, len(kept))
    alike = kept
    for _ in range(6):
        if kept.sum() < least:
            return None
        off = middle - np.polyval(np.polyfit(along[kept], middle[kept], 2), along)
        sd = max(1.4826 * float(np.median(np.abs(off[kept]))), 0.05)
        kept = alike & (np.abs(off) < 3 * sd)
    return kept if sd <= STRAIGHT_PX and kept.sum() >= least else None


def _points(found: _Across, kept: np.ndarray) -> tuple[tuple[float, float], ...]:
    """Some points along the middle of the paint, each the mean of its neighbours."""
    at = found.at_px + found.over * found.ends_px.mean(1)[:, None]
    parts = np.array_split(np.flatnonzero(kept), POINTS)
    return tuple((round(float(x), 3), round(float(y), 3)) for x, y in (at[part].mean(0) for part in parts))


def _apart_px(one: np.ndarray, other: np.ndarray) -> float:
    """The farthest that a point of one is from the line through the other."""
    middle = other.mean(0)
    across = np.linalg.svd(other - middle)[2][1]
    return float(np.abs((one - middle) @ across).max())

