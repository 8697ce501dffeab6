"""Puppet: a stick figure that bowls, walks or stands, in pitch metres. Its truth is its geometry.

Nothing here was taken from a bowler: straight bones (shares of the stature: Drillis & Contini 1966, from memory), feet
that stand where they landed, a front knee that is told its angle, an arm that turns evenly over the top. A right-armer
is made; a left-armer is their mirror image. Time 0 is front foot contact. This room knows no camera: see `film`.
"""
from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Mapping

import numpy as np
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from creaseside.phases import RELEASE_ARM_DEG
from creaseside.pose import INDEX, MIRROR, NAMES

TALL_M = 1.80
SHARES = np.array([.245, .246, .288, .186, .146, .115, .05, .13])
THIGH, SHANK, TRUNK, UPPER, FORE, SHOULDER, HIP, NECK = TALL_M * SHARES
HEEL, ANKLE = np.array([-.19, 0]), np.array([-.14, .07])    # from the toe of a flat foot, (along, up) m
POINT_M = 0.045                                             # heel and toe points over the ground
TRUE_SIDE = {"left": 1.0, "right": -1.0}
FIRST_S, LAST_S = -2.6, 2.6
STEP_S, BOUND_S, RUN_STAND_M = 0.30, 0.44, 0.715            # run-up: step to step; last step to back foot; a stance
GRID = np.arange(FIRST_S - 0.5, LAST_S + 0.5, 0.001)


def both(keys: tuple) -> dict[str, tuple]:
    return {"left": keys, "right": keys}


@dataclass(frozen=True, slots=True)
class Down:
    """A foot on the ground: `ahead` of the hips as it lands, `out` to its own side, m; heel up after `flat` of it."""
    side: str
    on: float
    off: float
    ahead: float
    out: float = 0.06
    flat: float = 0.7


