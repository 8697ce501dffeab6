"""The marks file: every fault of it in one clear line, all at once, and a good one read as it stands."""
from __future__ import annotations

import dataclasses
import tomllib

import pytest

from creaseside.pitch import MARKS
from kiosk import marks as marks_room
from kiosk.faults import Fault
from kiosk.marks import Marks, read, to_toml

GOOD = """
[camera]
width_px = 1280
height_px = 720

[marks]
middle_stump_base = [812.4, 497.0]
middle_stump_top = [810.9, 396.2]
popping_crease_left = [1090.2, 567.1]
popping_crease_right = [1190, 667.1]

[[measured]]
pixel = [300.0, 520.0]
pitch_m = [-3.0, 1.0, 0.0]
"""


def written(tmp_path, text: str):
    path = tmp_path / "marks.toml"
    path.write_text(text)
    return path


def fault_of(tmp_path, text: str, size=None) -> str:
    with pytest.raises(Fault) as e:
        read(written(tmp_path, text), size)
    assert "\n" not in str(e.value) and str(tmp_path / "marks.toml") in str(e.value)
    return e.value.found


def test_a_good_file_is_read_as_it_stands(tmp_path):
    marks = read(written(tmp_path, GOOD), (1280, 720))
    assert (marks.width_px, marks.height_px, marks.focal_px, marks.k1, marks.k2) == (1280, 720, None, 0, 0)
    assert marks.marks_px["popping_crease_right"] == (1190.0, 667.1) and len(marks.marks_px) == 4
    assert marks.measured == (((300.0, 520.0), (-3.0, 1.0, 0.0)),)
    with pytest.raises(dataclasses.FrozenInstanceError):
        marks.width_px = 1
    with pytest.raises(TypeError):
        marks.marks_px["middle_stump_base"] = (0, 0)


def test_the_lens_is_read_too(tmp_path):
    lens = "height_px = 720\nfocal_px = 1100\nk1 = -0.12\nk2 = 0.01"
    marks = read(written(tmp_path, GOOD.replace("height_px = 720", lens)))
    assert (marks.focal_px, marks.k1, marks.k2) == (1100, -0.12, 0.01)


@pytest.mark.parametrize("old, new, size, words", [
    ("width_px = 1280\n", "", None, ["no width_px"]),
    ("[camera]\nwidth_px = 1280\nheight_px = 720\n", "", None, ["no [camera]"]),
    ("1280", "0", None, ["width_px = 0"]),
    ("1280", "1280.5", None, ["width_px = 1280.5"]),
    ("1280", '"wide"', None, ["width_px = 'wide'"]),
    ("1280", "true", None, ["width_px = True"]),
    ("", "", (1920, 1080), ["1280 x 720", "1920 x 1080"]),
    ("", "", (720, 1280), ["720 x 1280"]),
    ("height_px = 720", "height_px = 720\nfocal_px = 0", None, ["focal_px"]),
    ("height_px = 720", "height_px = 720\nk1 = nan", None, ["k1", "not a number"]),
    ("height_px = 720", "height_px = 720\nfocal = 900", None, ["'focal'", "'focal_px'"]),
    ("middle_stump_base", "midle_stump_base", None, ["midle_stump_base", "did you mean 'middle_stump_base'?"]),
    ("popping_crease_left", "poping_crease_lft", None, ["did you mean 'popping_crease_left'?"]),
    ("popping_crease_left", "off_stump_base", None, ["'off_stump_base' is not known"]),
    ("popping_crease_left", "zzz", None, ["'zzz' is not known; known: middle_stump_base"]),
    ("[812.4, 497.0]", "[812.4]", None, ["middle_stump_base", "not two numbers"]),
    ("[812.4, 497.0]", "[812.4, 497.0, 0.0]", None, ["middle_stump_base", "not two numbers"]),
    ("[812.4, 497.0]", '["812.4", 497.0]', None, ["middle_stump_base", "not two numbers"]),
    ("[812.4, 497.0]", "[nan, 497.0]", None, ["middle_stump_base", "not two numbers"]),
    ("[812.4, 497.0]", "[true, 497.0]", None, ["middle_stump_base", "not two numbers"]),
    ("[812.4, 497.0]", "812.4", None, ["middle_stump_base", "not two numbers"]),
    ("[812.4, 497.0]", "[1280.1, 497.0]", None, ["middle_stump_base", "outside the picture of 1280 x 720"]),
    ("[812.4, 497.0]", "[812.4, -0.1]", None, ["middle_stump_base", "outside"]),
    ("[812.4, 497.0]", "[810.9, 396.2]", None, ["middle_stump_base and middle_stump_top in one place"]),
    ("popping_crease_right", "popping_crease_left", None, ["popping_crease_left given twice", "line 10"]),
    ("[-3.0, 1.0, 0.0]", "[-3.0, 1.0]", None, ["measured point 1", "not three numbers"]),
    ("pitch_m = [-3.0, 1.0, 0.0]", "", None, ["measured point 1", "pitch_m is None"]),
    ("pitch_m", "pitch", None, ["did you mean 'pitch_m'?"]),
    ("[300.0, 520.0]", "[300.0, 721.0]", None, ["measured point 1", "outside"]),
    ("[[measured]]", "[measured]", None, ["[[measured]]"]),
    ("[marks]", "[mark]", None, ["did you mean 'marks'?", "no marks in [marks]"]),
    ("[marks]", "[marks", None, ["not TOML", "line 6"]),
])
def test_every_fault_is_named(tmp_path, old, new, size, words):
    found = fault_of(tmp_path, GOOD.replace(old, new, 1) if old else GOOD, size)
    for word in words:
        assert word in found


