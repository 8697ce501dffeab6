"""Markers against a stick figure whose joints are known: in the running plane, with the model's depth, and in time."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from creaseside import markers, rows
from creaseside.ball import Ball, Value
from creaseside.pose import INDEX, NAMES
from tests.creaseside.film import EPOCH_S, Film, side_camera
from tests.creaseside.puppet import bowler

LEG = [INDEX[f"left_{n}"] for n in ("hip", "knee", "ankle", "heel", "toe")]


def ball(arm: str = "right", approach_deg: float | None = None) -> Ball:
    values = dict(rows.counted("not asked").values)
    if approach_deg is not None:
        values["approach_deg"] = Value(approach_deg, 1.0)
    return Ball(arm, values)


def made(film: Film, depth: str, approach_deg: float = 0.0, keep=slice(None)) -> tuple[markers.Markers, np.ndarray]:
    """The markers of every frame, and where the joints truly are, mm, at the same times."""
    found = markers.of(film.poses()[keep], film.camera, ball(approach_deg=approach_deg), EPOCH_S, depth)
    return found, 1000 * film.puppet.joints(found.first_s - EPOCH_S + found.t_s)


@pytest.mark.parametrize("fps", [50.0, 120.0, 240.0])
@pytest.mark.parametrize("yaw_deg", [0.0, 20.0])
def test_the_front_leg_is_where_it_is_along_and_up(fps, yaw_deg):
    """From landing on, near the plane: within 3.5 cm side-on; an angled camera sees what is off the plane."""
    film = Film(bowler(), side_camera(yaw_deg=yaw_deg), fps=fps, between=(-0.5, 0.3))
    found, true = made(film, "plane")
    t = found.first_s - EPOCH_S + found.t_s
    off = np.abs(found.xyz_mm - true)[(t > 0) & (t < 0.1)][:, LEG][..., [0, 2]]
    assert found.names == NAMES and found.rate_hz == pytest.approx(fps, rel=1e-6)
    assert np.nanmax(off) < (35 if yaw_deg == 0 else 80)


def test_in_the_plane_every_point_lies_in_one_upright_plane():
    found, _ = made(Film(bowler(approach=8.0), between=(-0.5, 0.3)), "plane", 8.0)
    a = np.radians(8.0)
    across = found.xyz_mm[..., :2] @ [-np.sin(a), np.cos(a)]
    assert np.nanmax(across) - np.nanmin(across) < 1e-6


def test_the_models_depth_moves_points_sideways_where_they_are():
    """The stick figure's own depth is right, so what is left is how the hips move against the plane."""
    found, true = made(Film(bowler(), between=(-0.3, 0.25)), "model")
    t = found.first_s - EPOCH_S + found.t_s
    near = (t > -0.02) & (t < 0.12)
    off = np.linalg.norm(found.xyz_mm - true, axis=-1)[near]
    flat = np.linalg.norm(made(Film(bowler(), between=(-0.3, 0.25)), "plane")[0].xyz_mm - true, axis=-1)[near]
    assert np.nanmedian(off) < 40 < np.nanmedian(flat)


def test_frames_that_were_not_looked_at_stay_empty_and_the_others_keep_their_time():
    film = Film(bowler(), between=(-0.5, 0.3))
    keep = np.r_[0:40:3, 40:len(film)]
    whole, _ = made(film, "plane")
    some = markers.of([film.pose(int(i)) for i in keep], film.camera, ball(approach_deg=0.0), EPOCH_S)
    assert len(some) == len(whole) == len(film) and some.rate_hz == pytest.approx(120.0, rel=1e-6)
    filled = np.isfinite(some.xyz_mm[:, INDEX["left_knee"], 0])
    assert set(np.flatnonzero(filled)) <= set(keep) and filled.sum() > len(keep) - 4


def test_uneven_stamps_are_told():
    film = Film(bowler(), between=(-0.2, 0.2))
    poses = film.poses()
    even = markers.of(poses, film.camera, ball(), EPOCH_S)
    assert even.late_s < 1e-6
    shaken = [replace(p, stamp=replace(p.stamp, t_ns=p.stamp.t_ns + (i % 2) * 2_000_000)) for i, p in enumerate(poses)]
    assert 0.0005 < markers.of(shaken, film.camera, ball(), EPOCH_S).late_s < 1 / 120


def test_the_heavy_looks_are_taken_where_there_are_any():
    film = Film(bowler(), between=(-0.2, 0.2), noise_px=2.0)
    heavy = film.poses()
    light = [film.pose(i, "light") for i in range(len(film))]
    both = markers.of([*light, *heavy], film.camera, ball(), EPOCH_S)
    assert np.array_equal(both.xyz_mm, markers.of(heavy, film.camera, ball(), EPOCH_S).xyz_mm, equal_nan=True)


def test_the_second_model_s_looks_which_know_no_feet_are_never_markers():
    film = Film(bowler(), between=(-0.2, 0.2), noise_px=2.0)
    light, second = ([film.pose(i, model) for i in range(len(film))] for model in ("light", "second"))
    footless = [replace(p, xy_px=np.where(np.arange(len(NAMES))[:, None] < INDEX["left_heel"], p.xy_px, np.nan)) for p in second]
    both = markers.of([*light, *footless], film.camera, ball(), EPOCH_S)
    assert np.array_equal(both.xyz_mm, markers.of(light, film.camera, ball(), EPOCH_S).xyz_mm, equal_nan=True)


def test_what_cannot_be_done_is_said():
    film = Film(bowler(), between=(-0.2, 0.2))
    with pytest.raises(ValueError, match="2 looks"):
        markers.of(film.poses()[:1], film.camera, ball(), None)
    with pytest.raises(ValueError, match="depth"):
        markers.of(film.poses(), film.camera, ball(), None, "guess")
