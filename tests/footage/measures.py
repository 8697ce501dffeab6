"""The ball's measures as they are defined for the log, taken from the exact skeleton instead of from pictures.

Written apart from the engine on purpose: neither may hide the other's mistake. The running plane is the upright plane
along the heading at front foot contact. Angles in degrees, lengths in metres, times in seconds from the clip's first
frame.
"""
from __future__ import annotations

import numpy as np

from tests.footage.bowler import OTHER, Bowler
from tests.footage.camera import Camera
from tests.footage.rotations import included_deg, signed_deg

STEP_S = 0.0025
SPEED_BEFORE_S, SPEED_AROUND_S, STRIDE_BEFORE_S = 0.15, 0.04, 0.30
ACTION_DEG = 10.0                              # Portus et al. 2004
LEAST_RUN_UP_S = 0.4


class Skeleton:
    """Joint tracks of a bowler on any times, and their view in the running plane: (along, up)."""

    def __init__(self, bowler: Bowler) -> None:
        self.bowler = bowler
        h = np.radians(bowler.heading_deg(0.0))
        self._plane = np.array([[np.cos(h), np.sin(h), 0], [0, 0, 1.0]])

    def track(self, first_s: float, last_s: float, *names: str) -> np.ndarray:
        """(T, names, 3) at STEP_S between the two, both included."""
        times = np.linspace(first_s, last_s, max(2, round((last_s - first_s) / STEP_S) + 1))
        return np.array([[j[n] for n in names] for j in map(self.bowler.joints, times)])

    def hips(self, first_s: float, last_s: float) -> np.ndarray:
        return self.track(first_s, last_s, "hipL", "hipR").mean(1)

    def knee_deg(self, side: str, first_s: float, last_s: float | None = None) -> np.ndarray:
        leg = self.track(first_s, first_s if last_s is None else last_s, "hip" + side, "knee" + side, "ankle" + side)
        return signed_deg(*np.moveaxis(leg @ self._plane.T, 1, 0))

    def lean_deg(self, t: float, low: tuple[str, ...], high: tuple[str, ...]) -> float:
        """Of the line from the middle of `low` to the middle of `high` against the vertical, + forward."""
        j = self.bowler.joints(t)
        along, up = self._plane @ (np.mean([j[k] for k in high], 0) - np.mean([j[k] for k in low], 0))
        return float(np.degrees(np.arctan2(along, up)))

    def speed_m_s(self, first_s: float, last_s: float) -> float:
        a, b = self.hips(first_s, last_s)[[0, -1], :2]
        return float(np.linalg.norm(b - a) / (last_s - first_s))


def of_ball(bowler: Bowler, camera: Camera) -> dict:
    """Every measure by its name in the log; None where the picture does not hold what it needs."""
    d, skeleton = bowler.d, Skeleton(bowler)
    start = -d.t0 - d.phase / d.fps
    out = {"arm": "right" if d.arm == "R" else "left", "bfc_s": start + d.t_bfc, "ffc_s": start, "br_s": start + d.t_br,
           "bfc_to_ffc_s": -d.t_bfc, "ffc_to_br_s": d.t_br}
    out |= _legs(skeleton) | _ground(skeleton, camera) | _trunk(skeleton)
    return {k: round(v, 4) if isinstance(v, float) else v for k, v in out.items()}


def _legs(skeleton: Skeleton) -> dict:
    d, front = skeleton.bowler.d, skeleton.bowler.d.front
    knee = skeleton.knee_deg(front, 0.0, d.t_br)
    back = next(c for c in skeleton.bowler.contacts() if c["label"] == "BFC")
    back_knee = skeleton.knee_deg(OTHER[front], back["t_on"], back["t_off"])
    j = skeleton.bowler.joints(0.0)
    ffc, least, br = float(knee[0]), float(knee.min()), float(knee[-1])
    return {"front_knee_ffc_deg": ffc, "front_knee_min_deg": least, "front_knee_br_deg": br,
            "front_knee_ffc_3d_deg": float(included_deg(*(j[k + front] for k in ("hip", "knee", "ankle")))),
            "front_leg_action": action(ffc, least, br),
            "back_knee_bfc_deg": float(back_knee[0]), "back_knee_min_deg": float(back_knee.min())}


def action(ffc_deg: float, least_deg: float, br_deg: float) -> str:
    """Portus et al. 2004: a front knee that flexes or extends by at least 10 degrees, both, or neither."""
    flexes, extends = ffc_deg - least_deg >= ACTION_DEG, br_deg - least_deg >= ACTION_DEG
    return ("flexor_extender" if extends else "flexor") if flexes else "extender" if extends else "constant_brace"


def _ground(skeleton: Skeleton, camera: Camera) -> dict:
    bowler, d = skeleton.bowler, skeleton.bowler.d
    back = bowler.joints(d.t_bfc)["ankle" + OTHER[d.front]]
    front = bowler.joints(0.0)["ankle" + d.front]
    approach, stride = _approach_deg(skeleton, camera), front - back
    before = skeleton.speed_m_s(d.t_bfc - SPEED_BEFORE_S, d.t_bfc)
    take_off = next(c["t_off"] for c in bowler.contacts() if c["label"] == "take-off")
    low, high = skeleton.hips(take_off - STRIDE_BEFORE_S, take_off)[:, 2], skeleton.hips(take_off, d.t_bfc)[:, 2]
    return {"approach_deg": approach, "turn_deg": None if approach is None else _direction_deg(stride) - approach,
            "run_up_speed_m_s": before,
            "speed_kept": skeleton.speed_m_s(d.t_br - SPEED_AROUND_S, d.t_br + SPEED_AROUND_S) / before,
            "bound_height_m": float(high.max() - low.mean()),
            "stride_length_m": float(np.linalg.norm(stride[:2])), "front_foot_offset_m": float(stride[1])}


def _approach_deg(skeleton: Skeleton, camera: Camera) -> float | None:
    """Of the line along the mid-hip's way from the second-last landing before the back foot's, as far as it is seen."""
    last = skeleton.bowler.d.t_bfc
    landings = sorted(c["t_on"] for c in skeleton.bowler.contacts() if c["t_on"] < last)
    hips = skeleton.hips(max(landings[-2], skeleton.bowler.d.t0), last)
    unseen = [i for i, h in enumerate(hips) if not camera.sees(h)]
    way = hips[unseen[-1] + 1 if unseen else 0:, :2]
    if (len(way) - 1) * STEP_S < LEAST_RUN_UP_S:
        return None
    _, _, axes = np.linalg.svd(way - way.mean(0))
    return _direction_deg(axes[0] * np.sign(axes[0] @ (way[-1] - way[0])))


def _direction_deg(v: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(v[1], v[0])))


def _trunk(skeleton: Skeleton) -> dict:
    d = skeleton.bowler.d
    hips, shoulders = ("hipL", "hipR"), ("shoulderL", "shoulderR")
    lean = skeleton.lean_deg(0.0, hips, shoulders)
    arm = skeleton.lean_deg(0.0, ("shoulder" + d.arm,), ("elbow" + d.arm,))
    return {"trunk_lean_ffc_deg": lean, "trunk_lean_br_deg": skeleton.lean_deg(d.t_br, hips, shoulders),
            "arm_delay_deg": (lean - arm) % 360}
