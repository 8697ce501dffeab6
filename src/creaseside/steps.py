"""Steps: where the feet of a run-up came down on the ground, and the straight line that the hips ran above them.

One camera sees a foot's place across the pitch only through the ground, so a place may be wrong by 10 cm or more, but by
nearly the same for every step; a direction is better than a place. The hips' way is not the feet's: a foot lands to its own
side, a bowler's back foot farther than a runner's. That offset is taken from the model's own body in depth, held to what
feet do, and its doubt is part of the direction's error.
"""
from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Callable, Sequence

import numpy as np

from creaseside import joints
from creaseside.camera import Camera
from creaseside.contacts import Contact
from creaseside.lane import Lane
from creaseside.pitch import STUMP_HEIGHT_M, STUMPS_M
from creaseside.pose import INDEX, LEFTWARDS, OTHER
from creaseside.track import Track, most_sd

STANCE_S = (0.010, 0.080)      # a foot is looked at while it is flat: after it came down, before the heel rises
APART_S, STOOD_S = 0.10, 0.07  # of a run-up's steps at the least: from one to the next, sprinters 0.2, and on the ground, their last 90 ms and more
                               # (common practice); a foot in the air may hang for less
RUN_OFFSET_M = (0.06, 0.022)   # to its own side of the hips, mean and sd: a runner's step is 0 to 15 cm wide (common practice)
BACK_OFFSET_M = (0.12, 0.053)  # the back foot of a delivery, turned side-on (common practice, no source)
MODEL_SD_M = 0.044             # the model's own depth of a foot from the hips, beside what follows; these three so that what an approach states is right:
                               # hips of 159 drawn balls are 1.5 and 3.3 cm (back foot) off beside their feet, at a stated 2.0 and 3.4
# Whether it is the back foot, on the camera's side -> how much too far inside the foot the model has the hips, m (drawn)
MODEL_IN_M = {(False, True): 0.067, (False, False): -0.045, (True, True): -0.046, (True, False): 0.061}
RUN, BACK, FRONT = "run-up", "back", "front"
# Kind of step, whether the foot is on the camera's side -> over the ground, in shares of the leg: seen square on, and what the
# sine of the angle from behind (+) adds to it.
SOLE = {(RUN, True): (0.050, 0.011), (RUN, False): (0.048, 0.010), (BACK, True): (0.051, 0.011), (BACK, False): (0.072, 0.038),
        (FRONT, True): (0.054, 0.013), (FRONT, False): (0.041, -0.008)}
LEG_M = 0.83                   # 0.49 of 1.70 m (Drillis & Contini 1966, from memory): where no leg was ever seen whole
BACK_ANKLE = -0.016            # of the leg: the landmark of a back foot, turned out, against its ankle as it lands (drawn)
HEIGHT_SD_M = {RUN: 0.006, BACK: 0.009, FRONT: 0.0065}   # how far the heights stray; the sight line makes five times that of it across
# The same of a foot's lower edge, which lies on the ground on the camera's side of its ankle: hence below it.
EDGE = {(RUN, True): (-0.0123, 0.001), (RUN, False): (-0.0063, 0.003), (BACK, True): (-0.0314, 0.0165), (BACK, False): (0.0027, -0.013),
        (FRONT, True): (-0.0079, -0.0015), (FRONT, False): (-0.0132, 0.0055)}
EDGE_SD_M = {RUN: 0.0023, BACK: 0.0033, FRONT: 0.0018}   # beside what is the same for all feet of a ball: single places are off by a quarter to a half more
LOOKS_SD_M = {RUN: 0.0012, BACK: 0.0019, FRONT: 0.0007}   # and how far they stray from look to look, for whoever foresees it (rendered)
RARE = 3.0                     # times EDGE_SD_M, where the edge is seen in half of the looks or less (16 of 190 drawn back feet: 5 cm off, as against 2)
ASTRAY = 5.0                   # an edge so many sds from the landmarks' place is of something else
PAST_M, PAST_SD_M = 0.07, 0.04 # an edge seen so near beside a stump that stands before it may be of the shade at the stump's
                               # own foot (15 drawn back feet: four 5 to 11 cm off, the others 4.7 at most)
HIDDEN_SD_M = 0.11             # a foot whose edge is not seen though others' are: behind the stumps the model guesses (18 of 183 drawn back feet: 11 cm)


@dataclass(frozen=True, slots=True)
class Step:
    """A foot's place while it was flat: `ground_m` (x, y) of the foot, `ankle_m` the ankle's (x, y) as it landed;
    `hips_left_m` how far to the runner's left of the foot the hips are, with its sd; `across_sd_m`: of the place across,
    beside what is the same for every step. A low camera far away sees depth badly: it grows with distance over height.
    by_edge: told by the foot's lower edge; hidden: it was not, though another foot was."""

    side: str
    on_s: float
    ground_m: np.ndarray
    ankle_m: np.ndarray
    hips_left_m: float
    hips_sd_m: float
    across_sd_m: float
    by_edge: bool = False
    hidden: bool = False

    @property
    def hips_m(self) -> np.ndarray:
        """The hips' place (x, y) over it."""
        return self.ground_m + [0.0, self.hips_left_m]

    @property
    def hips_weight(self) -> float:
        """One over the variance of that place across."""
        return 1 / (self.hips_sd_m**2 + self.across_sd_m**2)


