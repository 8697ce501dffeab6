"""Pace: how fast somebody moves through the picture, roughly, from raw live looks: whether it is worth looking often, and
whether a ball can have been bowled at all. It knows no lane and no metres: body heights a second, either way.

It only saves work: looks 33 ms apart at whoever stands at their mark find nothing that looks 120 ms apart do not.
"""
from __future__ import annotations

from collections import deque
from typing import NamedTuple

import numpy as np

from creaseside.pose import INDEX, SIDES, Pose
from creaseside.stamps import NS

OVER_S = 0.25            # a pace is taken over this long: a look's hips are wrong by 2 % of the height
KEPT_S = 1.2             # whoever moved so fast this lately may be bowling
RUNS, WALKS = 0.9, 0.35  # heights a second: 2 m/s seen 40 degrees off side-on is above 0.9, walking up to 0.8
STROLLS = 0.6            # no faster for KEPT_S, and nobody has bowled
ARM_S = 0.7              # an arm was up this lately; what follows is the same ball
RUN_NS, WALK_NS, STAND_NS = NS // 40, NS // 15, NS // 8    # from look to look
HIPS, SHOULDERS, WRISTS, ANKLES = (np.array([INDEX[f"{side}_{joint}"] for side in SIDES])
                                   for joint in ("hip", "shoulder", "wrist", "ankle"))


class _Look(NamedTuple):
    t_s: float
    x_px: float
    tall_px: float
    arm_up: bool
    pace: float      # heights a second; infinite where it is not known yet


class Pace:
    """Told every live look in order of time."""

    def __init__(self) -> None:
        self._looks: deque[_Look] = deque()

    def see(self, pose: Pose) -> None:
        t = pose.stamp.t_s
        while self._looks and t - self._looks[0].t_s > KEPT_S:
            self._looks.popleft()
        if pose.missing is not None:
            return
        xy = pose.xy_px
        x, tall = float(xy[HIPS, 0].mean()), float(xy[ANKLES, 1].max() - xy[INDEX["nose"], 1])
        up = bool((xy[WRISTS, 1] < xy[SHOULDERS, 1]).any())
        before = [look for look in self._looks if t - look.t_s >= OVER_S]
        pace = float("inf")
        if before:
            pace = abs(x - before[-1].x_px) / max(tall, before[-1].tall_px, 1.0) / (t - before[-1].t_s)
        self._looks.append(_Look(t, x, tall, up, pace))

    @property
    def step_ns(self) -> int:
        """How far apart looks may be, for whoever is there now."""
        fastest = max((look.pace for look in self._looks), default=float("inf"))
        return RUN_NS if fastest > RUNS else WALK_NS if fastest > WALKS else STAND_NS

    @property
    def may_have_bowled(self) -> bool:
        """Somebody moved at more than a stroll, or only just appeared, and an arm was up."""
        if not self._looks:
            return False
        now_s = self._looks[-1].t_s
        return any(look.pace > STROLLS for look in self._looks) and any(
            look.arm_up and now_s - look.t_s < ARM_S for look in self._looks)
