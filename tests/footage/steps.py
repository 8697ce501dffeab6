"""Which foot stands where from when to when, and how: heel first, flat, then over the ball; the pivot never moves."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.footage.body import Body
from tests.footage.delivery import Delivery
from tests.footage.rotations import ry, rz
from tests.footage.travel import FRONT_FOOT_X_M, Travel

SIGN = {"L": 1, "R": -1}                       # of y, for what lies on that side
RUN_UP = (("R", -2.16), ("L", -1.86), ("R", -1.56), ("L", -1.26), ("R", -.96))
TAKE_OFF = ("L", -.66)
FOLLOW_THROUGH = (("R", .36, .56), ("L", .66, .87), ("R", .97, 1.19), ("L", 1.31, 1.55))
FRONT_FOOT_YAW_DEG, BACK_FOOT_YAW_DEG = -8.0, -55.0


@dataclass(slots=True)
class Contact:
    """One foot on the ground. `ankle`: where it is while the foot is flat, metres; yaw and pitch in degrees, + toe up.

    `off` of the back foot contact is shortened when the leg runs out of reach.
    """

    side: str
    on: float
    off: float
    ankle: np.ndarray
    yaw: float
    pitch_on: float
    pitch_off: float
    heel_up: float                             # share of the contact after which the heel lifts
    label: str
    t_flat: float = 0.03                       # s from landing to flat
    yaw_off: float | None = None               # turns on the ball to this while the heel is up

    @property
    def last_yaw(self) -> float:
        return self.yaw if self.yaw_off is None else self.yaw_off

    def pitch(self, t: float) -> float:
        """Exactly 0 while flat."""
        since, lasts = t - self.on, self.off - self.on
        lifts = self.heel_up * lasts
        if since < self.t_flat:
            x = since / self.t_flat
            return self.pitch_on * (1 - x * x * (3 - 2 * x))
        if since > lifts:
            return self.pitch_off * ((since - lifts) / (lasts - lifts)) ** 1.7
        return 0.0


def contacts(d: Delivery, body: Body, travel: Travel) -> list[Contact]:
    """All contacts in the order of time."""
    z = body.ankle_height_m

    def run(side: str, mid: float, apart_m: float) -> np.ndarray:
        return np.array([*(travel.xy(mid) + SIGN[side] * apart_m * travel.left(mid)[:2]), z])

    def yaw(mid: float, side: str, out_deg: float) -> float:
        return travel.heading_deg(mid) + SIGN[side] * out_deg

    made = [Contact(s, on, on + .165, run(s, on + .065, .06), yaw(on + .065, s, 5), -4, -58, .45, "run-up")
            for s, on in RUN_UP]
    s, on = TAKE_OFF
    made.append(Contact(s, on, on + .17, run(s, on + .065, .06), yaw(on + .065, s, 5), -4, -70, .45, "take-off"))
    front = np.array([FRONT_FOOT_X_M, d.ffy, z])
    back = front - d.stride * travel.forward(0.0) - .16 * travel.left(0.0)
    h = travel.heading_deg(0.0)
    made.append(Contact("R", d.t_bfc, -.006, back, h + BACK_FOOT_YAW_DEG, -10, -70, .36, "BFC", .035, h - 8))
    made.append(Contact("L", 0., .27, front, h + FRONT_FOOT_YAW_DEG, 12, -52, .62, "FFC"))
    made += [Contact(s, on, off, run(s, on + .11, .09), yaw(on + .11, s, 6), 4, -45, .6, "follow-through")
             for s, on, off in FOLLOW_THROUGH]
    return made


def planted(body: Body, c: Contact, t: float) -> tuple[np.ndarray, np.ndarray, float]:
    """Ankle (3,), foot's rotation and pitch of contact c at t; heel or ball stays where it stands."""
    pitch, yaw = c.pitch(t), c.yaw
    if c.yaw_off is not None and pitch < 0 and t - c.on > c.t_flat:
        yaw = c.yaw + (c.yaw_off - c.yaw) * min(1.0, (pitch / c.pitch_off) ** 0.7)
    turned = rz(yaw) @ ry(-pitch)
    pivot = body.J[("heelsole" if pitch > 0 else "ball") + c.side] - body.J["ankle" + c.side]
    return c.ankle + rz(c.yaw) @ pivot - turned @ pivot, turned, pitch
