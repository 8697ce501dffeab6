"""Course: the steps from release to verdict, of balls that got one."""
from __future__ import annotations

from creaseside.stamps import NS
from kiosk.course import STEPS, Course
from kiosk.health import Health


def late(health: Health) -> dict[str, float]:
    return {step: health.snapshot(0).late[step].p50_ms for step in STEPS if step in health.snapshot(0).late}


def test_the_steps_of_a_ball_add_up_to_its_verdict():
    health = Health()
    course = Course(health)
    course.asked(1, 9 * NS)                      # foreseen: before its release
    course.asked(1, 11 * NS)
    for t in (12, 13, 15):
        course.seen(1, t * NS)
    course.told(1, 10 * NS, 16 * NS)
    assert late(health) == {"noticing": -1000.0, "first look": 3000.0, "looks": 3000.0, "judging": 1000.0}
    assert sum(late(health).values()) == 6000.0
    course.asked(1, 17 * NS)                     # what follows the verdict is not on its way
    course.seen(1, 30 * NS)
    course.told(1, 10 * NS, 31 * NS)
    assert health.snapshot(0).late["looks"].n == 1


def test_what_was_no_ball_leaves_nothing_and_a_ball_counts_once():
    health = Health()
    course = Course(health)
    course.asked(1, NS)
    course.over(1)
    course.seen(1, 2 * NS)
    course.told(1, NS, 3 * NS)
    assert late(health) == {}
