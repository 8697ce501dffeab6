"""Markers: the landmarks of one ball as points in the pitch frame, evenly spaced in time, for motion laboratories.

One camera sees no depth. A point is where its pixel's ray meets the upright running plane through the front foot
(`plane`), or that plane moved sideways by how far the pose model believes the landmark to be from that foot (`model`:
coarse, 3 to 18 cm off on drawn bowlers, and the hips are taken to keep their distance from the plane). Neither is a
measured third dimension, and whoever writes a file says which it is. Looks that were not taken stay empty:
nothing is filled in and nothing is smoothed.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Iterable

import numpy as np

from creaseside import lane, track
from creaseside.ball import Ball
from creaseside.camera import Camera
from creaseside.lane import FOOT_POINT_HEIGHT_M
from creaseside.pose import INDEX, NAMES, Pose

DEPTHS = {"plane": "2D: every point lies in the upright running plane, depth was not measured",
          "model": "depth is the pose model's guess, in the running plane's two directions measured"}
MM_PER_M = 1000.0
APART = 8
FLAT_S = 0.06         # a front foot stands flat for at least so long after its contact (steps.STANCE_S)


@dataclass(frozen=True, slots=True)
class Markers:
    """xyz_mm (T, L, 3): the pitch frame in millimetres, x down the pitch, y to the bowler's left, z up; NaN where there
    is none. visibility (T, L): the model's word, 0 to 1. `rate_hz`: frame i is at `first_s` + i / rate_hz, on the
    stamps' axis, and was exposed within `late_s` of that. `depth`: one of DEPTHS.
    """

    names: tuple[str, ...]
    rate_hz: float
    first_s: float
    xyz_mm: np.ndarray
    visibility: np.ndarray
    depth: str
    late_s: float

    def __post_init__(self) -> None:
        for array in (self.xyz_mm, self.visibility):
            array.setflags(write=False)

    def __len__(self) -> int:
        return len(self.xyz_mm)

    @property
    def t_s(self) -> np.ndarray:
        """(T,) seconds from the first frame."""
        return np.arange(len(self)) / self.rate_hz


def of(poses: Iterable[Pose], camera: Camera, ball: Ball, ffc_s: float | None, depth: str = "plane") -> Markers:
    """The ball's markers from the heavy model's looks, or the light one's where there are no others.

    ffc_s: front foot contact on the stamps' axis, None where it was not seen. ValueError where nobody was seen, or no
    foot on the ground.
    """
    if depth not in DEPTHS:
        raise ValueError(f"asked a depth, found {depth!r}; one of {', '.join(DEPTHS)}")
    poses = [p for p in poses if p.missing is None]
    poses = [p for p in poses if p.model == "heavy"] or [p for p in poses if p.model == "light"]
    seen = track.of(poses)
    if len(seen) < 2:
        raise ValueError(f"asked 2 looks at the bowler or more, found {len(seen)}")
    clean = track.cleaned(seen)
    front = {"right": "left", "left": "right"}.get(ball.arm)
    flat = clean.between(ffc_s, ffc_s + FLAT_S) if ffc_s is not None and front else clean.between(1.0, 0.0)
    plane = _plane(clean, camera, ball, flat, front)
    aside = _sideways_m(clean, flat, front, camera, plane) if depth == "model" else np.zeros(clean.xy_px.shape[:2])
    xyz = camera.on_plane(clean.xy_px, plane.point_m + aside[..., None] * plane.left, plane.left) * MM_PER_M
    visible = {p.stamp.frame: p.visibility for p in poses}
    rate, slots, late_s = _slots(clean)
    length = int(slots[-1]) + 1
    out, trust = np.full((length, len(NAMES), 3), np.nan), np.zeros((length, len(NAMES)))
    out[slots] = xyz
    trust[slots] = [visible[f] for f in clean.frame]
    return Markers(NAMES, rate, float(clean.t_s[0]), out, trust, depth, late_s)


def _plane(seen: track.Track, camera: Camera, ball: Ball, flat: track.Track, front: str | None) -> lane.Lane:
    """The upright plane through the front foot in the direction of the run-up; straight down the pitch where that is
    not known, through the feet where the front one is not. flat: the looks while it stood."""
    heading = ball["approach_deg"].value if ball["approach_deg"] else 0.0
    place = np.array([0.0, lane.feet_y_m(seen, camera)])
    if len(flat):
        foot = camera.on_ground((flat[f"{front}_heel"] + flat[f"{front}_toe"]) / 2, FOOT_POINT_HEIGHT_M)
        foot = foot[np.isfinite(foot).all(1)]
        place = np.median(foot[:, :2], axis=0) if len(foot) else place
    if not np.isfinite(place).all():
        raise ValueError("asked a foot on the ground, found none")
    return lane.Lane(camera, np.zeros(3), np.array([1.0, 0.0])).through(place, heading)


def _sideways_m(seen: track.Track, flat: track.Track, front: str | None, camera: Camera,
                plane: lane.Lane) -> np.ndarray:
    """(T, L) metres to the left of the plane, as the model has it: from the hips, and from the foot to them while it
    stood."""
    def left_of_hips(part: track.Track) -> np.ndarray:
        body = part.world_m @ camera.R @ plane.left          # camera axes to pitch axes
        return body - (body[:, [INDEX["left_hip"]]] + body[:, [INDEX["right_hip"]]]) / 2

    foot = left_of_hips(flat)[:, INDEX[f"{front}_ankle"]] if len(flat) else np.zeros(1)
    return left_of_hips(seen) - np.nan_to_num(np.median(foot))


def _slots(seen: track.Track) -> tuple[float, np.ndarray, float]:
    """The camera's rate, the place of each look in a row of evenly spaced frames, and how far off it is at most, s.

    Reckoned from frame numbers and times, since looks are not evenly spread; frames that the camera lost leave a gap.
    """
    apart = min(APART, len(seen) - 1)                        # over some frames, so that stamps that waver even out
    rate = float(np.median((seen.frame[apart:] - seen.frame[:-apart]) / (seen.t_s[apart:] - seen.t_s[:-apart])))
    exact = (seen.t_s - seen.t_s[0]) * rate
    slots = np.round(exact).astype(int)
    for i in range(1, len(slots)):                           # an uneven stamp may round to its neighbour's place
        slots[i] = max(slots[i], slots[i - 1] + 1)
    return rate, slots, float(np.abs(slots - exact).max() / rate)
