"""Opinion: a second model that has the front knee straighter or less straight than usual, and the knee that is read of both."""
from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from creaseside import doubts, measures, opinion
from creaseside.pose import INDEX, MIRROR, OTHER
from tests.creaseside.film import Film, closely, side_camera
from tests.creaseside.puppet import bowler


def seen(arm: str = "right", near: bool = True) -> measures.Seen:
    return closely(Film(bowler(arm=arm), side_camera(OTHER[arm] if near else arm), fps=120))


def with_second(one: measures.Seen, forward: float = 0.0, from_s: float = 0.0, to_s: float = 0.03, crossed: bool = False) -> measures.Seen:
    """The second model looks as well, and has the front knee so far ahead of where the first has it, in shares of the thigh."""
    landed = one.track.between(one.phases.ffc.value + from_s, one.phases.ffc.value + to_s)
    xy, front = landed.xy_px.copy(), one.phases.front
    hip, knee = (landed[f"{front}_{joint}"] for joint in ("hip", "knee"))
    way = np.sign(one.lane.flat(knee + [1.0, 0.0])[:, :1] - one.lane.flat(knee)[:, :1])
    xy[:, INDEX[f"{front}_knee"]] += forward * np.linalg.norm(hip - knee, axis=1, keepdims=True) * way * [1.0, 0.0]
    return dataclasses.replace(one, second=dataclasses.replace(landed, xy_px=xy[:, MIRROR] if crossed else xy))


def knee(one: measures.Seen) -> float:
    return measures.front_knee_ffc_deg(one).value


def apart(one: measures.Seen) -> float:
    """The middle one at the landing."""
    at = np.abs(one.track.t_s - one.phases.ffc.value) < 0.05
    return float(np.median(one.front_knee.apart_deg[at]))


@pytest.mark.parametrize("arm", ["right", "left"])
@pytest.mark.parametrize("near", [True, False])
@pytest.mark.parametrize("forward", [-0.05, 0.05])
def test_the_knee_goes_a_share_of_the_way_to_what_the_second_model_has(arm, near, forward):
    """A knee that far ahead is twice the angle's sine at the knee less straight, as thigh and shank are about of one length."""
    one = seen(arm, near)
    agreed, other = with_second(one), with_second(one, forward)
    turned = apart(other) - apart(agreed)
    assert turned == pytest.approx(-2 * np.degrees(forward), rel=0.3)
    assert knee(other) - knee(agreed) == pytest.approx(opinion.SHARE[near] * turned, rel=0.06)      # what legs do weighs too


def test_as_usual_the_knee_is_as_the_first_model_has_it(monkeypatch):
    square, turned = opinion.USUAL_DEG[True]
    monkeypatch.setitem(opinion.USUAL_DEG, True, (square + apart(with_second(seen())), turned))
    one = with_second(seen())
    assert apart(one) == pytest.approx(0.0, abs=1e-9) and knee(one) == pytest.approx(knee(seen()), abs=0.05)


@pytest.mark.parametrize("near", [True, False])
def test_two_models_that_agree_leave_less_doubt_than_one_and_two_that_do_not_leave_more(near):
    alone, agreed, apart_by_far = (measures.front_knee_ffc_deg(one) for one in (seen(near=near), with_second(seen(near=near)), with_second(seen(near=near), 0.15)))
    assert agreed.sd == pytest.approx(opinion.LEFT[near] * alone.sd, rel=0.01) and apart_by_far.sd > alone.sd
    assert doubts.of_knee(with_second(seen(near=near), 0.3), measures.front_knee_ffc_deg(with_second(seen(near=near), 0.3))) == (
        "knee uncertain: the two models see it differently")


def test_legs_whose_names_the_second_model_mixed_up_are_the_same_legs():
    assert apart(with_second(seen(), crossed=True)) == pytest.approx(apart(with_second(seen())), abs=1e-9)


def test_a_slip_counts_for_no_more_than_the_most():
    off = knee(with_second(seen(), 0.5)) - knee(seen())
    assert off == pytest.approx(-opinion.SHARE[True] * opinion.MOST_DEG, abs=1e-6)


@pytest.mark.parametrize("from_s, to_s", [(-0.2, -0.05), (0.06, 0.1), (0.03, 0.0)])
def test_looks_away_from_the_landing_and_none_at_all_say_nothing(from_s, to_s):
    one = seen()
    assert np.isnan(apart(with_second(one, 0.1, from_s, to_s))) and knee(with_second(one, 0.1, from_s, to_s)) == knee(one)


def test_without_a_camera_nothing_is_compared():
    one = closely(Film(bowler()), marks=False)
    assert np.isnan(apart(with_second(one))) and knee(with_second(one)) == knee(one)


def test_later_knees_are_the_first_model_s():
    one, other = seen(), with_second(seen(), 0.05)
    assert measures.front_knee_br_deg(other) == measures.front_knee_br_deg(one)
