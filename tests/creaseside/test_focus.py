"""Focus: a ball is a hit or a miss only when its whole bar says so; under 18 no gate asks for a straighter leg."""
from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from creaseside.ball import BY_NAME, Value
from creaseside.focus import (FEWEST_BALLS, MEASURES, SURE_SD, TOLERANCE, Focus, allowed_for, judge, own_band, refusal,
                              side)

KNEE = "front_knee_ffc_deg"
numbers = st.floats(-1e3, 1e3)
sds = st.floats(0, 50)


@pytest.mark.parametrize("low, high, value, sd, verdict, where", [
    (160, 170, 165, 1, "hit", "inside"),
    (160, 170, 165, 2.5, "hit", "inside"),        # the bar ends on both posts
    (160, 170, 165, 2.6, "unsure", "inside"),     # and just past them
    (160, 170, 159, 1, "unsure", "below"),
    (160, 170, 158, 1, "unsure", "below"),        # the bar's end is on the post, and a post is inside
    (160, 170, 157.9, 1, "miss", "below"),
    (160, 170, 172.1, 1, "miss", "above"),
    (160, 170, 165, 40, "unsure", "inside"),
    (160, None, 163, 1, "hit", "inside"),
    (None, 170, 173, 1, "miss", "above"),
    (None, None, 165, 1, "unsure", "inside"),     # no gate, nothing to judge against
    (160, 170, 165, None, "unsure", "inside"),
    (160, 170, 165, math.nan, "unsure", "inside"),
    (160, 170, 165, math.inf, "unsure", "inside"),
])
def test_verdict_and_side(low, high, value, sd, verdict, where):
    focus = Focus(KNEE, low, high)
    assert (judge(focus, Value(value, sd)), side(focus, Value(value, sd))) == (verdict, where)


@pytest.mark.parametrize("value", [Value.missing("hidden"), Value(math.nan, 1.0)])
def test_what_was_not_measured_is_unsure_and_on_no_side(value):
    assert judge(Focus(KNEE, 160, 170), value) == "unsure" and side(Focus(KNEE, 160, 170), value) is None


@given(numbers, sds, numbers, st.floats(0.01, 100))
def test_a_verdict_holds_wherever_in_the_bar_the_truth_is(value, sd, low, width):
    focus = Focus(KNEE, low, low + width)
    for share in (-SURE_SD, 0.0, SURE_SD):
        exact = judge(focus, Value(value + share * sd, 0.0))
        assert judge(focus, Value(value, sd)) in (exact, "unsure")


@given(numbers, sds, numbers)
def test_a_wider_gate_never_loses_a_hit(value, sd, post):
    if judge(Focus(KNEE, post, post + 10), Value(value, sd)) == "hit":
        assert judge(Focus(KNEE, post - 1, post + 11), Value(value, sd)) == "hit"
        assert judge(Focus(KNEE, post, None), Value(value, sd)) == "hit"


@pytest.mark.parametrize("measure, low, high, words", [
    ("elbow_deg", None, None, "measure"), (KNEE, 170, 160, "shut"), (KNEE, 160, 160, "shut"),
    (KNEE, math.nan, 170, "numbers"), (KNEE, 160, math.inf, "numbers")])
def test_a_focus_that_cannot_be_is_refused(measure, low, high, words):
    with pytest.raises(ValueError, match=words):
        Focus(measure, low, high)


def test_the_list_starts_with_alignment_then_stability_and_ends_with_momentum():
    assert set(MEASURES) == set(BY_NAME) - {"bfc_s", "ffc_s", "br_s"}
    assert MEASURES[:3] == ("approach_deg", "turn_deg", "front_foot_offset_m")
    assert MEASURES[3] == KNEE and MEASURES[-2:] == ("run_up_speed_m_s", "speed_kept")
    assert set(TOLERANCE) <= set(MEASURES)


@given(st.lists(st.floats(100, 200), min_size=FEWEST_BALLS, max_size=30).filter(lambda v: len(set(v)) > 1),
       st.floats(0, 20))
