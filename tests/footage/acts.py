"""What people do in the net besides bowling: they jog back, pass by, practise the action slowly and stand. And they bowl.

Every act is a moving mesh on the clip's time axis, from start_s to end_s. Nothing is drawn here. A jogging figure is one
cycle of the run-up, repeated and slowed down, so its feet do not slide either; those of the practice do.
"""
from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from tests.footage.bowler import Bowler, Mesh
from tests.footage.delivery import Delivery
from tests.footage.limbs import arm
from tests.footage.motion import Pose, put_leg
from tests.footage.rotations import ry, rz, signed_deg
from tests.footage.steps import SIGN
from tests.footage.travel import FRONT_FOOT_X_M

CYCLE_S, CYCLE_FROM_S = 0.6, -1.8              # two steps of the run-up
FRONT_LANDS_S, NEXT_STEP_S = -1.56, 0.97       # the cycle's and the follow-through's landing on the same foot


class Ball:
    """A delivery; `d.t0` comes at start_s."""

    def __init__(self, d: Delivery, who: str, start_s: float) -> None:
        self.d, self.who, self.start_s, self.end_s = d, who, start_s, start_s + d.t1 - d.t0
        self.bowler = Bowler(d)

    def mesh(self, clip_s: float) -> Mesh:
        """t0 + phase / fps is shown by the frame at start_s."""
        return self.bowler.mesh(self.d.t0 + self.d.phase / self.d.fps + clip_s - self.start_s)


class Jog:
    """Along the lane at one pace: facing the batter (+1) or away (-1)."""

    def __init__(self, d: Delivery, start_s: float, seconds: float, x_m: float, y_m: float, facing: int, rate: float,
                 first_s: float = CYCLE_FROM_S) -> None:
        self.start_s, self.end_s, self.rate, self.first_s, self.facing = start_s, start_s + seconds, rate, first_s, facing
        self.place, self._cycle_m = np.array([x_m, y_m, 0]), d.speed * CYCLE_S
        self.bowler = Bowler(replace(d, approach=0.0, final=0.0))
        self._from = self._pelvis(first_s)

    def mesh(self, clip_s: float) -> Mesh:
        cycles, t = divmod(self.first_s - CYCLE_FROM_S + (clip_s - self.start_s) * self.rate, CYCLE_S)
        m = self.bowler.mesh(CYCLE_FROM_S + t)
        V = m.V + np.array([cycles * self._cycle_m, 0, 0]) - self._from
        return Mesh(V * np.array([self.facing, self.facing, 1]) + self.place, m.F, m.C)

    def _pelvis(self, t: float) -> np.ndarray:
        return self.bowler.joints(t)["pelvis"] * np.array([1, 1, 0])


class Practice:
    """Walks in, goes through the action slowly and nearly on the spot, turns round and jogs out again."""

    SLOWED = ((0.0, -1.8), (1.7, -0.75), (4.7, 0.45), (5.6, NEXT_STEP_S), (6.2, 1.3))       # s from the start, delivery's s
    TRAVEL = ((-2.0, 1.0), (-1.0, 1.0), (-0.7, 0.1), (0.45, 0.1), (0.7, 0.6), (1.4, 0.8))   # share of the delivery's way
    TURN_S, TURN_DEG = (0.45, NEXT_STEP_S), 180.0
    JOG_AFTER_S, BLEND_S = 5.6, 0.4
    STEP_S = 0.002

    def __init__(self, d: Delivery, start_s: float, seconds: float, x_m: float, y_m: float, rate: float) -> None:
        self.start_s, self.end_s = start_s, start_s + seconds
        self.bowler = Bowler(d)
        self._slowed = PchipInterpolator(*zip(*self.SLOWED))
        self._t = np.arange(-1.8, 1.4, self.STEP_S)
        pelvis = np.array([self.bowler.joints(t)["pelvis"] for t in self._t])
        share, ways = PchipInterpolator(*zip(*self.TRAVEL))(self._t), np.diff(pelvis, axis=0) * [1, 1, 0]
        steps = np.array([s * rz(self._heading_deg(t)) @ way for s, t, way in zip(share, self._t, ways)])
        self._pelvis = pelvis * [1, 1, 0]
        self._way = np.array([x_m, y_m, 0]) + np.concatenate([np.zeros((1, 3)), np.cumsum(steps, 0)])
        x, y, _ = self._now(self._way, NEXT_STEP_S)
        self._out = Jog(d, start_s + self.JOG_AFTER_S, seconds, x, y, -1, rate, FRONT_LANDS_S)

    def slow_s(self) -> tuple[float, float]:
        """When the action itself goes on, on the clip's axis."""
        return self.start_s + self.SLOWED[1][0], self.start_s + self.SLOWED[2][0]

    def mesh(self, clip_s: float) -> Mesh:
        share = np.clip((clip_s - self._out.start_s) / self.BLEND_S, 0, 1)
        if share == 1:
            return self._out.mesh(clip_s)
        t = float(self._slowed(clip_s - self.start_s))
        m = self.bowler.mesh(t)
        V = (m.V - self._now(self._pelvis, t)) @ rz(self._heading_deg(t)).T + self._now(self._way, t)
        if share > 0:
            V = (1 - share) * V + share * self._out.mesh(clip_s).V
        return Mesh(V, m.F, m.C)

    def _heading_deg(self, t: float) -> float:
        first, last = self.TURN_S
        u = np.clip((t - first) / (last - first), 0, 1)
        return float(self.TURN_DEG * u * u * (3 - 2 * u))

    def _now(self, track: np.ndarray, t: float) -> np.ndarray:
        return np.array([np.interp(t, self._t, track[:, i]) for i in range(3)])


