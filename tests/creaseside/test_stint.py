"""A player's way through a session: blocks end by their balls, feedback by the schedule, nothing where it is quiet."""
from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from creaseside import plan
from creaseside.plan import FeedbackSchedule
from creaseside.stint import FREE, Stint

PLAN = plan.read("warm_up 2, baseline 2, focus 3, no_feedback 2")


def through(stint: Stint, verdicts) -> list[str]:
    """The words for the log, ball by ball."""
    words = []
    for verdict in verdicts:
        words.append(stint.given(verdict).word)
        stint = stint.bowled(verdict)
    return words


def test_feedback_is_given_in_the_focus_block_and_after_the_plan():
    assert through(Stint(PLAN), ["hit"] * 10) == ["none"] * 4 + ["every"] * 3 + ["none"] * 2 + ["every"]


def test_without_a_plan_every_ball_is_given():
    assert through(Stint(), ["hit", None, "miss"]) == ["every"] * 3 and not Stint().planned and Stint().spot.kind == "free"


def test_only_outside_looks_back_no_further_than_its_block():
    """A miss of the baseline is no reason to cheer the first ball of the focus block."""
    stint = Stint(PLAN, FeedbackSchedule("outside"))
    assert through(stint, [None, None, "hit", "miss", "hit", "miss", "hit"])[4:] == ["none", "outside", "back in"]


def test_quiet_gives_nothing_and_counts_on():
    stint = Stint(quiet=True).bowled("hit")
    assert not stint.given("miss") and stint.spot.ball == 2 and not stint.may_ask()


def test_a_player_may_ask_only_where_the_block_of_the_last_ball_has_feedback():
    stint, may = Stint(PLAN), []
    for _ in range(10):
        may.append(stint.may_ask())
        stint = stint.bowled("hit")
    assert may == [False] * 5 + [True] * 3 + [False] * 2


def test_a_skipped_block_ends_and_the_next_begins():
    stint = Stint(PLAN).bowled(None).skip()
    assert (stint.spot.kind, stint.spot.ball, stint.spot.starts) == ("baseline", 1, True) and stint.block == ()


def test_a_ball_taken_back():
    stint = Stint(PLAN).bowled("hit").bowled(None).bowled("miss")
    assert stint.without(2).verdicts == ("hit", "miss") and stint.without(2).spot.ball == 1
    with pytest.raises(ValueError):
        stint.without(4)


@given(st.integers(0, 12), st.sampled_from(["warm_up 2, focus 6", "baseline 4, focus 8, no_feedback 6", "free"]))
def test_another_plan_begins_with_the_next_ball_and_moves_none_that_was_bowled(balls, other):
    stint = Stint(PLAN)
    for _ in range(balls):
        stint = stint.bowled("hit")
    changed = stint.on(plan.read(other))
    assert [changed.plan.at(n).kind for n in range(1, balls + 1)] == [PLAN.at(n).kind for n in range(1, balls + 1)]
    assert changed.spot.kind == plan.read(other).blocks[0].kind and changed.spot.ball == 1


def test_a_plan_may_begin_after_a_long_free_bowling():
    stint = Stint(verdicts=("hit",) * 130).on(PLAN)
    assert (stint.spot.kind, stint.spot.ball) == ("warm_up", 1)


def test_free_has_no_end():
    assert FREE.at(10_000).balls == 0
