"""Legs: the knees of a puppet are seen through time as they were bent, on either arm, with and without marks."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from creaseside.legs import legs
from creaseside.pose import INDEX
from tests.creaseside.film import EPOCH_S, Film, side_camera
from tests.creaseside.puppet import bowler


@pytest.mark.parametrize("marks, within_deg", [(True, 2.0), (False, 6.0)])
def test_the_front_knee_is_the_puppets_at_landing_and_at_release(marks, within_deg):
    film = Film(bowler(knee=168.0, knee_br=158.0))
    found = legs({"heavy": film.poses(-1.0, 0.25)}, film.camera if marks else None, "right", EPOCH_S + 0.11)
    at = [int(np.abs(found.t_s - EPOCH_S - t).argmin()) for t in (0.0, 0.11)]
    assert found.front_deg[at] == pytest.approx([168.0, 158.0], abs=within_deg)


def test_the_leg_is_where_the_picture_has_it():
    film = Film(bowler())
    poses = film.poses(-1.0, 0.25)
    found = legs({"heavy": poses}, film.camera, "right", EPOCH_S + 0.11)
    i = int(np.abs(found.t_s - EPOCH_S).argmin())
    pose = next(p for p in poses if p.stamp.t_s == found.t_s[i])
    assert np.allclose(found.leg_px[i], [pose["left_hip"], pose["left_knee"], pose["left_ankle"]], atol=0.01)


def test_a_few_looks_are_no_track():
    film = Film(bowler())
    assert legs({"heavy": film.poses(0.0, 0.03)}, film.camera, "right", EPOCH_S + 0.11) is None
    assert legs({}, None, "left", 1.0) is None


def test_a_ball_that_has_no_heavy_looks_is_seen_by_the_light_ones():
    film = Film(bowler())
    light, heavy = (legs({model: film.poses(-1.0, 0.25)}, film.camera, "right", EPOCH_S + 0.11) for model in ("light", "heavy"))
    assert np.array_equal(light.leg_px, heavy.leg_px)


def test_the_front_knee_is_held_to_the_other_leg_as_the_live_looks_have_it():
    """As the number in the log is: seen from the live looks, the other leg is a twentieth longer."""
    film = Film(bowler(), side_camera("left"), fps=120)
    close, longer = film.poses(-1.0, 0.25), []
    for pose in close:
        xy, other = pose.xy_px.copy(), [INDEX["right_hip"], INDEX["right_knee"]]
        xy[other] += 0.05 * (xy[other] - pose["right_ankle"])
        longer.append(replace(pose, xy_px=xy, model="light"))
    landing = EPOCH_S + 0.01
    one, other = (legs({"heavy": close, "light": live}, film.camera, "right", EPOCH_S + 0.11) for live in (close, longer))
    at = int(np.abs(one.t_s - landing).argmin())
    assert -3.0 < other.front_deg[at] - one.front_deg[at] < -1.0