@dataclass(frozen=True)
class Puppet:
    """What it does: where its feet stand, and keys (time, value): m/s, m, and degrees."""
    downs: tuple[Down, ...]
    speed: tuple = ((0, 0.0),)
    heading: tuple = ((0, 0.0),)
    hips: tuple = ((-9, 0.88), (9, 0.88))
    lean: tuple = ((-9, 4), (9, 4))
    aside: tuple = ((-9, 0), (9, 0))                         # the shoulders from above the hips, to the left, m
    arms: Mapping[str, tuple] = field(default_factory=lambda: both(((-9, 180), (9, 180))))
    out: Mapping[str, tuple] = field(default_factory=lambda: both(((-9, 0), (9, 0))))     # of an arm's length, to its own side
    bends: Mapping[str, tuple] = field(default_factory=lambda: both(((-9, 15), (9, 15))))
    start_m: tuple[float, float] = (0.0, 0.0)                # the hips at time 0
    knee: tuple = ()                                         # front knee from contact to release; sets the hips' height
    landing: tuple[float, float] = (0.9, -1.6)               # the foot's speed as it lands, (along, up) m/s
    mirrored: bool = False

    @cached_property
    def _way(self) -> np.ndarray:
        """The hips' place on GRID, (G, 2)."""
        angle, speed = np.radians(np.interp(GRID, *zip(*self.heading))), np.interp(GRID, *zip(*self.speed))
        pace = speed[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)
        way = cumulative_trapezoid(pace, GRID, axis=0, initial=0)
        return way + self.start_m - [np.interp(0, GRID, way[:, i]) for i in (0, 1)]

    def _hips(self, t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Place on the ground, forward and left, each (T, 3)."""
        a = np.radians(np.interp(t, *zip(*self.heading)))
        place = np.stack([np.interp(t, GRID, self._way[:, 0]), np.interp(t, GRID, self._way[:, 1]), 0 * t], 1)
        return place, np.stack([np.cos(a), np.sin(a), 0 * a], 1), np.stack([-np.sin(a), np.cos(a), 0 * a], 1)

    def joints(self, t: np.ndarray) -> np.ndarray:
        """All landmarks, (T, 33, 3) metres in the pitch frame."""
        at, *axes = self._hips(t)
        at[:, 2] = self._height(t)
        out = np.zeros((len(t), len(NAMES), 3))
        for side in ("left", "right"):
            for name, place in self._leg(side, t, at, axes).items():
                out[:, INDEX[f"{side}_{name}"]] = place
        self._above(out, t, at, axes)
        return out[:, MIRROR] * (1, -1, 1) if self.mirrored else out

    def _height(self, t: np.ndarray) -> np.ndarray:
        """Of the hips; from contact to release as high as the front knee's angle lets them be."""
        if not self.knee:
            return PchipInterpolator(*zip(*self.hips))(t)
        ends = np.array([0.0, self.knee[-1][0]])
        z = PchipInterpolator(*zip(*sorted([*self.hips, *zip(ends, self._on_front_leg(ends))])))(t)
        inside = (t >= ends[0]) & (t <= ends[1])
        z[inside] = self._on_front_leg(t[inside])
        return z

    def _on_front_leg(self, t: np.ndarray) -> np.ndarray:
        knee = np.radians(PchipInterpolator(*zip(*self.knee))(t))
        at, forward, _ = self._hips(t)
        ahead = ((self._place(next(d for d in self.downs if d.on == 0)) - at) * forward).sum(1) + ANKLE[0]
        return POINT_M + ANKLE[1] + np.sqrt(THIGH**2 + SHANK**2 - 2 * THIGH * SHANK * np.cos(knee) - ahead**2)

    def _foot(self, side: str, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Toe (T, 3) and the heel's rise (rad, T) of one foot, standing or on its way to the next place."""
        mine = [d for d in self.downs if d.side == side]
        toe, rise = np.zeros((len(t), 3)), np.zeros(len(t))
        for d, after in zip(mine, [*mine[1:], None]):
            stands = (t >= d.on) | (d is mine[0])
            share = (t[stands] - d.on) / (d.off - d.on)
            toe[stands] = self._place(d)
            rise[stands] = np.radians(55) * np.clip((share - d.flat) / (1 - d.flat), 0, 1) ** 1.5
            if after is not None:
                swings = (t > d.off) & (t < after.on)
                toe[swings], rise[swings] = self._swing(d, after, t[swings])
        return toe, rise

    def _place(self, d: Down) -> np.ndarray:
        """Where its toe stands."""
        at, forward, left = (v[0] for v in self._hips(np.array([d.on])))
        return at + (d.ahead - ANKLE[0]) * forward + TRUE_SIDE[d.side] * d.out * left + [0, 0, POINT_M]

    def _swing(self, d: Down, after: Down, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        share = np.array([0, .4, .75, 1])
        times = d.off + (after.on - d.off) * share
        _, forward, _ = self._hips(times)
        first, last = self._place(d), self._place(after)
        keys = first + (last - first) * share[:, None]
        quick = min(1.0, np.linalg.norm(last - first) / (after.on - d.off) / 4)      # a walker's foot stays low
        keys[1:3, 2] += np.array([.42, .26]) * max(quick**2, .1)
        slope = np.gradient(keys, times, axis=0)
        slope[0] = (1.2 * forward[0] + [0, 0, .9]) * quick
        slope[-1] = (self.landing[0] * forward[-1] + [0, 0, self.landing[1]]) * quick
        rise = PchipInterpolator(times, np.radians(np.array([55, 60, 15, 0]) * [1, quick, quick, 0]))
        return CubicHermiteSpline(times, keys, slope)(t), rise(t)

    def _leg(self, side: str, t: np.ndarray, at: np.ndarray, axes: np.ndarray) -> dict[str, np.ndarray]:
        forward, left = axes
        toe, rise = self._foot(side, t)
        hip = at + TRUE_SIDE[side] * HIP * left

        def turned(p):                                            # a point of the foot, with the heel risen
            along, up = p[0] * np.cos(rise) + p[1] * np.sin(rise), p[1] * np.cos(rise) - p[0] * np.sin(rise)
            return toe + along[:, None] * forward + np.outer(up, [0, 0, 1])
        ankle, heel = turned(ANKLE), turned(HEEL)
        along, up = ((ankle - hip) * forward).sum(1), ankle[:, 2] - hip[:, 2]
        far = np.hypot(along, up)
        short = np.minimum(1, 0.9995 * (THIGH + SHANK) / far)     # a swinging foot that is out of reach comes along
        pull = ((short - 1) * along)[:, None] * forward + np.outer((short - 1) * up, [0, 0, 1])
        along, up, far = along * short, up * short, far * short
        bend = np.arccos((THIGH**2 + far**2 - SHANK**2) / (2 * THIGH * far)) + np.arctan2(along, -up)
        across = ((ankle - hip) * left).sum(1)[:, None] * left
        knee = hip + THIGH * (np.sin(bend)[:, None] * forward - np.outer(np.cos(bend), [0, 0, 1])) + across / 2
        return {"hip": hip, "knee": knee, "ankle": ankle + pull, "heel": heel + pull, "toe": toe + pull}

    def _above(self, out: np.ndarray, t: np.ndarray, at: np.ndarray, axes: np.ndarray) -> None:
        forward, left = axes

        def way(deg):                                             # from straight up, + forward
            return np.sin(np.radians(deg))[:, None] * forward + np.outer(np.cos(np.radians(deg)), [0, 0, 1])
        trunk = way(PchipInterpolator(*zip(*self.lean))(t))
        neck = at + TRUNK * trunk + np.interp(t, *zip(*self.aside))[:, None] * left
        for name in NAMES[:11]:
            own = 0.0 if name == "nose" else 0.04 if "left" in name else -0.04
            out[:, INDEX[name]] = neck + NECK * trunk + own * left + (0.0 if "ear" in name else 0.1) * forward
        for side in ("left", "right"):
            arm = PchipInterpolator(*zip(*self.arms[side]))(t)
            shoulder = neck + TRUE_SIDE[side] * SHOULDER * left
            share = np.interp(t, *zip(*self.out[side]))[:, None]
            aside, in_plane = TRUE_SIDE[side] * share * left, np.sqrt(1 - share**2)
            elbow = shoulder + UPPER * (in_plane * way(arm) + aside)
            fore = in_plane * way(arm - PchipInterpolator(*zip(*self.bends[side]))(t)) + aside
            wrist = elbow + FORE * fore
            for name, place in (("shoulder", shoulder), ("elbow", elbow), ("wrist", wrist)):
                out[:, INDEX[f"{side}_{name}"]] = place
            for finger in ("pinky", "index", "thumb"):
                out[:, INDEX[f"{side}_{finger}"]] = wrist + 0.08 * fore


def bowler(speed=5.5, knee=165.0, knee_min=158.0, knee_br=161.0, approach=0.0, turn=0.0, bfc=-0.18, br=0.11,
           arm="right", y_m=0.3, landing=(0.9, -1.6), arm_deg_s=1000.0, run=True, over_m=0.10, arm_out=0.0) -> Puppet:
    """A delivery; headings as seen (+ to the bowler's left), for either arm. Without `run`: from a standing start.

    over_m: how far the front ankle is before the hips at release. arm_out: by which share of its length the bowling arm is out
    to its side behind the body; over the top by a third of that, then across the body.
    """
    own = -1 if arm == "left" else 1
    downs = _bowling_feet(speed, bfc, br, over_m)
    heights = {(d.on + d.off) / 2: 0.86 for d in downs if d.on < bfc}                                    # standing
    heights |= {(d.on + d.off) / 2 + STEP_S / 2: 0.89 for d in downs if d.on < bfc - BOUND_S}           # in the air
    heights |= {-9.0: 0.87, bfc - .16: 0.96, bfc: 0.88, bfc / 2: 0.85, br + .12: 0.88, 0.6: 0.86, 9: 0.88}
    shares = ((-9, 1), (bfc, 1), (0, .85), (br, .62), (.35, .5), (.7, .3), (1.2, .1), (9, .1))
    if not run:
        shares, downs = ((-9, 0), (bfc, 0), (0, .3), (br, .2), (.4, 0), (9, 0)), downs[-5:]
    turn_s = 120 / arm_deg_s                                  # a third of a circle, even, with release in its middle
    over_top = ((br + u * turn_s, RELEASE_ARM_DEG + 120 * u) for u in (-1, -.5, 0, .5, 1))
    arms = {"right": ((-9, -180), (br - turn_s - .30, -215), (br - turn_s - .18, -200), *over_top,
                      (br + turn_s + .18, 195), (9, 180)),
            "left": ((-9, 180), (bfc - .28, 170), (bfc - .03, 15), (-.06, 30), (br, 120), (br + .2, 185), (9, 180))}
    bends = {"right": ((-9, 90), (br - .45, 90), (br - .2, 0), (br + .2, 0), (br + .5, 40), (9, 30)),
             "left": ((-9, 90), (bfc - .3, 80), (bfc, 10), (0, 30), (.3, 60), (9, 30))}
    out = both(((-9, 0), (9, 0))) | {"right": ((-9, 0), *((br + u * turn_s, arm_out * share) for u, share in (
        (-1, 1), (-.5, .9), (0, .33), (.5, -.2), (1, -.3))), (9, 0))}
    lean = ((-9, 10), (bfc - .3, 8), (bfc, -8), (0, 0), (br, 30), (br + .18, 50), (.8, 15), (9, 5))
    aside = ((-9, 0), (0, 0), (br, .2), (br + .3, 0), (9, 0))
    heading = ((-9, own * approach), (bfc, own * approach), (0, own * (approach + turn)))
    speeds = tuple((u, share * speed) for u, share in shares)
    return Puppet(tuple(downs), speeds, heading, tuple(heights.items()), lean, aside, arms, out, bends,
                  (0.4, own * y_m), ((0, knee), (br * .5, knee_min), (br, knee_br)), landing, arm == "left")


def _bowling_feet(speed: float, bfc: float, br: float, over_m: float) -> list[Down]:
    """A right-armer's contacts: the run-up, back foot, front foot, follow-through."""
    stand, on, downs = RUN_STAND_M / speed, bfc - BOUND_S, []
    while on > FIRST_S - 0.5:
        downs.insert(0, Down(("left", "right")[len(downs) % 2], on, on + stand, 0.45 * RUN_STAND_M))
        on -= STEP_S
    off, ahead = br + 0.6 / (0.55 * speed), min(0.60, over_m + 0.735 * speed * br)
    return [*downs, Down("right", bfc, bfc + 0.70 / speed, 0.02, 0.12, 0.45), Down("left", 0.0, off, ahead, 0.045, 0.6),
            Down("right", off + .04, off + .26, 0.25), Down("left", off + .40, off + .66, 0.2),
            Down("right", off + .8, 9, 0.2)]


def goer(speed: float, heading=0.0, start_m=(0.0, 0.0), step=0.55, stand=0.62, bend=15.0, swing=25.0) -> Puppet:
    """Someone who walks (or jogs, with short steps) at an even speed; 0 m/s stands."""
    if not speed:
        return Puppet((Down("left", -9, 99, 0.0, .09), Down("right", -9, 99, 0.05, .09)), start_m=start_m)
    ons = np.arange(FIRST_S - 1.2, LAST_S + 1.2, step)
    downs = tuple(Down(("left", "right")[i % 2], float(u), float(u + stand), 0.45 * speed * stand, .06, .55)
                  for i, u in enumerate(ons))
    arms = {s: tuple((float(u), 180 + swing * (-1) ** (i + (s == "left"))) for i, u in enumerate(ons))
            for s in TRUE_SIDE}
    return Puppet(downs, ((0, speed),), ((0, heading),), ((-9, 0.85), (9, 0.85)), arms=arms, start_m=start_m,
                  bends=both(((-9, bend), (9, bend))))


def truth(p: Puppet, bfc=-0.18, br=0.11) -> dict[str, float]:
    """What a delivery's numbers are, from its joints in the pitch frame and the words of the measures' table."""
    t = np.arange(FIRST_S, LAST_S, 0.001)
    j = dict(zip(NAMES, np.moveaxis(p.joints(t), 1, 0)))
    at = {e: int(np.abs(t - u).argmin()) for e, u in (("bfc", bfc), ("ffc", 0.0), ("br", br))}
    front, back = ("left", "right") if not p.mirrored else ("right", "left")
    hip, neck = (j["left_hip"] + j["right_hip"]) / 2, (j["left_shoulder"] + j["right_shoulder"]) / 2

    def knee(side):                                          # in the running plane of the delivery: x and z
        h, k, a = (j[f"{side}_{name}"] @ [1, 0, 1j] for name in ("hip", "knee", "ankle"))
        return 180 + np.degrees(np.angle((a - k) / (k - h)))

    def way(a, b):
        return float(np.degrees(np.arctan2(b[1] - a[1], b[0] - a[0])))

    def speed(first, last):
        return float(np.linalg.norm(hip[last, :2] - hip[first, :2]) / (t[last] - t[first]))
    off = int(np.abs(t - next(d.off for d in p.downs if d.on == bfc)).argmin())
    k, b, trunk = knee(front), knee(back), np.degrees(np.arctan2(*(neck - hip)[:, [0, 2]].T))
    bow, i = j[f"{back}_elbow"] - j[f"{back}_shoulder"], at["bfc"]
    step = j[f"{front}_ankle"][at["ffc"]] - j[f"{back}_ankle"][i]
    approach, before = way(hip[i - 700], hip[i]), speed(i - 150, i)
    return {"bfc_s": bfc, "ffc_s": 0.0, "br_s": br, "bfc_to_ffc_s": -bfc, "ffc_to_br_s": br,
            "front_knee_ffc_deg": k[at["ffc"]], "front_knee_min_deg": k[at["ffc"]:at["br"] + 1].min(),
            "front_knee_br_deg": k[at["br"]], "back_knee_bfc_deg": b[i],
            "back_knee_min_deg": b[i:off].min(), "approach_deg": approach, "turn_deg": way((0, 0), step) - approach,
            "run_up_speed_m_s": before, "speed_kept": speed(at["br"] - 40, at["br"] + 40) / before,
            "stride_length_m": float(np.linalg.norm(step[:2])), "front_foot_offset_m": step[1],
            "trunk_lean_ffc_deg": trunk[at["ffc"]], "trunk_lean_br_deg": trunk[at["br"]],
            "arm_delay_deg": float((trunk - np.degrees(np.arctan2(bow[:, 0], bow[:, 2])))[at["ffc"]] % 360)}
