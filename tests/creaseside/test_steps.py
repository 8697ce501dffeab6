"""Steps: where feet stood on the ground, and the line that the hips ran."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from creaseside import contacts, lane, measures, steps, track
from creaseside.camera import look_at
from creaseside.pitch import STUMPS_M
from creaseside.pose import INDEX, SIDES
from tests.creaseside.film import EPOCH_S, Film, closely, guess_foot, side_camera
from tests.creaseside.puppet import bowler


def truth_at(puppet, side, when, *points):
    j = puppet.joints(np.array([when + 0.02]))[0]
    return np.mean([j[INDEX[f"{side}_{p}"]][:2] for p in points], axis=0)


@pytest.mark.parametrize("fps", [30, 60, 120, 240])
@pytest.mark.parametrize(
    "arm, view, yaw", [("right", "right", 0), ("left", "right", 0), ("right", "left", 0), ("left", "right", 20)]
)
def test_feet_are_put_where_they_stand(fps, arm, view, yaw):
    puppet = bowler(arm=arm)
    seen = closely(Film(puppet, side_camera(view, yaw), fps=fps))
    for step, on in ((seen.back, -0.18), (seen.front, 0.0)):
        assert step.ground_m == pytest.approx(truth_at(puppet, step.side, on, "heel", "toe"), abs=0.025)
        assert step.ankle_m == pytest.approx(truth_at(puppet, step.side, on, "ankle"), abs=0.03)


@pytest.mark.parametrize("arm", ["right", "left"])
@pytest.mark.parametrize("view", ["right", "left"])
def test_a_foot_stands_where_its_lower_edge_does_whatever_its_landmarks_say(arm, view):
    """Three pixels that heel and toe are too high are eleven centimetres; where the edges are not seen, the place says so by its sd."""
    film = Film(bowler(arm=arm), side_camera(view), fps=120, noise_px=1.0)
    told = closely(film)
    feet = [INDEX[f"{side}_{end}"] for side in ("left", "right") for end in ("heel", "toe")]
    film.xy[:, feet] -= [0, 3]
    moved = closely(film)
    film.sole[:] = np.nan
    by_landmarks = closely(film)
    for one, other, third in zip(*([*seen.run_up, seen.back, seen.front] for seen in (told, moved, by_landmarks))):
        assert np.linalg.norm(other.ground_m - one.ground_m) < 0.02 < 0.05 < np.linalg.norm(third.ground_m - one.ground_m)
        assert third.across_sd_m > 1.2 * one.across_sd_m


def test_an_edge_of_something_else_is_left_out():
    """A bat that lies before the foot, ten pixels lower."""
    film = Film(bowler(), fps=120)
    film.sole[:] += [0, 10]
    beside, film.sole[:] = closely(film), np.nan
    by_landmarks = closely(film)
    assert np.array_equal(beside.front.ground_m, by_landmarks.front.ground_m) and beside.front.across_sd_m == by_landmarks.front.across_sd_m


def test_a_foot_whose_edge_alone_is_not_seen_is_hidden():
    """Behind the stumps: nothing is read off its place, and a run-up's direction is less sure."""
    film = Film(bowler(), fps=120)
    told = closely(film)
    film.sole[(film.t > -0.19) & (film.t < 0.0), SIDES.index(told.back.side)] = np.nan
    hidden = closely(film)
    assert hidden.back.hidden and not (hidden.front.hidden or told.back.hidden)
    assert {measures.MEASURES[name](hidden).reason for name in ("turn_deg", "stride_length_m", "front_foot_offset_m")} == {"a foot was hidden where it stood"}
    assert measures.approach_deg(hidden).sd > 1.2 * measures.approach_deg(told).sd
    film.sole[:] = np.nan                                    # where no edge is seen the landmarks do
    blind = closely(film)
    assert not blind.back.hidden and measures.turn_deg(blind) and blind.back.across_sd_m < hidden.back.across_sd_m


@pytest.mark.parametrize("every, doubts", [(1, False), (2, True), (4, True)])
def test_a_foot_whose_edge_is_seen_in_half_of_its_looks_or_less_is_less_sure(every, doubts):
    """Of every so many looks at 120 a second, one sees it."""
    film = Film(bowler(), side_camera("right"), fps=120)
    usual, film.sole[np.arange(len(film)) % every > 0] = closely(film), np.nan
    back = closely(film).back
    assert back.by_edge and (back.across_sd_m > 2 * usual.back.across_sd_m) == doubts


@pytest.mark.parametrize("aside_m, doubts", [(0.0, True), (0.05, True), (0.4, False)])
def test_a_foot_whose_edge_is_seen_beside_a_stump_is_less_sure(aside_m, doubts):
    """The edge may be that of the shade at the stump's own foot."""
    puppet = bowler()
    foot = truth_at(puppet, "right", -0.18, "heel", "toe")
    sight = -foot / np.linalg.norm(foot)                     # from the foot past the middle stump
    place = foot + 7.5 * sight + 7.5 / np.linalg.norm(foot) * aside_m * np.array([-sight[1], sight[0]])
    film = Film(puppet, look_at((*place, 1.5), (*foot, 0.9), 900.0, 1280, 720), fps=120)
    back = closely(film).back
    assert back.by_edge and (back.across_sd_m > steps.PAST_SD_M) == doubts


