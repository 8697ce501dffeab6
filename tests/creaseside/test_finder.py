"""Finder: a delivery is found at any frame rate, from either side, for either arm; nothing else is."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from creaseside import finder, lane, track
from creaseside.pose import INDEX, Pose
from creaseside.stamps import NS, Stamp
from tests.creaseside.film import EPOCH_S, Film, side_camera
from tests.creaseside.puppet import bowler, goer

RATES = (25, 30, 50, 60, 120, 240)


def search(film, marks=True, first=-1.3, last=0.5):
    close = track.cleaned(track.of(film.poses(first, last)))
    return finder.find(close, lane.of(close, film.camera if marks else None))


@pytest.mark.parametrize("fps, marks", [*((r, True) for r in RATES), (60, False), (120, False)])
@pytest.mark.parametrize(
    "arm, view, yaw", [("right", "right", 0), ("left", "left", 0), ("left", "right", 25), ("right", "left", -15)]
)
def test_a_ball_is_found_once_with_its_arm_and_foot(fps, arm, view, yaw, marks):
    found = search(Film(bowler(arm=arm), side_camera(view, yaw), fps=fps, noise_px=1.5), marks)
    assert [(c.arm, c.front) for c in found] == [(arm, "left" if arm == "right" else "right")]
    assert found[0].release_s - EPOCH_S == pytest.approx(0.093, abs=0.02)  # straight up, 17 degrees before it goes
    assert found[0].landing_s - EPOCH_S == pytest.approx(0.0, abs=0.02 + 1 / fps)


@pytest.mark.parametrize(
    "how",
    [
        {"speed": 3.0},
        {"speed": 7.0},
        {"arm_deg_s": 800},
        {"arm_deg_s": 1200},
        {"approach": 15, "turn": -15},
        {"approach": -10},
        {"knee": 140, "knee_min": 120, "knee_br": 125},
        {"bfc": -0.22},
    ],
)
@pytest.mark.parametrize("fps", [60, 120])
def test_however_it_is_bowled(how, fps):
    assert len(search(Film(bowler(**how), fps=fps, noise_px=1.0))) == 1


@pytest.mark.parametrize("arm, front", [("right", "left"), ("left", "right")])
def test_a_ball_whose_legs_are_mixed_up_once_it_is_let_go_landed_on_the_foot_that_stood(arm, front):
    """The hips have come over the front foot by then, so that the one that passes for it is not ahead of them (drawn: such a ball was lost)."""
    film = Film(bowler(arm=arm), fps=60)
    close = track.of(film.poses(-1.0, 0.5))
    late = close.t_s > EPOCH_S + 0.065
    xy, hips = close.crossed(np.flatnonzero(late), track.LEGS).xy_px.copy(), close.middle("hip")[:, 0]
    xy[np.ix_(late, [INDEX["left_hip"], INDEX["right_hip"]])] += [60 * np.sign(hips[-1] - hips[0]), 0]
    close = dataclasses.replace(close, xy_px=xy)
    (ball,) = finder.find(close, lane.of(close, film.camera))
    assert (ball.arm, ball.front) == (arm, front) and ball.landing_s - EPOCH_S == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("arm, view, yaw", [("left", "left", -35), ("right", "right", -38), ("right", "left", 38), ("left", "right", 30)])
@pytest.mark.parametrize("fps", [40, 60, 120])
def test_an_arm_that_a_camera_aslant_sees_short(fps, arm, view, yaw):
    """Behind the body the arm is out to its side, towards the camera or away from it."""
    p = bowler(arm=arm, arm_out=0.55)
    found = [search(Film(p, side_camera(view, yaw), fps=fps, noise_px=1.0, phase=u)) for u in np.arange(0, 1, 0.2)]
    assert [[c.arm for c in balls] for balls in found] == [[arm]] * 5


@pytest.mark.parametrize("arm", ["right", "left"])
@pytest.mark.parametrize("fps", [40, 60, 120])
def test_a_front_foot_that_is_lost_from_sight_at_the_release(fps, arm):
    """It was seen to land; that the back foot alone is seen then does not put it in front."""
    front = {"right": "left", "left": "right"}[arm]
    hidden = {f"{front}_{part}": (0.055, 0.13) for part in ("heel", "toe", "ankle")}
    found = search(Film(bowler(arm=arm), fps=fps, noise_px=1.0, hidden=hidden))
    assert [(c.arm, c.front) for c in found] == [(arm, front)]


@pytest.mark.parametrize("share", [0.1, 0.3])
@pytest.mark.parametrize("fps", [50, 120])
def test_with_looks_lost_here_and_there(share, fps):
    assert [len(search(Film(bowler(), fps=fps, lost=share, seed=s))) for s in range(3)] == [1] * 3


NO_BALL = {
    "walking back": goer(1.4, 180),
    "jogging back": goer(2.8, 180, step=0.36, stand=0.28, bend=80, swing=40),
    "jogging down the pitch": goer(2.8, 0, step=0.36, stand=0.28, bend=80, swing=40),
    "standing": goer(0.0),
    "someone who crosses": goer(1.5, 90, start_m=(-1.0, 2.0)),
    "someone who crosses fast": goer(3.0, 80, start_m=(-1.0, 3.0), step=0.36, stand=0.28),
    "an action on the spot": bowler(run=False),
}


@pytest.mark.parametrize("fps, view", [(25, "right"), (30, "left"), (60, "right"), (120, "left")])
@pytest.mark.parametrize("what", NO_BALL)
def test_what_is_no_ball_is_not_found(what, view, fps):
    assert (
        search(Film(NO_BALL[what], side_camera(view), fps=fps, noise_px=1.5, between=(-1.6, 1.4)), first=-2.0, last=2.0)
        == []
    )


@pytest.mark.parametrize("fps", [60, 120])
def test_a_slow_arm_at_the_end_of_a_run_is_not_found(fps):
    assert search(Film(bowler(arm_deg_s=330), fps=fps, noise_px=1.0)) == []


@pytest.mark.parametrize("fps", [25, 60, 120])
@pytest.mark.parametrize("run", [False, True])
def test_slow_practice_is_not_found(fps, run):
    assert search(Film(bowler(run=run), fps=fps, pace=0.4, noise_px=1.0), first=-3.0, last=2.0) == []


@pytest.mark.parametrize(
    "limb, span", [("leg", (-0.05, 0.03)), ("leg", (0.02, 0.10)), ("arm", (0.05, 0.10)), ("leg", (-0.5, -0.4))]
)
@pytest.mark.parametrize("fps", [30, 60, 120])
def test_swapped_sides_neither_make_nor_lose_a_ball(limb, span, fps):
    assert [(c.arm, c.front) for c in search(Film(bowler(), fps=fps, swapped={limb: span}))] == [("right", "left")]
    assert search(Film(goer(1.4, 0), fps=fps, swapped={limb: span}), first=-2, last=2) == []


@pytest.mark.parametrize("fps", [30, 120])
@pytest.mark.parametrize("hidden", ["right_wrist", "right_shoulder"])
def test_no_arm_no_ball(fps, hidden):
    assert search(Film(bowler(), fps=fps, hidden={hidden: (-2, 2)})) == []


# 30 looks a second is also what is looked at live of a faster camera, whichever of its frames those are.
@pytest.mark.parametrize(
    "fps, over_m",
    [
        (25, 0.10),
        (30, 0.10),
        (60, 0.05),
        (25, 0.05),
        (30, 0.05),
        (120, 0.0),
    ],
)
def test_whichever_frames_are_looked_at(fps, over_m):
    """`over_m`: how far the front ankle is before the hips at release."""
    assert [len(search(Film(bowler(over_m=over_m), fps=fps, phase=u))) for u in np.arange(0, 1, 0.1)] == [1] * 10


def test_two_balls_are_two():
    film, other = Film(bowler(), fps=60), Film(bowler(arm="left"), fps=60)
    again = [
        Pose(
            Stamp(p.stamp.frame + 1000, p.stamp.t_ns + 8 * NS),
            p.xy_px.copy(),
            p.world_m.copy(),
            p.visibility.copy(),
            p.model,
        )
        for p in other.poses(-1.3, 0.5)
    ]
    close = track.of([*film.poses(-1.3, 0.5), *again])
    found = finder.find(close, lane.of(close, film.camera))
    assert [(c.arm, c.front) for c in found] == [("right", "left"), ("left", "right")]
    assert found[1].release_s - found[0].release_s == pytest.approx(8, abs=0.01)


# --- before it is bowled ----------------------------------------------------------------------------------------------


def lands_m(puppet) -> float:
    """Where its hips are as its front foot lands."""
    return float(puppet.joints(np.zeros(1))[0, [INDEX["left_hip"], INDEX["right_hip"]], 0].mean())


def expected(film: Film, last_s: float, marks: bool = True, hips_m: float | None = None) -> finder.Candidate | None:
    live = track.cleaned(track.of(film.poses(-1.0, last_s)))
    return finder.expect(live, lane.of(live, film.camera if marks else None), lands_m(film.puppet) if hips_m is None else hips_m)


@pytest.mark.parametrize("arm, view, yaw", [("right", "left", 0), ("left", "right", 25), ("right", "right", -25)])
@pytest.mark.parametrize("ahead_s", [0.12, 0.08, 0.04])
def test_a_landing_is_expected_where_the_hips_come_to_where_bowlers_land(ahead_s, arm, view, yaw):
    told = expected(Film(bowler(arm=arm), side_camera(view, yaw), fps=40, between=(-1.0, 0.2)), -ahead_s)
    assert told.landing_s == pytest.approx(EPOCH_S, abs=0.025) and told.arm == told.front == ""


def test_no_landing_is_expected_far_ahead_nor_behind_nor_without_marks_nor_of_who_walks():
    film = Film(bowler(), fps=40, between=(-1.0, 0.2))
    assert expected(film, -0.10) and not expected(film, -0.10, marks=False)
    assert not expected(film, -0.35) and not expected(film, 0.10)
    for walker in (goer(1.4, 0, start_m=(-1.0, 0.0)), goer(4.0, 180, start_m=(1.0, 0.0))):
        assert not any(expected(Film(walker, fps=40, between=(-1.0, 0.2)), last_s, hips_m=0.5) for last_s in np.arange(-0.5, 0.2, 0.025))
