"""One leg from hip and ankle, one arm from its angles: where the joints are, how the bones turn (globally)."""
from __future__ import annotations

import numpy as np

from tests.footage.body import Body
from tests.footage.rotations import UP, hinged, rx, unit
from tests.footage.steps import SIGN

ALMOST = 0.99995                               # of the leg's length: a knee never quite locks
FOLDED_M = 0.30                                # an ankle never comes nearer to its hip
CLAVICLE_LIFT_DEG = 24
BACKWARDS = np.array([0.0, -1.0, 0.0])


def leg(body: Body, s: str, hip: np.ndarray, ankle: np.ndarray, foot: np.ndarray,
        pelvis: np.ndarray) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray], float]:
    """Joints, bone rotations and how far the ankle had to be pulled to where the leg reaches, metres."""
    a, b = body.thigh_m, body.shank_m
    d, longest = ankle - hip, (a + b) * ALMOST
    wanted = float(np.linalg.norm(d))
    far = min(max(wanted, FOLDED_M), longest)
    along = d / wanted
    ankle = hip + along * far
    x = (a * a + far * far - b * b) / (2 * far)
    bent = unit(_pole(foot, pelvis) - along * (_pole(foot, pelvis) @ along))
    knee = hip + x * along + np.sqrt(max(a * a - x * x, 0)) * bent
    hinge = unit(np.cross(along, bent))
    J = body.J
    bones = {"thigh" + s: hinged(knee - hip, hinge) @ _rest(J["knee" + s] - J["hip" + s]).T,
             "shank" + s: hinged(ankle - knee, hinge) @ _rest(J["ankle" + s] - J["knee" + s]).T}
    return {"hip" + s: hip, "knee" + s: knee, "ankle" + s: ankle}, bones, max(0.0, wanted - longest)


def _pole(foot: np.ndarray, pelvis: np.ndarray) -> np.ndarray:
    """Where the knee points: between the foot's way and the pelvis's, a little up."""
    level = np.array([1, 1, 0])
    return unit(unit(foot[:, 0] * level) * .55 + unit(pelvis[:, 0] * level) * .45) + np.array([0, 0, .35])


def _rest(along: np.ndarray) -> np.ndarray:
    along = unit(along)
    return hinged(along, unit(BACKWARDS - along * (BACKWARDS @ along)))


def arm(body: Body, s: str, deg: dict[str, float], travel: np.ndarray, thorax: np.ndarray) -> dict[str, np.ndarray]:
    """Bone rotations of clavicle, upper arm, forearm and hand; `deg`: phi, out and bend as in `rhythm`."""
    side = SIGN[s]
    phi, out, bend = (np.radians(deg[k]) for k in ("phi", "out", "bend"))
    x, y = travel[:, 0], travel[:, 1]
    upper = np.cos(out) * (-np.sin(phi) * x - np.cos(phi) * UP) + np.sin(out) * side * y
    fold = np.cos(phi) * x - np.sin(phi) * UP - side * .35 * y
    fold = unit(fold - upper * (fold @ upper))
    fore = np.cos(bend) * upper + np.sin(bend) * fold
    raised = np.clip((upper @ thorax[:, 2] + .2) / 1.2, 0, 1)           # the clavicle lifts with the arm
    J = body.J
    upper0, fore0 = unit(J["elbow" + s] - J["shoulder" + s]), unit(J["wrist" + s] - J["elbow" + s])
    hinge0, hinge = unit(np.cross(upper0, fore0)), unit(np.cross(upper, fold))
    turned = {"uarm" + s: _swung(upper, hinge) @ _swung(upper0, hinge0).T,
              "farm" + s: _swung(fore, hinge) @ _swung(fore0, hinge0).T}
    return turned | {"clav" + s: thorax @ rx(side * CLAVICLE_LIFT_DEG * raised), "hand" + s: turned["farm" + s]}


def _swung(along: np.ndarray, hinge: np.ndarray) -> np.ndarray:
    return np.stack([along, hinge, np.cross(along, hinge)], 1)
