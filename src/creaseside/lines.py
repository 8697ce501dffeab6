"""Lines: the one line that is drawn over the picture at its stop: the front leg, or what the focus asks about on the ground.

Where the focus is on the way over the ground and the camera knows the ground, the line lies there: the way that the hips
ran for the run-up's direction, back foot to front foot for the line of the feet, and for the front foot's place a line
straight down the pitch from the back foot, beside or over which the front foot stands. Nothing is drawn that was not seen.
"""
from __future__ import annotations

from typing import Sequence

import numpy as np

from creaseside.measures import Seen, unplaced
from creaseside.pose import INDEX
from creaseside.steps import line_deg

BEYOND_M = 0.4        # how far a line goes on past the foot it points at, so that it is seen where it leads
LEG = ("hip", "knee", "ankle")

Points = tuple[tuple[float, float], ...]


def of(seen: Seen, at_s: float, measure: str | None) -> Points:
    """Pixels of the frame: two points on the ground, or hip, knee and ankle at the look nearest to `at_s`; empty where unseen."""
    draw = {"approach_deg": _run_up, "turn_deg": _feet, "front_foot_offset_m": _down_the_pitch}.get(measure or "")
    if draw is None:
        return _leg(seen, at_s)
    return _ground(seen, draw(seen)) if seen.lane.metric and seen.back is not None else ()


def _leg(seen: Seen, at_s: float) -> Points:
    i = int(np.abs(seen.track.t_s - at_s).argmin())
    return _points(seen.track.xy_px[i, [INDEX[f"{seen.phases.front}_{j}"] for j in LEG]])


def _run_up(seen: Seen) -> Sequence[np.ndarray]:
    """From beside the first step that was seen to past the last that was, the back foot's, in the direction of the run-up."""
    if not seen.run_up:
        return ()
    a = np.radians(line_deg([*seen.run_up, seen.back])[0])
    along = np.array([np.cos(a), np.sin(a)])
    here = (seen.run_up[-1] if seen.back.hidden else seen.back).hips_m
    return here + min(0.0, float((seen.run_up[0].ground_m - here) @ along)) * along, here + BEYOND_M * along


def _feet(seen: Seen) -> Sequence[np.ndarray]:
    return () if unplaced(seen) else (seen.back.ankle_m, seen.front.ankle_m)


def _down_the_pitch(seen: Seen) -> Sequence[np.ndarray]:
    if unplaced(seen):
        return ()
    ahead = seen.front.ankle_m[0] - seen.back.ankle_m[0] + BEYOND_M
    return seen.back.ankle_m, seen.back.ankle_m + [ahead, 0.0]


def _ground(seen: Seen, ends_m: Sequence[np.ndarray]) -> Points:
    """Places (x, y) on the ground as pixels."""
    return _points(seen.lane.camera.project(np.array([[*end, 0.0] for end in ends_m]))) if len(ends_m) else ()


def _points(px: np.ndarray) -> Points:
    return tuple((float(x), float(y)) for x, y in px) if np.isfinite(px).all() else ()
