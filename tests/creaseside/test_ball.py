"""Ball: the names, units and nulls that others read. The list is written out: a missing name is a broken promise."""

from __future__ import annotations

import json
import math

import pytest

from creaseside.ball import BY_NAME, QUANTITIES, Ball, Value, as_json

NUMBERS = {
    "bfc_s": "s",
    "ffc_s": "s",
    "br_s": "s",
    "front_knee_ffc_deg": "deg",
    "front_knee_min_deg": "deg",
    "front_knee_br_deg": "deg",
    "approach_deg": "deg",
    "turn_deg": "deg",
    "run_up_speed_m_s": "m/s",
    "speed_kept": "ratio",
    "bound_height_m": "m",
    "back_knee_bfc_deg": "deg",
    "back_knee_min_deg": "deg",
    "stride_length_m": "m",
    "front_foot_offset_m": "m",
    "trunk_lean_ffc_deg": "deg",
    "trunk_lean_br_deg": "deg",
    "arm_delay_deg": "deg",
    "bfc_to_ffc_s": "s",
    "ffc_to_br_s": "s",
}
OTHERS = (
    "ball",
    "clip",
    "arm",
    "front_leg_action",
    "quality",
    "flags",
    "verdict",
    "release_to_verdict_s",
    "release_to_cue_s",
    "not_measured",
)


def ball(**changed) -> Ball:
    values = {n: Value(1.23456789 + i, 0.123456789) for i, n in enumerate(NUMBERS)} | changed
    return Ball("right", values, "flexor", 0.87654321, ("dim",), "hit", {})


def test_every_promised_name_is_there_with_its_sd_and_no_number_without():
    out = as_json(ball(), 3, "a.avi", 0.9, 1.5)
    assert set(out) >= {*NUMBERS, *(n + "_sd" for n in NUMBERS), *OTHERS}
    assert all(isinstance(out[n], float) and isinstance(out[n + "_sd"], float) for n in NUMBERS)
    assert out["not_measured"] == {} and json.loads(json.dumps(out, allow_nan=False)) == out
    assert [
        out[n]
        for n in (
            "ball",
            "clip",
            "arm",
            "front_leg_action",
            "flags",
            "verdict",
            "release_to_verdict_s",
            "release_to_cue_s",
        )
    ] == [3, "a.avi", "right", "flexor", ["dim"], "hit", 0.9, 1.5]


def test_units_are_as_promised_and_in_the_name():
    assert {n: q.unit for n, q in BY_NAME.items()} == NUMBERS and len(QUANTITIES) == len(BY_NAME)
    for n, unit in NUMBERS.items():
        assert unit == "ratio" or n.endswith("_" + unit.replace("/", "_"))


@pytest.mark.parametrize("name", NUMBERS)
@pytest.mark.parametrize(
    "value, why",
    [(Value.missing("hidden"), "hidden"), (Value(math.nan, 1.0), "not seen"), (Value(math.inf, 1.0), "not seen")],
)
def test_what_was_not_measured_is_null_with_its_reason(name, value, why):
    out = as_json(ball(**{name: value}), 1, None)
    assert out[name] is None and out[name + "_sd"] is None and out["not_measured"] == {name: why}
    json.dumps(out, allow_nan=False)


@pytest.mark.parametrize("sd", [None, math.nan, math.inf])
def test_an_unknown_sd_is_null_and_the_number_stays(sd):
    out = as_json(ball(turn_deg=Value(3.0, sd)), 1, None)
    assert out["turn_deg"] == 3.0 and out["turn_deg_sd"] is None and "turn_deg" not in out["not_measured"]


def test_the_balls_own_reasons_are_kept_and_not_written_to():
    told = Ball("left", {n: Value.missing("dark") for n in NUMBERS}, not_measured={"front_leg_action": "dark too"})
    out = as_json(told, 1, None)
    assert out["not_measured"] == {"front_leg_action": "dark too", **{n: "dark" for n in NUMBERS}}
    assert dict(told.not_measured) == {"front_leg_action": "dark too"}
    assert out["front_leg_action"] is None and out["verdict"] is None and out["release_to_cue_s"] is None


def test_numbers_are_rounded_to_what_they_are_worth_and_no_more():
    out = as_json(ball(ffc_s=Value(1.23456, 0.004321), front_knee_ffc_deg=Value(165.4321, 2.3456)), 1, None)
    assert (out["ffc_s"], out["ffc_s_sd"], out["front_knee_ffc_deg"], out["quality"]) == (1.2346, 0.0043, 165.43, 0.877)


@pytest.mark.parametrize(
    "value, yes",
    [(Value(0.0, 1.0), True), (Value(-3.0, None), True), (Value(None, None, "x"), False), (Value(math.nan, 1), False)],
)
def test_a_value_is_true_when_there_is_a_number_even_nought(value, yes):
    assert bool(value) is yes
