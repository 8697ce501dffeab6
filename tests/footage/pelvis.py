"""The pelvis: how it turns, and how high it is so that the standing leg has the knee angle that is asked for."""
from __future__ import annotations

from typing import Callable, Sequence

import numpy as np
from scipy.interpolate import PchipInterpolator

from tests.footage.body import Body
from tests.footage.delivery import Delivery
from tests.footage.rotations import rx, ry, rz
from tests.footage.steps import Contact, planted
from tests.footage.travel import Travel

GRAVITY_M_S2 = 9.81
STANCE = {                                     # label -> (s after landing or None for lift-off, knee deg), ...
    "run-up": ((0.0, 156), (.075, 141), (None, 164)),
    "take-off": ((0.0, 156), (.075, 145), (None, 170)),
    "BFC": ((0.0, 143), (.085, 141)),
    "follow-through": ((0.0, 160), (.11, 148)),
}


class Pelvis:
    def __init__(self, body: Body, d: Delivery, travel: Travel, curves: dict[str, PchipInterpolator],
                 contacts: Sequence[Contact]) -> None:
        self.body, self.d, self.travel, self.curves = body, d, travel, curves
        self.height = self._heights({c.label: c for c in contacts}, contacts)

    def at(self, t: float) -> np.ndarray:
        return np.array([*self.travel.xy(t), self.height(t)])

    def turned(self, t: float) -> np.ndarray:
        c = self.curves
        return self.travel.turned(t) @ ry(c["pelvis_tilt"](t)) @ rx(c["pelvis_side"](t)) @ rz(c["pelvis_yaw"](t))

    def hip(self, side: str, t: float) -> np.ndarray:
        return self.at(t) + self.turned(t) @ self.body.J["hip" + side]

    def _height_for(self, c: Contact, t: float, knee_deg: float) -> float:
        """ValueError where the leg cannot reach that far sideways."""
        ankle = planted(self.body, c, t)[0]
        hip = self.turned(t) @ self.body.J["hip" + c.side]
        away = self.travel.xy(t) + hip[:2] - ankle[:2]
        drop2 = self.body.leg_m(knee_deg) ** 2 - (away ** 2).sum()
        if drop2 <= 0:
            raise ValueError(f"out of reach: {c.label} at {t:.3f} s")
        return float(ankle[2] + np.sqrt(drop2) - hip[2])

    def _heights(self, named: dict[str, Contact], contacts: Sequence[Contact]) -> Callable[[float], float]:
        front, release = named["FFC"], self.d.t_br
        knee = self._front_knee()
        keys = {}
        for c in contacts:
            for since, deg in STANCE.get(c.label, ()):
                t = c.off if since is None else c.on + since
                keys[t] = self._height_for(c, t, deg)
        for u in (0.0, .2, .4, .6, .8, 1.0):
            keys[u * release] = self._height_for(front, u * release, float(knee(u * release)))
        keys[.20] = self._height_for(front, .20, min(self.d.knee_release, 165) - 8)
        off, lands = named["take-off"].off, self.d.t_bfc                     # thrown up in between
        keys[(off + lands) / 2] = (keys[off] + keys[lands]) / 2 + .5 * GRAVITY_M_S2 * ((lands - off) / 2) ** 2
        ts = sorted(keys)
        z = PchipInterpolator([ts[0] - .5, *ts, ts[-1] + .5], [keys[ts[0]], *(keys[t] for t in ts), keys[ts[-1]]])
        # from front foot contact to release the front knee follows its profile exactly
        return lambda t: self._height_for(front, t, float(knee(t))) if 0 <= t <= release else float(z(t))

    def _front_knee(self) -> PchipInterpolator:
        d = self.d
        return PchipInterpolator([0, .5 * d.t_br, d.t_br],
                                 [d.knee, (d.knee + d.knee_release) / 2 - d.knee_dip, d.knee_release])
