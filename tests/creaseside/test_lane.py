"""Lane: pixels to metres in the running plane and back through the camera's own projection."""

from __future__ import annotations

import numpy as np
import pytest

from creaseside import lane, track
from tests.creaseside.film import Film, side_camera
from tests.creaseside.puppet import bowler

RNG = np.random.default_rng(3)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("yaw", [-15, 0, 25])
@pytest.mark.parametrize("heading, left_m", [(0, 0), (7, 0), (-10, 0.05), (180, -0.1)])
def test_points_of_the_plane_come_back(side, yaw, heading, left_m):
    camera = side_camera(side, yaw)
    a = np.radians(heading)
    forward, left = np.array([np.cos(a), np.sin(a), 0]), np.array([-np.sin(a), np.cos(a), 0])
    at = np.array([-0.5, 0.4, 0.0])
    flat = np.stack([RNG.uniform(-2, 2, 30), RNG.uniform(0, 2, 30)], 1)
    world = at + flat[:, :1] * forward + left_m * left + flat[:, 1:] * [0, 0, 1]
    plane = lane.Lane(camera, np.zeros(3), np.array([1.0, 0.0])).through(at[:2], heading)
    assert plane.flat(camera.project(world), left_m) == pytest.approx(flat, abs=1e-6)
    assert plane.left == pytest.approx(left) and plane.metric


def test_unseen_stays_unseen():
    plane = lane.Lane(side_camera(), np.zeros(3), np.array([1.0, 0.0]))
    assert np.isnan(plane.flat(np.array([[np.nan, np.nan]]))).all()


@pytest.mark.parametrize("side, forward", [("right", 1.0), ("left", -1.0)])
def test_without_marks_forward_is_the_way_of_the_run(side, forward):
    film = Film(bowler(), side_camera(side), fps=60)
    close = track.of(film.poses(-0.8, 0.2))
    plane = lane.of(close, None)
    assert not plane.metric and plane.forward_px == forward
    hips = plane.flat(close.middle("hip"))
    assert hips[-1, 0] > hips[0, 0] + 2  # metres, roughly: the scale is the body's
    head = plane.flat(close["nose"])
    assert (head[:, 1] > hips[:, 1]).all()  # up is up


@pytest.mark.parametrize("arm", ["right", "left"])
@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize("fps", [25, 60, 240])
def test_the_feet_are_found_across_the_pitch(arm, side, fps):
    film = Film(bowler(arm=arm, y_m=0.3), side_camera(side), fps=fps, noise_px=1.0)
    assert lane.of(track.of(film.poses(-1.0, 0.3)), film.camera).point_m[1] == pytest.approx(0.3, abs=0.20)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("yaw", [-15, 0, 25])
def test_aslant_is_how_far_what_is_beside_the_plane_looks_shifted_along_it(side, yaw):
    camera = side_camera(side, yaw)
    plane = lane.Lane(camera, np.array([0.0, 0.3, 0.0]), np.array([1.0, 0.0]))
    at = np.stack([RNG.uniform(-2, 1, 30), np.full(30, 0.3), RNG.uniform(0, 2, 30)], 1)
    shift = plane.flat(camera.project(at + [0, 1e-3, 0]))[:, 0] - at[:, 0]
    assert plane.aslant(camera.project(at)) == pytest.approx(np.abs(shift) / 1e-3, rel=2e-3, abs=1e-3)
    assert np.isnan(lane.of(track.of(Film(bowler(), camera, fps=60).poses()), None).aslant(np.zeros((4, 2)))).all()