def of(track: Track, lane: Lane, contact: Contact, kind: str = RUN) -> Step | None:
    """The step of one contact; None without a camera or when the foot was not seen flat."""
    if not lane.metric:
        return None
    last = contact.on_s + STANCE_S[1]
    if np.isfinite(contact.off_s):
        last = min(last, max(contact.off_s, contact.on_s + 0.03))
    flat = track.between(contact.on_s + STANCE_S[0], last)
    ankle_px, leg_m = flat[f"{contact.side}_ankle"], _leg_m(track, lane, contact)
    found = _place(flat, lane, contact.side, kind, leg_m)
    if found is None:
        return None
    place, across_sd, by_edge = found
    along = lane.through(place, direction_deg(lane.heading)).flat(ankle_px)[:, 0]
    first = along[np.isfinite(along)][:3]
    hips, sd = _hips_left(flat, lane, contact.side, kind == BACK)
    ahead = float(np.median(first)) - (BACK_ANKLE * leg_m if kind == BACK else 0.0)
    return Step(contact.side, contact.on_s, place, place + ahead * lane.heading, hips, sd, across_sd, by_edge)


def last_two(down: dict[str, list[Contact]], front: str, before_s: float) -> list[Contact]:
    """The run-up's last two steps before the back foot landed, in order of time: one of either foot, the later of the one that will
    land in front. A runner never stands on both: whoever seems to when first seen is not whole in the picture yet."""
    def stood(c: Contact) -> bool:
        alone = not any(o.on_s < c.off_s and c.on_s < o.off_s for o in down[OTHER[c.side]])
        return c.on_s < before_s - APART_S and (alone if np.isinf(c.on_sd_s) else c.off_s - c.on_s > STOOD_S)

    found: list[Contact] = []
    for side in (front, OTHER[front]):
        found = [*filter(stood, down[side])][-1:] + found
        before_s = found[0].on_s if found else before_s
    return found


def compared(steps: Sequence[Step | None]) -> list[Step | None]:
    """The steps of one ball; a foot whose lower edge was not seen though another's was stands behind something, and is less sure."""
    if not any(step and step.by_edge for step in steps):
        return list(steps)
    return [replace(step, hidden=True, across_sd_m=float(np.hypot(step.across_sd_m, HIDDEN_SD_M))) if step and not step.by_edge else step
            for step in steps]


def _place(flat: Track, lane: Lane, side: str, kind: str, leg_m: float) -> tuple[np.ndarray, float, bool] | None:
    """Where a foot stands, (x, y), the sd of y, and whether its lower edge told it: that does where it is seen and is no other
    thing's, else the landmarks do. None where these are not seen."""
    middle_px, near = (flat[f"{side}_heel"] + flat[f"{side}_toe"]) / 2, lane.is_near(side)
    seen = np.isfinite(middle_px).all(1) & np.isfinite(flat[f"{side}_ankle"]).all(1)
    if not seen.any():
        return None
    place, sd = _over_ground(lane, SOLE[kind, near], HEIGHT_SD_M[kind], middle_px[seen], leg_m)
    edge_px = flat.sole(side)[seen & np.isfinite(flat.sole(side)).all(1)]
    if len(edge_px):
        rarely = RARE if 2 * len(edge_px) <= seen.sum() else 1.0
        # most_sd: a heel that rises early takes the last looks at its edge along
        edge, edge_sd = _over_ground(lane, EDGE[kind, near], rarely * EDGE_SD_M[kind], edge_px, leg_m, most_sd)
        if np.linalg.norm(edge - place) < ASTRAY * np.hypot(sd, edge_sd):
            doubt = PAST_SD_M if beside_stump_m(lane.camera, edge) < PAST_M else 0.0
            return edge, float(np.hypot(edge_sd, doubt)), True
    return place, sd, False


def _over_ground(lane: Lane, over: tuple[float, float], height_sd_m: float, points_px: np.ndarray, leg_m: float,
                 strays: Callable[[np.ndarray], float] = np.std) -> tuple[np.ndarray, float]:
    """The middle one of the places (x, y) that these points (T, 2) of a standing foot are seen over, and the sd of y: a low camera far
    away sees depth badly, and a foot that stands does not move."""
    places = lane.camera.on_ground(points_px, _height_m(lane, over, points_px, leg_m))[:, :2]
    place = np.median(places, axis=0)
    return place, float(np.hypot(height_sd_m * across_over_height(lane.camera, place), strays(places[:, 1])))


