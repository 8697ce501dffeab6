"""Joints: where hip, knee and ankle of a leg are, from the landmarks that the pose model puts on what it sees of them.

As markers on the skin do, landmarks lie beside the joints, and by how much depends on the side from which they are seen: in
every frame alike, so that more looks mend nothing, but the same way on every body that was drawn. What is found here is
taken off again before an angle is read. The leg is out of the upright plane through its foot as well, which a camera that
does not look square on it sees: the hip is to its side, and a bent knee points to where pelvis and foot do.

The one table below was **measured on drawn bodies** (143 balls of four of them, camera on either side and from -35 to +40
degrees off side-on): it holds the model against that mesh's joints, of which two sensible definitions differ by 8 degrees at
the knee. It makes views agree with each other, of a front leg as it lands: a leg that stands straight is read without it
(`standing`). On a real body it leaves a constant.
"""
from __future__ import annotations

import hashlib

import numpy as np

from creaseside.lane import Lane
from creaseside.pose import LEFTWARDS

JOINTS = ("hip", "knee", "ankle")
HIP_OUT = 0.083                # of the leg: the hip of a front leg, to its own side of its ankle, at the landing (drawn: 0.07 to 0.10)
KNEE_INWARDS = np.tan(np.radians(25.0))   # a front knee bends towards the middle of the body; the drawn joints do by 15 degrees, the model's
                               # landmarks by more: 91 drawn balls, of which two thirds chose it: 2.2 and 3.6 degrees off with it, 2.5 and 4.3 with 15
MOST_SINE = 0.71               # 45 degrees: nothing was drawn from farther round
BEHIND = 0.45                  # sine from which the near leg's thigh begins to cover a far hip, seen from behind
# Where a landmark is beside its joint, in hundredths of the leg (hip to knee to ankle), square on, and what the sine of the
# angle from behind (+) adds to it: (forward, up), (forward, up). up is along the limb; forward is square to it. A far hip
# seen from behind the bowler goes forward further, by HIDDEN a sine beyond BEHIND.
NEAR = {"hip": ((0.5, -0.5), (0.0, 0.0)), "knee": ((0.8, 3.0), (-3.6, -4.1)), "ankle": ((0.0, 2.2), (0.0, 0.0))}
FAR = {"hip": ((2.0, -3.7), (1.2, -1.8)), "knee": ((1.2, 1.2), (0.0, 0.0)), "ankle": ((0.1, 2.5), (0.0, 0.0))}
HIDDEN = (15.1, 2.3)


def edition() -> str:
    """Which table this is, in twelve letters: what was read with another one is not to be set against what this one reads."""
    return hashlib.sha256(repr((NEAR, FAR, HIDDEN, BEHIND, MOST_SINE, HIP_OUT, float(KNEE_INWARDS))).encode()).hexdigest()[:12]


def signed_deg(hip: np.ndarray, knee: np.ndarray, ankle: np.ndarray) -> np.ndarray:
    """The knee's inner angle (...), degrees: 180 is straight, more is bent backwards; points (..., 2) along (running direction)
    and up."""
    u, v = np.asarray(knee, float) - hip, np.asarray(ankle, float) - knee
    return 180.0 + np.degrees(np.arctan2(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0], (u * v).sum(-1)))


def included_deg(hip: np.ndarray, knee: np.ndarray, ankle: np.ndarray) -> np.ndarray:
    """Angle at `knee` between `hip` and `ankle`, 0 to 180 degrees, 180 straight; (..., 2 or 3) points; NaN where one is."""
    u, v = np.asarray(hip, float) - knee, np.asarray(ankle, float) - knee
    cos = (u * v).sum(-1) / (np.linalg.norm(u, axis=-1) * np.linalg.norm(v, axis=-1))
    return np.degrees(np.arccos(np.clip(cos, -1, 1)))


def beside(joint: str, near: bool, sine: np.ndarray) -> np.ndarray:
    """Where the model puts a landmark, beside its joint: (..., 2) forward and up, in shares of the leg's length.

    near: whether it is the leg on the camera's side; sine (...): of how far from behind it is seen.
    """
    sine = np.clip(sine, -MOST_SINE, MOST_SINE)[..., None]
    square, turned = (np.array(part) for part in (NEAR if near else FAR)[joint])
    covered = np.array(HIDDEN) if joint == "hip" and not near else np.zeros(2)
    return (square + turned * sine + covered * np.maximum(0.0, sine - BEHIND)) / 100.0


def leg(lane: Lane, side: str, hip_px: np.ndarray, knee_px: np.ndarray, ankle_px: np.ndarray
        ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hip, knee and ankle, each (T, 2) along and up in the plane `lane` through that foot, from landmarks (T, 2) in pixels.

    Without a camera the picture's points as they are.
    """
    if not lane.metric:
        return lane.flat(hip_px), lane.flat(knee_px), lane.flat(ankle_px)
    hip, knee, ankle = _in_space(lane, LEFTWARDS[side], hip_px, knee_px, ankle_px)
    near, sine = lane.is_near(side), np.sin(np.arctan(lane.from_behind(knee_px)))
    length = leg_m(hip, knee, ankle)
    thigh, shank = _unit(hip - knee), _unit(knee - ankle)
    return tuple(point - length * _turned(beside(joint, near, sine), up)
                 for joint, point, up in zip(JOINTS, (hip, knee, ankle), (thigh, _unit(thigh + shank), shank)))


def read_deg(lane: Lane, side: str, hip_px: np.ndarray, knee_px: np.ndarray, ankle_px: np.ndarray) -> np.ndarray:
    """The knee's signed angle (T,) in the plane through that foot, from landmarks as they are."""
    return signed_deg(*_in_space(lane, LEFTWARDS[side], hip_px, knee_px, ankle_px))


def leg_m(hip: np.ndarray, knee: np.ndarray, ankle: np.ndarray) -> float:
    """Hip to knee to ankle, the middle one of all looks, in the points' own unit; NaN where the leg is never whole."""
    both = np.linalg.norm(hip - knee, axis=-1) + np.linalg.norm(knee - ankle, axis=-1)
    return float(np.nanmedian(both)) if np.isfinite(both).any() else float("nan")


def _in_space(lane: Lane, own: float, hip_px: np.ndarray, knee_px: np.ndarray, ankle_px: np.ndarray):
    """The three in the plane, each from where it is beside it. The knee's place tells how far out it is, so it is found in turns."""
    ankle, hip, knee = lane.flat(ankle_px), lane.flat(hip_px), lane.flat(knee_px)
    length = leg_m(hip, knee, ankle)
    hip = lane.flat(hip_px, own * HIP_OUT * length)
    for _ in range(2):
        line = hip - ankle
        long = np.linalg.norm(line, axis=-1)
        share = ((knee - ankle) * line).sum(-1) / long**2
        bow = ((knee - ankle)[..., 0] * line[..., 1] - (knee - ankle)[..., 1] * line[..., 0]) / long      # + before the line
        knee = lane.flat(knee_px, own * (share * HIP_OUT * length - bow * KNEE_INWARDS))
    return hip, knee, ankle


def _unit(v: np.ndarray) -> np.ndarray:
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def _turned(forward_up: np.ndarray, up: np.ndarray) -> np.ndarray:
    """(forward, up) along a limb -> (along, up) in the plane."""
    forward = np.stack([up[..., 1], -up[..., 0]], -1)
    return forward_up[..., :1] * forward + forward_up[..., 1:] * up
