"""A dressed bowler who bowls one delivery: joints, contacts and mesh at any time, as a right- or left-armer."""
from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tests.footage.body import load
from tests.footage.delivery import Delivery
from tests.footage.kit import KITS, dress
from tests.footage.motion import Motion, Pose
from tests.footage.rotations import MIRROR
from tests.footage.skin import FACE, Bones

SIDED = ("hip", "knee", "ankle", "heelpt", "toept", "shoulder", "elbow", "wrist", "hand")
OTHER = {"L": "R", "R": "L"}
NAMES = ("pelvis", *FACE)


@dataclass(frozen=True, slots=True)
class Mesh:
    """V (N, 3) metres, F (M, 3), C (N, 3) colours 0..1"""

    V: np.ndarray
    F: np.ndarray
    C: np.ndarray


class Bowler:
    def __init__(self, d: Delivery) -> None:
        self.d, self.body, self.left = d, load(d.body), d.arm == "L"
        self.motion = Motion(self.body, d)

    @cached_property
    def _dressed(self) -> tuple[np.ndarray, np.ndarray]:
        colour, off = dress(self.body, KITS[self.d.kit])
        return colour, self.body.V + off

    def joints(self, t: float) -> dict[str, np.ndarray]:
        """Joint or landmark -> (3,) metres in the pitch frame; left and right are the person's own."""
        return self._joints(pose := self.motion.pose(t), Bones(self.body, pose))

    def contact(self, t: float) -> dict[str, str | None]:
        """Side -> the label of the contact that the foot stands in, or None."""
        pose = self.motion.pose(t)
        return {self._side(s): c.label if c else None for s, c in pose.contact.items()}

    def slip_m(self, t: float) -> float:
        return max(self.motion.pose(t).slip_m.values())

    def mesh(self, t: float) -> Mesh:
        return self.posed(self.motion.pose(t))

    def posed(self, pose: Pose) -> Mesh:
        """In any pose, which is given as a right-armer's."""
        colour, rest = self._dressed
        V = Bones(self.body, pose).vertices(rest)
        return Mesh(V @ MIRROR, self.body.F[:, ::-1], colour) if self.left else Mesh(V, self.body.F, colour)

    def heading_deg(self, t: float) -> float:
        return self.motion.travel.heading_deg(t) * (-1 if self.left else 1)

    def contacts(self) -> list[dict]:
        """Every contact as the truth file tells it."""
        return [dict(side=self._side(c.side), label=c.label, t_on=c.on, t_off=c.off,
                     ankle_flat_xyz=np.round(MIRROR @ c.ankle if self.left else c.ankle, 5).tolist(),
                     foot_yaw_deg=round(-c.yaw if self.left else c.yaw, 3)) for c in self.motion.contacts]

    def _side(self, s: str) -> str:
        return OTHER[s] if self.left else s

    def _joints(self, pose: Pose, bones: Bones) -> dict[str, np.ndarray]:
        every = pose.joints | bones.joints
        own = {j + s: every[j + s] for j in SIDED for s in "LR"} | {k: every[k] for k in NAMES}
        return {_mirrored(k): MIRROR @ v for k, v in own.items()} if self.left else own


def _mirrored(name: str) -> str:
    if name[:-1] in SIDED:
        return name[:-1] + OTHER[name[-1]]
    side, _, part = name.partition("_")
    return {"left": "right_", "right": "left_"}.get(side, side) + part
