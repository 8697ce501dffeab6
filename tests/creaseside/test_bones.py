"""Bones: a front leg that looks longer or shorter beside the other one than usual, and the knee that is read of it."""
from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from creaseside import bones, measures, track
from creaseside.pose import INDEX, OTHER
from tests.creaseside.conftest import PUPPETS
from tests.creaseside.film import Film, closely, side_camera
from tests.creaseside.puppet import bowler


def seen(arm: str = "right", near: bool = True) -> measures.Seen:
    return closely(Film(bowler(arm=arm), side_camera(OTHER[arm] if near else arm), fps=120))


def stretched(one: measures.Seen, by: float) -> track.Track:
    """The live looks as if the other leg were so much longer, about its ankle."""
    xy, back = one.track.xy_px.copy(), one.phases.back
    ankle = xy[:, [INDEX[f"{back}_ankle"]]]
    legs = [INDEX[f"{back}_{joint}"] for joint in ("hip", "knee")]
    xy[:, legs] = ankle + by * (xy[:, legs] - ankle)
    return dataclasses.replace(one.track, xy_px=xy)


def share(one: measures.Seen, looks: track.Track) -> float:
    return bones.shares(one.track, looks, one.lane.through(one.front.ground_m, 0.0), one.phases)[0]


@pytest.mark.parametrize("arm", ["right", "left"])
@pytest.mark.parametrize("near", [True, False])
def test_a_puppet_s_legs_are_as_long_as_its_landmarks_have_them(arm, near):
    assert share(seen(arm, near), seen(arm, near).track) == pytest.approx(PUPPETS[near], abs=0.01)


@pytest.mark.parametrize("by", [0.95, 1.05])
def test_the_share_is_that_of_the_lengths(by):
    one = seen()
    assert share(one, stretched(one, by)) == pytest.approx(share(one, one.track) / by, rel=1e-3)


def test_a_near_leg_that_looks_short_is_less_straight_at_its_landing_than_it_reads():
    one = seen()
    short = dataclasses.replace(one, live=stretched(one, 1.05))
    off = measures.front_knee_ffc_deg(short).value - measures.front_knee_ffc_deg(one).value
    assert off == pytest.approx(bones.LANDING_DEG[True] * (share(one, one.track) - share(one, short.live)), abs=0.05) and -2.5 < off < -1.5
    assert measures.front_knee_br_deg(short) == measures.front_knee_br_deg(one)      # later ones go by the close looks


def test_no_leg_is_taken_for_longer_or_shorter_than_legs_look():
    one = seen()
    twice = dataclasses.replace(one, live=stretched(one, 2.0))
    off = measures.front_knee_ffc_deg(twice).value - measures.front_knee_ffc_deg(one).value
    assert abs(off) <= abs(bones.LANDING_DEG[True]) * (bones.MOST + 0.01)


def test_where_the_other_leg_or_the_camera_is_not_known_the_knee_stays_as_it_is_read():
    one = seen()
    unseen = one.track.xy_px.copy()
    unseen[:, INDEX[f"{one.phases.back}_knee"]] = np.nan
    blind = dataclasses.replace(one, live=dataclasses.replace(one.track, xy_px=unseen))
    late, plane = np.zeros(len(one.track)), one.lane.through(one.front.ground_m, 0.0)
    assert np.isnan(share(blind, blind.live)) and not bones.off_deg(blind.track, blind.live, plane, one.phases, late).any()
    assert not bones.off_deg(one.track, one.live, dataclasses.replace(one.lane, camera=None), one.phases, late).any()
