"""Soles: a drawn foot's lower edge is found to a fraction of a pixel, or not at all.

The foot is drawn eight times as large as the picture is and brought down by areas, as a sensor does; its edge is known beforehand.
"""
from __future__ import annotations

import cv2
import numpy as np
import pytest

from creaseside.pose import INDEX, Pose
from creaseside.stamps import Stamp
from kiosk import soles

FINER = 8
WIDE, HIGH = 320, 200
HEEL, TOE = np.array([150.0, 120.0]), np.array([180.0, 123.0])
GREEN, SOCK, SOLE, PAINT = (82, 132, 98), (215, 218, 220), (40, 40, 150), (226, 232, 232)


def pose(heel=HEEL, toe=TOE) -> Pose:
    """A right foot as landmarks have it; the left one is beyond the picture."""
    xy = np.full((33, 2), np.nan, np.float32)
    for name, at in {"hip": (160, -5), "knee": (165, 55), "ankle": (155, 112), "heel": heel, "toe": toe}.items():
        xy[INDEX[f"right_{name}"]] = at
        xy[INDEX[f"left_{name}"]] = np.asarray(at) + (400.0, 0.0)
    return Pose(Stamp(1, 1), xy, np.zeros((33, 3), np.float32), np.ones(33, np.float32), "heavy")


def picture(edge_px: float | None, line=False, net=False, shadow=0, seed=1) -> np.ndarray:
    """edge_px: where under the middle of the foot its sole ends; its line is heel's to toe's. None: nobody there. shadow: pixels
    below the sole."""
    big = np.full((HIGH * FINER, WIDE * FINER, 3), GREEN, np.uint8)

    def fill(colour, *points):
        cv2.fillPoly(big, [np.round((np.array(points) * FINER - 0.5) * 16).astype(np.int32)], colour, cv2.LINE_8, 4)
    if line:
        fill(PAINT, (0, 105), (WIDE, 125), (WIDE, 131), (0, 111))
    if edge_px is not None:
        under = [end + (0, edge_px - (HEEL + TOE)[1] / 2) for end in (HEEL - (4, 0.4), TOE + (4, 0.4))]
        if shadow:
            fill((41, 66, 49), *(end - (0, 3) for end in under), *(end + (0, shadow) for end in under[::-1]))
        fill(SOLE, *(end - (0, 9) for end in under), *under[::-1])
        fill(SOCK, (150, 60), (165, 60), under[1] - (0, 4), under[0] - (0, 4))
    if net:
        for x in range(0, WIDE, 14):
            fill((30, 30, 30), (x, 0), (x + 1.2, 0), (x + 1.2, HIGH), (x, HIGH))
        for y in range(3, HIGH, 14):
            fill((30, 30, 30), (0, y), (WIDE, y), (WIDE, y + 1.2), (0, y + 1.2))
    small = cv2.resize(big, (WIDE, HIGH), interpolation=cv2.INTER_AREA).astype(float)
    return np.clip(small + np.random.default_rng(seed).normal(0, 3, small.shape), 0, 255).astype(np.uint8)


def found(edge_px: float, **kind) -> np.ndarray:
    without = picture(None, **{k: v for k, v in kind.items() if k != "shadow"}, seed=2)
    return soles.lower_edges(picture(edge_px, **kind), without, pose())[1]


@pytest.mark.parametrize("line", [False, True])
@pytest.mark.parametrize("edge_px", [126.0, 128.3, 130.75])
def test_an_edge_is_found_to_a_seventh_of_a_pixel(line, edge_px):
    """Also where the sock is as white as the crease behind it, and cannot be told from it."""
    x, y = found(edge_px, line=line)
    assert x == pytest.approx(165.0) and y == pytest.approx(edge_px, abs=1 / 7)


def test_through_a_net_it_is_found_to_a_pixel_and_mostly_better():
    """A cord that lies along the edge hides it."""
    off = np.abs([found(edge_px, net=True)[1] - edge_px for edge_px in np.arange(126.0, 131.0, 0.25)])
    assert np.median(off) < 0.2 and off.max() < 1.0


def test_a_shadow_that_falls_to_the_camera_makes_no_edge_of_the_foot():
    assert np.isnan(found(128.0, shadow=40)).all()


def test_the_shade_at_a_stump_s_foot_is_no_foot_s_edge():
    """Stumps stand before the foot and as they stood; what differs at their feet is a shade that the bowler throws."""
    here, without = picture(128.0), picture(None, seed=2)
    for bgr, grey in ((here, 60), (without, 90)):
        cv2.rectangle(bgr, (140, 40), (190, 131), (60, 110, 150), -1)
        cv2.rectangle(bgr, (140, 132), (190, 134), (grey, grey, grey), -1)
    assert np.isnan(soles.lower_edges(here, without, pose())).all()


def test_what_is_not_seen_is_not_said():
    nobody = picture(None)
    assert np.isnan(soles.lower_edges(nobody, picture(None, seed=2), pose())).all()                   # nothing differs
    assert np.isnan(soles.lower_edges(picture(128.0), picture(128.0, seed=2), pose())).all()          # who stands there stood there before
    assert np.isnan(soles.lower_edges(picture(128.0), nobody[:, :-1], pose())).all()                  # another camera's picture
    assert np.isnan(soles.lower_edges(picture(128.0), nobody, pose(toe=(np.nan, np.nan)))).all()      # no landmarks
    assert np.isnan(soles.lower_edges(picture(128.0), nobody, pose())[0]).all()                       # beyond the picture


def test_landmarks_need_not_be_on_the_foot_s_edge():
    """Two pixels up or down, and three along, are the same edge."""
    without, here = picture(None, seed=2), picture(128.3)
    for off in ((0, -2), (0, 2), (-3, 0), (3, 0)):
        x, y = soles.lower_edges(here, without, pose(HEEL + off, TOE + off))[1]
        along = (x - (HEEL + TOE)[0] / 2) * (TOE - HEEL)[1] / (TOE - HEEL)[0]
        assert y == pytest.approx(128.3 + along, abs=1 / 7)
