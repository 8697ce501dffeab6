"""Where the pelvis goes over the ground: speed and heading over time, anchored at the front foot. No heights here."""
from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline, PchipInterpolator

from tests.footage.delivery import Delivery
from tests.footage.rotations import rz

FIRST_S, LAST_S = -2.6, 1.75                   # the delivery's own time
RATE_HZ = 2000.0
FRONT_FOOT_X_M = 1.05                          # front ankle at front foot contact, just behind the popping crease


class Travel:
    def __init__(self, d: Delivery) -> None:
        t = np.arange(FIRST_S - 0.3, LAST_S + 0.4, 1 / RATE_HZ)
        u = np.clip((t - d.turn[0]) / (d.turn[1] - d.turn[0]), 0, 1)
        heading = np.radians(d.approach + (d.final - d.approach) * u * u * (3 - 2 * u))
        v = self._speed(d)(t)
        xy = np.stack([np.cumsum(v * np.cos(heading)), np.cumsum(v * np.sin(heading))], 1) / RATE_HZ
        self._heading = CubicSpline(t[::10], heading[::10])
        self._xy = CubicSpline(t[::10], xy[::10])
        # at front foot contact the pelvis is behind the front ankle, the further the longer the stride
        behind_m = 0.56 + 0.35 * (d.stride - 1.40)
        self._offset = np.array([FRONT_FOOT_X_M, d.ffy]) - behind_m * self.forward(0.0)[:2] - self._xy(0.0)

    @staticmethod
    def _speed(d: Delivery) -> PchipInterpolator:
        times = [-3, -.75, -.45, d.t_bfc, 0, .035, d.t_br, .28, .7, 1.2, 2.5]
        shares = [1, 1, .98, .90, .80, .62, .44, .48, .46, .34, .25]
        return PchipInterpolator(times, [d.speed * s for s in shares])

    def heading_deg(self, t: float) -> float:
        return float(np.degrees(self._heading(t)))

    def xy(self, t: float) -> np.ndarray:
        return self._xy(t) + self._offset

    def turned(self, t: float) -> np.ndarray:
        """The travel frame's rotation: x forward, y left."""
        return rz(self.heading_deg(t))

    def forward(self, t: float) -> np.ndarray:
        return self.turned(t)[:, 0]

    def left(self, t: float) -> np.ndarray:
        return self.turned(t)[:, 1]
