"""The reel: what goes in comes out whole, or not at all, also while another process writes."""
from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from creaseside.stamps import Stamp
from kiosk import reel as reel_room
from kiosk.faults import Fault
from kiosk.reel import MIB, OURS, Reel

FRAMES = 3000
HOUSE = Path(__file__).resolve().parents[2]


@pytest.fixture
def small():
    with Reel.make(seconds=1, fps=9, mib=1000 / MIB) as reel:   # 10 rows, 1000 bytes
        yield reel


def fill(frame: int, length: int) -> bytes:
    return bytes([frame % 251]) * length


def write_many(name: str, read) -> None:
    """A writer in another process: every frame is one byte, over and over, so that any tear shows. Early on it waits until
    the first one has been read, so that both are at it however busy the machine is."""
    with Reel.attach(name) as reel:
        for frame in range(FRAMES):
            if frame == 20:
                read.wait()
            reel.write(Stamp(frame, frame * 10), fill(frame, 20_000 + 7919 * frame % 30_000))


def test_its_memory_bears_its_makers_number(small):
    """By which whoever looks knows what a kiosk of several left behind."""
    assert small.name.startswith(f"{OURS}{os.getpid()}_")


def test_frames_come_back_byte_for_byte_and_the_oldest_go_first(small):
    for frame in range(8):
        assert small.write(Stamp(frame, 100 * frame), fill(frame, 300)) is None
    assert [s.frame for s in small.stamps(0, 10_000)] == [5, 6, 7]          # 3 x 300 of 1000 bytes
    assert [small.jpeg(f) for f in range(8)] == [None] * 5 + [fill(f, 300) for f in (5, 6, 7)]
    assert small.newest() == Stamp(7, 700)


def test_rows_run_out_before_bytes_do(small):
    for frame in range(25):
        small.write(Stamp(frame, frame), fill(frame, 5))
    assert [s.frame for s in small.stamps(0, 99)] == list(range(15, 25))
    assert small.jpeg(14) is None and small.jpeg(15) == fill(15, 5)


def test_small_pictures_go_over_what_is_too_old_and_leave_the_rest_of_the_arena_untouched(small):
    for frame in range(500):
        small.write(Stamp(frame, frame), fill(frame, 20 + frame % 9))
        assert [small.jpeg(f) for f in range(max(0, frame - 9), frame + 1)] == \
            [fill(f, 20 + f % 9) for f in range(max(0, frame - 9), frame + 1)]     # all its rows, at every moment
    used = 10 * 24 + 1000 * reel_room.SLACK
    assert not any(small._bytes[int(used) + 2 * 28:])


def test_pictures_that_grow_cost_the_oldest_and_those_after_them_are_all_there_again(small):
    for frame in range(200):
        small.write(Stamp(frame, frame), fill(frame, 30 if frame < 100 else 80))
        here = [s.frame for s in small.stamps(0, 999)]
        assert here == list(range(here[0], frame + 1)) and all(small.jpeg(f) == fill(f, 30 if f < 100 else 80) for f in here)
        assert len(here) >= min(frame + 1, 4)
    assert len(here) == 10


def test_stamps_include_both_ends(small):
    for frame in range(5):
        small.write(Stamp(frame, 100 * frame), b"x")
    assert small.stamps(100, 300) == [Stamp(1, 100), Stamp(2, 200), Stamp(3, 300)]
    assert small.stamps(301, 399) == []


def test_an_empty_reel_knows_nothing(small):
    assert small.newest() is None and small.stamps(0, 1 << 60) == []
    assert small.jpeg(0) is None and small.jpeg(-1) is None


def test_numbers_may_skip_but_must_rise(small):
    small.write(Stamp(3, 0), b"a")
    small.write(Stamp(17, 1), b"b")
    assert small.jpeg(7) is None and small.jpeg(3) == b"a" and small.jpeg(17) == b"b"   # 7 and 17 share a row
    with pytest.raises(ValueError, match="rise"):
        small.write(Stamp(17, 2), b"c")


def test_a_frame_larger_than_the_arena_is_refused_and_counted_and_spoils_nothing(small):
    small.write(Stamp(0, 0), b"kept")
    fault = small.write(Stamp(1, 1), bytes(1001))
    assert isinstance(fault, Fault) and "1,001 bytes" in str(fault) and "1,000 bytes" in str(fault)
    assert small.refused == 1 and small.jpeg(0) == b"kept" and small.jpeg(1) is None
    assert small.write(Stamp(2, 2), bytes(1000)) is None                    # just fits, over everything
    assert small.jpeg(0) is None and small.jpeg(2) == bytes(1000)


