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

ANKLE_HEIGHT_M = 0.115
STANCE_S = (0.010, 0.085)      # a foot is looked at while it is flat: after it came down, before the heel rises
RUN_OFFSET_M = (0.06, 0.05)    # to its own side of the hips, mean and sd: a runner's step is 0 to 15 cm wide (common practice)
BACK_OFFSET_M = (0.12, 0.08)   # the back foot of a delivery, turned side-on (common practice, no source)
MODEL_SD_M = 0.08              # the model's own depth of a foot from the hips (measured on rendered bowlers: 0.03 to 0.18)
ANKLE_HEIGHT_M = 0.115         # the model's ankle on a planted foot, over the ground (measured on rendered feet: 10 to 13 cm)
HEIGHT_SD_M = 0.008            # how far these heights stray from step to step of a run; the sight line makes five times that of it across
STRIDE_HEIGHT_SD_M = 0.0105    # and between the back foot, turned, and the front foot


@dataclass(frozen=True, slots=True)
class Step:
    """A foot's place while it was flat: `ground_m` (x, y) of the foot, `ankle_m` the ankle's (x, y) as it landed;
    `hips_left_m` how far to the runner's left of the foot the hips are, with its sd; `across_sd_m`: of the place across,
    beside what is the same for every step. A low camera far away sees depth badly: it grows with distance over height."""

    side: str
    on_s: float
    ground_m: np.ndarray
    ankle_m: np.ndarray
    hips_left_m: float
    hips_sd_m: float
    across_sd_m: float


def of(track: Track, lane: Lane, contact: Contact, back_foot: bool = False) -> Step | None:
    """The step of one contact; None without a camera or when the foot was not seen flat."""
    if not lane.metric:
        return None
    last = contact.on_s + STANCE_S[1]
    if np.isfinite(contact.off_s):
        last = min(last, max(contact.off_s, contact.on_s + 0.03))
    flat = track.between(contact.on_s + STANCE_S[0], last)
    sole = lane.camera.on_ground((flat[f"{contact.side}_heel"] + flat[f"{contact.side}_toe"]) / 2, FOOT_POINT_HEIGHT_M)[:, :2]
    ankle = lane.camera.on_ground(flat[f"{contact.side}_ankle"], ANKLE_HEIGHT_M)[:, :2]
    both = np.isfinite(sole).all(1) & np.isfinite(ankle).all(1)
    if not both.any():
        return None
    place = np.median(sole[both], axis=0)
    place[1] = (place[1] + np.median(ankle[both, 1])) / 2            # across: two landmarks know more than one
    along = lane.through(place, _degrees(lane.heading)).flat(flat[f"{contact.side}_ankle"])[:, 0]
    first = along[np.isfinite(along)][:3]
    hips, sd = _hips_left(flat, lane, contact.side, back_foot)
    ankle_m = place + (float(np.median(first)) if len(first) else 0.0) * lane.heading
    away = float(np.linalg.norm(place - lane.camera.C[:2]) / lane.camera.C[2])
    return Step(contact.side, contact.on_s, place, ankle_m, hips, sd, STRIDE_HEIGHT_SD_M * away)


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
    weight = 1 / np.array([s.hips_sd_m**2 + (s.across_sd_m * HEIGHT_SD_M / STRIDE_HEIGHT_SD_M) ** 2 for s in steps])
    centre = (weight * x).sum() / weight.sum()
    spread = (weight * (x - centre) ** 2).sum()
    slope = (weight * (x - centre) * y).sum() / spread
    return float(np.degrees(np.arctan(slope))), float(np.degrees(1 / np.sqrt(spread) / (1 + slope**2)))


def direction_deg(first_m: np.ndarray, last_m: np.ndarray) -> float:
    d = last_m - first_m
    return float(np.degrees(np.arctan2(d[1], d[0])))


def _degrees(heading: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(heading[1], heading[0])))