class Stand:
    """Stands tall where the front foot of the delivery lands, and sways a little."""

    REACH = 0.9992                                          # of the leg: a knee of 172 to 176 deg
    SWAY_M, SWAY_HZ = (0.008, 0.004), (0.4, 0.3)            # along, across
    TOES_OUT_DEG, ARMS_DEG = 8.0, {"phi": 3.0, "out": 12.0, "bend": 12.0}

    def __init__(self, d: Delivery, start_s: float, seconds: float) -> None:
        self.start_s, self.end_s = start_s, start_s + seconds
        self.bowler, rng = Bowler(d), np.random.default_rng(d.seed)
        self._began = rng.uniform(0.0, 2 * np.pi, 2)
        self._yaw, self._tilt, self._lean = rng.normal((0.0, 3.0, 0.0), (3.0, 2.0, 2.0))
        self._half_m = abs(self.bowler.body.J["hipL"][1])
        self._middle = np.array([FRONT_FOOT_X_M, d.ffy - self._half_m, 0.0])

    def pose(self, clip_s: float) -> Pose:
        """As a right-armer's."""
        t, body = clip_s - self.start_s, self.bowler.body
        pelvis = rz(self._yaw) @ ry(self._tilt)
        up = body.ankle_height_m + self.REACH * (body.thigh_m + body.shank_m) - body.J["hipL"][2]
        sway = np.append(self.SWAY_M * np.sin(2 * np.pi * np.array(self.SWAY_HZ) * t + self._began), 0.0)
        out = Pose({"pelvis": self._middle + [0.0, 0.0, up] + sway},
                   {"pelvis": pelvis, "thorax": ry(self._lean) @ rz(self._yaw), "head": ry(2.0)}, {}, {})
        for side in "LR":
            self._leg(out, side, sway)
            out.bones |= arm(body, side, self.ARMS_DEG, np.eye(3), out.bones["thorax"])
        return out

    def mesh(self, clip_s: float) -> Mesh:
        return self.bowler.posed(self.pose(clip_s))

    def knee_deg(self, clip_s: float) -> float:
        """The front one's, in the upright plane down the pitch; 180 straight, more is bent backwards."""
        joints = self.pose(clip_s).joints
        return float(signed_deg(*(joints[joint + "L"][[0, 2]] for joint in ("hip", "knee", "ankle"))))

    def _leg(self, out: Pose, side: str, sway: np.ndarray) -> None:
        """A foot that stands under its hip; the hips sway over it."""
        body = self.bowler.body
        hip = out.joints["pelvis"] + out.bones["pelvis"] @ body.J["hip" + side]
        ankle = np.array([hip[0] - sway[0], self._middle[1] + SIGN[side] * self._half_m, body.ankle_height_m])
        foot = rz(SIGN[side] * self.TOES_OUT_DEG)
        put_leg(out, body, side, ankle, foot, foot)


Act = Ball | Jog | Practice | Stand
