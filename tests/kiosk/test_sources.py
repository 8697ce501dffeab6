"""Recordings and numbered frames through the one door; every file is made here, every frame knows its number."""
from __future__ import annotations

import math
import threading
from pathlib import Path

import cv2
import numpy as np
import pytest

from creaseside.settings import Camera as Asked
from creaseside.stamps import NS, Stamp
from kiosk import sources
from kiosk.faults import Fault
from kiosk.sources import container, jpeg, open_source
from kiosk.sources.numbered import CHECK, Numbered, number_in, picture
from kiosk.sources.tape import Tape, Times
from tests.kiosk.handclock import HandClock

SIZE = (160, 96)


def film(path: Path, n: int = 12, fps: float = 50, size=SIZE, codec: str = "mp4v") -> Path:
    writer = cv2.VideoWriter(str(path), cv2.CAP_FFMPEG, cv2.VideoWriter_fourcc(*codec), fps, size)
    assert writer.isOpened()
    for i in range(n):
        writer.write(picture(i, *size))
    writer.release()
    return path


def motion_jpeg(path: Path, times_ms: list[int], pictures: list[bytes] | None = None) -> Path:
    """JPEGs laid into a file byte for byte, each with its own time."""
    writer = cv2.VideoWriter(str(path), cv2.CAP_FFMPEG, cv2.VideoWriter_fourcc(*"MJPG"), 1000, SIZE,
                             [cv2.VIDEOWRITER_PROP_RAW_VIDEO, 1])
    assert writer.isOpened()
    for t_ms, data in zip(times_ms, pictures or [jpeg.encode(picture(i, *SIZE)) for i in range(len(times_ms))]):
        writer.set(cv2.VIDEOWRITER_PROP_PTS, t_ms)
        writer.write(np.frombuffer(data, np.uint8).reshape(1, -1))
    writer.release()
    return path


def read_back(data: bytes) -> int | None:
    return number_in(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR))


def all_of(source) -> list[tuple[Stamp, bytes]]:
    return list(iter(source.grab, None))


# Tape, paced

@pytest.mark.parametrize("name, codec", [("a.mp4", "mp4v"), ("a.avi", "MJPG"), ("a.avi", "XVID")])
def test_a_paced_tape_hands_out_every_frame_at_its_time(tmp_path, name, codec):
    clock = HandClock()
    tape = Tape(film(tmp_path / name, codec=codec), clock=clock)
    assert (tape.width_px, tape.height_px, tape.fps, tape.live) == (*SIZE, 50, False)
    start_ns, seen = clock.ns, []
    while got := tape.grab():
        stamp, data = got
        assert clock.ns == stamp.t_ns == start_ns + stamp.frame * NS // 50     # not a nanosecond early
        assert tape.clip_s(stamp) == pytest.approx(stamp.frame / 50)
        seen.append(read_back(data))
    assert seen == list(range(12)) and tape.grab() is None and tape.late.max_ms == 0


