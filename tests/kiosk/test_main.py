"""The command line: where global options may stand, what an exit status means, and that nobody sees a traceback."""
from __future__ import annotations

import errno
import json
import subprocess
import sys
import types

import click
import pytest

from kiosk import VERSION
from kiosk import __main__ as room
from kiosk.faults import Fault
from kiosk.place import Place


@pytest.fixture
def door(tmp_path, monkeypatch):
    """Makes `bench` a command that runs the given function with its Place; all other doors are shut."""
    doors = tmp_path / "doors"
    doors.mkdir()
    monkeypatch.setattr(room, "HERE", doors)
    monkeypatch.setenv("CREASESIDE_HOME", str(tmp_path / "home"))

    def made(does):
        @click.command()
        @click.argument("clips", nargs=-1)
        @click.option("--fps", type=float)
        @click.pass_obj
        def command(place, clips, fps):
            return does(place, clips)
        (doors / "bench.py").write_text("")
        monkeypatch.setitem(sys.modules, "kiosk.doors.bench", types.SimpleNamespace(command=command))
    return made


def raising(e: BaseException):
    def does(place, clips):
        raise e
    return does


@pytest.mark.parametrize("args", [
    ["--json", "--home", "H", "--config=C.toml", "bench", "a.mp4"],
    ["bench", "a.mp4", "--json", "--home", "H", "--config=C.toml"],
    ["--home=H", "bench", "--config", "C.toml", "a.mp4", "--json"]])
def test_global_options_may_stand_anywhere(door, args, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    seen = []
    door(lambda place, clips: seen.append((place, clips)))
    assert room.main(args) == 0
    (place, clips), = seen
    assert (place.folder, str(place.config), place.json, place.quiet) == (tmp_path / "H", "C.toml", True, False)
    assert clips == ("a.mp4",)


def test_what_follows_two_dashes_is_no_option():
    assert room.globals_first(["bench", "--", "--json"]) == ["bench", "--", "--json"]


def test_an_option_without_its_value_is_wrong_use(door, capsys):
    door(lambda place, clips: None)
    assert room.main(["bench", "--home"]) == 2
    assert "--home" in capsys.readouterr().err


@pytest.mark.parametrize("args", [["--version"], ["bench", "--version"]])
def test_version(door, args, capsys):
    door(lambda place, clips: None)
    assert room.main(args) == 0
    assert capsys.readouterr().out == f"creaseside {VERSION}\n"


@pytest.mark.parametrize("args", [[], ["--help"], ["bench", "--help"]])
def test_help_makes_no_home(door, args, capsys, tmp_path):
    door(raising(AssertionError("the command ran")))
    assert room.main(args) == 0
    assert capsys.readouterr().out.startswith("Usage: creaseside")
    assert not (tmp_path / "home").exists()


def test_only_doors_that_are_there_are_listed(door, capsys):
    door(lambda place, clips: None)
    room.main(["--help"])
    listed = capsys.readouterr().out.split("Commands:")[1]
    assert [line.split()[0] for line in listed.strip().splitlines()] == ["bench"]


def test_every_command_of_the_contract_has_its_line():
    assert set(room.DOORS) >= {"kiosk", "measure", "setup", "players", "sessions", "review", "report", "export",
                               "check", "bench", "doctor", "backup"}


@pytest.mark.parametrize("args, has", [(["bnech"], "did you mean 'bench'?"), (["bench", "--fsp", "3"], "--fsp"),
                                       (["bench", "--fps", "fast"], "fast"), (["--loud"], "--loud")])
def test_wrong_use_is_one_line_and_two(door, args, has, capsys):
    door(lambda place, clips: None)
    assert room.main(args) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and has in err and "--help" in err


@pytest.mark.parametrize("e, line", [
    (Fault("a camera", "none", "plug one in"), "asked a camera; found none; plug one in"),
    (FileNotFoundError(errno.ENOENT, "No such file or directory", "x.mp4"), "x.mp4: No such file or directory"),
    (ZeroDivisionError("by\nzero"), "an unexpected fault, ZeroDivisionError: by zero"),
    (KeyboardInterrupt(), "stopped from the keyboard")])
def test_a_fault_is_one_line_and_one(door, e, line, capsys):
    door(raising(e))
    assert room.main(["bench"]) == 1
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and err.startswith(line)


def test_the_full_story_is_kept_in_the_home(door, tmp_path, capsys):
    door(raising(ZeroDivisionError("by zero")))
    room.main(["bench", "--home", str(tmp_path / "other")])
    kept = tmp_path / "other" / "creaseside.log"
    assert str(kept) in capsys.readouterr().err
    assert "Traceback" in kept.read_text() and "bench --home" in kept.read_text()


def test_details_start_again_when_they_are_long(door, tmp_path):
    door(raising(ZeroDivisionError()))
    kept = tmp_path / "home" / "creaseside.log"
    room.main(["bench"])
    kept.write_bytes(b"x" * (room.details.LIMIT + 1))
    room.main(["bench"])
    assert kept.stat().st_size < 10_000


def test_a_home_that_cannot_be_made_does_not_hide_the_fault(door, tmp_path, capsys):
    (tmp_path / "file").write_text("")
    door(raising(ZeroDivisionError("by zero")))
    assert room.main(["bench", "--home", str(tmp_path / "file" / "home")]) == 1
    err = capsys.readouterr().err
    assert "by zero" in err and err.count("\n") == 1


def test_a_command_s_own_exit_status_is_kept(door):
    def does(place: Place, clips) -> None:
        click.get_current_context().exit(1)
    door(does)
    assert room.main(["bench"]) == 1


def test_json_goes_to_stdout_and_words_to_stderr(door, capsys):
    def does(place: Place, clips) -> None:
        place.say("hello")
        place.out({"a": 1})
    door(does)
    assert room.main(["bench"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out) == {"a": 1} and err == "hello\n"
    assert room.main(["bench", "--quiet"]) == 0
    assert capsys.readouterr().err == ""


def test_help_imports_nothing_heavy():
    """Time is not asked here; these are what takes it."""
    heavy = ("numpy", "cv2", "mediapipe", "pygame", "scipy", "sounddevice", "sqlite3")
    code = ("import sys; from kiosk.__main__ import main; main(['--help']);"
            f"print('HEAVY', [m for m in {heavy} if m in sys.modules])")
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                         env={"PYTHONPATH": ":".join(sys.path)})
    assert run.stdout.splitlines()[-1] == "HEAVY []", run.stderr


def test_a_reader_that_goes_away_gives_no_traceback():
    code = "import sys; from kiosk.__main__ import main; sys.exit(main(['--help']))"
    run = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                           env={"PYTHONPATH": ":".join(sys.path)})
    run.stdout.close()
    err = run.stderr.read()
    run.stderr.close()
    assert run.wait() == 1 and "Traceback" not in err and err.count("\n") == 1
