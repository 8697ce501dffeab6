"""The doctor: every part looked at whatever happens to the others, words that say what to do, the JSON that was
promised.
"""
from __future__ import annotations

import json
import shutil
import sqlite3
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from creaseside.pitch import MARKS
from kiosk import checkup, flip, marks, models, sources
from kiosk.__main__ import main
from kiosk.checkup import FAULT, OK, WARNING, Check, checks
from kiosk.doors.doctor import WIDTH, table_row
from kiosk.faults import Fault
from kiosk.flip import Flip, cheaper
from kiosk.place import Place
from kiosk.sources import jpeg, light
from kiosk.sources.numbered import Numbered, picture
from tests.kiosk.handclock import HandClock


@pytest.fixture
def place(tmp_path):
    return Place(tmp_path / "home", quiet=True)


def with_settings(place: Place, text: str) -> Place:
    (place.home / "settings.toml").write_text(text)
    return place


class Fake(Numbered):
    """A live source that runs at its own rate, whatever was agreed on, by the test's clock."""

    live = True
    real_fps = 60.0

    def grab(self):
        checkup.clock.pass_s(1 / self.real_fps)
        stamp, data = super().grab()
        return type(stamp)(stamp.frame, checkup.clock.ns), data


@pytest.fixture
def live(monkeypatch, place):
    """The camera check's answers for a live source of that real rate, with those counts."""
    def look(real_fps=60.0, counts=None, size=(320, 180)):
        monkeypatch.setattr(checkup, "clock", HandClock())
        source = Fake(*size, 60)
        source.real_fps, source.name, source.counts = real_fps, "camera 0", counts or {}
        monkeypatch.setattr(sources, "open_source", lambda *_, **__: source)
        return {c.name: c for c in checkup.camera(with_settings(place, '[camera]\nsource = "0"\n'))}
    return look


def only(found) -> Check:
    found = list(found)
    assert len(found) == 1
    return found[0]


# The command