def across_over_height(camera: Camera, place_m: np.ndarray) -> float:
    """What the sight line to a place (x, y) on the ground makes across the pitch of an error in height."""
    return float(abs(place_m[1] - camera.C[1]) / camera.C[2])


def beside_stump_m(camera: Camera, place_m: np.ndarray) -> float:
    """How far beside the nearest stump that stands before it a place (x, y) on the ground is seen, metres at that place; infinite
    where none stands before it."""
    away, stumps = place_m - camera.C[:2], np.array(STUMPS_M) - camera.C[:2]
    share = stumps @ away / (away @ away)                     # of the way to the place
    before = (share > 0) & (share < 1) & (camera.C[2] * (1 - share) < STUMP_HEIGHT_M)
    aside = np.abs(stumps[:, 0] * away[1] - stumps[:, 1] * away[0]) / np.linalg.norm(away)
    return float((aside[before] / share[before]).min(initial=np.inf))


def sight(camera: Camera, place_m: np.ndarray) -> np.ndarray:
    """How a place (x, y) moves for each metre that it is off across the pitch, (2,): along the sight line, as a height that is wrong
    moves it. Along the pitch by as much at most: a camera that far off side-on is not for this."""
    away = place_m - camera.C[:2]
    return np.array([away[0] / np.copysign(np.abs(away).max(), away[1]), 1.0])


def _leg_m(track: Track, lane: Lane, contact: Contact) -> float:
    """How long this bowler's leg is: the standing one, else either of them at any time, else a usual one."""
    sides = (contact.side, OTHER[contact.side])
    for side, part in ((sides[0], track.between(contact.on_s, contact.on_s + STANCE_S[1])), (sides[0], track), (sides[1], track)):
        found = joints.leg_m(*(lane.flat(part[f"{side}_{joint}"]) for joint in joints.JOINTS))
        if np.isfinite(found):
            return found
    return LEG_M


def _height_m(lane: Lane, over: tuple[float, float], points_px: np.ndarray, leg_m: float) -> np.ndarray:
    """How high over the ground the sight lines to points (T, 2) of a standing foot are over the ankle's place across, (T,)."""
    square, turned = over
    sine = np.clip(np.sin(np.arctan(lane.from_behind(points_px))), -joints.MOST_SINE, joints.MOST_SINE)
    return leg_m * (square + turned * sine)


def _hips_left(flat: Track, lane: Lane, side: str, back_foot: bool) -> tuple[float, float]:
    """Hips against foot, + to the runner's left, m: what feet do and what the model sees, by their doubts."""
    own = LEFTWARDS[side]
    usual, usual_sd = BACK_OFFSET_M if back_foot else RUN_OFFSET_M
    usual = -own * usual
    body = np.nanmedian(flat.world_m, axis=0) @ lane.camera.R          # camera axes to pitch axes
    foot = np.mean([body[INDEX[f"{side}_{p}"]] for p in ("ankle", "heel", "toe")], axis=0)
    hips = (body[INDEX["left_hip"]] + body[INDEX["right_hip"]]) / 2
    seen = float((hips - foot) @ lane.left) + own * MODEL_IN_M[back_foot, lane.is_near(side)]
    if not np.isfinite(seen):
        return usual, usual_sd
    weight = 1 / usual_sd**2, 1 / MODEL_SD_M**2
    return (usual * weight[0] + seen * weight[1]) / sum(weight), float(np.sqrt(1 / sum(weight)))


def line_deg(steps: list[Step]) -> tuple[float, float]:
    """Direction of the hips' straight line over the steps, degrees from +x, + to the left; and its sd. NaN for fewer than two."""
    if len(steps) < 2:
        return float("nan"), float("nan")
    _, slope, _, spread = _line(steps)
    return float(np.degrees(np.arctan(slope))), float(np.degrees(1 / np.sqrt(spread) / (1 + slope**2)))


def off_line(steps: list[Step], step: Step) -> float:
    """How far the hips over another step are off the straight line over the steps, in sds of both; NaN for fewer than two."""
    if len(steps) < 2:
        return float("nan")
    centre, slope, weight, spread = _line(steps)
    beyond, off = step.hips_m - centre
    return float(abs(off - slope * beyond) / np.sqrt(1 / weight + beyond**2 / spread + 1 / step.hips_weight))


def _line(steps: list[Step]) -> tuple[np.ndarray, float, float, float]:
    """The hips' straight line over two steps or more, by their weights: the point (x, y) in their middle, the slope there, the weight
    of all, and that of the slope."""
    hips, weight = np.array([s.hips_m for s in steps]), np.array([s.hips_weight for s in steps])
    centre = weight @ hips / weight.sum()
    x, y = (hips - centre).T
    spread = weight @ x**2
    return centre, float(weight * x @ y / spread), float(weight.sum()), float(spread)


def direction_deg(way_m: np.ndarray) -> float:
    """Of a way (x, y) over the ground, degrees from +x, + to the left."""
    return float(np.degrees(np.arctan2(way_m[1], way_m[0])))
