"""The forecast against the rooms that it forecasts: what they state on a puppet's ball, and how far off they are on many."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from creaseside import forecast as room
from creaseside import measures, steps
from creaseside.camera import Camera, solve
from creaseside.forecast import FORECAST, Noise, advice, forecast, usual_noise
from creaseside.pitch import MARKS
from creaseside.pose import INDEX, OTHER, SIDES
from tests.creaseside.film import Film, closely, side_camera
from tests.creaseside.puppet import bowler, truth

VIEWS = [{}, {"yaw_deg": 25}, {"yaw_deg": -25}, {"far_m": 9, "wide_deg": 55}, {"high_m": 0.9}, {"side": "left", "high_m": 2.4}]
SHORT = (-1.3, 0.4)


def stated(view: dict, fps: float) -> dict[str, float]:
    """The sds of a ball of a puppet without noise, as the measures write them into the log: whose front leg is on the camera's side;
    of a knee and a back foot, near or far, and of a stride, which goes across the pitch to the one side or to the other, the mean of both."""
    near = {"right": "left", "left": "right"}[view.get("side", "right")]
    one, other = (closely(Film(bowler(y_m=0.0, arm=arm), side_camera(**view), fps=fps, between=SHORT)) for arm in (near, OTHER[near]))
    said = {name: measures.MEASURES[name](one).sd for name in FORECAST}
    return said | {name: float(np.hypot(said[name], measures.MEASURES[name](other).sd) / np.sqrt(2)) for name in ("front_knee_ffc_deg", "bfc_s", "stride_length_m")}


@pytest.mark.parametrize("view", VIEWS, ids=str)
@pytest.mark.parametrize("fps", (60, 120))
def test_where_the_constants_were_measured_it_says_what_every_ball_says(view, fps):
    """A view in which a pixel is no more than the usual 2 to 3 cm across adds nothing to what the rooms state."""
    foreseen, said = forecast(side_camera(**view), fps), stated(view, fps)
    for name in FORECAST:
        slack = 1.25 if name != "approach_deg" or foreseen.across_m < 0.03 else 2.6
        assert said[name] / 1.25 <= foreseen.sd(name) <= slack * said[name], name


# How far off the numbers are

def strayed(film: Film, noise: Noise, rng: np.random.Generator) -> Film:
    """The film with every planted foot beside its place by as much as its edge is, and the model's body."""
    xy, sole, body = film.xy.copy(), film.sole.copy(), film.body.copy()
    for d in film.puppet.downs:
        there = (film.t > d.on - 0.02) & (film.t < d.off + 0.02)
        ends = [INDEX[f"{d.side}_{end}"] for end in ("heel", "toe", "ankle")]
        off = rng.normal(0, noise.foot_px, 2)
        xy[np.ix_(there, ends)] += off
        sole[there, SIDES.index(d.side)] += off
        body[np.ix_(there, ends)] += rng.normal(0, steps.MODEL_SD_M) * (film.camera.R @ [0, 1, 0])
    film.__dict__.update(xy=xy, sole=sole, body=body)
    return film


def balls(camera: Camera, fps: float, n: int, noise: Noise) -> dict[str, np.ndarray]:
    """Errors of `n` balls whose feet, joints and landing places are as doubtful as the rooms say."""
    rng, out = np.random.default_rng(7), {name: [] for name in FORECAST}
    for i in range(n):
        p = bowler(y_m=0.0, speed=rng.uniform(5, 6))
        ran = [d.on for d in p.downs if d.on < -0.18][-2:]
        widths = {True: steps.RUN_OFFSET_M, False: steps.BACK_OFFSET_M}
        p = dataclasses.replace(p, downs=tuple(
            dataclasses.replace(d, out=float(rng.normal(*widths[d.on in ran]))) if d.on in (*ran, -0.18) else d for d in p.downs))
        film = Film(p, camera, fps=fps, phase=rng.uniform(), noise_px=noise.joint_px, seed=i, between=SHORT)
        seen = closely(strayed(film, noise, rng))
        told = truth(p)
        for name in out:
            value = measures.MEASURES[name](seen) if seen else None
            if value:
                out[name].append(value.value - told[name] - (100.0 if name.endswith("_s") else 0.0))
    return {name: np.array(errors) for name, errors in out.items()}


@pytest.mark.parametrize("view", [{}, {"high_m": 0.8}, {"far_m": 10, "wide_deg": 50}], ids=str)
def test_directions_are_as_far_off_as_forecast(view):
    camera = side_camera(**view)
    off, foreseen = balls(camera, 60, 28, usual_noise())["approach_deg"], forecast(camera, 60)
    assert len(off) > 24 and off.std() == pytest.approx(foreseen.sd("approach_deg"), rel=0.35)