def test_the_json_that_was_promised(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    silent = {name: look for name, look in checkup.CHECKS.items() if name != "sound"}
    monkeypatch.setattr(checkup, "CHECKS", silent | {"noise": lambda _: [Check("noise", WARNING, "found", "do")]})
    status = main(["doctor", "--json", "--quiet", "--home", str(tmp_path / "home")])
    out, err = capsys.readouterr()
    told = json.loads(out)["checks"]
    assert [c["name"] for c in told] == [*silent, "noise"]
    assert all(list(c) == ["name", "state", "found", "do"] and c["found"] for c in told)
    assert all(c["state"] in ("ok", "warning", "fault") for c in told)
    assert all(c["do"] for c in told if c["state"] != OK)
    assert (status, err) == (0, "") if all(c["state"] != FAULT for c in told) else status == 1
    assert {c["name"]: c["state"] for c in told}["screen"] == WARNING      # a dummy is no screen


def test_a_fault_is_exit_status_1_and_one_line(tmp_path, capsys, monkeypatch):
    told = [Check("pose model", FAULT, "no pose library", "fetch it"), Check("disk", OK, "plenty")]
    monkeypatch.setattr(checkup, "CHECKS", {"both": lambda _: told})
    assert main(["--home", str(tmp_path), "doctor"]) == 1
    out, err = capsys.readouterr()
    assert "pose model  fault" in out and "disk        ok" in out
    assert err == "asked a kiosk that can run; found pose model: no pose library; fetch it\n"


def test_a_broken_part_does_not_hide_the_others(place, monkeypatch):
    def broken(_):
        raise RuntimeError("burnt")

    def refused(_):
        raise Fault("the home", "no room", "make some")

    looks = {"program": broken, "sound": broken, "disk": refused, "database": checkup.database}
    monkeypatch.setattr(checkup, "CHECKS", looks)
    told = {c.name: c for c in checks(place)}
    assert [told[name].state for name in looks] == [FAULT, WARNING, FAULT, OK]
    assert "burnt" in told["program"].found and told["disk"] == Check("disk", FAULT, "no room", "make some")


def test_a_row_of_the_table_fits_its_width():
    row = table_row(Check("pose model", WARNING, "word " * 60, "do " * 60))
    assert all(len(line) <= WIDTH for line in row.splitlines()) and row.startswith("pose model  warning  word")


# Camera, picture, marks

def test_a_good_camera(live):
    told = live(60)
    assert told["camera"].state == OK and "60.0 of 60 frames a second, 0 lost" in told["camera"].found
    assert told["picture"].name == "picture"


@pytest.mark.parametrize("real_fps, counts, word, do", [
    (31, {}, "31.0 of 60", "shutter"), (60, {"damaged": 3}, "3 damaged", "cable"),
    (15, {"wrong_size": 1}, "1 wrong size", "shutter")])
def test_a_dim_or_torn_camera_is_told(live, real_fps, counts, word, do):
    told = live(real_fps, counts)["camera"]
    assert told.state == WARNING and word in told.found and do in told.do


def test_a_camera_without_a_frame_is_not_waited_for(live, monkeypatch):
    monkeypatch.setattr(Fake, "grab", lambda self: None)
    told = live()["camera"]
    assert told.state == FAULT and told.found == "camera 0 sends no frame" and "plug it in again" in told.do


def test_no_camera_set_up_is_no_fault_and_one_that_is_gone_is(place, monkeypatch, tmp_path):
    monkeypatch.setattr(sources, "DEMO", tmp_path / "net.mp4")
    assert only(checkup.camera(place)).state == FAULT        # neither a camera nor the demo
    sources.DEMO.touch()
    assert only(checkup.camera(place)).state == WARNING
    monkeypatch.setattr(checkup, "CHECKS", {"camera": checkup.camera})
    gone = only(checks(with_settings(Place(place.folder, quiet=True), '[camera]\nsource = "99"\n')))
    assert gone.state == FAULT and "/dev/video99" in gone.found and gone.do


def test_marks_are_held_against_the_cameras_size(live, place):
    assert live()["marks"].state == WARNING and "no such file" in live()["marks"].found
    from creaseside.camera import look_at
    camera = look_at((2.0, -9.0, 1.6), (0.5, 0.0, 0.7), 1100, 1280, 720)
    pixels = {name: tuple(map(float, camera.project(at))) for name, at in MARKS.items()}
    place.own_marks.write_text(marks.to_toml(marks.Marks(1280, 720, pixels)))
    assert live(size=(1280, 720))["marks"].state == OK
    assert "1280 x 720" in live()["marks"].found and live()["marks"].state == WARNING


def scene(mean: float, seed: int = 1) -> np.ndarray:
    """Blocks of random grey round a mean: edges of every direction, as a net has."""
    blocks = (np.random.default_rng(seed).uniform(0.5, 1.5, (36, 64)) * mean).clip(0, 255).astype(np.uint8)
    return cv2.cvtColor(cv2.resize(blocks, (1280, 720), interpolation=cv2.INTER_NEAREST), cv2.COLOR_GRAY2BGR)


@pytest.mark.parametrize("mean, words", [(15, "dark"), (40, "dim"), (100, "good light"), (235, "too bright")])
def test_light_in_words(mean, words):
    assert light.look([scene(mean)]).light == words


def test_focus_in_words_and_noise_is_no_detail():
    sharp = scene(100)
    seen = [light.look([cv2.GaussianBlur(sharp, (0, 0), sigma) if sigma else sharp]) for sigma in (0, 1, 2, 4, 8)]
    assert seen[0].focus == "sharp" and seen[-1].focus == "out of focus"
    assert all(a.sharpness > b.sharpness for a, b in zip(seen, seen[1:]))
    blurred, rng = cv2.GaussianBlur(sharp, (0, 0), 8), np.random.default_rng(2)
    noisy = [np.clip(blurred + rng.normal(0, 5, sharp.shape), 0, 255).astype(np.uint8) for _ in range(8)]
    assert light.look(noisy).focus == "out of focus"
    assert light.look([np.full((72, 128, 3), 100, np.uint8)]).focus is None and light.look([scene(10)]).focus is None


# The rest

def test_models_that_are_missing_are_told_with_what_that_costs(place, monkeypatch, tmp_path):
    monkeypatch.setattr(models, "light_bundle", lambda _: tmp_path)
    monkeypatch.setattr(models, "heavy_bundle", lambda _: None)
    monkeypatch.setattr(models, "second_bundle", lambda _: None)
    told = only(checkup.models(place))
    assert told.state == WARNING and "7.5 degrees" in told.found and "start.py" in told.do
    monkeypatch.setattr(models, "heavy_bundle", lambda _: tmp_path)
    told = only(checkup.models(place))
    assert told.state == WARNING and "no second one" in told.found and "start.py" in told.do
    monkeypatch.setattr(models, "second_bundle", lambda _: tmp_path)
    assert only(checkup.models(place)).state == OK
    monkeypatch.setattr(models, "light_bundle", lambda _: None)
    assert only(checkup.models(place)).state == FAULT


@pytest.mark.parametrize("free, state", [(1e8, FAULT), (5e9, WARNING), (1e11, OK)])
def test_disk_in_balls(place, monkeypatch, free, state):
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=free))
    told = only(checkup.disk(place))
    assert told.state == state and f"{int(free / 70e6):,} balls" in told.found and bool(told.do) == (state != OK)


