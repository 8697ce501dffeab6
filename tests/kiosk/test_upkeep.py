"""What is looked after beside the balls: hours, clips whose time is over, the watchdog; with clocks moved by hand."""
from __future__ import annotations

import socket
from datetime import date, datetime, timedelta, timezone

import pytest

from creaseside.settings import Faults, Screen, from_mapping
from creaseside.stamps import NS, Stamp
from kiosk import clips
from kiosk.heartbeat import STILL_NS, Heartbeat
from kiosk.hours import Hours
from kiosk.logbook import Logbook
from kiosk.reel import OURS, SHARED, Reel, remove_left
from kiosk.upkeep import SWEEP_NS, Upkeep, day_of, set_back
from tests.kiosk.bowled import JumpingClock, home, some_ball, some_frames
from tests.kiosk.handclock import HandClock


# Hours

@pytest.mark.parametrize("opens, closes, hour, is_open", [
    ("08:00", "22:00", 7, False), ("08:00", "22:00", 8, True), ("08:00", "22:00", 21, True), ("08:00", "22:00", 22, False),
    ("16:00", "01:00", 0, True), ("16:00", "01:00", 1, False), ("16:00", "01:00", 15, False), ("16:00", "01:00", 16, True)])
def test_the_hall_is_open_from_the_one_hour_to_the_other(opens, closes, hour, is_open):
    assert Hours.of(Screen(opens=opens, closes=closes)).open_at(datetime(2026, 11, 25, hour)) is is_open
    assert Hours.of(Screen()) is None


@pytest.mark.parametrize("table", [{"opens": "8"}, {"opens": "24:00", "closes": "22:00"}, {"opens": "08:00"},
                                   {"opens": "08:00", "closes": "08:00"}, {"closes": "22:60", "opens": "08:00"}])
def test_hours_that_are_none_are_refused(table):
    with pytest.raises(Faults, match="screen"):
        from_mapping({"screen": table})


def test_the_screen_goes_black_when_the_hall_closes_and_comes_back_in_the_morning(tmp_path):
    clock, told = JumpingClock(), []
    with Logbook(home(tmp_path), clock) as log:
        upkeep = Upkeep(log, lambda job: job(), Hours.of(Screen(opens="08:00", closes="22:00")), told.append, clock=clock)
        for hours in (12, 21, 22, 26, 32, 33):
            clock.ahead = timedelta(hours=hours)
            clock.pass_s(2)
            upkeep.tick(clock.ns)
    assert told == [True, False]        # it was open when it began


def test_nothing_of_a_frame_is_left_in_a_wiped_reel():
    pictures = some_frames(40)
    with Reel.make(1.0, 30, 0.2) as reel:
        for stamp, jpeg in pictures:
            reel.write(stamp, jpeg)
        path = SHARED / reel.name
        assert pictures[-1][1] in path.read_bytes()
        reel.wipe()
        assert reel.stamps(0, 10**15) == [] and all(reel.jpeg(s.frame) is None for s, _ in pictures)
        head = 6 * 8 + 32 * 32
        assert not any(path.read_bytes()[head:])
        assert reel.write(Stamp(100, 10**12), pictures[0][1]) is None and reel.jpeg(100) == pictures[0][1]


def test_a_reel_of_a_killed_kiosk_goes_and_one_in_use_stays():
    left = SHARED / f"{OURS}left-by-a-test"
    left.write_bytes(b"a picture of somebody")
    with Reel.make(1.0, 10, 0.1) as reel:
        assert not left.exists() and (SHARED / reel.name).exists()
        assert remove_left() == [] and (SHARED / reel.name).exists()


# Clips

def kept_clip(log: Logbook, until: date | None, group: str = "adult") -> int:
    player = log.add_player("Sam", age_group=group)
    log.add_consent(player, "clips", "Sam's mother", "parent", until=until)
    ball = log.add_ball(log.start_session(player), some_ball(1))
    assert clips.keep(log, ball, some_frames(3))
    return ball


def test_a_consent_that_runs_out_takes_its_clips_at_midnight_while_the_kiosk_runs(tmp_path):
    clock = JumpingClock()
    with Logbook(home(tmp_path), clock) as log:
        first, ended = kept_clip(log, log.today()), kept_clip(log, log.today() + timedelta(days=1))
        upkeep = Upkeep(log, lambda job: job(), clock=clock)
        upkeep.tick(clock.ns)
        assert log.clip(first) and log.clip(ended)       # the last day of a consent still counts
        for day, left in ((1, [ended]), (2, [])):
            midnight = datetime(2026, 1, 1 + day, tzinfo=timezone.utc)
            clock.ns += (midnight - clock.utc_and_ns()[0]) // timedelta(microseconds=1) * 1000
            clock.pass_s(2)
            upkeep.tick(clock.ns)
            assert [c["ball"] for c in log.clips()] == left
        assert list(log.place.clips.iterdir()) == []


