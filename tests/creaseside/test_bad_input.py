"""Bad input, from the looks to the ball: each gives a number within its stated error, or a flag, or the reason why there is none."""
from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from creaseside import engine as engine_room
from creaseside.ball import Ball
from creaseside.orders import Log
from creaseside.settings import Feedback
from creaseside.settings import Log as LogSettings
from tests.creaseside.film import EPOCH_S, Film, bowl, side_camera
from tests.creaseside.puppet import bowler, goer, truth

ANGLES = ("front_knee_ffc_deg", "front_knee_min_deg", "front_knee_br_deg", "back_knee_bfc_deg")
GROUND = ("approach_deg", "turn_deg", "stride_length_m", "run_up_speed_m_s", "front_foot_offset_m")


def balls(film: Film, camera="its own", arm=None) -> list[Ball]:
    camera = film.camera if camera == "its own" else camera
    found = engine_room.Engine(camera, None, Feedback(), LogSettings(), arm)
    return [order.what for order in bowl(found, film) if isinstance(order, Log)]


def wrong(ball: Ball, told: dict[str, float], names=ANGLES + GROUND) -> dict[str, tuple[float, float]]:
    """Numbers that are farther from the truth than 2.5 of their sds: one in eighty, where it is normal."""
    return {n: (ball[n].value - told[n], ball[n].sd) for n in names if ball[n] and abs(ball[n].value - told[n]) > 2.5 * ball[n].sd}


def reasoned(ball: Ball) -> bool:
    return all(value or value.reason for value in ball.values.values())


class Cut(Film):
    """A film of which only some frames come, or some come twice under a new time."""

    def keep(self, frames: np.ndarray, times: np.ndarray | None = None) -> Cut:
        self.__dict__.update(t=self.t[frames] if times is None else times, xy=self.xy[frames], body=self.body[frames])
        return self


def test_dropped_frames():
    p = bowler()
    film = Cut(p, fps=120, noise_px=0.5)
    film.keep(np.flatnonzero(np.random.default_rng(4).random(len(film)) > 0.3))
    (ball,) = balls(film)
    assert not wrong(ball, truth(p)) and reasoned(ball)


def test_doubled_frames():
    """A driver that gives every tenth picture twice."""
    p = bowler()
    film = Cut(p, fps=120, noise_px=0.5)
    frames = np.arange(len(film))
    frames[9::10] = frames[8:-1:10][: len(frames[9::10])]
    film.keep(frames, film.t)
    (ball,) = balls(film)
    assert not wrong(ball, truth(p)) and reasoned(ball)


@pytest.mark.parametrize("fps", [25, 30])
def test_a_slow_camera_is_flagged(fps):
    p = bowler()
    found = balls(Film(p, fps=fps, noise_px=0.5))
    assert len(found) == 1 and "low frame rate" in found[0].flags and reasoned(found[0])


@pytest.mark.parametrize("span", [(-0.05, -0.01), (0.0, 0.02), (-0.02, 0.09), (-0.3, 0.3)])
def test_a_pole_before_the_front_leg(span):
    p = bowler()
    hidden = {f"left_{joint}": span for joint in ("knee", "ankle", "heel", "toe")}
    found = balls(Film(p, fps=120, noise_px=0.5, hidden=hidden))
    assert len(found) <= 1
    for ball in found:
        assert not wrong(ball, truth(p)) and reasoned(ball)
    if span == (-0.3, 0.3):
        assert not any(ball["front_knee_ffc_deg"] for ball in found)


def test_half_a_bowler_in_the_picture():
    """The camera sees nobody below the hips: no leg, no place on the ground, and no ball made up from an arm."""
    hidden = {f"{side}_{joint}": (-9, 9) for side in ("left", "right") for joint in ("knee", "ankle", "heel", "toe")}
    found = balls(Film(bowler(), fps=120, noise_px=0.5, hidden=hidden))
    assert len(found) <= 1
    for ball in found:
        assert not any(ball[name] for name in ANGLES + GROUND) and reasoned(ball)


def test_two_bowlers_are_flagged_and_the_first_one_s_numbers_stand():
    p = bowler()
    other = goer(3.0, start_m=(-2.0, 3.0))
    (ball,) = balls(Film(p, fps=120, noise_px=0.5, bystander=(other, -0.75, -0.5)))
    assert not wrong(ball, truth(p), ANGLES)
    assert not wrong(ball, truth(p), GROUND) or "someone else in the lane" in ball.flags


def test_no_marks_no_ground():
    p = bowler()
    (ball,) = balls(Film(p, fps=120, noise_px=0.5), camera=None)
    assert "no marks" in ball.flags and not any(ball[name] for name in GROUND)
    assert not wrong(ball, truth(p), ANGLES) and all("marks" in ball[name].reason for name in GROUND)


def test_a_left_armer_declared_right_armed():
    p = bowler(arm="left")
    (ball,) = balls(Film(p, fps=120, noise_px=0.5), arm="right")
    assert ball.arm == "left" and any("left arm" in flag for flag in ball.flags) and not wrong(ball, truth(p), ANGLES)


def test_times_are_the_source_s_own():
    (ball,) = balls(Film(bowler(), fps=120, noise_px=0.5))
    assert ball["ffc_s"].value - EPOCH_S == pytest.approx(0.0, abs=2.5 * ball["ffc_s"].sd)


def test_marks_of_a_camera_that_stood_elsewhere_do_not_make_a_confident_knee():
    """Marks placed before somebody turned the camera by 10 degrees: the knee's error stays within what it states."""
    p, camera = bowler(), side_camera()
    turned = dataclasses.replace(side_camera(yaw_deg=10), cov=None)
    for ball in balls(Film(p, camera, fps=120, noise_px=0.5), camera=turned):
        assert not wrong(ball, truth(p), ("front_knee_ffc_deg",))