@pytest.mark.parametrize("stump", STUMPS_M)
@pytest.mark.parametrize("place", [(-1.5, -7.0), (0.4, 8.0), (2.0, -6.0)])
def test_how_far_beside_a_stump_a_place_is_seen(stump, place):
    """Closed form: along the sight line past a stump nothing, square to it the way itself; never before it, nor over its top
    (0.7112 m, Laws of Cricket 8.2)."""
    camera, stump = look_at((*place, 1.5), (0, 0, 0.9), 900.0, 1280, 720), np.array(stump)
    away = (stump - place) / np.linalg.norm(stump - place)
    behind, square = stump + 0.5 * away, np.array([-away[1], away[0]])
    assert steps.beside_stump_m(camera, behind) == pytest.approx(0.0, abs=1e-9)
    if stump.any():                                          # an outer one: no other is on that side
        outside = square * np.sign(square @ stump)
        assert steps.beside_stump_m(camera, behind + 0.3 * outside) == pytest.approx(0.3, rel=0.01)
    assert np.isinf(steps.beside_stump_m(camera, stump - 0.5 * away))
    assert np.isinf(steps.beside_stump_m(camera, stump + 8.0 * away))          # 0.78 m over the ground at the stump


def test_a_foot_that_seems_to_wander_is_less_sure():
    """Behind the stumps a foot's landmarks stray by ten pixels from look to look."""
    film = Film(bowler(), fps=120)
    film.sole[:] = np.nan
    steady = closely(film).back.across_sd_m
    back = [INDEX[f"right_{end}"] for end in ("heel", "toe")]
    film.xy[np.ix_(range(0, len(film), 4), back)] += [0, 4]
    assert closely(film).back.across_sd_m > 1.5 * steady


def test_a_heel_that_rises_early_takes_no_place_s_doubt_along():
    """Seen from low down, the looks of the last third of a stance move by 15 cm; the others say where the foot stood."""
    film = Film(bowler(arm="left"), side_camera(high_m=0.9), fps=120)
    rises = closely(film).back
    film.sole[film.t > -0.12, SIDES.index(rises.side)] = np.nan
    still = closely(film).back
    assert rises.by_edge and still.by_edge and rises.across_sd_m < 1.2 * still.across_sd_m


@pytest.mark.parametrize("fps, limit", [(25, 2.0), (30, 1.0), (60, 1.0), (120, 1.0), (240, 1.0)])
@pytest.mark.parametrize("arm, view, yaw", [("right", "right", 0), ("left", "left", 15)])
@pytest.mark.parametrize("approach", [-10, 0, 6])
def test_a_straight_run_is_measured_to_two_degrees(fps, limit, arm, view, yaw, approach):
    seen = closely(Film(bowler(arm=arm, approach=approach, turn=-approach), side_camera(view, yaw), fps=fps))
    found, sd = steps.line_deg([*seen.run_up, seen.back])
    assert abs(found - approach) <= min(limit, 2 * sd) and 0.5 < sd < 3


@pytest.mark.parametrize("seed", range(3))
def test_with_noise_the_error_stays_within_its_sd(seed):
    seen = closely(Film(bowler(approach=4, turn=-4), fps=120, noise_px=1.0, seed=seed))
    found, sd = steps.line_deg([*seen.run_up, seen.back])
    assert abs(found - 4) <= 2 * sd


@pytest.mark.parametrize("arm", ["right", "left"])
@pytest.mark.parametrize("view", ["right", "left"])
def test_the_hips_are_inside_of_every_foot(arm, view):
    seen = closely(Film(bowler(arm=arm), side_camera(view), fps=120))
    for step, off in ((seen.back, 0.12), *((s, 0.06) for s in seen.run_up)):
        assert step.hips_left_m == pytest.approx(off if step.side == "right" else -off, abs=0.02)
        assert 0.015 < step.hips_sd_m < 0.08


def made(x, y, sd=0.05, left=0.0):
    return steps.Step("left", 0.0, np.array([x, y]), np.array([x, y]), left, sd, 0.05)


def test_the_line_is_numpys_when_all_steps_are_alike_and_tells_its_error():
    rng = np.random.default_rng(8)
    x, y = np.arange(4) * 1.6, rng.normal(0, 0.05, 4)
    slope = np.polyfit(x, y, 1)[0]
    found, sd = steps.line_deg([made(*p) for p in zip(x, y)])
    assert found == pytest.approx(np.degrees(np.arctan(slope)))
    each = np.hypot(0.05, 0.05)
    many = [np.degrees(np.polyfit(x, rng.normal(0, each, 4), 1)[0]) for _ in range(4000)]
    assert sd == pytest.approx(np.std(many), rel=0.06)


def test_the_hips_way_counts_not_the_feets():
    found, _ = steps.line_deg([made(0, 0.06, left=-0.06), made(1.5, -0.06, left=0.06)])
    assert found == pytest.approx(0, abs=1e-9)