@pytest.mark.parametrize("fps", (60, 120))
def test_knees_are_as_far_off_as_forecast(fps):
    """A puppet's joints are where they are said to be: what a real model's stray by is added to its errors as it is stated."""
    off = balls(side_camera(), fps, 24, dataclasses.replace(usual_noise(), foot_px=0.0))["front_knee_ffc_deg"]
    figure_px = forecast(side_camera(), fps).figure_px
    either = [np.hypot(measures.KNEE_LOOKS[near] * off.std(), measures.body_sd_deg(figure_px, near)) for near in (True, False)]
    with_the_model = np.sqrt(np.mean(np.square(either)))
    assert with_the_model == pytest.approx(forecast(side_camera(), fps).sd("front_knee_ffc_deg"), rel=0.3)


def test_the_marks_doubt_is_that_of_the_cameras_they_allow():
    """Forty sets of marks, each a pixel off; the same balls, taken for seen by each solved camera."""
    true = side_camera(wide_deg=60)
    names = [n for n in MARKS if (0 < (p := true.project(np.array(MARKS[n])))).all() and p[0] < 1280 and p[1] < 720]
    rng = np.random.default_rng(3)
    solved = [solve({n: tuple(true.project(np.array(MARKS[n])) + rng.normal(0, 1, 2)) for n in names}) for _ in range(40)]
    feet = true.project(np.array([[room.RUN_X_M[-1], 0, 0.045], [room.BACK_X_M, 0, 0.045]]))
    ways = [steps.direction_deg(np.diff(camera.on_ground(feet, 0.045), axis=0)[0]) for camera in solved]
    foreseen = np.median([forecast(camera, 120).marks["approach_deg"] for camera in solved])
    assert foreseen == pytest.approx(np.std(ways), rel=0.3)


# What it depends on

def test_it_gets_worse_the_way_a_camera_does():
    base = forecast(side_camera(), 120)
    for worse, name in (({"far_m": 12}, "approach_deg"), ({"high_m": 0.8}, "approach_deg"), ({"far_m": 12}, "front_knee_ffc_deg"),
                        ({"wide_deg": 100}, "front_knee_ffc_deg")):
        assert forecast(side_camera(**worse), 120).sd(name) > 1.05 * base.sd(name), worse
    aslant, square = (forecast(side_camera(yaw_deg=yaw, at_x_m=1.0), 120) for yaw in (40, 0))      # on figures of one size
    assert aslant.sd("front_knee_ffc_deg") > 1.05 * square.sd("front_knee_ffc_deg")
    level = side_camera(at_x_m=0.0)
    assert forecast(level, 50).sd("ffc_s") > 1.2 * forecast(level, 120).sd("ffc_s")


def test_what_is_not_in_the_picture_is_not_foreseen():
    near = forecast(side_camera(far_m=2.5), 120)
    assert {near.values[n].reason for n in ("front_knee_ffc_deg", "ffc_s")} == {"the landing is not in the picture"}
    only_landing = forecast(side_camera(at_x_m=1.5, far_m=6, wide_deg=45), 120)
    assert only_landing.values["approach_deg"].reason == "less than 0.4 s of the run-up in the picture"
    assert only_landing.values["front_knee_ffc_deg"]
    assert forecast(side_camera(), 15).values["front_knee_ffc_deg"].reason == "too few frames a second"


@pytest.mark.parametrize("view, first", [({"far_m": 3}, "back"), ({"far_m": 14, "high_m": 2.2}, "nearer"), ({"yaw_deg": -35}, "square"),
                                         ({"far_m": 7, "high_m": 0.6, "wide_deg": 60}, "higher")])
def test_the_advice_is_what_helps_most(view, first):
    assert advice(side_camera(**view), 120)[0].what == first


@pytest.mark.parametrize("view", VIEWS, ids=str)
def test_what_is_advised_does_help(view):
    """Whoever follows the first of it has less of it to hear: it comes to an end."""
    camera = side_camera(**view)
    for _ in range(8):
        if not (hints := advice(camera, 240)):
            break
        camera = {"nearer": lambda c: room._moved(c, room.NEARER), "higher": lambda c: room._moved(c, 1.0, room.HIGHER_M),
                  "zoom": lambda c: dataclasses.replace(c, focal_px=c.focal_px * room.ZOOM),
                  "square": lambda c: room._moved(c, 1.0, square=True), "faster": lambda c: c}[hints[0].what](camera)
    assert not hints and all(forecast(camera, 240).values.values())


def test_a_slow_camera_is_told_to_be_faster():
    assert "faster" in [a.what for a in advice(side_camera(at_x_m=0.0), 50)]


def test_the_same_again_is_the_same():
    one, other = (forecast(side_camera(yaw_deg=10), 120) for _ in range(2))
    assert one == other
