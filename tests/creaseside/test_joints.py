"""Joints out of landmarks: what is put beside a joint is taken off again, in any view, and a straight leg stays straight."""
from __future__ import annotations

import numpy as np
import pytest

from creaseside import joints
from creaseside.lane import Lane
from tests.creaseside.film import side_camera

FOOT = np.array([1.1, 0.0, 0.0])


def leg_m(own: float, flexion_deg: float) -> np.ndarray:
    """Hip, knee and ankle (3, 3) of a front leg that leans back by 20 degrees and bends inwards as the model has it, metres."""
    ankle, hip = FOOT + [0, 0, 0.1], FOOT + [-0.28, own * joints.HIP_OUT * 0.85, 0.88]
    inwards = np.arctan(joints.KNEE_INWARDS)
    across = np.cross(hip - ankle, [np.sin(inwards) * own, np.cos(inwards), 0.0])
    bow = 0.42 * np.sin(np.radians(flexion_deg / 2))
    return np.array([hip, (hip + ankle) / 2 + bow * np.sign(across[0]) * across / np.linalg.norm(across), ankle])


@pytest.mark.parametrize("side, own", [("left", 1.0), ("right", -1.0)])
@pytest.mark.parametrize("camera", [side_camera(s, yaw, at_x_m=1.1) for s in ("left", "right") for yaw in (-30, 0, 30)])
@pytest.mark.parametrize("flexion", [0, 10, 35])
def test_the_knee_is_the_same_from_everywhere(side, own, camera, flexion, monkeypatch):
    """With landmarks on the joints: the leg's place in space alone. Its angle in the running plane is by hand."""
    monkeypatch.setattr(joints, "beside", lambda joint, near, sine: np.zeros((*np.shape(sine), 2)))
    truth = leg_m(own, flexion)
    told = joints.signed_deg(*truth[:, [0, 2]])
    lane = Lane(camera, FOOT, np.array([1.0, 0.0]))
    found = joints.signed_deg(*joints.leg(lane, side, *(camera.project(p)[None] for p in truth)))
    assert found[0] == pytest.approx(told, abs=0.6)
    plane = joints.signed_deg(*(lane.flat(camera.project(p)[None]) for p in truth))
    assert flexion == 0 or abs(camera.off_side_on_deg()) < 5 or abs(plane[0] - told) > abs(found[0] - told)


@pytest.mark.parametrize("near", [True, False])
def test_what_is_taken_off_grows_no_further_than_was_drawn(near):
    for joint in joints.JOINTS:
        off = joints.beside(joint, near, np.array([-1.0, -joints.MOST_SINE, joints.MOST_SINE, 1.0]))
        assert off[0] == pytest.approx(off[1]) and off[2] == pytest.approx(off[3]) and np.abs(off).max() < 0.1


def test_without_a_camera_the_picture_is_read_as_it_is():
    lane = Lane(None, np.zeros(3), np.array([1.0, 0.0]), 100.0)
    points = np.random.default_rng(2).normal(size=(3, 5, 2)) * 100
    assert np.array_equal(joints.leg(lane, "left", *points), [lane.flat(p) for p in points])


def test_an_unseen_joint_leaves_the_other_looks_alone():
    camera = side_camera()
    lane, pixels = Lane(camera, FOOT, np.array([1.0, 0.0])), np.array([camera.project(p) for p in leg_m(1.0, 20)])
    looks = np.repeat(pixels[:, None], 3, 1)
    looks[1, 1] = np.nan
    angle = joints.signed_deg(*joints.leg(lane, "left", *looks))
    assert np.isnan(angle[1]) and angle[0] == pytest.approx(angle[2]) and np.isfinite(angle[0])
