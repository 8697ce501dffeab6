"""The home and the settings: what is made and when, and what is said of files that are wrong."""
from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from creaseside.settings import Settings
from kiosk.faults import Fault
from kiosk.place import Place


@pytest.fixture
def place(tmp_path):
    return Place(tmp_path / "deep" / "home")


def test_a_place_makes_nothing_until_it_is_used(place):
    assert place.settings == Settings() and not place.folder.exists()
    assert place.home.is_dir()


def test_the_home_is_for_its_owner_alone(place):
    old = os.umask(0)
    try:
        for made in (place.home, place.clips):
            assert stat.S_IMODE(made.stat().st_mode) == 0o700
    finally:
        os.umask(old)


def test_a_folder_that_was_there_keeps_its_mode(tmp_path):
    tmp_path.chmod(0o755)
    Place(tmp_path).home
    assert stat.S_IMODE(tmp_path.stat().st_mode) == 0o755


def test_paths_lie_in_the_home(place):
    home = place.home
    assert (place.log, place.clips, place.marks, place.settings_file) == \
        (home / "creaseside.db", home / "clips", home / "marks.toml", home / "settings.toml")


def test_a_home_that_is_a_file_is_a_fault(tmp_path):
    (tmp_path / "home").write_text("")
    with pytest.raises(Fault, match="--home"):
        Place(tmp_path / "home").home


def test_settings_are_read_from_the_home(place):
    (place.home / "settings.toml").write_text("[camera]\nfps = 60\n")
    assert place.settings.camera.fps == 60


def test_another_settings_file_stands_in_for_the_home_s(place, tmp_path):
    (place.home / "settings.toml").write_text("[camera]\nfps = 60\n")
    (tmp_path / "other.toml").write_text("[camera]\nfps = 30\nmarks = '/there/m.toml'\n")
    other = Place(place.folder, tmp_path / "other.toml")
    assert other.settings.camera.fps == 30 and other.marks == Path("/there/m.toml")


@pytest.mark.parametrize("text, said", [
    ("[camera]\nfps = 0\nwdith_px = 3\n", ["camera.fps", "width_px"]), ("[camera\n", ["not TOML", "line 1"]),
    ("\xff", ["not TOML"])])
def test_wrong_settings_are_one_line_that_names_the_file(place, text, said):
    (place.home / "settings.toml").write_bytes(text.encode("latin-1"))
    with pytest.raises(Fault) as caught:
        place.settings
    line = str(caught.value)
    assert "\n" not in line and all(part in line for part in [str(place.settings_file), *said])


def test_a_settings_file_that_was_asked_for_must_be_there(place, tmp_path):
    with pytest.raises(Fault, match="--config"):
        Place(place.folder, tmp_path / "none.toml").settings


def test_json_has_no_nan(place):
    with pytest.raises(ValueError):
        place.out({"a": float("nan")})


def test_models_are_shared_by_all_homes(place, monkeypatch, tmp_path):
    monkeypatch.setenv("CREASESIDE_MODELS", str(tmp_path / "m"))
    assert place.models == tmp_path / "m"


def test_a_fault_crosses_processes_whole():
    import pickle
    fault = pickle.loads(pickle.dumps(Fault("a", "b", "c")))
    assert (str(fault), fault.found) == ("asked a; found b; c", "b")