@pytest.mark.parametrize("between", [1, 2, 5, 40])
def test_a_frame_that_is_overwritten_while_it_is_copied_is_not_handed_out(small, monkeypatch, between):
    """The writer strikes in the middle of the copy; the copy is torn on purpose and must be thrown away."""
    small.write(Stamp(0, 0), fill(1, 600))
    plain = Reel._copy

    def torn(self, at, length):
        first = plain(self, at, length // 2)
        for frame in range(1, 1 + between):
            self.write(Stamp(frame, frame), fill(frame + 1, 600))
        return first + plain(self, at + length // 2, length - length // 2)

    monkeypatch.setattr(Reel, "_copy", torn)
    assert small.jpeg(0) is None


def test_a_row_that_is_given_to_another_frame_while_it_is_read_is_not_believed(small):
    """Frame 10 takes the row of frame 0 between the reader's two looks at it."""
    for frame in range(10):
        small.write(Stamp(frame, frame), fill(frame, 20))
    plain = small._index

    class Row:
        def __getitem__(self, column):
            if column == reel_room.BEGIN:
                small._index = plain
                small.write(Stamp(10, 10), fill(10, 20))
            return plain[0][column]

    class Index:
        __getitem__ = staticmethod(lambda slot: Row())
        __len__ = staticmethod(lambda: len(plain))

    small._index = Index()
    assert small.jpeg(0) is None and small.jpeg(10) == fill(10, 20)


def test_a_frame_is_lost_before_its_bytes_are_touched(small, monkeypatch):
    """A reader that looks in the middle of a write sees neither the old frame nor the new one."""
    small.write(Stamp(0, 0), fill(1, 900))
    seen = []

    class Watched:
        def __setitem__(self, where, jpeg):
            seen.append((small.jpeg(0), small.jpeg(1), small.stamps(0, 9), small.newest()))
            real[where] = jpeg

        def __getitem__(self, where):
            return real[where]

    real = small._bytes
    small._bytes = Watched()
    small.write(Stamp(1, 1), fill(2, 900))
    small._bytes = real
    assert seen == [(None, None, [], Stamp(0, 0))]
    assert small.jpeg(1) == fill(2, 900)


def test_another_process_writes_while_this_one_reads_and_nothing_is_torn():
    context = multiprocessing.get_context("spawn")
    with Reel.make(seconds=1, fps=50, mib=0.5) as reel:
        read = context.Event()
        writer = context.Process(target=write_many, args=(reel.name, read))
        writer.start()
        whole = 0
        while (newest := reel.newest()) is None or newest.frame < FRAMES - 1:
            for stamp in reel.stamps(0, 1 << 60)[:3]:      # the oldest: those that are lost next
                jpeg = reel.jpeg(stamp.frame)
                whole += jpeg is not None
                assert jpeg is None or jpeg == fill(stamp.frame, 20_000 + 7919 * stamp.frame % 30_000)
            if whole:
                read.set()
            assert writer.is_alive() or reel.newest() == Stamp(FRAMES - 1, 10 * FRAMES - 10)
        writer.join()
        assert writer.exitcode == 0
        last = reel.stamps(0, 1 << 60)
        assert [s.frame for s in last] == list(range(last[0].frame, FRAMES))   # the writer's end took nothing away


def test_a_stranger_that_looked_and_ended_takes_nothing_away(small):
    small.write(Stamp(0, 0), b"kept")
    look = f"from kiosk.reel import Reel; print(Reel.attach({small.name!r}).jpeg(0))"
    env = os.environ | {"PYTHONPATH": f"{HOUSE / 'src'}:{HOUSE}"}
    done = subprocess.run([sys.executable, "-c", look], cwd=HOUSE, env=env, capture_output=True, text=True, timeout=60)
    assert (done.stdout, done.stderr) == ("b'kept'\n", "")
    with Reel.attach(small.name) as again:
        assert again.jpeg(0) == b"kept"


def test_pixels_come_back_decoded(small):
    with Reel.make(1, 5, mib=1) as reel:
        picture = np.full((48, 64, 3), (200, 100, 50), np.uint8)
        reel.write(Stamp(0, 0), cv2.imencode(".jpg", picture)[1].tobytes())
        reel.write(Stamp(1, 1), b"\xff\xd8 not a picture \xff\xd9")
        assert np.abs(reel.bgr(0).astype(int) - picture).max() < 6
        assert reel.bgr(1) is None and reel.bgr(2) is None


def test_eight_seconds_of_720p120_stay_within_250_mib():
    with Reel.make(8, 120) as reel:
        assert reel._memory.size <= 250 * MIB
        assert reel._arena / 961 > 243_000                  # a 720p frame at quality 90, measured


def test_too_little_shared_memory_is_said_before_it_kills(monkeypatch):
    monkeypatch.setattr(reel_room.shutil, "disk_usage", lambda _: SimpleNamespace(free=64 * MIB))
    with pytest.raises(Fault, match="64 MiB free in /dev/shm"):
        Reel.make(8, 120)


def test_attach_names_what_is_not_there_and_close_may_come_twice(small):
    with pytest.raises(Fault, match="no such shared memory"):
        Reel.attach("creaseside-nothing")
    other = Reel.attach(small.name)
    other.close()
    other.close()
    small.write(Stamp(0, 0), b"still here")
    assert small.jpeg(0) == b"still here"
