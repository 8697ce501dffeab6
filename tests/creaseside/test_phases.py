"""Phases: the three moments of a delivery, to a fraction of a frame, each with an sd that holds its error."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from creaseside import lane, phases, track
from creaseside.ball import Value
from creaseside.pose import INDEX
from tests.creaseside.film import EPOCH_S, Film, closely, side_camera
from tests.creaseside.puppet import bowler

# Seconds: under a frame where frames are long, 12 ms from 60 on, 8 ms from 120 on.
LIMIT_S = {25: 0.030, 30: 0.025, 50: 0.014, 60: 0.012, 120: 0.008, 240: 0.008}
TOLD = {"bfc": -0.18, "ffc": 0.0, "br": 0.11}


@pytest.mark.parametrize("fps", LIMIT_S)
@pytest.mark.parametrize("arm, view, yaw", [("right", "right", 0), ("left", "right", 0), ("right", "left", 20)])
@pytest.mark.parametrize("noise_px", [0.0, 1.0])
def test_the_moments_are_found_to_a_fraction_of_a_frame(fps, arm, view, yaw, noise_px):
    when = closely(Film(bowler(arm=arm), side_camera(view, yaw), fps=fps, noise_px=noise_px)).phases
    assert (when.arm, when.back) == (arm, arm) and when.front != arm
    for name, told in TOLD.items():
        value = getattr(when, name)
        assert abs(value.value - EPOCH_S - told) <= LIMIT_S[fps], name
        assert abs(value.value - EPOCH_S - told) <= 2 * value.sd < 0.06, name


def test_noise_does_not_break_a_stance_in_two():
    for seed in range(4):
        when = closely(Film(bowler(arm="left"), fps=120, noise_px=1.5, seed=seed)).phases
        assert when.bfc.value - EPOCH_S == pytest.approx(-0.18, abs=0.012)


@pytest.mark.parametrize("bfc, br", [(-0.14, 0.09), (-0.18, 0.13), (-0.24, 0.10)])
def test_the_times_between_are_the_bowlers_own(bfc, br):
    when = closely(Film(bowler(bfc=bfc, br=br), fps=120, noise_px=1.0)).phases
    assert when.ffc.value - when.bfc.value == pytest.approx(-bfc, abs=0.010)
    assert when.br.value - when.ffc.value == pytest.approx(br, abs=0.010)


@pytest.mark.parametrize("fps", [50, 60])
def test_a_landing_is_timed_better_than_by_its_first_frame(fps):
    """The first frame at or after a contact is late by U(0, 1/fps): mean 1/(2 fps), sd 1/(fps sqrt 12)."""
    offs = np.arange(0.05, 1, 0.1)
    films = [Film(bowler(), fps=fps, phase=u) for u in offs]
    late = np.array([f.t[f.t >= 0][0] for f in films])
    assert late.mean() == pytest.approx(1 / (2 * fps), rel=0.03) and late.std() == pytest.approx(
        1 / (fps * np.sqrt(12)), rel=0.03
    )
    ours = np.array([closely(f).phases.ffc.value - EPOCH_S for f in films])
    assert abs(ours.mean()) < late.mean() / 4 and ours.std() < late.std() / 2


def close_of(**how):
    film = Film(bowler(), **{"fps": 120, **how})
    close = track.cleaned(track.of(film.poses(-1.0, 0.25)))
    return close, lane.of(close, film.camera)


def test_what_was_hidden_is_missing_with_its_reason():
    close, plane = close_of(hidden={"left_heel": (-2, 2), "left_toe": (-2, 2), "right_wrist": (-2, 2)})
    when = phases.of(close, plane, "right", "left", EPOCH_S + 0.1, 5.5)
    assert not when.ffc and not when.bfc and not when.br
    assert "front foot" in when.ffc.reason and "arm not seen" in when.br.reason
    close, plane = close_of(hidden={"right_heel": (-2, 2), "right_toe": (-2, 2)})
    when = phases.of(close, plane, "right", "left", EPOCH_S + 0.1, 5.5)
    assert when.ffc and when.br and not when.bfc and "back foot" in when.bfc.reason


def test_a_landing_at_the_wrong_time_is_nobodys():
    close, plane = close_of()
    assert not phases.of(close, plane, "right", "left", EPOCH_S + 0.5, 5.5).br  # no arm over the top there


def released(slips_deg):
    """Release of a ball whose bowling arm is seen turned by so much, by look from the one 0.10 s after the landing on."""
    close, plane = close_of()
    xy, first = close.xy_px.copy(), int(np.abs(close.t_s - EPOCH_S - 0.10).argmin())
    for i, slip_deg in slips_deg.items():
        a, wrist, shoulder = np.radians(slip_deg), close["right_wrist"][first + i], close["right_shoulder"][first + i]
        xy[first + i, INDEX["right_wrist"]] = shoulder + np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) @ (wrist - shoulder)
    return phases.release(dataclasses.replace(close, xy_px=xy), plane, "right", EPOCH_S + 0.1)


@pytest.mark.parametrize("slip_deg", [40, -40])
def test_one_slip_of_the_wrist_does_not_move_release(slip_deg):
    assert released({0: slip_deg}).value - EPOCH_S == pytest.approx(0.11, abs=0.004)


def test_looks_at_an_arm_that_do_not_agree_leave_release_in_doubt():
    usual, torn = released({}), released({i: (-35, 0, 35)[i % 3] for i in range(-8, 9)})
    assert usual.sd == pytest.approx(phases.release_sd_s(1 / 120))
    assert torn.sd > 1.5 * usual.sd and abs(torn.value - EPOCH_S - 0.11) < 2.5 * torn.sd


@pytest.mark.parametrize("early_s", [0.03, 0.05, 0.07])
@pytest.mark.parametrize("fps", [60, 120, 240])
def test_a_foot_that_seems_to_stand_in_the_air_lands_where_it_is_low(early_s, fps):
    """A far back foot, before which the other leg passes. By then it is 5 to 15 cm over the ground."""
    close, plane = close_of(fps=fps)
    seems = Value(EPOCH_S + TOLD["bfc"] - early_s, 0.013)
    found = phases._as_its_height_has_it(close, plane, "right", seems, phases.LOW["far bfc"])
    off_s = found.value - EPOCH_S - TOLD["bfc"]
    assert abs(off_s) < 0.75 * early_s and abs(off_s) < 2 * found.sd
    assert early_s < 0.06 or abs(off_s) < 0.3 * early_s          # the longer it hangs, the less it stands


def test_a_foot_that_was_not_seen_coming_down_lands_where_it_is_seen_to_stand():
    seems = Value(EPOCH_S + TOLD["bfc"], 0.013)
    for close, plane in (close_of(hidden={"right_heel": (-2, -0.15)}), close_of(hidden={"right_ankle": (-2, 2)})):
        assert phases._as_its_height_has_it(close, plane, "right", seems, phases.LOW["far bfc"]) == seems
    close, plane = close_of()
    late = close.where(close.t_s > seems.value)
    assert phases._as_its_height_has_it(late, plane, "right", seems, phases.LOW["far bfc"]) == seems


def test_a_back_foot_that_comes_in_as_no_foot_does_was_elsewhere_and_its_landing_is_in_doubt():
    """The model has it a third of a metre away in a look just before it stands."""
    def landed(jumps: bool) -> Value:
        film = Film(bowler(), fps=60)
        if jumps:
            feet = [INDEX[f"right_{part}"] for part in ("heel", "toe", "ankle")]
            film.xy[np.ix_((film.t > TOLD["bfc"] - 0.05) & (film.t < TOLD["bfc"] - 0.03), feet)] -= [60, 60]
        close = track.of(film.poses(-0.9, 0.25))
        return phases.of(close, lane.of(close, film.camera), "right", "left", EPOCH_S + 0.11, 5.4).bfc

    assert landed(False).sd < 0.010 and landed(True).sd > phases.JUMP_SD_S


def test_a_foot_that_was_hidden_as_it_came_down_lands_with_the_more_doubt():
    on_s = TOLD["bfc"]
    seems = Value(EPOCH_S + on_s, 0.02)
    whole, gap = (phases._as_its_height_has_it(*close_of(hidden=hidden), "right", seems, phases.LOW["far bfc"])
                  for hidden in ({}, {f"right_{part}": (on_s - 0.05, on_s + 0.01) for part in ("heel", "toe", "ankle")}))
    assert whole.sd < gap.sd < seems.sd
    assert abs(gap.value - EPOCH_S - on_s) < 1.5 * gap.sd


@pytest.mark.parametrize("which", ["bfc", "far ffc"])
def test_a_foot_that_is_seen_to_stop_is_not_moved_by_a_fall_long_after(which):
    close, plane = close_of()
    seems = Value(EPOCH_S + TOLD["bfc"] - 0.07, 0.008)
    assert phases._as_its_height_has_it(close, plane, "right", seems, phases.LOW[which]) == seems
