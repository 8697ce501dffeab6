"""A whole delivery as a moving skeleton, from run-up to follow-through, with exactly known feet and knees.

Pitch frame (x down the pitch, y to the bowler's left, z up, metres), t = 0 at front foot contact. Always a right-armer:
whoever wants a left-armer mirrors the result (see bowler). Planted feet do not slide as long as the legs reach them.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

from tests.footage.body import Body
from tests.footage.delivery import Delivery
from tests.footage.limbs import arm, leg
from tests.footage.pelvis import Pelvis
from tests.footage.rhythm import curves
from tests.footage.rotations import rx, ry, rz
from tests.footage.steps import Contact, contacts, planted
from tests.footage.swings import Swings
from tests.footage.travel import Travel

TOES_RELAX_S = 0.06


@dataclass(slots=True)
class Pose:
    """joints: name -> (3,); bones: logical bone -> global rotation; contact: side -> the contact it stands in, or None;
    slip_m: side -> how far the foot was pulled from where it should be because the leg is too short."""

    joints: dict[str, np.ndarray]
    bones: dict[str, np.ndarray]
    contact: dict[str, Contact | None]
    slip_m: dict[str, float]


def put_leg(out: Pose, body: Body, s: str, ankle: np.ndarray, foot: np.ndarray, toe: np.ndarray) -> None:
    """One leg of a body whose pelvis is there, from where its ankle should be and how foot and toes turn; in no contact."""
    J = body.J
    hip = out.joints["pelvis"] + out.bones["pelvis"] @ J["hip" + s]
    joints, bones, slip = leg(body, s, hip, ankle, foot, out.bones["pelvis"])
    for p in ("heelpt", "heelsole", "ball"):
        joints[p + s] = joints["ankle" + s] + foot @ (J[p + s] - J["ankle" + s])
    for p in ("toept", "toesole"):
        joints[p + s] = joints["ball" + s] + toe @ (J[p + s] - J["ball" + s])
    out.joints |= joints
    out.bones |= bones | {"foot" + s: foot, "toe" + s: toe}
    out.contact[s], out.slip_m[s] = None, slip


class Motion:
    def __init__(self, body: Body, d: Delivery) -> None:
        """ValueError where the legs cannot reach what is asked."""
        self.body, self.travel, self.curves = body, Travel(d), curves(d.t_bfc, d.t_br)
        self.contacts = contacts(d, body, self.travel)
        back = next(c for c in self.contacts if c.label == "BFC")
        while True:
            self.pelvis = Pelvis(body, d, self.travel, self.curves, self.contacts)
            if self._reaches(back) or back.off < back.on + .08:
                break
            back.off -= .004                   # the back toe leaves the ground when the leg runs out of reach
        self.swings = Swings(self.pelvis, self.contacts)

    def _reaches(self, c: Contact) -> bool:
        far = max(np.linalg.norm(planted(self.body, c, t)[0] - self.pelvis.hip(c.side, t))
                  for t in np.arange(c.on, c.off, .002))
        return far < .994 * (self.body.thigh_m + self.body.shank_m)

    def foot(self, s: str, t: float) -> tuple[np.ndarray, np.ndarray, float | None, Contact | None]:
        """Ankle, foot's rotation, and for a standing foot its pitch and contact."""
        for c in self.contacts:
            if c.side == s and c.on <= t <= c.off:
                return *planted(self.body, c, t), c
        return *self.swings.foot(s, t), None, None

    def pose(self, t: float) -> Pose:
        out = Pose({"pelvis": self.pelvis.at(t)}, self._trunk(t), {}, {})
        for s in "LR":
            self._leg(out, s, t)
            out.bones |= arm(self.body, s, {k: float(self.curves[f"{k}_{s}"](t)) for k in ("phi", "out", "bend")},
                             self.travel.turned(t), out.bones["thorax"])
        return out

    def _trunk(self, t: float) -> dict[str, np.ndarray]:
        c, travel = self.curves, self.travel.turned(t)

        def turned(part: str) -> np.ndarray:
            return travel @ ry(c[part + "_lean"](t)) @ rx(c[part + "_side"](t)) @ rz(c[part + "_yaw"](t))
        return {"pelvis": self.pelvis.turned(t), "thorax": turned("trunk"), "head": turned("head")}

    def _leg(self, out: Pose, s: str, t: float) -> None:
        ankle, foot, pitch, c = self.foot(s, t)
        put_leg(out, self.body, s, ankle, foot, self._toe(s, t, foot, pitch, c))
        out.contact[s] = c

    def _toe(self, s: str, t: float, foot: np.ndarray, pitch: float | None, c: Contact | None) -> np.ndarray:
        """The toes stay flat on the ground while the heel lifts, and relax soon after."""
        if c is not None:
            return rz(np.degrees(np.arctan2(foot[1, 1], foot[0, 1])) - 90) if pitch < 0 else foot
        for c in self.contacts:
            if c.side == s and c.off < t < c.off + TOES_RELAX_S:
                ends = Rotation.from_matrix([rz(c.last_yaw), foot])
                return Slerp([0, 1], ends)((t - c.off) / TOES_RELAX_S).as_matrix()
        return foot