def test_own_band_is_the_mean_and_the_greater_of_tolerance_and_spread(values, tolerance):
    band = own_band([*(Value(v, 2.0) for v in values), Value.missing("hidden")], tolerance)
    assert band and band.balls == len(values)
    assert band.mean == pytest.approx(statistics.mean(values))
    assert band.sd == pytest.approx(statistics.stdev(values), abs=1e-6)
    assert band.half == max(tolerance, band.sd)
    assert band.at_most - band.mean == pytest.approx(band.mean - band.at_least)


def test_too_few_or_unspread_balls_make_no_band_and_say_why():
    few = own_band([Value(165.0, 2.0)] * 2 + [Value.missing("hidden")] * 9)
    assert not few and few.balls == 2 and "found 2" in few.reason
    flat = own_band([Value(165.0, 2.0)] * 9)
    assert not flat and "tolerance" in flat.reason
    assert own_band([Value(165.0, 2.0)] * 9, 8.0).at_most == 173.0


OWN = own_band([Value(v, 2.0) for v in (158.0, 162.0, 160.0, 159.0, 161.0, 160.0)], TOLERANCE[KNEE])   # mean 160


@pytest.mark.parametrize("age", [None, 9, 15, 17])
@pytest.mark.parametrize("measure", [m for m in MEASURES if m.startswith("front_knee")])
@pytest.mark.parametrize("low, high, own, words", [
    (165, None, OWN, "only be a band"), (None, 165, OWN, "only be a band"), (None, None, OWN, "only be a band"),
    (152, 168, None, "baseline first"), (152, 168, own_band([]), "baseline first"),
    (165, 175, OWN, "own mean 160"), (156, 172, OWN, "middle"), (148, 164, OWN, "middle"), (159, 250, OWN, "middle"),
    (152, 168, OWN, None), (153, 168, OWN, None), (152.4, 168.4, OWN, None)])
def test_under_18_the_front_leg_is_only_a_band_round_the_own_baseline(age, measure, low, high, own, words):
    why = refusal(Focus(measure, low, high), age, own)
    assert words is None and why is None or words in why


@pytest.mark.parametrize("measure", ["run_up_speed_m_s", "speed_kept", "back_knee_bfc_deg", "back_knee_min_deg"])
def test_under_18_speed_and_back_leg_are_only_bands(measure):
    own = own_band([Value(v, 0.1) for v in (5.0, 5.1, 4.9, 5.2, 4.8)])
    assert "only be a band" in refusal(Focus(measure, 5.5, None), 15)
    assert "only be a band" in refusal(Focus(measure, None, 5.5), 15)
    assert refusal(Focus(measure, 4.5, 5.5), 15) is refusal(Focus(measure, 4.5, 5.5), 15, own) is None
    assert "own mean 5" in refusal(Focus(measure, 5.5, 6.5), 15, own)
    assert "own mean 5" in refusal(Focus(measure, 4.9, 99.0), 15, own)      # two posts, but all the room is upwards


def test_from_18_on_and_for_other_measures_the_coach_is_free():
    assert set(allowed_for(18).values()) == {"free"}
    assert all(refusal(Focus(m, 1.0, None), 18) is None for m in MEASURES)
    assert all(refusal(Focus(m, None, 1.0), 12) is None for m, rule in allowed_for(12).items() if rule == "free")
    assert list(allowed_for(None)) == list(MEASURES) and allowed_for(None) == allowed_for(17)


def test_a_moment_is_nothing_to_work_on():
    assert "moment" in refusal(Focus("ffc_s", 1.0, 2.0), 30)


@given(st.lists(st.floats(140, 180), min_size=6, max_size=12).filter(lambda v: len(set(v)) > 1))
def test_an_own_band_is_always_allowed(values):
    own = own_band([Value(v, 2.0) for v in values])
    assert (not own and max(values) - min(values) < 1e-9) or refusal(Focus(KNEE, own.at_least, own.at_most), 12, own) is None


def test_balls_that_differ_in_the_last_bit_alone_are_all_the_same():
    assert "all the same" in own_band([Value(140.0, 2.0)] * 5 + [Value(140.00000000000003, 2.0)]).reason
