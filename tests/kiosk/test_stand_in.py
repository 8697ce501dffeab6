"""A stand-in for a camera gives what it was told in that order, each at its time, and waits for nobody."""
from __future__ import annotations

import itertools

import pytest

from creaseside.stamps import NS
from kiosk import bench, sources
from kiosk.sources import jpeg
from kiosk.sources.stand_in import Pictures, StandIn
from kiosk.sources.v4l2 import BUFFERS
from kiosk.truth import beside
from tests.kiosk.handclock import HandClock
from tests.kiosk.test_sources import film


@pytest.fixture
def pictures(tmp_path):
    return Pictures.of(film(tmp_path / "a.mp4", n=5), tmp_path / "a.jpegs")


def test_every_picture_once_and_by_its_number(pictures):
    assert len(pictures.ends) == 5
    assert {jpeg.size_px(pictures.jpeg(n)) for n in range(5)} == {pictures.size_px}
    assert b"".join(pictures.jpeg(n) for n in range(5)) == pictures.file.read_bytes()


def test_in_any_order_each_at_its_time(pictures):
    clock = HandClock(7 * NS)
    source = StandIn(pictures, [3, 3, 0], 100.0, clock)
    got = list(iter(source.grab, None))
    assert [s.frame for s, _ in got] == [0, 1, 2] and source.lost == 0
    assert [s.t_ns - got[0][0].t_ns for s, _ in got] == [0, NS // 100, NS // 50]
    assert [data for _, data in got] == [pictures.jpeg(3), pictures.jpeg(3), pictures.jpeg(0)]


def test_who_comes_late_finds_what_a_driver_keeps_and_no_more(pictures):
    clock = HandClock(7 * NS)
    source = StandIn(pictures, itertools.cycle(range(5)), 100.0, clock)
    assert source.grab()[0].frame == 0
    clock.pass_s(BUFFERS / 100)
    assert source.grab()[0].frame == 1 and source.lost == 0
    clock.pass_s(0.5)
    frame = source.grab()[0].frame
    assert frame == 50 and source.lost == 48


def test_the_bench_has_a_ball_every_twenty_seconds():
    truth = sorted(beside(sources.DEMO).balls, key=lambda ball: ball["ffc_s"])
    net = Pictures(sources.DEMO, range(3051), 60.0, (1280, 720))
    shown = list(bench.order(net, truth, 8))
    landings = [[n / net.fps for n, picture in enumerate(shown) if picture == round(ball["ffc_s"] * net.fps)] for ball in truth]
    assert len(shown) == 8 * 20 * 60 and [len(at) for at in landings] == [2, 2, 1, 1, 1, 1]
    assert all(18 < b - a < 22 for at in [sorted(sum(landings, []))] for a, b in zip(at, at[1:]))
    assert sum(abs(b - a) > 1 for a, b in zip(shown, shown[1:])) <= 7        # somebody jumps only from ball to ball
