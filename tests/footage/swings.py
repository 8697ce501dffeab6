"""The feet in the air: a curve from lift-off to landing for each swing, told relative to the travelling pelvis."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from tests.footage.pelvis import Pelvis
from tests.footage.rotations import ry, rz
from tests.footage.steps import SIGN, Contact, planted
from tests.footage.travel import FIRST_S

LEG_M = 0.90                                   # hip to ankle of the leg that the keys are written for
PITCH = ((.3, -48), (.6, -22), (.85, 2))
# (share of the swing, (forward, outward, up from the pelvis) metres), by where the foot lands next
INTO_BFC = ((.22, (-.36, .09, -.50)), (.48, (.10, .09, -.50)), (.68, (.20, .05, -.52)), (.86, (.14, 0, -.74)))
INTO_FFC = ((.20, (-.52, .09, -.56)), (.50, (-.12, .10, -.54)), (.72, (.34, .10, -.58)), (.88, (.56, .10, -.68)))
AFTER_BFC = ((.2, (-.62, .08, -.50)), (.5, (-.36, .10, -.40)), (.78, (.20, .10, -.60)))
FOLLOWING = ((.25, (-.42, .10, -.60)), (.55, (-.02, .10, -.62)), (.80, (.26, .10, -.74)))
RUNNING = ((.28, (-.46, .08, -.46)), (.55, (-.02, .08, -.44)), (.80, (.36, .08, -.60)))


@dataclass(frozen=True, slots=True)
class Swing:
    start: float
    end: float
    ankle: CubicHermiteSpline                  # in the travel frame, from the pelvis
    pitch: PchipInterpolator
    yaw: PchipInterpolator


class Swings:
    def __init__(self, pelvis: Pelvis, contacts: Sequence[Contact]) -> None:
        self.pelvis, self.body, self.travel = pelvis, pelvis.body, pelvis.travel
        self._of: dict[str, list[Swing]] = {}
        for s in "LR":
            own = [None, *sorted((c for c in contacts if c.side == s), key=lambda c: c.on), None]
            self._of[s] = [self._swing(s, a, b) for a, b in zip(own[:-1], own[1:])]

    def foot(self, s: str, t: float) -> tuple[np.ndarray, np.ndarray]:
        """Ankle and foot's rotation while it is in the air; the sole stays above the ground."""
        for w in self._of[s]:
            if w.start < t < w.end:
                ankle, turned = self._at(w, t)
                # just after lift-off the toes are still bent
                share = np.clip((t - w.start - .04) / .08, 0, 1) if w.start > FIRST_S + .5 else 1.0
                up = self._sunk(s, ankle, turned, "heelsole", "ball")
                up = max(up, share * self._sunk(s, ankle, turned, "toesole"))
                return ankle + np.array([0, 0, up]), turned
        first, last = self._of[s][0], self._of[s][-1]
        w = first if t <= first.start else last
        return self._at(w, t)

    def _at(self, w: Swing, t: float) -> tuple[np.ndarray, np.ndarray]:
        u = np.clip(t, w.start, w.end)
        return (self.pelvis.at(t) + self.travel.turned(t) @ w.ankle(u), rz(float(w.yaw(u))) @ ry(-float(w.pitch(u))))

    def _sunk(self, s: str, ankle: np.ndarray, turned: np.ndarray, *points: str) -> float:
        """How far the lowest of the sole's points is under the ground, metres."""
        J = self.body.J
        return max(0.0, -min((ankle + turned @ (J[p + s] - J["ankle" + s]))[2] for p in points))

    def _swing(self, s: str, before: Contact | None, after: Contact | None) -> Swing:
        start = before.off if before else after.on - .45
        end = after.on if after else before.off + .45
        label = after.label if after else "end"
        size = (self.body.pelvis_height_m - self.body.ankle_height_m) / LEG_M
        ankles, pitch, yaw = [], [], []
        if before:
            at, _, a = planted(self.body, before, start)
            ankles.append((start, at)), pitch.append((start, a)), yaw.append((start, before.last_yaw))
        for share, (ahead, out, up) in _path(before, label):
            t = start + share * (end - start)
            ankles.append((t, self.pelvis.at(t) + size * ahead * self.travel.forward(t)
                           + SIGN[s] * out * self.travel.left(t) + np.array([0, 0, size * up])))
            yaw.append((t, self.travel.heading_deg(t) + .35 * float(self.pelvis.curves["pelvis_yaw"](t))))
        pitch += [(start + share * (end - start), -12 if label == "BFC" and a > 0 else a) for share, a in PITCH]
        if after:
            at, _, a = planted(self.body, after, end)
            ankles.append((end, at)), pitch.append((end, a)), yaw.append((end, after.yaw))
        ts = np.array([t for t, _ in ankles])
        rel = np.array([self._from_pelvis(at, t) for t, at in ankles])
        speed = np.gradient(rel, ts, axis=0)
        if before:
            speed[0] = self._speed(ankles[0][1], start, 0.8, 0.6)
        if after:
            speed[-1] = self._speed(ankles[-1][1], end, -1.3 if label in ("FFC", "BFC") else -1.0, 0.5)
        return Swing(start, end, CubicHermiteSpline(ts, rel, speed), PchipInterpolator(*zip(*pitch)),
                     PchipInterpolator(*zip(*yaw)))

    def _from_pelvis(self, at: np.ndarray, t: float) -> np.ndarray:
        return self.travel.turned(t).T @ (at - self.pelvis.at(t))

    def _speed(self, at: np.ndarray, t0: float, up_m_s: float, forward_m_s: float) -> np.ndarray:
        """The given speed over the ground at t0, as seen from the pelvis."""
        v, e = np.array([0, 0, up_m_s]) + forward_m_s * self.travel.forward(t0), 1e-4
        return (self._from_pelvis(at + v * e, t0 + e) - self._from_pelvis(at - v * e, t0 - e)) / (2 * e)


def _path(before: Contact | None, label: str) -> tuple:
    if label == "BFC":
        return INTO_BFC
    if label == "FFC":
        return INTO_FFC
    if label == "follow-through" and before is not None and before.label == "BFC":
        return AFTER_BFC
    return FOLLOWING if label in ("follow-through", "end") else RUNNING
