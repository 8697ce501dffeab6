"""A recording on its way through the engine: what is looked at, in which order, and what is kept; no real pose model."""
from __future__ import annotations

from collections import deque
from dataclasses import replace

import cv2
import numpy as np
import pytest

from creaseside.ball import Ball
from creaseside.orders import Log, Look, Span
from creaseside.pose import Pose
from creaseside.stamps import Stamp, to_ns
from kiosk import offline
from kiosk.faults import Fault
from kiosk.sources import jpeg

PERIOD_NS = to_ns(1 / 120)


class Played:
    """Pose processes that answer one frame at a time, looks the last asked first where `backwards`."""

    why = "it fell over"

    def __init__(self, backwards: bool = False, dies_after: int = 10**9) -> None:
        self.looked: dict[int, list] = {}
        self._todo: deque = deque()
        self._backwards, self._left = backwards, dies_after

    def live(self, stamp, box_px=None) -> bool:
        self._todo.appendleft((None, stamp))
        return True

    def look(self, ball, frames, urgent=False) -> None:
        self.looked[ball] = list(frames)
        new = [(ball, frame.stamp) for frame in frames]
        self._todo.extendleft(reversed(new)) if self._backwards else self._todo.extend(new)

    def wait(self, timeout_s) -> None:
        assert self._todo, "waits for an answer that nobody owes: for ever"

    def poses(self) -> list:
        self._left -= 1
        ball, stamp = self._todo.popleft()
        return [(ball, Pose.nobody(stamp, "light" if ball is None else "heavy", "played"))]

    def alive(self) -> bool:
        return self._left > 0


class Script:
    """An engine that orders a look when a live frame has come to a given time, and logs the ball once it was looked at."""

    live_box_px = None

    def __init__(self, balls: dict[float, tuple[Span, ...]]) -> None:
        self._due = sorted(balls.items())
        self.seen, self.closely, self._orders, self.finished = [], [], [], False

    def see(self, pose) -> None:
        self.seen.append(pose.stamp)
        while self._due and pose.stamp.t_s >= self._due[0][0]:
            self._orders.append(Look(len(self.closely) + 1, self._due.pop(0)[1]))
            self.closely.append([])

    def see_closely(self, ball, pose) -> None:
        self.closely[ball - 1].append(pose.stamp)

    def looked(self, ball) -> None:
        self._orders.append(Log(ball, 0, 0, Ball("right", {})))

    def finish(self) -> None:
        self.finished = True

    def orders(self):
        out, self._orders = self._orders, []
        return out


def run(engine, watcher, seconds: float = 6.0, most: list | None = None) -> list[int]:
    """What `Measurer.balls` does with a film of 120 frames a second, without pixels; the balls in the order they came."""
    clip, balls = offline._Clip(engine, watcher), []
    for n in range(round(seconds * 120)):
        stamp = Stamp(n, n * PERIOD_NS)
        clip.came(stamp)
        if n % 3 == 0:
            clip.look_live(stamp)
        while clip.wanted_ns() < stamp.t_ns - to_ns(offline.KEPT_S - 0.3):
            clip.wait()
        if most is not None:
            most.append(len(clip._here))
        balls += [log.ball for log in clip.ripe()]
    return balls + [log.ball for log in clip.rest()]


def span(first_s: float, last_s: float, step_s: float = 1 / 140) -> Span:
    """A millisecond wider at both ends: a film's stamps are rounded."""
    more = 0.001 if last_s > first_s else -0.001
    return Span(to_ns(first_s - more), to_ns(last_s + more), to_ns(step_s), (1, 2, 3, 4))


def test_a_ball_s_frames_are_posed_again_in_the_spans_own_order():
    watcher = Played()
    assert run(Script({2.0: (span(1.7, 1.9), span(1.7, 1.4), span(1.4, 1.0, 1 / 45))}), watcher) == [1]
    t = [frame.stamp.t_s for frame in watcher.looked[1]]
    assert {frame.box_px for frame in watcher.looked[1]} == {(1, 2, 3, 4)}
    landing, back, run_up = t[:25], t[25:61], t[61:]
    assert len(set(t)) == len(t)
    assert landing == sorted(landing) and landing[0] == pytest.approx(1.7) and landing[-1] == pytest.approx(1.9, abs=0.005)
    assert back == sorted(back, reverse=True) and back[-1] == pytest.approx(1.4, abs=0.005)
    assert len(run_up) == 16 and run_up == sorted(run_up, reverse=True)      # every third frame: no nearer than 1 / 45 s


def test_frames_that_have_not_come_are_waited_for():
    watcher = Played()
    engine = Script({2.0: (span(1.9, 2.3),)})
    assert run(engine, watcher) == [1]
    assert engine.closely[0][-1].t_s == pytest.approx(2.3, abs=0.005)


def test_at_the_end_of_the_film_what_there_is_must_do():
    engine = Script({5.9: (span(5.8, 7.0),)})
    assert run(engine, Played()) == [1]
    assert engine.finished and engine.closely[0][-1].t_s == pytest.approx(6 - 1 / 120)


def test_a_look_at_nothing_is_over_at_once():
    assert run(Script({2.0: (span(-3.0, -2.0),), 4.0: ()}), Played()) == [1, 2]


def test_balls_come_in_order_of_time_whichever_is_measured_first():
    engine = Script({2.0: (span(1.0, 1.9),), 2.1: (span(2.0, 2.05),)})
    assert run(engine, Played(backwards=True)) == [1, 2]


def test_live_looks_are_in_order_of_time_and_do_not_depend_on_what_else_is_done():
    quiet, busy = Script({}), Script({2.0: (span(1.0, 1.9),), 4.2: (span(3.0, 4.1),)})
    run(quiet, Played()), run(busy, Played(backwards=True))
    assert quiet.seen == busy.seen == sorted(quiet.seen) and len(quiet.seen) == 240


def test_memory_is_the_reel_s_however_long_the_film():
    most = []
    run(Script({t: (span(t - 1.2, t - 0.1),) for t in range(3, 29, 3)}), Played(), seconds=30, most=most)
    assert max(most) <= offline.KEPT_S * 120 + 1


def test_no_frame_that_is_still_wanted_is_ever_let_go():
    engine = Script({t: (span(t - 1.6, t - 0.1),) for t in (2.0, 4.1, 6.2)})
    run(engine, Played(), seconds=8)
    assert [len(stamps) for stamps in engine.closely] == [181, 181, 181]


def test_pose_processes_that_are_gone_for_good_are_a_fault():
    with pytest.raises(Fault, match="it fell over; see creaseside doctor"):
        run(Script({}), Played(dies_after=50))


def test_an_empty_lane_is_looked_at_when_something_stirs_and_once_a_second_and_whoever_is_there_always():
    grey = np.full((240, 320, 3), 90, np.uint8)
    still, stirred = jpeg.encode(grey), jpeg.encode(cv2.rectangle(grey.copy(), (100, 80), (140, 200), (200, 200, 200), -1))
    clip, looked = offline._Clip(Script({}), Played()), []
    pictures = {2.1: stirred, 2.2: stirred, 2.5: still}
    for n in range(40):
        stamp = Stamp(n, n * offline.ALONE_NS)
        if clip.worth_a_look(stamp, pictures.get(n / 10, pictures[2.2] if 22 < n < 25 else still)):
            looked.append(n / 10)
            clip.look_live(stamp)
    assert looked == [0, 1.0, 2.0, 2.1, 2.5, 3.5]
    clip._live = replace(clip._live, missing=None)
    assert clip.worth_a_look(Stamp(99, 5), still) and clip.worth_a_look(Stamp(100, 6), still)
