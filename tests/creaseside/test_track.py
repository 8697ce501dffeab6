"""Track: order, whose looks they are, which side is which, slips, and smoothing that does not lag."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from creaseside import track
from creaseside.pose import INDEX, Pose
from creaseside.stamps import Stamp
from tests.creaseside.film import EPOCH_S, Film
from tests.creaseside.puppet import TALL_M, bowler, goer

P = bowler()


def close(**how):
    return track.of(Film(P, **how).poses(-0.6, 0.2))


def test_looks_are_put_in_order_the_later_given_counts_and_nobody_is_left_out():
    film = Film(P, fps=60)
    a, b, c = film.pose(78), film.pose(79), film.pose(80)
    again = Pose(b.stamp, b.xy_px + np.float32(1), b.world_m, b.visibility, "heavy")
    t = track.of([c, b, Pose.nobody(Stamp(81, c.stamp.t_ns + 9), "heavy", "dark"), a, again])
    assert t.frame.tolist() == [78, 79, 80] and (np.diff(t.t_s) > 0).all()
    assert np.allclose(t.xy_px[1], again.xy_px) and t.xy_px.shape == (3, 33, 2)
    assert not t.xy_px.flags.writeable


def test_two_frames_with_one_time_are_one_look():
    a = Film(P, fps=60).pose(78)
    twin = Pose(Stamp(79, a.stamp.t_ns), a.xy_px.copy(), a.world_m.copy(), a.visibility.copy(), "heavy")
    assert len(track.of([a, twin])) == 1


def test_nothing_seen_is_an_empty_track():
    t = track.cleaned(track.of([]))
    assert len(t) == 0 and np.isnan(track.height_px(t)) and np.isnan(t.period_s()) and t.gap_s().shape == (0,)
    assert t["nose"].shape == (0, 2)


@pytest.mark.parametrize("fps", [25, 30, 50, 60, 120, 240])
def test_a_clean_track_is_left_as_it_is(fps):
    t = close(fps=fps)
    assert np.array_equal(track.cleaned(t).xy_px, t.xy_px)


@pytest.mark.parametrize(
    "limb, span, fps",
    [
        *(
            (limb, span, fps)
            for limb, span in (("leg", (-0.15, -0.10)), ("leg", (0.02, 0.07)), ("arm", (-0.10, -0.02)))
            for fps in (30, 60, 120)
        ),
        ("leg", (-0.35, -0.28), 60),
        ("leg", (-0.35, -0.28), 120),
        ("leg", (-0.35, -0.28), 30),
    ],
)
def test_swapped_sides_are_put_right(limb, span, fps):
    told, cleaned = close(fps=fps, noise_px=0.7), track.cleaned(close(fps=fps, noise_px=0.7, swapped={limb: span}))
    parts = [
        INDEX[f"{s}_{j}"]
        for s in ("left", "right")
        for j in (("knee", "ankle", "toe") if limb == "leg" else ("wrist", "elbow"))
    ]
    off = np.linalg.norm(cleaned.xy_px[:, parts] - told.xy_px[:, parts], axis=-1)
    away = np.nan_to_num(off) > 8  # pixels; crossed legs are 50 to 200 apart, but as they pass they are not
    assert away.any(1).sum() <= 1


def test_a_sole_goes_with_its_foot():
    mixed = track.of(Film(P, swapped={"leg": (-0.15, -0.10)}).poses(-0.6, 0.2))
    assert not np.allclose(mixed.sole_px, close().sole_px)
    assert np.array_equal(track.cleaned(mixed).sole_px, close().sole_px)
    assert np.array_equal(close().sole("right"), close().sole_px[:, 1])


@pytest.mark.parametrize("fps", [60, 120])
@pytest.mark.parametrize("name", ["left_knee", "right_ankle", "left_heel", "left_hip"])
def test_a_slip_becomes_unseen_and_nothing_else_does(fps, name):
    t = close(fps=fps)
    xy, at = t.xy_px.copy(), int(np.abs(t.t_s - EPOCH_S + 0.3).argmin())
    xy[at, INDEX[name]] += (60, -60)
    cleaned = track.cleaned(track.Track(t.t_s, t.frame, xy, t.world_m, t.sole_px))
    assert np.isnan(cleaned[name][at]).all()
    assert np.isnan(cleaned.xy_px[..., 0]).sum() == 1


@pytest.mark.parametrize("fps", [60, 120])
def test_hips_that_fall_together_for_a_few_looks_have_slipped_and_no_others_have(fps):
    t = close(fps=fps, noise_px=0.7)
    fall = np.abs(t.t_s - EPOCH_S) < 0.025
    xy, hips = t.xy_px.copy(), [INDEX["left_hip"], INDEX["right_hip"]]
    xy[np.ix_(fall, hips)] = t.middle("hip")[fall][:, None] + [0.0, 0.08 * track.height_px(t)]
    xy[fall, INDEX["left_hip"], 0] += 0.07 * track.height_px(t)
    landing = np.flatnonzero(np.abs(t.t_s - EPOCH_S) < 0.05)
    assert fall.sum() >= 3 and not track.hips_slipped(t, landing).any()
    assert (track.hips_slipped(dataclasses.replace(t, xy_px=xy), landing) == fall[landing]).all()


@pytest.mark.parametrize("fps", [30, 60, 120])
def test_a_stranger_between_the_looks_is_dropped_and_the_bowler_kept(fps):
    stranger = goer(1.2, 90, start_m=(-4.0, 2.0))
    film = Film(P, fps=fps, bystander=(stranger, -0.30, -0.15))
    t = track.of(film.poses(-0.8, 0.2))
    theirs = (t.t_s - EPOCH_S >= -0.30) & (t.t_s - EPOCH_S <= -0.15)
    cleaned = track.cleaned(t)
    assert set(cleaned.frame) == set(t.frame[~theirs]) and theirs.sum() >= 3


def test_a_standing_figure_is_as_tall_as_it_is():
    film = Film(goer(0.0), fps=30)
    assert track.height_px(track.of(film.poses(-1, 1))) == pytest.approx(
        TALL_M / film.camera.metres_per_px((0, 0, 0.9)), rel=0.06
    )


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_a_polynomial_goes_through_unchanged_however_uneven_the_looks(degree):
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(0, 1, 60))
    c = rng.normal(size=(degree + 1, 2))
    y = np.polynomial.polynomial.polyval(t, c).T
    at = np.array([0.21, 0.5, 0.83])
    value, slope = track.local_line(t, y, at, 0.2, degree)
    assert value == pytest.approx(np.polynomial.polynomial.polyval(at, c).T, abs=1e-8)
    assert slope == pytest.approx(np.polynomial.polynomial.polyval(at, np.polynomial.polynomial.polyder(c)).T, abs=1e-6)


def test_a_line_through_noise_is_numpys_weighted_fit():
    rng = np.random.default_rng(5)
    t, y = np.linspace(0, 1, 41), rng.normal(size=41)
    u = (t - 0.5) / 0.25
    near = np.abs(u) <= 1.001
    c = np.polyfit(u[near], y[near], 2, w=np.sqrt(1 - 0.9 * np.abs(u[near]) ** 3))
    value, slope = track.local_line(t, y, np.array([0.5]), 0.25)
    assert (value[0], slope[0]) == pytest.approx((c[2], c[1] / 0.25))


def test_too_few_samples_are_unseen_and_gaps_are_not_filled():
    t, y = np.array([0.0, 0.01, 0.5, 0.51, 0.52]), np.array([1.0, 2.0, np.nan, 3.0, np.nan])
    value, slope = track.local_line(t, y, np.array([0.0, 0.25, 0.51]), 0.05, 1)
    assert value[0] == pytest.approx(1.0) and np.isnan(value[1:]).all() and np.isnan(slope[1:]).all()


def test_the_gap_is_the_longer_of_the_neighbours():
    t = track.Track(np.array([0.0, 0.1, 0.4]), np.arange(3), np.zeros((3, 33, 2)), np.zeros((3, 33, 3)), np.zeros((3, 2, 2)))
    assert t.gap_s() == pytest.approx([0.1, 0.3, 0.3]) and t.period_s() == pytest.approx(0.2)
