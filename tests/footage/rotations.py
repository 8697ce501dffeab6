"""Rotation matrices and the few vector sums that the moving figure needs. Degrees in, columns out."""
from __future__ import annotations

import numpy as np

UP = np.array([0.0, 0.0, 1.0])
MIRROR = np.diag([1.0, -1.0, 1.0])            # a left-armer is a right-armer mirrored in y


def rx(deg: float) -> np.ndarray:
    """About x: a positive turn tips z towards -y."""
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def ry(deg: float) -> np.ndarray:
    """About y: a positive turn tips z towards +x."""
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])


def rz(deg: float) -> np.ndarray:
    """About z: a positive turn takes x towards +y."""
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def unit(v: np.ndarray) -> np.ndarray:
    return v / np.linalg.norm(v)


def hinged(along: np.ndarray, hinge: np.ndarray) -> np.ndarray:
    """Axes of a segment as columns: along it, its hinge, and the third."""
    along = unit(along)
    return np.stack([along, hinge, np.cross(hinge, along)], 1)


def signed_deg(hip: np.ndarray, knee: np.ndarray, ankle: np.ndarray) -> np.ndarray:
    """A knee's angle in a plane, (..., 2) along and up -> degrees: 180 straight, more is bent backwards."""
    u, v = knee - hip, ankle - knee
    return 180 + np.degrees(np.arctan2(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0], (u * v).sum(-1)))


def included_deg(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Angle at b between a and c, (..., 2 or 3) -> degrees, 180 straight."""
    u, v = a - b, c - b
    cosine = (u * v).sum(-1) / np.linalg.norm(u, axis=-1) / np.linalg.norm(v, axis=-1)
    return np.degrees(np.arccos(np.clip(cosine, -1, 1)))
