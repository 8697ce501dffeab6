"""The marks against the Laws of Cricket (2017 Code), whose feet and inches stand beside the metric measures."""
from __future__ import annotations

import numpy as np
import pytest

from creaseside.pitch import LINES, MARKS

FOOT_M, INCH_M = 0.3048, 0.0254
PLACE = {name: np.array(place) for name, place in MARKS.items()}


def apart(a: str, b: str) -> float:
    return float(np.linalg.norm(PLACE[a] - PLACE[b]))


def test_return_creases_are_8_ft_8_in_apart():
    """Law 7.4: 4 ft 4 in / 1.32 m either side of the line between the two middle stumps."""
    apart_m = apart("bowling_crease_left", "bowling_crease_right")
    assert apart_m == pytest.approx(2 * (4 * FOOT_M + 4 * INCH_M), abs=0.002)


def test_popping_crease_is_4_ft_in_front_of_the_bowling_crease():
    """Law 7.3."""
    for side in ("left", "right"):
        assert apart(f"bowling_crease_{side}", f"popping_crease_{side}") == pytest.approx(4 * FOOT_M, abs=0.002)


def test_the_rectangle_s_diagonal():
    """2.64 m by 1.22 m."""
    assert apart("bowling_crease_left", "popping_crease_right") == pytest.approx(2.908, abs=0.0005)
    assert apart("bowling_crease_right", "popping_crease_left") == pytest.approx(2.908, abs=0.0005)


def test_stumps_are_28_in_high_and_the_wicket_9_in_wide():
    """Laws 8.1 and 8.2; a stump is 1.38 to 1.5 in thick, so that the outer ones' middles are 7.5 to 7.62 in apart."""
    for which in ("left", "middle", "right"):
        assert apart(f"{which}_stump_base", f"{which}_stump_top") == pytest.approx(28 * INCH_M, abs=1e-9)
    assert 7.5 * INCH_M <= apart("left_stump_base", "right_stump_base") <= 7.62 * INCH_M


def test_left_is_the_bowler_s_left_facing_the_striker():
    """+x runs to the striker and +z up, so that +y is to the left."""
    for name, place in PLACE.items():
        assert np.sign(place[1]) == ("left" in name) - ("right" in name)
    assert PLACE["popping_crease_left"][0] > PLACE["bowling_crease_left"][0]


def test_lines_join_marks_that_there_are():
    assert all(a in MARKS and b in MARKS and a != b for a, b in LINES)
