"""The rhythm of a delivery as joint angles over time: keys in degrees, as for a right-armer, and smooth curves.

Time 0 is front foot contact; B is back foot contact and R release. Yaw + to the left, tilt and lean + forward, sideways
lean + to the right. Arms: phi 0 hanging, 90 behind, 180 overhead, 270 in front; out = away from the body; bend = elbow.
"""
from __future__ import annotations

from scipy.interpolate import PchipInterpolator

Keys = tuple[tuple[float, float], ...]
F, A = -38.0, 48.0          # a running arm's swing: fore and aft


def curves(B: float, R: float) -> dict[str, PchipInterpolator]:
    """Every angle as a function of time, by name."""
    every = _trunk(B, R) | _left_arm(B, R) | _right_arm(B, R)
    return {name: PchipInterpolator(*zip(*keys)) for name, keys in every.items()}


def _trunk(B: float, R: float) -> dict[str, Keys]:
    return {
        "pelvis_yaw": (
            (-3, 6), (-2.38, -7), (-2.08, 7), (-1.78, -7), (-1.48, 7), (-1.18, -7), (-.88, 7), (-.58, -6), (-.35, -30),
            (B, -55), (-.05, -48), (0, -40), (R, 0), (.22, 22), (.4, 15), (.7, -8), (.95, 8), (1.25, -6), (2.5, 0)),
        "pelvis_tilt": (
            (-3, 8), (-.7, 8), (-.4, 0), (B, -4), (0, -4), (R, 14), (.25, 32), (.45, 26), (.9, 12), (2.5, 6)),
        "pelvis_side": ((-3, 0), (-.4, 0), (B, 3), (0, 2), (R, -6), (.3, -6), (.7, 0), (2.5, 0)),
        "trunk_yaw": (
            (-3, -9), (-2.38, 9), (-2.08, -9), (-1.78, 9), (-1.48, -9), (-1.18, 9), (-.88, -9), (-.58, 4), (-.35, -40),
            (B, -72), (-.07, -66), (0, -48), (R, 14), (.24, 52), (.42, 46), (.7, 10), (.95, -8), (1.25, 8), (2.5, 0)),
        "trunk_lean": (
            (-3, 13), (-.7, 12), (-.4, 0), (B, -10), (-.06, -10), (0, -4), (R, 32), (.24, 66), (.40, 62), (.75, 30),
            (1.2, 14), (2.5, 8)),
        "trunk_side": ((-3, 0), (-.5, 0), (B, 6), (0, -4), (R, -30), (.24, -26), (.45, -12), (.8, 0), (2.5, 0)),
        "head_lean": ((-3, 4), (-.4, 2), (0, 2), (R, 10), (.26, 28), (.45, 20), (.9, 8), (2.5, 4)),
        "head_side": ((-3, 0), (B, 0), (0, -2), (R, -20), (.26, -14), (.6, 0), (2.5, 0)),
        "head_yaw": ((-3, 0), (-.4, 0), (B, -8), (0, -4), (R, 0), (2.5, 0)),
    }


def _left_arm(B: float, R: float) -> dict[str, Keys]:
    """The front arm: it swings forward over each right-foot stance of the run, then reaches up and pulls down."""
    return {
        "phi_L": (
            (-3, A), (-2.38, A), (-2.08, F), (-1.78, A), (-1.48, F), (-1.18, A), (-.88, F), (-.62, 5), (-.38, -95),
            (B, -150), (-.08, -140), (0, -105), (.06, -60), (R, -15), (.22, 55), (.35, 70), (.6, 25), (.9, -15),
            (1.2, 25), (2.5, 0)),
        "out_L": ((-3, 12), (-.6, 12), (-.35, 15), (B, 15), (0, 18), (R, 14), (.3, 25), (.7, 15), (2.5, 12)),
        "bend_L": (
            (-3, 95), (-.65, 95), (-.38, 70), (B, 22), (-.05, 20), (0, 35), (.06, 85), (R, 110), (.25, 70), (.6, 55),
            (.9, 70), (2.5, 60)),
    }


def _right_arm(B: float, R: float) -> dict[str, Keys]:
    """The bowling arm: past the hip, round behind and over the top at release."""
    return {
        "phi_R": (
            (-3, F), (-2.38, F), (-2.08, A), (-1.78, F), (-1.48, A), (-1.18, F), (-.88, A), (-.62, -10), (-.38, -48),
            (B - .04, -38), (-.12, -5), (-.06, 42), (0, 98), (R * .5, 142), (R, 192), (R + .06, 262), (R + .13, 335),
            (R + .22, 382), (.5, 388), (.8, 345), (1.1, 378), (2.5, 362)),
        "out_R": (
            (-3, 12), (-.6, 12), (-.38, 8), (B, 10), (0, 22), (R, 12), (R + .08, 5), (R + .2, -22), (.5, -10), (.8, 10),
            (2.5, 12)),
        "bend_R": (
            (-3, 95), (-.65, 95), (-.38, 128), (B - .04, 110), (-.12, 45), (-.06, 12), (0, 7), (R, 5), (R + .12, 10),
            (R + .25, 45), (.8, 60), (2.5, 60)),
    }