def test_all_faults_come_at_once(tmp_path):
    bad = GOOD.replace("1280", "-3").replace("middle_stump_top", "middle_stump_topp").replace(", 567.1", "")
    found = fault_of(tmp_path, bad)
    assert "width_px = -3" in found and "middle_stump_topp" in found and "popping_crease_left" in found


def test_the_edges_of_the_picture_are_in_it(tmp_path):
    marks = read(written(tmp_path, GOOD.replace("[812.4, 497.0]", "[1280, 0]")))
    assert marks.marks_px["middle_stump_base"] == (1280, 0)


def test_no_file_and_no_text_are_named(tmp_path):
    with pytest.raises(Fault, match="no such file; write the marks into a file"):
        read(tmp_path / "nothing.toml")
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(Fault, match="not text"):
        read(tmp_path / "bytes.toml")
    with pytest.raises(Fault, match="irectory"):
        read(tmp_path)


@pytest.mark.parametrize("lens", [{}, {"focal_px": 1234.5, "k1": -0.1, "k2": 0.02}])
def test_what_is_written_is_read_back(tmp_path, lens):
    marks = Marks(1280, 720, {name: (10.1 * i, 7.7 * i) for i, name in enumerate(MARKS)},
                  (((1.0, 2.0), (3.0, -4.0, 0.5)), ((5.0, 6.0), (7.0, 8.0, 0.0))), **lens)
    back = read(written(tmp_path, to_toml(marks)))
    assert dataclasses.replace(back, marks_px=dict(back.marks_px)) == marks
    assert tomllib.loads(to_toml(marks))["camera"].get("focal_px") == lens.get("focal_px")


def test_a_good_file_is_solved_and_a_swapped_one_is_not(tmp_path):
    from creaseside.camera import look_at
    camera = look_at((2.0, -9.0, 1.6), (0.5, 0.0, 0.7), 1100, 1280, 720)
    pixels = {name: tuple(map(float, camera.project(place))) for name, place in MARKS.items()}
    assert marks_room.Marks(1280, 720, pixels).solved().focal_px == pytest.approx(1100, rel=0.01)
    left, right = "popping_crease_left", "popping_crease_right"
    pixels[left], pixels[right] = pixels[right], pixels[left]
    with pytest.raises(Fault, match="a camera that fits net.toml"):
        marks_room.Marks(1280, 720, pixels).solved("net.toml")
