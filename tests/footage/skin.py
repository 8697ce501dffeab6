"""From a pose to the mesh: every bone's rotation and place, the joints that follow from them, the skinned vertices."""
from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

from tests.footage.body import Body
from tests.footage.motion import Pose

SPINE = (("spine05", .12), ("spine04", .32), ("spine03", .55), ("spine02", .8), ("spine01", 1.0))
NECK = (("neck01", .25), ("neck02", .5), ("neck03", .8), ("head", 1.0))
FACE = ("nose", "left_ear", "right_ear", "left_eye", "right_eye")
HAND = ("wrist", "finger", "metacarpal")


class Bones:
    """x -> R x + T for every bone of the rig; `joints`: face and arms, which hang on the bones."""

    def __init__(self, body: Body, pose: Pose) -> None:
        n = len(body.bones)
        self.body, self.R, self.T = body, np.tile(np.eye(3), (n, 1, 1)), np.zeros((n, 3))
        self.joints: dict[str, np.ndarray] = {}
        for bone in ("root", "pelvis.L", "pelvis.R"):
            self._put(bone, pose.bones["pelvis"], np.zeros(3), pose.joints["pelvis"])
        self._chain("root", SPINE, pose.bones["pelvis"], pose.bones["thorax"])
        self._chain("spine01", NECK, pose.bones["thorax"], pose.bones["head"])
        for bone in ("eye.L", "eye.R"):
            self.R[body.bone[bone]], self.T[body.bone[bone]] = self.R[body.bone["head"]], self.T[body.bone["head"]]
        self.joints |= {k: self._moved("head", body.k[k]) for k in FACE}
        for s in "LR":
            self._arm(s, pose.bones)
            self._leg(s, pose)

    def vertices(self, rest: np.ndarray) -> np.ndarray:
        """Linear blend skinning of (N, 3) vertices at rest."""
        a = self.body.weights @ np.concatenate([self.R.reshape(-1, 9), self.T], 1)
        r = a[:, :9].reshape(-1, 3, 3)
        return r[:, :, 0] * rest[:, :1] + r[:, :, 1] * rest[:, 1:2] + r[:, :, 2] * rest[:, 2:] + a[:, 9:]

    def _put(self, bone: str, turned: np.ndarray, rest: np.ndarray, now: np.ndarray) -> None:
        """Turned about a point that is at `rest` in the resting body and is `now` here."""
        i = self.body.bone[bone]
        self.R[i], self.T[i] = turned, now - turned @ rest

    def _moved(self, bone: str, rest: np.ndarray) -> np.ndarray:
        i = self.body.bone[bone]
        return self.R[i] @ rest + self.T[i]

    def _chain(self, parent: str, bones: tuple, first: np.ndarray, last: np.ndarray) -> None:
        """A bending column: each bone has its share of the turn from first to last."""
        between = Slerp([0, 1], Rotation.from_matrix([first, last]))
        for bone, share in bones:
            head = self.body.H[self.body.bone[bone]]
            self._put(bone, between(share).as_matrix(), head, self._moved(parent, head))
            parent = bone

    def _arm(self, s: str, turned: dict[str, np.ndarray]) -> None:
        body, J, e = self.body, self.body.J, "." + s
        rest = body.H[body.bone["clavicle" + e]]
        clavicle = self._moved("spine01", rest)
        shoulder = turned["clav" + s] @ (J["shoulder" + s] - rest) + clavicle
        elbow = shoulder + turned["uarm" + s] @ (J["elbow" + s] - J["shoulder" + s])
        wrist = elbow + turned["farm" + s] @ (J["wrist" + s] - J["elbow" + s])
        for bone in ("clavicle", "shoulder01"):
            self._put(bone + e, turned["clav" + s], rest, clavicle)
        for bone in ("upperarm01", "upperarm02"):
            self._put(bone + e, turned["uarm" + s], J["shoulder" + s], shoulder)
        for bone in ("lowerarm01", "lowerarm02"):
            self._put(bone + e, turned["farm" + s], J["elbow" + s], elbow)
        for bone in body.bones:
            if bone.endswith(e) and bone.startswith(HAND):
                self._put(bone, turned["hand" + s], J["wrist" + s], wrist)
        hand = wrist + turned["hand" + s] @ (J["hand" + s] - J["wrist" + s])
        self.joints |= {"shoulder" + s: shoulder, "elbow" + s: elbow, "wrist" + s: wrist, "hand" + s: hand}

    def _leg(self, s: str, pose: Pose) -> None:
        J, e = self.body.J, "." + s
        for bones, turned, joint in ((("upperleg01", "upperleg02"), "thigh", "hip"),
                                     (("lowerleg01", "lowerleg02"), "shank", "knee"), (("foot",), "foot", "ankle")):
            for bone in bones:
                self._put(bone + e, pose.bones[turned + s], J[joint + s], pose.joints[joint + s])
        for bone in self.body.bones:
            if bone.startswith("toe") and bone.endswith(e):
                self._put(bone, pose.bones["toe" + s], J["ball" + s], pose.joints["ball" + s])
