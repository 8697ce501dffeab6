"""Pose: landmarks by name, read-only, and nobody where nobody was."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from creaseside.pose import INDEX, MIRROR, NAMES, Pose
from creaseside.stamps import Stamp, to_ns, to_s


def made() -> Pose:
    return Pose(
        Stamp(4, 40),
        np.arange(66, dtype=np.float32).reshape(33, 2),
        np.zeros((33, 3), np.float32),
        np.ones(33, np.float32),
        "heavy",
    )


def test_a_landmark_is_found_by_its_name():
    assert made()["left_shoulder"].tolist() == [22, 23] and made()["right_toe"].tolist() == [64, 65]
    with pytest.raises(KeyError):
        made()["left_tail"]


def test_the_order_is_the_pose_models():
    """BlazePose's published list of 33 landmarks (its foot index is our toe)."""
    mp = pytest.importorskip("mediapipe.python.solutions.pose")
    theirs = [p.name.lower().replace("foot_index", "toe") for p in sorted(mp.PoseLandmark)]
    assert list(NAMES) == theirs


def test_the_mirror_swaps_every_left_with_its_right_and_back():
    assert np.array_equal(MIRROR[MIRROR], np.arange(33)) and MIRROR[INDEX["nose"]] == INDEX["nose"]
    for a, b in (
        ("left_hip", "right_hip"),
        ("mouth_left", "mouth_right"),
        ("left_eye_inner", "right_eye_inner"),
        ("left_toe", "right_toe"),
    ):
        assert MIRROR[INDEX[a]] == INDEX[b]
    assert (MIRROR != np.arange(33)).sum() == 32


def test_a_pose_cannot_be_written_to():
    pose = made()
    for array in (pose.xy_px, pose.world_m, pose.visibility):
        with pytest.raises(ValueError):
            array[0] = 1
    with pytest.raises(dataclasses.FrozenInstanceError):
        pose.model = "light"


def test_nobody_is_unseen_everywhere_with_the_reason():
    nobody = Pose.nobody(Stamp(1, 2), "light", "dark")
    assert (
        np.isnan(nobody.xy_px).all()
        and np.isnan(nobody.world_m).all()
        and not nobody.visibility.any()
        and nobody.missing == "dark"
    )
    assert nobody.xy_px.shape == (33, 2) and nobody.world_m.shape == (33, 3) and made().missing is None


def test_stamps_are_in_order_and_seconds_go_both_ways():
    assert Stamp(1, 5) < Stamp(2, 3) and Stamp(3, 1_500_000_000).t_s == 1.5
    for ns in (0, 1, 123_456_789, 86_400_000_000_001):
        assert to_ns(to_s(ns)) == pytest.approx(ns, abs=8)
    assert to_ns(0.0083333333) == 8_333_333
