"""Balls that no disk takes: kept in bounds, written when there is one, with the times of cues that were heard meanwhile."""
from __future__ import annotations

import pytest

from creaseside.orders import Log
from creaseside.stamps import NS
from kiosk import scorer as room
from kiosk.faults import Fault
from kiosk.health import Health
from kiosk.logbook import Logbook
from kiosk.outputs import Heard
from kiosk.scorer import Scorer
from kiosk.seat import Whose
from tests.kiosk.bowled import home, some_ball, some_poses
from tests.kiosk.handclock import HandClock


class Disk:
    """A log whose disk can be told to refuse."""

    def __init__(self, log: Logbook, monkeypatch) -> None:
        self.log, self.refuses = log, True
        for name in ("add_ball", "complete_ball"):
            monkeypatch.setattr(log, name, self._or_not(getattr(log, name)))

    def _or_not(self, write):
        def tried(*given, **more):
            if self.refuses:
                raise Fault("to log a ball", "a disk that does not do as it is told", "look at it") from OSError(30, "read-only")
            return write(*given, **more)
        return tried


@pytest.fixture
def net(tmp_path, monkeypatch):
    clock = HandClock()
    with Logbook(home(tmp_path), clock) as log:
        health = Health(60.0)
        yield Disk(log, monkeypatch), Scorer(log, health, lambda job: job(), clock=clock), clock, health, Whose(log.start_session())


def bowl(scorer: Scorer, clock: HandClock, whose: Whose, number: int, more: bool = False) -> None:
    now = clock.now_ns()
    scorer.score(Log(number, now - 2 * NS, now, some_ball(3), more), whose, some_poses(12, "light"), now - 2 * NS, None, now)


def test_hours_without_a_disk_stay_in_bounds_and_the_numbers_come_in_order(net, monkeypatch):
    monkeypatch.setattr(room, "WHOLE_WAITING", 5)
    monkeypatch.setattr(room, "WAITING", 20)
    disk, scorer, clock, health, whose = net
    for number in range(1, 26):
        bowl(scorer, clock, whose, number)
        clock.pass_s(20)
        scorer.tick(clock.now_ns(), "sounddevice")
    assert scorer.trouble and scorer.balls == 0
    disk.refuses = False
    clock.pass_s(6)
    scorer.tick(clock.now_ns(), "sounddevice")
    scorer.tick(clock.now_ns() + 2 * NS, "sounddevice")
    rows = disk.log.ball_rows(whose.session)
    assert [r["number"] for r in rows] == list(range(1, 21)) and scorer.trouble is None
    assert [bool(disk.log.traces(r["id"])) for r in rows] == [False] * 15 + [True] * 5
    assert dict(health.snapshot(clock.now_ns()).counts)["balls_given_up"] == 5


def test_a_ball_that_waits_twice_is_one_row_and_its_cue_s_time_joins_it(net):
    disk, scorer, clock, _, whose = net
    bowl(scorer, clock, whose, 1, more=True)
    asked_ns = clock.now_ns() + NS
    scorer.cue(1, "hit", asked_ns)
    scorer.heard([Heard("hit", asked_ns, asked_ns + 5_000_000, "sounddevice")])
    clock.pass_s(30)
    scorer.tick(clock.now_ns(), "sounddevice")
    bowl(scorer, clock, whose, 1)
    assert scorer.idle
    disk.refuses = False
    clock.pass_s(6)
    scorer.tick(clock.now_ns(), "sounddevice")
    row = disk.log.ball(disk.log.ball_rows(whose.session)[-1]["id"])
    assert row["number"] == 1
    assert (row["cue_kind"], row["cue_heard_ns"] - row["cue_asked_ns"]) == ("hit", 5_000_000)
