"""Frames: which of those that are kept a look asks for, and from which the bowler is gone."""
from __future__ import annotations

from itertools import pairwise

import pytest

from creaseside.orders import Look, Runner, Span
from creaseside.stamps import NS, Stamp, to_ns
from kiosk.frames import GONE_S, SHARED_S, Frame, frames_of


class Here:
    """Every frame from `first_s` to `last_s`."""

    def __init__(self, first_s: float, last_s: float, fps: int) -> None:
        self._all = [Stamp(i, i * NS // fps) for i in range(round(first_s * fps), round(last_s * fps))]

    def stamps(self, first_ns: int, last_ns: int) -> list[Stamp]:
        return [s for s in self._all if first_ns <= s.t_ns <= last_ns]


def gone_for(frame: Frame, fps: int) -> float:
    return frame.stamp.t_s - frame.without / fps


@pytest.mark.parametrize("fps", [25, 60, 120, 240])
@pytest.mark.parametrize("begin_s, end_s", [(4.0, 4.5), (4.5, 3.4)])
def test_every_look_has_a_view_from_before_the_bowler_came(fps, begin_s, end_s):
    frames = frames_of(Look(1, (Span(to_ns(begin_s), to_ns(end_s), 1, (0, 0, 9, 9)),)), Here(0, 6, fps))
    assert [f.stamp.t_ns for f in frames] == sorted((f.stamp.t_ns for f in frames), reverse=begin_s > end_s)
    assert all(GONE_S - 1e-6 <= gone_for(f, fps) <= GONE_S + SHARED_S + 1e-6 for f in frames)
    assert len({f.without for f in frames}) <= abs(end_s - begin_s) / SHARED_S + 2       # neighbours share one


@pytest.mark.parametrize("begin_s, end_s", [(1.0, 1.5), (1.5, 1.0)])
def test_a_runner_is_sought_where_they_are_by_then(begin_s, end_s):
    runner = Runner((to_ns(0.2), to_ns(2.2)), ((700.0, 50.0, 800.0, 400.0), (-300.0, 50.0, -200.0, 400.0)))
    frames = frames_of(Look(1, (Span(to_ns(begin_s), to_ns(end_s), 1, runner.box_px(to_ns(1.0), to_ns(1.5)), runner),)), Here(0, 3, 60))
    assert frames and {f.box_px for f in frames} == {(50, 50, 400, 400)}
    for f in frames:
        left = 200 - 500 * (f.stamp.t_s - 1.2)
        assert f.sought_px == pytest.approx((left, 50, left + 100, 400), abs=1)


@pytest.mark.parametrize("fps", [25, 60, 120, 240])
def test_looks_of_spans_that_meet_are_as_far_apart_as_all_others(fps):
    """A speed is read from neighbouring looks: two that were a frame apart where a landing and its stride meet put it 13 ms early."""
    step, meet = NS // 70, to_ns(1.0)
    frames = frames_of(Look(1, (Span(meet, to_ns(1.2), step, None), Span(meet, to_ns(0.7), step, None),)), Here(0, 2, fps))
    apart = {b - a for a, b in pairwise(sorted(f.stamp.frame for f in frames))}
    assert apart == {max(1, -(-fps // 70))}


def test_where_nothing_is_before_the_view_is_from_after():
    frames = frames_of(Look(1, (Span(to_ns(0.5), to_ns(1.0), 1, None),)), Here(0, 2, 60))
    assert all(abs(gone_for(f, 60)) >= GONE_S - 1e-6 for f in frames)
    early, late = ([gone_for(f, 60) for f in frames if (f.stamp.t_s < GONE_S) == first] for first in (True, False))
    assert max(early) < 0 < min(late)


def test_where_there_is_neither_there_is_none():
    frames = frames_of(Look(1, (Span(to_ns(0.1), to_ns(0.5), 1, None),)), Here(0, 0.6, 60))
    assert frames and {f.without for f in frames} == {None}
    assert frames_of(Look(1, ()), Here(0, 1, 60)) == []


@pytest.mark.parametrize("fps", [60, 120, 240])
def test_the_second_model_looks_at_frames_that_the_first_looks_at(fps):
    here, step, box = Here(0, 2, fps), NS // 70, (0, 0, 9, 9)
    few = Look(1, (Span(to_ns(0.945), to_ns(1.075), step, box),), True, (to_ns(0.997), to_ns(1.030)))
    asked = frames_of(few, here)
    first, second = ([f for f in asked if f.second is by_second] for by_second in (False, True))
    assert [f.stamp for f in second] == [f.stamp for f in first if 0.997 <= f.stamp.t_s <= 1.030] and 2 <= len(second) <= 3
    assert {f.box_px for f in second} == {box} and frames_of(few, here, asked) == []
    wider = Look(1, (Span(to_ns(0.9), to_ns(1.2), step, None),), False, (to_ns(0.95), to_ns(1.05)))
    then = frames_of(wider, here, asked)
    assert not {f.stamp for f in then if f.second} & {f.stamp for f in second}
    twice = sorted(f.stamp for f in [*asked, *then] if f.second)
    assert twice == sorted(f.stamp for f in [*asked, *then] if not f.second and 0.95 <= f.stamp.t_s <= 1.05)


def test_a_frame_comes_to_both_models_as_soon_as_it_is_here():
    look = Look(1, (Span(to_ns(0.945), to_ns(1.075), NS // 70, None),), True, (to_ns(0.997), to_ns(1.030)))
    asked, order = [], []
    for until_s in (0.98, 1.01, 1.04, 1.5):
        new = frames_of(look, Here(0, until_s, 120), asked)
        asked += new
        order.append(sum(f.second for f in new))
    assert order[0] == 0 and sum(order) == order[1] + order[2] >= 2
