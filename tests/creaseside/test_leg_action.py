"""The front leg's action: the rule at its edges, and where a knee's error would make another one of it."""
from __future__ import annotations

import pytest

from creaseside import leg_action
from creaseside.ball import Value


@pytest.mark.parametrize(
    "ffc, smallest, br, action",
    [
        # Portus et al. 2004: flexion and extension of 10 degrees or more.
        (165, 155, 160, "flexor"),
        (165, 155.01, 160, "constant_brace"),
        (165, 155, 164.99, "flexor"),
        (165, 155, 165, "flexor_extender"),
        (164.99, 155, 165, "extender"),
        (160, 160, 160, "constant_brace"),
        (180, 120, 125, "flexor"),
        (150, 145, 175, "extender"),
        (180, 130, 185, "flexor_extender"),
    ],
)
def test_front_leg_action_at_the_edges_of_ten_degrees(ffc, smallest, br, action):
    assert leg_action.of(Value(ffc, 2.0), Value(smallest, 2.0), Value(br, 2.0)) == action


@pytest.mark.parametrize("gone", range(3))
def test_no_action_without_all_three(gone):
    assert leg_action.of(*(Value.missing("hidden") if i == gone else Value(165.0, 2.0) for i in range(3))) is None


@pytest.mark.parametrize("ffc, smallest, br, told", [(165, 160, 160, True), (165, 150, 150, True), (165, 150, 165, True),
                                                     (165, 158, 158, False), (165, 152, 152, False), (165, 150, 158, False)])
def test_an_action_is_told_where_no_knee_s_error_makes_another_of_it(ffc, smallest, br, told):
    why = leg_action.untold(Value(ffc, 3.0), Value(smallest, 4.0), Value(br, 4.0))
    assert why is None if told else "10 degrees" in why
    assert "10 degrees" in leg_action.untold(Value(ffc, 3.0), Value(smallest, 14.0), Value(br, 14.0))
    assert "all three moments" in leg_action.untold(Value(ffc, 3.0), Value.missing("hidden"), Value(br, 5.0))
