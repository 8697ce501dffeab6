"""The camera, played by a grabber that is unplugged, freezes, tears, shrinks and hangs; the clock is advanced by hand.
"""
from __future__ import annotations

import threading
from collections import deque

import cv2
import numpy as np
import pytest

from creaseside.settings import Camera as Asked
from creaseside.stamps import NS
from kiosk.faults import Fault
from kiosk.sources import jpeg, v4l2
from kiosk.sources.camera import HELD, Camera, Feed
from kiosk.sources.numbered import number_in, picture
from kiosk.sources.v4l2 import Format, Shot, V4L2, cameras, steady_name
from tests.kiosk.handclock import HandClock

FPS = 100
W, H = 96, 64
AGE_NS = 12_000_000      # a frame is in our hands so long after its exposure


def frame(number: int, width: int = W, height: int = H) -> bytes:
    return jpeg.encode(picture(number, width, height))


class Bench:
    """A socket with a camera in it, and the script of what the camera does: one act a read.

    Acts: "new", "half", "no end", "small", "letters", "same" (stamp and all), "frozen" (new stamp, old bytes), "hang",
    "gone" (unplugged: no read, no open until `back`), "raise", "pixels", "lie" (a stamp of another clock).
    """

    def __init__(self, *acts: str) -> None:
        self.clock = HandClock()
        self.acts = deque(acts)
        self.number = 0
        self.plugged = True
        self.back_ns: int | None = None
        self.opened: list[str] = []
        self.closed = 0
        self.format = Format(W, H, FPS, True)

    def camera(self) -> Camera:
        return Camera("7", Asked(), clock=self.clock, grabber=lambda device, _: Grabber(self, device), feed=InlineFeed)

    def is_back(self) -> bool:
        self.plugged = self.plugged or (self.back_ns is not None and self.clock.ns >= self.back_ns)
        return self.plugged