def test_a_log_is_sound_or_it_is_told(place):
    assert "no log yet" in only(checkup.database(place)).found
    log = sqlite3.connect(place.log)
    log.executescript("create table balls (a text); create index i on balls (a);")
    log.executemany("insert into balls values (?)", [("x" * 500,) for _ in range(400)])
    log.commit()
    log.close()
    assert only(checkup.database(place)).state == OK
    spoilt = bytearray(place.log.read_bytes())
    spoilt[8192:40960] = b"\x7f" * 32768
    place.log.write_bytes(spoilt)
    assert only(checkup.database(place)).state == WARNING
    place.log.write_bytes(b"not a database at all" * 100)
    told = only(checkup.database(place))
    assert told.state == WARNING and "not a database" in told.found and "puts it aside" in told.do


@pytest.mark.parametrize("version, noted", [((3, 6, 23), False), ((3, 40, 1), True), ((3, 51, 2), True),
                                            ((3, 51, 3), False), ((3, 52, 0), False)])
def test_the_note_on_two_writers_goes_with_the_version(place, monkeypatch, version, noted):
    """SQLite release notes: in 3.7.0 to 3.51.2, fixed in 3.51.3."""
    monkeypatch.setattr(sqlite3, "sqlite_version_info", version)
    assert ("two writers" in only(checkup.database(place)).found) == noted


def test_the_cheaper_way_to_flip_is_picked():
    assert cheaper(Flip("x11", 28, 28), Flip("x11", 1.2, 0.1)) == "0"
    assert cheaper(Flip("x11", 16.6, 0.3), Flip("x11", 1.2, 0.9)) is None      # a graphics card waiting for the screen
    assert cheaper(Flip("x11", 0.5, 0.5), Flip("x11", 0.1, 0.1)) is None       # not worth it


def test_a_flip_is_timed_in_a_process_of_its_own(monkeypatch):
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    found = flip.measured(320, 240, "0")
    assert found.driver == "dummy" and found.wall_ms >= 0 and found.cpu_ms > 0
    monkeypatch.setenv("SDL_VIDEODRIVER", "nothing")
    assert "nothing not available" in flip.measured(320, 240, None)


def test_settings_that_are_wrong_are_a_fault(place, monkeypatch):
    monkeypatch.setattr(checkup, "CHECKS", {"settings": checkup.settings})
    told = only(checks(with_settings(place, "[camera]\nfsp = 3\n")))
    assert told.state == FAULT and "did you mean 'fps'" in told.found


def test_pictures_are_read_from_their_jpegs():
    told = checkup._light([jpeg.encode(picture(7, 640, 360))] * 3)
    assert told.name == "picture" and "of 255" in told.found
