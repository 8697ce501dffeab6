"""Soles: how low a foot reaches in a picture, to a fraction of a pixel, by what differs from the same view without the bowler.

The landmarks of a foot are right to a pixel or two, and a pixel may be five centimetres across the pitch. Its lower edge is seen
better where it stands out from the ground. It is looked for from below, so that a sock as white as the line behind it, or a net
before it, make no edge; and where nothing below it is as it was, as in a shadow that falls to the camera, nothing is said.
This room does not know which foot stands, and where on the ground.
"""
from __future__ import annotations

import numpy as np

from creaseside.pose import INDEX, SIDES, Pose

REACH = 0.07          # of the body's height, below the line from heel to toe: of a planted foot the edge is 2 to 5 lower (drawn)
ABOVE_PX, STEP_PX = 2.0, 0.5   # where a column begins, over that line; and its grain
SMOOTH_PX = 0.6
LEAST_LEVELS, OVER_NOISE = 12.0, 4.0   # of 255, and times what the ground differs by: the least that is a foot
EDGE_PX = 3.0         # over the lowest that differs: as much as it differs there, half of it is the edge
CLEAR_PX = 2.0        # below the edge, the ground must be seen
FILLED = 0.5          # of what is above it differs: less where a stump stands before the foot, and the edge is the stump's shade
FEWEST = 3            # columns, under either half of the foot
LEG_SHARE = 0.49      # of the stature (Drillis & Contini 1966, from memory)


def lower_edges(bgr: np.ndarray, without: np.ndarray, pose: Pose, corner_px: tuple[int, int] = (0, 0)) -> np.ndarray:
    """(2, 2) float32: where the lower edges of the left and of the right foot are, half-way from heel to toe, in pixels of the whole
    picture; NaN where that is not seen. bgr, without (H, W, 3): the look's picture, and the same view without the bowler there, both
    cut out at that corner."""
    if bgr.shape != without.shape:
        return pose.sole_px
    reach, ends = REACH * _tall_px(pose), ("heel", "toe")
    feet = [[pose[f"{side}_{end}"].astype(float) - corner_px for end in ends] for side in SIDES]
    return np.array([_edge(bgr, without, *foot, reach) + np.array(corner_px) for foot in feet], np.float32)


def _tall_px(pose: Pose) -> float:
    xy = {side: [pose.xy_px[INDEX[f"{side}_{joint}"]] for joint in ("hip", "knee", "ankle")] for side in SIDES}
    return max(float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum()) for points in xy.values()) / LEG_SHARE


def _edge(bgr: np.ndarray, without: np.ndarray, heel: np.ndarray, toe: np.ndarray, reach_px: float) -> np.ndarray:
    nothing = np.full(2, np.nan)
    if not np.isfinite([*heel, *toe, reach_px]).all() or (found := _columns(bgr, without, heel, toe, reach_px)) is None:
        return nothing
    share, below = found
    middle = (heel + toe) / 2
    halves = [below[share < 0.5], below[share >= 0.5]]
    if min(len(half) for half in halves) < FEWEST:
        return nothing
    return middle + (0.0, np.mean([np.median(half) for half in halves]))


def _columns(bgr: np.ndarray, without: np.ndarray, heel: np.ndarray, toe: np.ndarray, reach_px: float
             ) -> tuple[np.ndarray, np.ndarray] | None:
    """For the columns of the picture in which the edge is seen: where between heel (0) and toe (1), and how far below their line."""
    import cv2
    room = int(2 * reach_px) + 4
    left, top = np.maximum(np.minimum(heel, toe).astype(int) - room, 0)
    right, bottom = np.minimum(np.maximum(heel, toe).astype(int) + room, bgr.shape[1::-1])
    if right - left < room or bottom - top < room:
        return None
    channels = cv2.split(cv2.absdiff(bgr[top:bottom, left:right], without[top:bottom, left:right]))
    differs = cv2.GaussianBlur(cv2.max(cv2.max(*channels[:2]), channels[2]).astype(np.float32), (0, 0), SMOOTH_PX)
    least = max(OVER_NOISE * float(np.median(differs[::2, ::2])), LEAST_LEVELS)

    share, down = np.linspace(0.0, 1.0, max(2 * FEWEST, int(abs(toe[0] - heel[0])))), np.arange(-ABOVE_PX, reach_px, STEP_PX)
    line = heel + share[:, None] * (toe - heel) - (left + 0.5, top + 0.5)            # pixel centres are at .5
    rows = cv2.remap(differs, np.repeat(line[:, :1], len(down), 1).astype(np.float32), (line[:, 1:] + down).astype(np.float32), cv2.INTER_LINEAR)
    over = rows > least
    over[:, 1:-1] &= over[:, :-2] & over[:, 2:]                                      # a grain is no foot
    low = len(down) - 1 - over[:, ::-1].argmax(1)
    seen = over.any(1) & (low < len(down) - CLEAR_PX / STEP_PX) & (over.sum(1) >= FILLED * (low + 1))
    rows, low = rows[seen], low[seen, None]
    if not len(rows):
        return None
    depth = int(EDGE_PX / STEP_PX)
    level = np.take_along_axis(rows, np.maximum(low - np.arange(depth), 0), 1).max(1)
    limit = np.maximum(level / 2, least)
    first = ((np.arange(len(down)) > low - depth) & (rows <= limit[:, None])).argmax(1)[:, None]
    a, b = (np.take_along_axis(rows, np.maximum(at, 0), 1)[:, 0] for at in (first - 1, first))
    return share[seen], down[first[:, 0]] - STEP_PX * (1 - np.clip((a - limit) / np.maximum(a - b, 1e-6), 0.0, 1.0))
