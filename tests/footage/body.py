"""A body at rest: the baked mesh, its joint centres, and what follows from them. It does not move.

bodies/*.npz hold vertices (metres, x forward, y left, z up, origin at the pelvis), faces, skinning weights, bone heads
and the COCO key points as joint centres. Their licence is beside them.
"""
from __future__ import annotations

from functools import cache, cached_property
from pathlib import Path

import numpy as np
from scipy.sparse import csr_matrix

BODIES = Path(__file__).parent / "bodies"
WORDS = {"L": "left", "R": "right"}
JOINTS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")


class Body:
    """V (N, 3), F (M, 3), H (bones, 3) bone heads, J: joint or foot point + side -> (3,), k: COCO key point -> (3,)."""

    def __init__(self, path: Path) -> None:
        with np.load(path) as z:
            self.V, self.F, self.H = z["V"].astype(float), z["F"], z["H"].astype(float)
            self.W, self.I = z["W"].astype(float), z["I"].astype(int)
            self.bones = [str(b) for b in z["bones"]]
            self.k = {str(label): p.astype(float) for label, p in zip(z["coco_labels"], z["coco"])}
        self.bone = {name: i for i, name in enumerate(self.bones)}
        self.dominant = self.I[np.arange(len(self.V)), self.W.argmax(1)]
        self.J = {j + s: self.k[f"{word}_{j}"] for s, word in WORDS.items() for j in JOINTS}
        self.ground_m = self._foot_vertices("L")[:, 2].min()
        for s in "LR":
            self._foot_points(s)
        self.thigh_m = float(np.linalg.norm(self.J["hipL"] - self.J["kneeL"]))
        self.shank_m = float(np.linalg.norm(self.J["kneeL"] - self.J["ankleL"]))
        self.ankle_height_m = self.J["ankleL"][2] - self.ground_m
        self.pelvis_height_m = -self.ground_m

    @property
    def stature_m(self) -> float:
        return float(np.ptp(self.V[:, 2]))

    @cached_property
    def weights(self) -> csr_matrix:
        """(vertices, bones)"""
        n, k = self.I.shape
        return csr_matrix((self.W.ravel(), (np.repeat(np.arange(n), k), self.I.ravel())), (n, len(self.bones)))

    def leg_m(self, knee_deg: float) -> float:
        """Hip to ankle with this knee angle."""
        a, b = self.thigh_m, self.shank_m
        return float(np.sqrt(a * a + b * b - 2 * a * b * np.cos(np.radians(knee_deg))))

    def _foot_vertices(self, s: str) -> np.ndarray:
        bones = [i for i, n in enumerate(self.bones) if n.startswith(("foot.", "toe")) and n.endswith("." + s)]
        return self.V[np.isin(self.dominant, bones)]

    def _foot_points(self, s: str) -> None:
        """heelpt and toept are the foot's ends as landmarks; heelsole, ball and toesole touch the ground."""
        foot = self._foot_vertices(s)
        heel, toe = foot[foot[:, 0].argmin()].copy(), foot[foot[:, 0].argmax()].copy()
        middle_y, sole_z = self.J["ankle" + s][1] * 0.5 + toe[1] * 0.5, foot[:, 2].min()
        self.J["heelpt" + s], self.J["toept" + s] = heel, toe
        self.J["heelsole" + s] = np.array([heel[0] + 0.02, middle_y, sole_z])
        self.J["ball" + s] = np.array([self.H[self.bone[f"toe1-1.{s}"]][0], middle_y, sole_z])
        self.J["toesole" + s] = np.array([toe[0] - 0.01, middle_y, sole_z])
        self.J["hand" + s] = self.H[self.bone[f"finger3-1.{s}"]]


@cache
def load(name: str) -> Body:
    """One of bodies/*.npz by name: adult, woman, tall, junior."""
    return Body(BODIES / f"{name}.npz")
