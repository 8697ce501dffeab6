"""The clock: one axis, never early, stopped at once; and nobody else reads time."""
from __future__ import annotations

import ast
import sys
import threading
import time
from pathlib import Path

import pytest

from kiosk import clock

HOUSE = Path(__file__).resolve().parents[2]
READERS = {"time", "time_ns", "monotonic", "monotonic_ns", "perf_counter", "perf_counter_ns", "process_time",
           "process_time_ns", "clock_gettime", "clock_gettime_ns"}


@pytest.mark.skipif(sys.platform != "linux", reason="the camera driver's axis is a Linux matter")
def test_now_is_on_the_camera_drivers_axis():
    before = time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    now = clock.now_ns()
    assert isinstance(now, int) and before <= now <= time.clock_gettime_ns(time.CLOCK_MONOTONIC)


def test_wall_time_is_aware_and_comes_with_its_own_moment():
    before = clock.now_ns()
    wall, ns = clock.utc_and_ns()
    assert wall.utcoffset() is not None and before <= ns <= clock.now_ns()


@pytest.mark.parametrize("stop", [None, threading.Event()])
def test_waiting_never_ends_early(stop):
    for ns in (-5, 0, 1, 50_000, 700_000):
        until = clock.now_ns() + ns
        assert clock.wait_until(until, stop) is True
        assert clock.now_ns() >= until


def test_a_set_stop_ends_the_wait_whatever_the_time():
    stop = threading.Event()
    stop.set()
    assert clock.wait_until(clock.now_ns() + 10 ** 18, stop) is False
    assert clock.wait_until(0, stop) is False


def test_a_stop_that_comes_later_ends_the_wait():
    stop = threading.Event()
    ended = []
    waiter = threading.Thread(target=lambda: ended.append(clock.wait_until(clock.now_ns() + 10 ** 18, stop)))
    waiter.start()
    stop.set()
    waiter.join(60)
    assert ended == [False]


def test_only_this_room_reads_time():
    """A second reader of time is a second axis, and a test that cannot be paced by hand."""
    guilty = []
    for path in [*HOUSE.glob("kiosk/**/*.py"), *HOUSE.glob("src/**/*.py")]:
        if path.name in ("clock.py", "start.py"):    # start.py runs before there is anything to import
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                if (node.value.id == "time" and node.attr in READERS) or \
                        (node.value.id in ("datetime", "date") and node.attr in ("now", "utcnow", "today")):
                    guilty.append(f"{path.relative_to(HOUSE)}:{node.lineno} {node.value.id}.{node.attr}")
            if isinstance(node, ast.ImportFrom) and node.module == "time" and READERS & {a.name for a in node.names}:
                guilty.append(f"{path.relative_to(HOUSE)}:{node.lineno} from time import …")
    assert guilty == []