class Grabber:
    def __init__(self, bench: Bench, device: str) -> None:
        self.bench, self.device = bench, device
        self.clock = bench.clock
        self.last = Shot(frame(0), bench.clock.ns, bench.clock.ns)

    def open(self) -> Format:
        self.bench.opened.append(self.device)
        if not self.bench.is_back():
            raise Fault("camera 7", "no such device", "plug it in")
        return self.bench.format

    def close(self) -> None:
        self.bench.closed += 1

    def read(self) -> Shot | None | str:
        act = self.bench.acts.popleft() if self.bench.acts else "new"
        if act == "gone":
            self.bench.plugged = False
        if act in ("gone", "hang"):
            return None if act == "gone" else "hang"
        if act == "raise":
            raise RuntimeError("select failed")
        self.clock.ns += NS // FPS
        shot = self.shot(act)
        self.last = shot
        return shot

    def shot(self, act: str) -> Shot:
        read_ns, driver_ns = self.clock.ns, self.clock.ns - AGE_NS
        if act == "same":
            return self.last
        if act == "frozen":
            return Shot(self.last.data, driver_ns, read_ns)
        self.bench.number += 1
        data = frame(self.bench.number)
        data = {"half": data[:len(data) // 2], "no end": data[:-2] + b"xx",
                "small": frame(self.bench.number, W // 2, H // 2),
                "letters": jpeg.BEGIN + b"hello" + jpeg.END, "padded": data + bytes(500),
                "pixels": picture(self.bench.number, W, H)}.get(act, data)
        return Shot(data, {"lie": 5, "none": None, "future": read_ns + 3 * NS}.get(act, driver_ns), read_ns)


class InlineFeed:
    """Reads when asked, in the test's own thread; a grabber that hangs makes the time pass that was to be waited."""

    dropped = 0
    why = "no frame from the driver"

    def __init__(self, grabber: Grabber) -> None:
        self.grabber, self.over = grabber, False

    def take(self, until_ns: int) -> Shot | None:
        try:
            shot = self.grabber.read()
        except RuntimeError as e:
            shot, self.why = None, str(e)
        if shot is None:
            self.over = True
        elif shot == "hang":
            self.grabber.clock.ns = max(self.grabber.clock.ns, until_ns)
            return None
        return shot

    def end(self) -> None:
        self.over = True
        self.grabber.close()


def numbers(camera: Camera, n: int) -> list[int]:
    return [number_in(cv2.imdecode(np.frombuffer(camera.grab()[1], np.uint8), cv2.IMREAD_COLOR)) for _ in range(n)]


def test_frames_come_in_order_with_the_drivers_stamps():
    bench = Bench()
    camera = bench.camera()
    assert (camera.width_px, camera.height_px, camera.fps, camera.live, camera.trouble) == (W, H, FPS, True, None)
    got = [camera.grab()[0] for _ in range(5)]
    assert [s.frame for s in got] == [0, 1, 2, 3, 4]
    assert got[0].t_ns == bench.clock.ns - 4 * NS // FPS - AGE_NS
    assert {b.t_ns - a.t_ns for a, b in zip(got, got[1:])} == {NS // FPS}
    assert numbers(camera, 3) == [6, 7, 8]


@pytest.mark.parametrize("act, counted", [("half", "damaged"), ("no end", "damaged"), ("small", "wrong_size"),
                                          ("letters", "wrong_size"), ("same", "repeated")])
def test_a_bad_frame_is_skipped_and_counted_and_the_rest_goes_on(act, counted):
    bench = Bench("new", act, "new")
    camera = bench.camera()
    seen = numbers(camera, 2)
    assert seen[0] == 1 and seen[1] in (2, 3) and camera.counts == {counted: 1} and camera.trouble is None
    assert len(bench.opened) == 1


@pytest.mark.parametrize("act", ["half", "small", "same", "frozen"])
def test_a_second_of_nothing_good_and_it_is_opened_anew(act):
    bench = Bench("new", *[act] * (FPS + 1))
    camera = bench.camera()
    camera.grab()
    start_ns = bench.clock.ns
    while camera.counts.get("reopened", 0) == 0 and bench.clock.ns < start_ns + 20 * NS:
        camera.grab()
    assert camera.counts["reopened"] == 1 and bench.closed == 1
    assert bench.clock.ns - start_ns < 2 * NS             # shown within 2 s
    camera.grab()
    assert camera.trouble is None


@pytest.mark.parametrize("act, word", [("half", "torn"), ("small", "another size"), ("same", "same frame"),
                                       ("frozen", "same picture"), ("hang", "no frame for a second"),
                                       ("raise", "select failed"), ("gone", "no such device")])
def test_the_trouble_says_what_it_is(act, word, monkeypatch):
    bench = Bench("new", *[act] * (FPS + 1))
    camera = bench.camera()
    said = []
    plain = Camera._reopen

    def reopen(self):
        said.append(str(self.trouble))
        plain(self)
        said.append(str(self.trouble))
        bench.plugged = True

    monkeypatch.setattr(Camera, "_reopen", reopen)
    while not said:
        camera.grab()
    assert any(word in text for text in said), said


@pytest.mark.parametrize("away_s", [0.1, 3, 60, 3600])
def test_an_unplugged_camera_is_back_within_five_seconds_of_its_return(away_s):
    bench = Bench(*["new"] * 3, "gone")
    camera = bench.camera()
    for _ in range(3):
        last = camera.grab()[0]
    bench.back_ns = bench.clock.ns + round(away_s * NS)
    stamp, data = camera.grab()
    assert bench.clock.ns - bench.back_ns < 5 * NS
    assert stamp.frame == 3 and stamp.t_ns > last.t_ns and camera.trouble is None
    assert bench.closed == len(bench.opened) - 1            # every failed or lost opening was closed again


def test_a_hundred_times_out_and_in():
    bench = Bench(*(["new"] * 2 + ["gone"]) * 100)
    camera = bench.camera()
    stamps = []
    for _ in range(202):
        bench.back_ns = bench.clock.ns + NS
        stamps.append(camera.grab()[0])
    assert [s.frame for s in stamps] == list(range(202)) and camera.counts["reopened"] == 100
    assert all(a.t_ns < b.t_ns for a, b in zip(stamps, stamps[1:]))


def test_it_waits_longer_and_longer_but_never_long():
    bench = Bench("new", "gone")
    camera = bench.camera()
    camera.grab()
    tries = []
    bench.is_back = lambda: (tries.append(bench.clock.ns), len(tries) > 8)[1]
    camera.grab()
    pauses = [round((b - a) / NS, 3) for a, b in zip(tries, tries[1:])]
    assert pauses[:3] == [0.5, 1, 2] and set(pauses[3:]) == {2}


def test_once_it_is_back_the_pauses_start_short_again():
    bench = Bench(*["new", "gone"] * 9)
    camera = bench.camera()
    waits = []
    for _ in range(9):
        bench.back_ns = 0
        before_ns = bench.clock.ns
        camera.grab()
        waits.append(bench.clock.ns - before_ns)
    assert set(waits[1:]) == {NS // 4 + NS // FPS}


def test_a_camera_that_comes_back_with_another_size_is_not_taken():
    bench = Bench("new", "gone")
    camera = bench.camera()
    camera.grab()
    bench.back_ns = bench.clock.ns
    bench.format = Format(W * 2, H * 2, FPS, True)
    stop_after = iter(range(5))
    plain = bench.clock.wait_until

    def wait_until(t_ns, stop=None):
        if next(stop_after, None) is None:
            camera.close()
        return plain(t_ns, stop)

    bench.clock.wait_until = wait_until
    assert camera.grab() is None
    assert "192 x 128" in str(camera.trouble)


def test_stamps_of_another_clock_are_not_believed_and_the_two_never_mix():
    bench = Bench("lie", "new", "new", "none")
    camera = bench.camera()
    for _ in range(4):
        assert camera.grab()[0].t_ns == bench.clock.ns


def test_a_stamp_that_is_old_because_we_came_late_is_still_believed():
    bench = Bench()
    camera = bench.camera()
    camera.grab()
    plain = Grabber.shot

    def late(self, act):
        shot = plain(self, act)
        return Shot(shot.data, shot.driver_ns, shot.read_ns + 2 * NS)

    bench.clock.pass_s(0.1)
    Grabber.shot, stamp = late, None
    try:
        stamp = camera.grab()[0]
    finally:
        Grabber.shot = plain
    assert stamp.t_ns == bench.clock.ns - AGE_NS


def test_a_stamp_from_the_future_does_not_push_the_axis_ahead():
    bench = Bench("new", "future", "new", "new")
    camera = bench.camera()
    camera.grab()
    assert camera.grab()[0].t_ns == bench.clock.ns        # never after it was read
    assert camera.grab()[0].t_ns < bench.clock.ns
    assert camera.grab()[0].t_ns == bench.clock.ns - AGE_NS


def test_padding_behind_the_end_is_cut_off_and_pixels_are_encoded():
    bench = Bench("padded", "pixels", "new")
    camera = bench.camera()
    assert numbers(camera, 3) == [1, 2, 3] and camera.counts == {}


def test_the_first_opening_says_why_it_failed():
    bench = Bench()
    bench.plugged = False
    with pytest.raises(Fault, match="no such device"):
        bench.camera()
    assert bench.closed == 1


def test_after_close_there_is_nothing():
    camera = Bench().camera()
    camera.grab()
    camera.close()
    assert camera.grab() is None


class Gated:
    """A grabber for the real thread: gives what is put in, hangs while there is nothing, ends with None."""

    def __init__(self) -> None:
        self.shots: deque = deque()
        self.there = threading.Semaphore(0)
        self.closed = threading.Event()

    def put(self, *shots) -> None:
        self.shots.extend(shots)
        self.there.release(len(shots))

    def read(self):
        self.there.acquire()
        shot = self.shots.popleft()
        if isinstance(shot, Exception):
            raise shot
        return shot

    def close(self) -> None:
        self.closed.set()


def test_the_reading_thread_hands_over_and_never_waits_past_the_time():
    gated = Gated()
    feed = Feed(gated)
    assert feed.take(0) is None                       # long past: at once
    gated.put(Shot(b"a", 1, 1), Shot(b"b", 2, 2))
    assert [feed.take(1 << 62).data, feed.take(1 << 62).data] == [b"a", b"b"]
    gated.put(None)
    assert feed.take(1 << 62) is None and feed.over and gated.closed.wait(60)


def test_a_driver_that_raises_ends_the_thread_with_its_words():
    gated = Gated()
    feed = Feed(gated)
    gated.put(RuntimeError("device lost"))
    assert feed.take(1 << 62) is None and "device lost" in feed.why and gated.closed.wait(60)


def test_ending_does_not_wait_for_a_driver_that_hangs_and_the_device_is_closed_when_it_returns():
    gated = Gated()
    feed = Feed(gated)
    feed.end()
    assert feed.over and not gated.closed.is_set()
    gated.put(Shot(b"late", 1, 1))
    assert gated.closed.wait(60)


def test_a_slow_taker_loses_the_oldest_and_it_is_counted():
    gated = Gated()
    feed = Feed(gated)
    gated.put(*(Shot(bytes([i]), i, i) for i in range(HELD + 5)), None)
    assert gated.closed.wait(60)
    assert feed.take(0).data == bytes([5]) and feed.forget_dropped() == 5 and feed.dropped == 0


def test_the_name_that_outlives_replugging(tmp_path):
    (tmp_path / "video7").touch()
    (tmp_path / "usb-maker_camera-index0").symlink_to(tmp_path / "video7")
    assert steady_name(str(tmp_path / "video7"), tmp_path) == str(tmp_path / "usb-maker_camera-index0")
    assert steady_name(str(tmp_path / "video8"), tmp_path) == str(tmp_path / "video8")
    assert steady_name("7", tmp_path / "nowhere") == "7"


def test_cameras_are_listed_by_number(tmp_path):
    for name in ("video10", "video2", "video", "videotape", "null"):
        (tmp_path / name).touch()
    assert cameras(tmp_path) == ["2", "10"]


def test_a_camera_that_is_not_there_is_said_in_one_line():
    with pytest.raises(Fault) as e:
        V4L2("99", Asked()).open()
    assert "camera 99" in str(e.value) and "/dev/video99" in str(e.value) and "\n" not in str(e.value)


class Driver:
    """Stands in for OpenCV: remembers what was set in which order, and answers as a driver that takes `fourcc` or
    refuses.
    """

    CAP_V4L2, CAP_ANY = cv2.CAP_V4L2, cv2.CAP_ANY

    def __init__(self, takes_mjpg: bool, opens: bool = True) -> None:
        self.takes_mjpg, self.opens = takes_mjpg, opens
        self.sets: list[int] = []
        self.values = {cv2.CAP_PROP_FPS: 30.0, cv2.CAP_PROP_POS_MSEC: 5000.25}
        self.released = False

    def __getattr__(self, name):
        return getattr(cv2, name)

    def VideoCapture(self, where, backend):
        self.where = where
        return self

    def isOpened(self):
        return self.opens

    def set(self, what, value):
        self.sets.append(what)
        if what == cv2.CAP_PROP_FOURCC and not self.takes_mjpg:
            value = cv2.VideoWriter_fourcc(*"YUYV")
        if what != cv2.CAP_PROP_FPS:
            self.values[what] = value
        return True

    def get(self, what):
        return self.values[what]

    def grab(self):
        return True

    def retrieve(self):
        data = np.frombuffer(frame(3), np.uint8).reshape(1, -1)
        return True, data if self.takes_mjpg else picture(3, W, H)

    def release(self):
        self.released = True


@pytest.fixture
def driven(monkeypatch):
    def make(**how) -> tuple[V4L2, Driver]:
        driver = Driver(**how)
        monkeypatch.setattr(v4l2, "opencv", lambda: driver)
        monkeypatch.setattr(v4l2, "_reachable", lambda device: None)
        monkeypatch.setattr(v4l2.sys, "platform", "linux")
        return V4L2("3", Asked(), HandClock(6_000_000_000)), driver
    return make


def test_the_driver_is_asked_in_the_only_order_that_works_and_its_bytes_are_left_alone(driven):
    grabber, driver = driven(takes_mjpg=True)
    assert grabber.open() == Format(1280, 720, 30.0, True)      # the rate is the driver's, not the one that was asked
    assert driver.where == "/dev/video3"
    assert driver.sets == [cv2.CAP_PROP_FOURCC, cv2.CAP_PROP_FRAME_WIDTH, cv2.CAP_PROP_FRAME_HEIGHT, cv2.CAP_PROP_FPS,
                           cv2.CAP_PROP_BUFFERSIZE, cv2.CAP_PROP_CONVERT_RGB]
    assert driver.values[cv2.CAP_PROP_CONVERT_RGB] == 0
    assert grabber.read() == Shot(frame(3), 5_000_250_000, 6_000_000_000)
    grabber.close()
    assert driver.released


def test_a_camera_without_motion_jpeg_gives_pixels(driven):
    grabber, driver = driven(takes_mjpg=False)
    assert not grabber.open().jpeg and cv2.CAP_PROP_CONVERT_RGB not in driver.sets
    assert grabber.read().data.shape == (H, W, 3)


def test_a_held_camera_is_named(driven):
    with pytest.raises(Fault, match="another program holds"):
        driven(takes_mjpg=True, opens=False)[0].open()