def test_a_clock_that_jumps_ahead_costs_no_clip_until_it_has_stayed_so_for_an_hour(tmp_path):
    clock = JumpingClock()
    with Logbook(home(tmp_path), clock) as log:
        ball = kept_clip(log, log.today() + timedelta(days=5))
        upkeep = Upkeep(log, lambda job: job(), clock=clock)
        clock.ahead = timedelta(days=365)
        for _ in range(50):
            clock.pass_s(60)
            upkeep.tick(clock.ns)
        assert log.clip(ball)
        clock.ahead = timedelta()
        upkeep.tick(clock.ns)
        clock.ahead = timedelta(days=365)
        for _ in range(70):
            clock.pass_s(60)
            upkeep.tick(clock.ns)
        assert log.clip(ball) is None


def test_a_clock_set_back_a_day_keeps_no_clip_longer(tmp_path):
    clock = JumpingClock()
    with Logbook(home(tmp_path), clock) as log:
        kept_clip(log, log.today())
        clock.ahead = timedelta(days=1)
        log.start_session()
        clock.ahead = timedelta()
        assert set_back(log) and day_of(log) == log.today() + timedelta(days=1)
        Upkeep(log, lambda job: job(), clock=clock).tick(clock.ns)
        assert log.clips() == []
        clock.ahead = timedelta(days=9)                 # a log of next week is a clock that was wrong then, not now
        log.start_session()
        clock.ahead = timedelta()
        assert set_back(log) and day_of(log) == log.today()


def test_a_sweep_that_fails_is_tried_again(tmp_path, monkeypatch):
    from kiosk.faults import Fault
    clock, tries = JumpingClock(), []

    def busy(*_):
        tries.append(1)
        raise Fault("a turn to write", "another creaseside", "wait")
    monkeypatch.setattr(clips, "remove_expired", busy)
    with Logbook(home(tmp_path), clock) as log:
        upkeep = Upkeep(log, lambda job: job(), clock=clock)
        for _ in range(3):
            upkeep.tick(clock.ns)
            clock.ns += SWEEP_NS
    assert len(tries) == 3


# The watchdog

@pytest.fixture
def ear(tmp_path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(tmp_path / "notify"))
        heard.setblocking(False)
        yield heard


def said(ear: socket.socket) -> list[str]:
    out = []
    try:
        while True:
            out.append(ear.recv(4096).decode())
    except BlockingIOError:
        return out


class Alive:
    """A kiosk whose frames and flips the test stops."""

    frames = flips = flipped = 0
    can_flip = True

    def flip(self) -> None:
        self.flipped += 1
        self.flips += self.can_flip


def test_the_watchdog_is_fed_only_while_frames_and_flips_advance(ear):
    k, hand = Alive(), HandClock()
    heart = Heartbeat(lambda: k.frames, lambda: k.flips, k.flip, {"NOTIFY_SOCKET": ear.getsockname(), "WATCHDOG_USEC": "20000000"})

    def seconds(n: int, frames: bool = True) -> list[str]:
        for _ in range(n * 10):
            hand.pass_s(0.1)
            k.frames += frames
            heart.tick(hand.ns)
        return said(ear)
    assert seconds(10)[0] == "READY=1\nWATCHDOG=1" and k.flipped >= 3       # a still screen is flipped again
    assert set(seconds(10)) == {"WATCHDOG=1"}
    seconds(3, frames=False)
    assert seconds(30, frames=False) == []          # no frames: silence
    assert seconds(5)                               # they are back
    k.can_flip = False
    seconds(3)
    assert seconds(30) == []                        # a screen that does not flip
    k.can_flip = True
    assert seconds(5)
    heart.close()
    assert said(ear) == ["STOPPING=1"]


def test_a_watchdog_in_a_hurry_is_fed_more_often(ear):
    k, hand = Alive(), HandClock()
    heart = Heartbeat(lambda: k.frames, lambda: k.flips, k.flip, {"NOTIFY_SOCKET": ear.getsockname(), "WATCHDOG_USEC": "900000"})
    for _ in range(30):
        hand.pass_s(0.1)
        k.frames, k.flips = k.frames + 1, k.flips + 1
        heart.tick(hand.ns)
    assert len(said(ear)) == 10


def test_without_a_watchdog_nothing_is_said_or_flipped(tmp_path):
    k = Alive()
    for env in ({}, {"NOTIFY_SOCKET": str(tmp_path / "nobody")}, {"NOTIFY_SOCKET": "vsock:2:1234"}):
        heart = Heartbeat(lambda: k.frames, lambda: k.flips, k.flip, env)
        assert not heart.tick(STILL_NS * 9)
        heart.say("well")
        heart.close()
    assert k.flipped == 0


def test_an_ear_that_went_away_stops_nothing(ear):
    k = Alive()
    heart = Heartbeat(lambda: k.frames, lambda: k.flips, k.flip, {"NOTIFY_SOCKET": ear.getsockname()})
    ear.close()
    assert heart.tick(NS)
