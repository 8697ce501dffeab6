"""Rows: nothing of a ball or of a trace is lost on the way into a row and back."""
from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from creaseside import rows
from creaseside.ball import FRONT_LEG_ACTIONS, QUANTITIES, VERDICTS, Ball, Value, as_json
from creaseside.pose import NAMES
from tests.kiosk.bowled import same_poses, some_ball, some_poses

numbers = st.floats(-1e6, 1e6)
values = st.one_of(st.builds(Value, numbers, st.one_of(st.none(), st.floats(0, 1e3))),
                   st.builds(Value.missing, st.text()), st.just(Value(math.nan, None)))
names = st.sampled_from(("front_leg_action", "verdict", "arm", QUANTITIES[0].name))
balls = st.builds(Ball, st.sampled_from(("right", "left", None)),
                  st.fixed_dictionaries({q.name: values for q in QUANTITIES}),
                  st.sampled_from((None, *FRONT_LEG_ACTIONS)), st.floats(0, 1), st.lists(st.text()).map(tuple),
                  st.sampled_from((None, *VERDICTS)), st.dictionaries(names, st.text()))


@given(balls, st.integers(1, 999), st.one_of(st.none(), st.floats(0, 9)))
def test_json_of_a_row_is_json_of_its_ball(ball, number, late_s):
    row = rows.to_row(ball) | {"number": number, "clip": "ball-000001.avi", "release_to_verdict_s": late_s,
                               "release_to_cue_s": None}
    assert all(isinstance(v, (str, float, int, type(None))) for v in row.values())
    said = rows.as_json(row)
    assert said == as_json(ball, number, "ball-000001.avi", late_s)
    json.dumps(said, allow_nan=False)


def test_a_row_has_the_columns_it_promises():
    row = rows.to_row(some_ball(1))
    assert list(row) == list(rows.COLUMNS)
    assert all(v is None or isinstance(v, rows.COLUMNS[k]) for k, v in row.items())


def test_rows_hold_what_was_measured_unrounded():
    ball = Ball("right", {q.name: Value(1 / 3, 2 / 3) for q in QUANTITIES})
    assert rows.from_row(rows.to_row(ball)) == ball


def test_numbers_of_other_kinds_become_plain_floats():
    values = {q.name: Value(np.float32(0.5), np.float64(0.25)) for q in QUANTITIES}
    ball = Ball("right", values, quality=np.float32(0.5))
    row = rows.to_row(ball)
    assert type(row["bfc_s"]) is type(row["bfc_s_sd"]) is type(row["quality"]) is float


def test_an_sd_that_is_no_number_is_no_sd():
    ball = Ball("right", {q.name: Value(1.0, math.nan) for q in QUANTITIES})
    assert rows.to_row(ball)["bfc_s_sd"] is None and as_json(ball, 1, None)["bfc_s_sd"] is None


def test_a_counted_ball_knows_nothing_and_says_why():
    said = as_json(rows.counted("added by hand"), 1, None)
    assert all(said[q.name] is None and said["not_measured"][q.name] == "added by hand" for q in QUANTITIES)


def test_traces_come_back_as_they_were():
    poses = some_poses(40, "heavy")
    row = rows.pack(poses)
    assert same_poses(rows.unpack(row), poses)
    assert json.loads(row["shape"]) == [40, len(NAMES), len(rows.CHANNELS)]
    assert len(row["data"]) == 40 * len(NAMES) * len(rows.CHANNELS) * 4


def test_a_trace_whose_landmarks_stand_in_another_order_is_read_by_name():
    poses = some_poses(5, "light")
    row = rows.pack(poses)
    turned = np.frombuffer(row["data"], "<f4").reshape(5, len(NAMES), -1)[:, ::-1, ::-1]
    other = row | {"data": turned.tobytes(), "names": json.dumps([*NAMES[::-1]]),
                   "channels": json.dumps([*rows.CHANNELS[::-1]])}
    assert same_poses(rows.unpack(other), poses)


def test_what_came_out_of_a_trace_cannot_be_written():
    with pytest.raises(ValueError):
        rows.unpack(rows.pack(some_poses(3, "light")))[0].xy_px[0, 0] = 1


@pytest.mark.parametrize("poses", [[], some_poses(2, "light") + some_poses(2, "heavy")])
def test_a_trace_is_of_one_model(poses):
    with pytest.raises(ValueError):
        rows.pack(poses)
