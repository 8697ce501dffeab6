"""Steps: where the feet of a run-up came down on the ground, and the straight line that the hips ran above them.

One camera sees a foot's place across the pitch only through the ground, so a place may be wrong by 10 cm or more, but by
nearly the same for every step; a direction is better than a place. The hips' way is not the feet's: a foot lands to its own
side, a bowler's back foot farther than a runner's. That offset is taken from the model's own body in depth, held to what
feet do, and its doubt is part of the direction's error.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from creaseside.contacts import Contact
from creaseside.lane import FOOT_POINT_HEIGHT_M, Lane
from creaseside.pose import INDEX
from creaseside.track import Track

STANCE_S = (0.010, 0.085)      # a foot is looked at while it is flat: after it came down, before the heel rises
RUN_OFFSET_M = (0.06, 0.05)    # to its own side of the hips, mean and sd: a runner's step is 0 to 15 cm wide (common practice)
BACK_OFFSET_M = (0.12, 0.08)   # the back foot of a delivery, turned side-on (common practice, no source)
MODEL_SD_M = 0.08              # the model's own depth of a foot from the hips (measured on rendered bowlers: 0.03 to 0.18)
PLACE_SD_M = 0.035             # a foot's place across, beyond what is the same for every step: 1 px is 2 to 3 cm at 7 m


@dataclass(frozen=True, slots=True)
class Step:
    """A foot's place while it was flat: `ground_m` (x, y) of the foot's middle, `ankle_m` the ankle's (x, y);
    `hips_left_m` how far to the runner's left of the foot the hips are, with its sd."""

    side: str
    on_s: float
    ground_m: np.ndarray
    ankle_m: np.ndarray
    hips_left_m: float
    hips_sd_m: float


def of(track: Track, lane: Lane, contact: Contact, back_foot: bool = False) -> Step | None:
    """The step of one contact; None without a camera or when the foot was not seen flat."""
    if not lane.metric:
        return None
    last = contact.on_s + STANCE_S[1]
    if np.isfinite(contact.off_s):
        last = min(last, max(contact.off_s, contact.on_s + 0.03))
    flat = track.between(contact.on_s + STANCE_S[0], last)
    foot = (flat[f"{contact.side}_heel"] + flat[f"{contact.side}_toe"]) / 2
    ground = lane.camera.on_ground(foot, FOOT_POINT_HEIGHT_M)[:, :2]
    if not len(ground) or not np.isfinite(ground).all(1).any():
        return None
    place = np.nanmedian(ground, axis=0)
    ankle = lane.through(place, _degrees(lane.heading)).flat(flat[f"{contact.side}_ankle"])[:, 0]
    first = ankle[np.isfinite(ankle)][:3]
    along = float(np.median(first)) if len(first) else 0.0
    hips, sd = _hips_left(flat, lane, contact.side, back_foot)
    return Step(contact.side, contact.on_s, place, place + along * lane.heading, hips, sd)


def _hips_left(flat: Track, lane: Lane, side: str, back_foot: bool) -> tuple[float, float]:
    """Hips against foot, + to the runner's left, m: what feet do and what the model sees, by their doubts."""
    usual, usual_sd = BACK_OFFSET_M if back_foot else RUN_OFFSET_M
    usual = -usual if side == "left" else usual
    body = np.nanmedian(flat.world_m, axis=0) @ lane.camera.R          # camera axes to pitch axes
    foot = np.mean([body[INDEX[f"{side}_{p}"]] for p in ("ankle", "heel", "toe")], axis=0)
    hips = (body[INDEX["left_hip"]] + body[INDEX["right_hip"]]) / 2
    seen = float((hips - foot) @ lane.left)
    if not np.isfinite(seen):
        return usual, usual_sd
    weight = 1 / usual_sd**2, 1 / MODEL_SD_M**2
    return (usual * weight[0] + seen * weight[1]) / sum(weight), float(np.sqrt(1 / sum(weight)))


def line_deg(steps: list[Step]) -> tuple[float, float]:
    """Direction of the hips' straight line over the steps, degrees from +x, + to the left; and its sd. NaN for fewer than two."""
    if len(steps) < 2:
        return float("nan"), float("nan")
    x = np.array([s.ground_m[0] for s in steps])
    y = np.array([s.ground_m[1] + s.hips_left_m for s in steps])
    weight = 1 / np.array([s.hips_sd_m**2 + PLACE_SD_M**2 for s in steps])
    centre = (weight * x).sum() / weight.sum()
    spread = (weight * (x - centre) ** 2).sum()
    slope = (weight * (x - centre) * y).sum() / spread
    return float(np.degrees(np.arctan(slope))), float(np.degrees(1 / np.sqrt(spread) / (1 + slope**2)))


def direction_deg(first_m: np.ndarray, last_m: np.ndarray) -> float:
    d = last_m - first_m
    return float(np.degrees(np.arctan2(d[1], d[0])))


def _degrees(heading: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(heading[1], heading[0])))