def test_a_late_consumer_gets_every_frame_at_once_and_the_lateness_is_counted(tmp_path):
    clock = HandClock()
    tape = Tape(film(tmp_path / "a.mp4"), clock=clock)
    first = tape.grab()[0]
    clock.pass_s(0.1)                                        # 5 frames of 50 a second
    rest = all_of(tape)
    assert [s.frame for s, _ in rest] == list(range(1, 12))
    assert [s.t_ns - first.t_ns for s, _ in rest] == [i * NS // 50 for i in range(1, 12)]
    assert tape.late.n == 12 and tape.late.max_ms == pytest.approx(80) and tape.late.p50_ms == 0


def test_the_pace_starts_with_the_first_frame_and_not_with_the_opening(tmp_path):
    clock = HandClock()
    tape = Tape(film(tmp_path / "a.mp4"), clock=clock)
    clock.pass_s(60)
    assert tape.grab()[0].t_ns == clock.ns and tape.late.max_ms == 0


def test_a_loop_goes_on_in_number_and_time_and_knows_its_place_in_the_file(tmp_path):
    tape = Tape(film(tmp_path / "a.mp4", n=5), passes=math.inf, clock=HandClock())
    got = [tape.grab() for _ in range(17)]
    assert [s.frame for s, _ in got] == list(range(17))
    assert {b.t_ns - a.t_ns for (a, _), (b, _) in zip(got, got[1:])} == {NS // 50}
    assert [round(tape.clip_s(s) * 50) for s, _ in got] == [i % 5 for i in range(17)]
    assert [read_back(d) for _, d in got] == [i % 5 for i in range(17)]
    tape.close()


def test_so_many_passes_and_no_more(tmp_path):
    tape = Tape(film(tmp_path / "a.mp4", n=5), passes=3, clock=HandClock())
    assert [stamp.frame for stamp, _ in iter(tape.grab, None)] == list(range(15))
    tape.close()


def test_close_from_another_thread_ends_a_waiting_grab(tmp_path):
    clock = HandClock()
    tape = Tape(film(tmp_path / "a.mp4"), clock=clock)
    tape.grab()
    clock.wait_until = lambda t_ns, stop: not stop.wait(60)
    ended = []
    waiter = threading.Thread(target=lambda: ended.append(tape.grab()))
    waiter.start()
    tape.close()
    waiter.join(60)
    assert ended == [None] and tape.grab() is None


# Tape, as fast as it goes

def test_an_unpaced_tape_has_the_files_own_time(tmp_path):
    tape = Tape(film(tmp_path / "a.mp4"), paced=False, clock=None)
    assert [(s.frame, s.t_ns) for s, _ in all_of(tape)] == [(i, i * NS // 50) for i in range(12)] and tape.late is None


def test_frames_gives_pixels_between_two_times_both_included(tmp_path):
    tape = Tape(film(tmp_path / "a.mp4"))
    got = list(tape.frames(0.06, 0.12))
    assert [(s.frame, s.t_s) for s, _ in got] == [(3, 0.06), (4, 0.08), (5, 0.1), (6, 0.12)]
    assert [number_in(bgr) for _, bgr in got] == [3, 4, 5, 6] and got[0][1].shape == (SIZE[1], SIZE[0], 3)
    assert len(list(tape.frames())) == 12 and [s.frame for s, _ in tape.frames(first_s=0.2)] == [10, 11]


@pytest.mark.parametrize("name", ["a.mkv", "a.mp4"])
def test_a_varying_frame_rate_keeps_every_frames_own_time(tmp_path, name):
    times_ms = [0, 10, 20, 30, 70, 110, 150, 160]
    tape = Tape(motion_jpeg(tmp_path / name, times_ms), clock=HandClock())
    assert [round(s.t_s * 1000) for s, _ in tape.frames()] == times_ms
    assert [round(tape.clip_s(s) * 1000) for s, _ in all_of(tape)] == times_ms


def test_time_starts_at_the_first_frame_wherever_the_file_starts(tmp_path):
    tape = Tape(motion_jpeg(tmp_path / "a.mkv", [500, 520, 540]))
    assert [s.t_s for s, _ in tape.frames()] == [0, 0.02, 0.04]


def test_the_rate_at_which_it_was_filmed_may_be_told(tmp_path):
    tape = Tape(film(tmp_path / "slow.mp4", fps=30), fps=240)
    assert tape.fps == 240 and [s.t_ns for s, _ in tape.frames()] == [round(i * NS / 240) for i in range(12)]
    for fps in (0, -5, float("nan"), 1e9):
        with pytest.raises(Fault, match="--fps"):
            Tape(tmp_path / "slow.mp4", fps=fps)


@pytest.mark.parametrize("said_ms, t_ms", [
    ([0, 20, 40, 60], [0, 20, 40, 60]),
    ([100, 120, 140], [0, 20, 40]),
    ([0, 0, 0, 0], [0, 20, 40, 60]),                  # no times at all
    ([0, 20, 20, 60], [0, 20, 40, 60]),               # the same time twice
    ([0, 20, 5, 60], [0, 20, 40, 60]),                # back and on again
    ([0, float("nan"), 40], [0, 20, 40]),
    ([0, 20, -1e18, 60], [0, 20, 40, 60]),
])
def test_times_rise_whatever_the_file_says(said_ms, t_ms):
    times = Times(20e6, by_count=False)
    assert [times.next(ms) / 1e6 for ms in said_ms] == t_ms


def test_motion_jpeg_leaves_byte_for_byte_and_a_torn_frame_is_counted(tmp_path):
    sent = [jpeg.encode(picture(i, *SIZE)) for i in range(5)]
    tape = Tape(motion_jpeg(tmp_path / "a.mkv", [0, 20, 40, 60, 80], sent), paced=False)
    assert [d for _, d in all_of(tape)] == sent and tape.counts == {"damaged": 0}
    sent[2] = sent[2][:200]
    torn = Tape(motion_jpeg(tmp_path / "b.mkv", [0, 20, 40, 60, 80], sent), paced=False)
    assert [read_back(d) for _, d in all_of(torn)] == [0, 1, 3, 4] and torn.counts["damaged"] == 1


@pytest.mark.parametrize("size", [(98, 162), (66, 50), (130, 98)])
def test_odd_and_upright_pictures_are_fine(tmp_path, size):
    tape = Tape(film(tmp_path / "a.mp4", size=size), paced=False)
    assert (tape.width_px, tape.height_px) == size
    assert all(jpeg.size_px(d) == size for _, d in all_of(tape))


# What is no recording

def test_what_is_no_recording_is_named_in_one_line(tmp_path):
    good = film(tmp_path / "good.mp4").read_bytes()
    avi = film(tmp_path / "good.avi", codec="MJPG").read_bytes()
    still = jpeg.encode(picture(1, *SIZE))
    for name, content, word in [
        ("nothing.mp4", None, "no such file"), ("empty.mp4", b"", "an empty file"),
        ("noise.mp4", bytes(range(256)) * 50, "no video"),
        ("letter.mp4", b"Dear sir,\n" * 90, "no video"), ("letter.txt", b"Dear sir,\n" * 90, "no video"),
        ("still.jpg", still, "a single picture"), ("cut.mp4", good[:len(good) // 2], "cut short by"),
        ("cut.avi", avi[:len(avi) * 2 // 3], "cut short by"), ("stub.mp4", good[:20], "cut short by"),
        ("list.m3u8", b"#EXTM3U\n#EXTINF:1,\nhttp://127.0.0.1:9/a.ts\n", "no video"),
    ]:
        path = tmp_path / name
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(Fault) as e:
            Tape(path)
        assert word in str(e.value) and str(path) in str(e.value) and "\n" not in str(e.value), name
    with pytest.raises(Fault, match="irectory"):
        Tape(tmp_path)


def test_a_whole_file_misses_nothing_and_a_cut_one_what_was_cut(tmp_path):
    for path in (film(tmp_path / "a.mp4"), film(tmp_path / "a.avi", codec="MJPG")):
        whole = path.read_bytes()
        assert container.missing_bytes(path) == 0
        path.write_bytes(whole[:-100])
        assert container.missing_bytes(path) == 100
    (tmp_path / "a.mkv").write_bytes(b"\x1aE\xdf\xa3" + bytes(100))
    assert container.missing_bytes(tmp_path / "a.mkv") == 0


# JPEG

def test_whole_and_size_of_a_jpeg():
    data = jpeg.encode(picture(5, 162, 98))
    assert jpeg.whole(data) == jpeg.whole(data + bytes(64)) == data and jpeg.size_px(data) == (162, 98)
    for broken in (data[:-1], data[:500], data[1:], b"", b"\0\0", b"\xff"):
        assert jpeg.whole(broken) is None
    for headless in (b"", jpeg.BEGIN, jpeg.BEGIN + b"hello" + jpeg.END, jpeg.BEGIN + b"\xff\xe0\x00\x10"):
        assert jpeg.size_px(headless) is None


# Numbered

@pytest.mark.parametrize("number", [0, 1, 60, 61, 12345, (1 << 18) - 1, 1 << 18])
@pytest.mark.parametrize("size", [(1280, 720), (97, 61), (480, 854)])
def test_a_number_is_read_back_through_jpeg_and_any_scaling(number, size):
    data = jpeg.encode(picture(number, *size))
    assert read_back(data) == number % (1 << 18)
    assert number_in(cv2.resize(cv2.imdecode(np.frombuffer(data, np.uint8), 1), (213, 119))) == number % (1 << 18)


def test_a_wrong_square_or_a_blurred_picture_is_not_read_as_another_number():
    good = picture(4711, 120, 80)
    for row in range(4):
        for column in range(6):
            wrong = good.copy()
            square = wrong[row * 20:(row + 1) * 20, column * 20:(column + 1) * 20]
            square[:] = 255 - square
            assert number_in(wrong) is None, f"any one square shows, modulo {CHECK}"
    half = good // 2 + picture(4712, 120, 80) // 2           # two frames drawn over each other
    assert number_in(half) is None and number_in(np.full((80, 120), 128, np.uint8)) is None


@pytest.mark.parametrize("fps", [25, 60, 120, 240])
def test_numbered_steps_without_a_thread_or_paces(fps):
    stepped = all_of(Numbered(64, 48, fps, count=6, clock=None))
    assert [(s.frame, s.t_ns, read_back(d)) for s, d in stepped] == [(i, round(i * NS / fps), i) for i in range(6)]
    clock = HandClock()
    paced = Numbered(64, 48, fps, count=6, paced=True, clock=clock)
    start_ns = clock.ns
    for i in range(6):
        assert paced.grab()[0] == Stamp(i, clock.ns) and clock.ns == start_ns + round(i * NS / fps)
    assert paced.grab() is None


# The door

def test_the_door_opens_each_kind(tmp_path, monkeypatch):
    path = film(tmp_path / "net.mp4", n=4)
    monkeypatch.setattr(sources, "DEMO", path)
    for spec in ("", "demo"):
        with open_source(spec, paced=False, until_end=True) as once:
            assert once.name == "demo" and len(all_of(once)) == 4
        with open_source(spec, paced=False) as endless:
            assert [endless.grab()[0].frame for _ in range(9)] == list(range(9))
    assert len(all_of(open_source(str(path), paced=False, fps=100))) == 4
    assert open_source("numbered", Asked(width_px=640, height_px=480, fps=30), paced=False).width_px == 640


@pytest.mark.parametrize("spec", ["99", "/dev/video99", "/dev/v4l/by-id/nothing"])
def test_a_camera_that_is_not_there_is_a_fault_of_one_line(spec):
    with pytest.raises(Fault, match=f"asked camera {spec}; found no "):
        open_source(spec)


def test_a_missing_demo_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr(sources, "DEMO", tmp_path / "net.mp4")
    with pytest.raises(Fault, match="the demo net"):
        open_source("demo")