def test_how_far_off_the_line_a_step_is_counts_in_the_scatter_that_chance_makes():
    """Against 4000 drawn run-ups: two steps, and a third that is less sure."""
    rng, x, sd = np.random.default_rng(5), np.array([0.0, 1.5, 3.6]), np.array([0.04, 0.04, 0.14])
    y = rng.normal(0, sd, (4000, 3))
    apart = np.std(y[:, 2] - y[:, 0] - (y[:, 1] - y[:, 0]) * x[2] / x[1])
    made_of = [replace(made(at, 0.0, sd=0.0), across_sd_m=each) for at, each in zip(x, sd)]
    third = replace(made_of[2], ground_m=np.array([x[2], 0.5]))
    assert steps.off_line(made_of[:2], third) == pytest.approx(0.5 / apart, rel=0.05)
    assert np.isnan(steps.off_line(made_of[:1], third))


def test_a_hidden_foot_that_contradicts_the_run_up_makes_its_direction_less_sure():
    """The error grows by the scale factor of the Particle Data Group's reviews
    (from memory): the root of chi square over its degrees of freedom, of which three steps leave one."""
    film = Film(bowler(approach=4, turn=-4), fps=120)
    back = closely(film).back
    guess_foot(film, back.side)
    guessed = closely(film)
    found, (value, sd) = measures.approach_deg(guessed), steps.line_deg([*guessed.run_up, guessed.back])
    assert guessed.back.hidden and np.linalg.norm(guessed.back.ground_m - back.ground_m) > 0.35
    centre = [[s.ground_m[0], s.ground_m[1] + s.hips_left_m, np.hypot(s.hips_sd_m, s.across_sd_m)] for s in (*guessed.run_up, guessed.back)]
    x, y, each = np.array(centre).T
    chi2 = np.polyfit(x, y, 1, w=1 / each, full=True)[1][0]
    assert len(x) == 3 and chi2 > 1.5 and found.value == value and found.sd >= sd * np.sqrt(chi2) * 0.999
    assert found.sd == pytest.approx(sd * np.sqrt(chi2), rel=0.1) and abs(found.value - 4) < 2 * found.sd


def test_fewer_than_two_steps_are_no_line():
    assert np.isnan(steps.line_deg([made(0, 0)])).all() and np.isnan(steps.line_deg([])).all()


@pytest.mark.parametrize("last, deg", [((1, 0), 0), ((1, 1), 45), ((0, -1), -90), ((-1, 0), 180)])
def test_directions(last, deg):
    assert steps.direction_deg(np.array(last, float)) == pytest.approx(deg)


def test_no_ground_no_step():
    film = Film(bowler(), fps=120)
    close = track.cleaned(track.of(film.poses(-1.0, 0.25)))
    contact = contacts.Contact("left", EPOCH_S, 0.003, EPOCH_S + 0.3)
    assert steps.of(close, lane.of(close, None), contact) is None
    assert steps.of(close, lane.of(close, film.camera), contact) is not None
    assert (
        steps.of(close, lane.of(close, film.camera), contacts.Contact("left", EPOCH_S + 9, 0.003, EPOCH_S + 9.3))
        is None
    )


# --- which contacts are the last two steps --------------------------------------------------------------------------------

def down(**feet):
    """Contacts by foot, each as (from, to) or, where it stood when it was first seen, (from, to, "first")."""
    return {side: [contacts.Contact(side, c[0], np.inf if "first" in c else 0.003, c[1]) for c in cs] for side, cs in feet.items()}


def last_two(**feet):
    return [(c.side, c.on_s) for c in steps.last_two(down(**feet), "left", 1.2)]


def test_the_last_two_steps_are_one_of_either_foot():
    assert last_two(left=[(0.2, 0.4), (0.8, 0.95)], right=[(0.5, 0.65)]) == [("right", 0.5), ("left", 0.8)]
    assert last_two(left=[(0.5, 0.65), (0.8, 0.95)], right=[]) == [("left", 0.8)]
    assert last_two(left=[], right=[(0.5, 0.65)]) == [("right", 0.5)]
    assert last_two(left=[], right=[]) == []


def test_a_foot_that_hangs_in_the_air_a_moment_or_lands_too_soon_is_no_step():
    stood = {"left": [(0.8, 0.95)], "right": [(0.5, 0.65)]}
    assert last_two(**stood | {"right": [(0.5, 0.65), (0.72, 0.78)]}) == [("right", 0.5), ("left", 0.8)]
    assert last_two(**stood | {"left": [(0.8, 0.95), (1.15, 1.3)]}) == [("right", 0.5), ("left", 0.8)]


def test_who_stands_on_both_feet_when_first_seen_is_not_whole_in_the_picture():
    assert last_two(left=[(0.4, 0.44, "first"), (0.8, 0.95)], right=[(0.4, 0.45, "first")]) == [("left", 0.8)]
    assert last_two(left=[(0.8, 0.95)], right=[(0.4, 0.45, "first")]) == [("right", 0.4), ("left", 0.8)]
