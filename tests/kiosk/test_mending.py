"""Damaged files at the kiosk's start: put aside, the last good ones in their place, each of it one line."""
from __future__ import annotations

import os

import pytest

from kiosk import models
from kiosk.mending import GOOD, mended
from kiosk.marks import to_toml
from kiosk.place import Place
from tests.faults import rot
from tests.faults.door import prepared
from tests.faults.net import marks as net_marks

SETTINGS = "[camera]\nfps = 60\n"


def place(folder, settings: str = SETTINGS) -> Place:
    (folder / "settings.toml").write_text(settings)
    return Place(folder, quiet=True)


def test_a_settings_file_that_cannot_be_used_gives_way_to_the_last_good_one(tmp_path):
    assert mended(place(tmp_path)) == [] and (tmp_path / f"settings.toml{GOOD}").read_text() == SETTINGS
    one, = mended(place(tmp_path, "[camera]\nfps = 6"))
    line = one.line
    assert one.what == "settings" and "settings.toml" in line and "10 to 500" in line and "last good start" in line
    assert "\n" not in line
    aside, = tmp_path.glob("settings.toml.damaged-*")
    assert aside.read_text() == "[camera]\nfps = 6" and Place(tmp_path).settings.camera.fps == 60
    assert mended(Place(tmp_path)) == []


def test_without_a_good_one_it_goes_on_with_the_defaults(tmp_path):
    one, = mended(place(tmp_path, "\0\0"))
    line = one.line
    assert "no file at all" in line and Place(tmp_path).settings == Place(tmp_path / "none").settings


def test_a_settings_file_that_was_asked_for_is_left_to_who_asked(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text("nonsense")
    assert mended(Place(tmp_path / "home", own)) == [] and own.read_text() == "nonsense"


def test_marks_that_are_no_picture_of_a_pitch_give_way_too(tmp_path):
    here = place(tmp_path)
    good = to_toml(net_marks())
    here.own_marks.write_text(good)
    assert mended(here) == []
    here.own_marks.write_text(good[:len(good) // 2])
    one, = mended(here)
    line = one.line
    assert "marks.toml" in line and here.own_marks.read_text() == good
    assert os.stat(here.own_marks).st_mode & 0o077 == 0


def test_a_damaged_model_is_put_aside_and_built_again(tmp_path, monkeypatch):
    monkeypatch.setenv("CREASESIDE_MODELS", str(tmp_path / "models"))
    bundle = models.light_bundle()
    whole = bundle.read_bytes()
    bundle.write_bytes(whole[:1000])
    one, = mended(place(tmp_path))
    line = one.line
    assert bundle.name in line and "start.py" in line
    aside, = bundle.parent.glob("*.damaged-*")
    assert aside.read_bytes() == whole[:1000]
    assert models.light_bundle().read_bytes() == whole


@pytest.mark.parametrize(("language", "which", "words"), [
    ("en", ("creaseside.db",), "damaged: log. Tell the coach."),
    ("en", ("creaseside.db", "marks.toml"), "damaged: several files. Tell the coach."),
    ("hi", ("marks.toml",), "ख़राब फ़ाइल: पिच के निशान। कोच को बताएँ।")])
def test_what_was_put_aside_stands_on_the_screen_until_the_next_start(tmp_path, monkeypatch, language, which, words):
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    monkeypatch.setenv("CREASESIDE_MODELS", str(tmp_path / "models"))
    here = prepared(tmp_path)
    here.settings_file.write_text(here.settings_file.read_text().replace("[screen]", f'[screen]\nlanguage = "{language}"'))
    for file in (here.home / name for name in which):
        file.write_bytes(file.read_bytes()[:60])
    status, _, shown = rot.start(here.home)
    assert status == 0 and words in shown
    status, _, shown = rot.start(here.home)
    assert status == 0 and words not in shown
