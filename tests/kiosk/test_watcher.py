"""The pose processes: real ones, on a real reel; and the order in which frames are handed out, without any."""
from __future__ import annotations

import os
import signal
import sys

import numpy as np
import pytest

from creaseside.stamps import NS, Stamp
from kiosk import models
from kiosk import watcher as room
from kiosk.frames import Frame
from kiosk.reel import Reel
from kiosk.sources import jpeg
from kiosk.watcher import HALF, HUNG_S, Stretches, Watcher
from tests.kiosk.demo_frames import bowler
from tests.kiosk.handclock import HandClock

FPS = 120
N = 24
EMPTY, GREEN = N, (82, 132, 98)     # a frame in which nobody is


def stamps(first: int, last: int) -> list[Stamp]:
    return [Stamp(i, i * NS // FPS) for i in range(first, last)]


def taken_one(stretches: Stretches, who: int) -> tuple[int, bool]:
    job = stretches.next(who)
    return job.stamp.frame, job.fresh


def taken(stretches: Stretches, who: int) -> list[tuple[int, bool]]:
    """(frame, fresh) of all that this process is handed."""
    return [(job.stamp.frame, job.fresh) for job in iter(lambda: stretches.next(who), None)]


def test_a_stretch_keeps_its_order_and_is_fresh_once():
    stretches = Stretches()
    stretches.add(1, [Frame(s) for s in stamps(10, 16)])
    assert taken(stretches, 0) == [(10, True)] + [(i, False) for i in range(11, 16)]


def test_a_gap_and_another_box_begin_a_stretch():
    stretches = Stretches()
    stretches.add(1, [Frame(s) for s in stamps(0, 3) + stamps(50, 52)] + [Frame(s, (0, 0, 9, 9)) for s in stamps(52, 54)])
    assert [frame for frame, fresh in taken(stretches, 0) if fresh] == [0, 50, 52]


def test_neighbours_are_told_by_time_not_by_number():
    """Every fourth frame at 120 fps is still a neighbour, as it is at 30 fps."""
    stretches = Stretches()
    stretches.add(1, [Frame(s) for s in stamps(0, 40)[::4]])
    assert sum(fresh for _, fresh in taken(stretches, 0)) == 1


def test_two_looks_are_two_stretches_in_turn():
    stretches = Stretches()
    stretches.add(1, [Frame(s) for s in stamps(0, 2)])
    stretches.add(2, [Frame(s) for s in stamps(2, 4)])
    assert taken(stretches, 0) == [(0, True), (1, False), (2, True), (3, False)]


def test_an_idle_process_takes_over_the_later_half():
    stretches = Stretches()
    stretches.add(1, [Frame(s) for s in stamps(0, 21)])
    assert stretches.next(0).stamp.frame == 0
    job = stretches.next(1)
    assert (job.stamp.frame, job.fresh) == (11, True)
    assert taken(stretches, 0)[9] == (10, False)   # its own half to the end; then it helps the other


def test_too_little_is_not_taken_over():
    stretches = Stretches()
    stretches.add(1, [Frame(s) for s in stamps(0, 2 * HALF)])
    stretches.next(0)
    assert stretches.next(1) is None
    assert len(taken(stretches, 0)) == 2 * HALF - 1


def test_nothing_is_taken_over_where_a_fast_machine_is_to_see_the_same_as_a_slow_one():
    stretches = Stretches(whole=True)
    stretches.add(1, [Frame(s) for s in stamps(0, 40)])
    stretches.next(0)
    assert stretches.next(1) is None and len(taken(stretches, 0)) == 39


def test_the_last_of_a_stretch_says_so_also_where_half_of_it_was_taken_over():
    """Before it a process that waits for its next frame does not forget whom it follows."""
    stretches = Stretches()
    stretches.add(1, [Frame(s) for s in stamps(0, 21)])
    mine = [stretches.next(0) for _ in range(3)]
    theirs = [stretches.next(1)]
    for who, jobs in ((0, mine), (1, theirs)):
        jobs += iter(lambda: stretches.next(who), None)
    assert [job.stamp.frame for job in mine if job.last][0] == 11 and theirs[-1].last
    assert sum(job.last for job in mine + theirs) == sum(job.fresh for job in mine + theirs)


def test_what_a_verdict_waits_for_comes_first_and_goes_on_as_its_frames_come():
    one, other, stretches = (0, 0, 9, 9), (1, 0, 9, 9), Stretches()
    stretches.add(1, [Frame(s) for s in stamps(0, 4)])
    stretches.add(2, [Frame(s, one) for s in stamps(10, 12)], hurry=True)
    assert stretches.hurried(1) and taken_one(stretches, 1) == (10, True) and not stretches.hurried(0)
    stretches.add(2, [Frame(stamps(12, 13)[0], one), *(Frame(s, other) for s in stamps(13, 15))], hurry=True)
    assert stretches.hurried(0) and taken_one(stretches, 0) == (13, True) and taken_one(stretches, 1) == (11, False)
    assert [taken_one(stretches, 1) for _ in range(2)] == [(12, False), (0, True)]
    stretches.add(2, [Frame(stamps(15, 16)[0], other)], hurry=True)
    assert taken(stretches, 0)[:2] == [(14, False), (15, False)]


def test_the_second_model_s_frames_go_to_the_process_that_has_it_when_it_has_nothing_else_and_end_no_stretch():
    """A stretch that waits for its next frame goes on with whom it follows."""
    stretches, box = Stretches(second=1), (0, 0, 9, 9)
    stretches.add(1, [Frame(s, box) for s in stamps(0, 2)] + [Frame(s, box, second=True) for s in stamps(0, 2)], hurry=True)
    assert taken(stretches, 0) == [(0, True), (1, False)]
    assert [(job.stamp.frame, job.kind) for job in iter(lambda: stretches.next(1), None)] == [(0, room.SECOND), (1, room.SECOND)]
    stretches.add(1, [Frame(s, box) for s in stamps(2, 4)], hurry=True)
    stretches.add(1, [Frame(stamps(4, 5)[0], box, second=True)], hurry=True)
    assert taken(stretches, 0) == [(2, False), (3, False)]
    assert [job.kind for job in stretches.drop()] == [room.SECOND] and stretches.drop_second() == []


@pytest.mark.parametrize("n", range(1, 40))
def test_every_frame_is_handed_out_once(n):
    stretches, seen = Stretches(), []
    stretches.add(1, [Frame(s) for s in stamps(0, n)])
    while jobs := [job for who in (1, 0) if (job := stretches.next(who))]:
        seen += [job.stamp.frame for job in jobs]
    assert sorted(seen) == list(range(n))


@pytest.fixture(scope="module")
def reel():
    frames = bowler(N)
    with Reel.make(1.0, FPS, 40) as made:
        for stamp, bgr in zip(stamps(0, N), frames, strict=True):
            made.write(stamp, jpeg.encode(bgr))
        made.write(Stamp(EMPTY, EMPTY * NS // FPS), jpeg.encode(np.full_like(frames[0], GREEN)))
        yield made


@pytest.fixture(scope="module")
def watcher(reel):
    with Watcher(reel, models.light_bundle(), models.heavy_bundle(), models.second_bundle(), workers=2) as made:
        until(made, made.ready)
        yield made


def until(watcher: Watcher, done) -> list:
    """All poses that come until `done()`; pytest's own limit ends a wait that nobody ends."""
    got = watcher.poses()
    while not done():
        watcher.wait(1.0)
        got += watcher.poses()
    return got


def collect(watcher: Watcher, n: int) -> list:
    got: list = []
    while len(got) < n:
        watcher.wait(1.0)
        got += watcher.poses()
    return got


def test_a_look_gives_every_frame_once_from_the_measuring_model(watcher):
    watcher.look(7, [Frame(s) for s in stamps(0, N)])
    got = collect(watcher, N)
    assert sorted(p.stamp for _, p in got) == stamps(0, N)
    assert {ball for ball, _ in got} == {7} and {p.model for _, p in got} == {watcher.look_model}
    assert [p.missing for _, p in got] == [None] * N
    assert not got[0][1].xy_px.flags.writeable


@pytest.mark.skipif(models.second_bundle() is None, reason="the set-up has not fetched the second model")
def test_both_models_see_the_same_legs(watcher):
    few = stamps(4, 7)
    watcher.look(9, [Frame(s) for s in few])
    heavies = {pose.stamp: pose for _, pose in collect(watcher, len(few))}
    low, high = (end(heavies[few[0]].xy_px, axis=0) + way for end, way in ((np.min, -50), (np.max, 50)))
    watcher.look(9, [Frame(s, sought_px=(*low, *high), second=True) for s in few])
    seconds = {pose.stamp: pose for _, pose in collect(watcher, len(few))}
    assert set(heavies) == set(seconds) == set(few) and {p.model for p in seconds.values()} == {"second"}
    for s in few:
        heavy, second, tall = heavies[s], seconds[s], np.ptp(heavies[s].xy_px[:, 1])
        for joint in ("hip", "knee", "ankle"):
            apart = [np.linalg.norm(heavy[f"{side}_{joint}"] - second[f"{side}_{joint}"]) for side in ("left", "right")]
            assert max(apart) < 0.08 * tall
        assert np.isnan(second["left_heel"]).all() and second.missing is None


def test_a_look_with_a_view_without_the_bowler_says_how_low_the_feet_reach(watcher):
    """The neighbour is no such view: whoever stood there stands there. An empty green net is."""
    watcher.look(8, [Frame(stamps(0, 1)[0], without=EMPTY), Frame(stamps(1, 2)[0], without=0), Frame(stamps(2, 3)[0], without=10**6)])
    seen, same, gone = (pose for _, pose in sorted(collect(watcher, 3), key=lambda got: got[1].stamp))
    low = np.nanmax(np.stack([seen["left_ankle"], seen["right_ankle"]])[:, 1])
    assert np.nanmax(seen.sole_px[:, 1]) > low and np.isnan(same.sole_px).any() and np.isnan(gone.sole_px).all()


def test_live_frames_are_light_and_more_than_the_process_has_in_hand_are_not_taken(watcher):
    assert [watcher.live(Stamp(n, n * NS // FPS)) for n in (3, 4, 5)] == [True, True, False]
    (ball, pose), (_, second) = collect(watcher, 2)
    assert ball is None and pose.model == "light" and pose.stamp.frame == 3 and pose.missing is None
    assert second.stamp.frame == 4 and watcher.live(Stamp(5, 5 * NS // FPS)) and len(collect(watcher, 1)) == 1


def test_a_live_frame_overtakes_a_look(watcher):
    watcher.look(1, [Frame(s) for s in stamps(0, N)])
    assert watcher.live(Stamp(5, 5 * NS // FPS))
    balls = [ball for ball, _ in collect(watcher, N + 1)]
    assert balls.count(None) == 1 and balls.index(None) < N // 2


def test_a_frame_that_is_gone_comes_back_as_nobody(watcher):
    watcher.look(2, [Frame(Stamp(9_999, 0))])
    (ball, pose), = collect(watcher, 1)
    assert ball == 2 and pose.missing == "the frame is gone from the reel" and np.isnan(pose.xy_px).all()


def test_a_process_that_dies_is_replaced_and_answered_for(watcher):
    before = watcher.restarts
    watcher.look(3, [Frame(s) for s in stamps(0, N)])
    os.kill(watcher.pids()[1], signal.SIGKILL)
    got = collect(watcher, N)
    assert sorted(p.stamp for _, p in got) == stamps(0, N)
    assert 1 <= sum(p.missing == "worker died" for _, p in got) <= room.AHEAD
    until(watcher, watcher.ready)
    assert watcher.restarts == before + 1 and watcher.alive()
    watcher.look(4, [Frame(s) for s in stamps(0, N)])
    assert [p.missing for _, p in collect(watcher, N)] == [None] * N


def test_a_process_that_hangs_is_replaced_and_answered_for(watcher, monkeypatch):
    hand = HandClock()
    monkeypatch.setattr(room, "clock", hand)
    before = watcher.restarts
    os.kill(watcher.pids()[0], signal.SIGSTOP)
    assert watcher.live(Stamp(2, 0))
    assert watcher.poses() == []
    hand.pass_s(HUNG_S + 0.1)
    (_, pose), = watcher.poses()
    assert pose.missing == "worker hung" and watcher.restarts == before + 1
    until(watcher, watcher.ready)
    assert watcher.live(Stamp(3, 0)) and collect(watcher, 1)[0][1].missing is None


@pytest.mark.skipif(sys.platform != "linux", reason="the system says so in /proc")
def test_a_process_that_is_stopped_while_nobody_waits_for_it_is_replaced_too(watcher, monkeypatch):
    hand = HandClock()
    monkeypatch.setattr(room, "clock", hand)
    before, pid, watcher._look_ns = watcher.restarts, watcher.pids()[1], 0
    os.kill(pid, signal.SIGSTOP)
    os.waitpid(pid, os.WUNTRACED)
    for _ in range(room.STOPPED):
        assert watcher.restarts == before and watcher.poses() == []
        hand.pass_s(1.1)
    assert watcher.restarts == before + 1 and pid not in watcher.pids()
    until(watcher, watcher.ready)
    watcher.look(5, [Frame(s) for s in stamps(0, N)])
    assert [p.missing for _, p in collect(watcher, N)] == [None] * N


def test_processes_that_cannot_start_are_given_up_with_the_reason(tmp_path):
    bad = tmp_path / "bad.task"
    bad.write_bytes(b"no model")
    with Reel.make(1.0, 10, 1) as reel, Watcher(reel, bad, workers=1) as watcher:
        until(watcher, lambda: not watcher.alive())
        watcher.look(1, [Frame(Stamp(0, 0))])
        assert not watcher.live(Stamp(0, 0))
        (_, pose), = watcher.poses()
        assert pose.missing.startswith("no pose process:") and pose.model == "light"


def test_without_a_second_model_its_frames_come_back_as_nobody(reel):
    with Watcher(reel, models.light_bundle(), workers=1) as watcher:
        until(watcher, watcher.ready)
        watcher.look(1, [Frame(stamps(0, 1)[0]), Frame(stamps(0, 1)[0], second=True)])
        got = {pose.model: pose.missing for _, pose in collect(watcher, 2)}
    assert got == {"light": None, "second": "no second model"}


def test_where_the_process_with_the_second_model_is_given_up_its_frames_are_answered_for(reel, tmp_path):
    bad = tmp_path / "bad.tflite"
    bad.write_bytes(b"no model")
    with Watcher(reel, models.light_bundle(), second=bad, workers=2) as watcher:
        until(watcher, lambda: not watcher.alive())
        watcher.look(1, [Frame(s, second=second) for s in stamps(0, 2) for second in (False, True)])
        got = [pose for _, pose in collect(watcher, 4)]
    assert sorted(pose.model for pose in got if pose.missing is None) == ["light", "light"]
    assert all(pose.missing.startswith("no pose process:") for pose in got if pose.model == "second")


def test_closing_leaves_no_process(reel):
    watcher = Watcher(reel, models.light_bundle(), workers=1)
    pid, = watcher.pids()
    watcher.close()
    watcher.close()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
