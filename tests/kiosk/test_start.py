"""The set-up's decisions, by import; and one start of the real thing in the environment that runs these tests."""
from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from kiosk import VERSION, start
from kiosk.start import Package, Stopped

HERE = Path(start.__file__)


def there(found: bool):
    return lambda: found


@pytest.mark.parametrize("version, system, machine", [
    ((3, 11, 7), "Linux", "x86_64"), ((3, 12, 1), "Linux", "x86_64"),
    ((3, 11, 0), "Windows", "AMD64"), ((3, 11, 0), "Darwin", "arm64")])
def test_a_python_that_will_do_is_not_refused(version, system, machine):
    assert start.refusal(version, system, machine) == ""


@pytest.mark.parametrize("version, system, machine, says", [
    ((3, 13, 0), "Linux", "x86_64", "found 3.13"), ((3, 10, 2), "Linux", "x86_64", "found 3.10"),
    ((3, 11, 7), "Linux", "aarch64", "aarch64"), ((3, 11, 7), "FreeBSD", "amd64", "FreeBSD")])
def test_another_python_or_machine_is_refused_in_one_line(version, system, machine, says):
    line = start.refusal(version, system, machine)
    assert line.startswith("asked ") and says in line and "\n" not in line


def test_the_pinned_pose_library_has_a_wheel_for_each_python_that_is_allowed():
    """Against the lock file, which uv wrote from the registry."""
    lock = (start.REPO / "uv.lock").read_text("utf-8")
    for major, minor in start.PYTHONS:
        assert f"mediapipe-0.10.21-cp{major}{minor}-cp{major}{minor}-manylinux_2_28_x86_64.whl" in lock


@pytest.mark.parametrize("text, is_so", [
    ('ID=debian\nVERSION_ID="12"\n', True), ("ID=ubuntu\nID_LIKE=debian\n", True),
    ('ID=linuxmint\nID_LIKE="ubuntu debian"\n', True),
    ('ID=fedora\n', False), ('ID="opensuse-leap"\nID_LIKE="suse opensuse"\n', False), ("", False)])
def test_debian_is_known_by_its_release_file(text, is_so):
    assert start.is_debian(text) is is_so


def test_what_is_missing_is_said_with_the_exact_cure():
    missing = [Package("libgl1", there(False)), Package("libportaudio2", there(False), "no sound")]
    line = start.missing_line(missing, debian=True)
    assert line.endswith("run: sudo apt-get install -y libgl1 libportaudio2")
    assert "no sound" in line and "\n" not in line
    assert "apt-get" not in start.missing_line(missing, debian=False)


def test_presence_is_seen_from_the_file_itself(tmp_path):
    assert start.library("libc.so.6")() and not start.library("libnotthere.so.9")()
    assert start.program("sh")() and not start.program("nosuchprogram")()
    assert start.file(f"{tmp_path}*")() and not start.file(f"{tmp_path}/none*")()


@pytest.fixture
def machine(monkeypatch):
    """A Linux without root on which `missing` are not here; apt-get must not be run."""
    def made(*packages: Package):
        monkeypatch.setattr(start, "KIOSK_PACKAGES", packages)
        monkeypatch.setattr(start.platform, "system", lambda: "Linux")
        monkeypatch.setattr(start.os, "geteuid", lambda: 1000)
        monkeypatch.setattr(start, "install", lambda packages: pytest.fail("installed without being root"))
    return made


def test_without_root_a_library_that_all_needs_stops_the_start(machine):
    machine(Package("libgl1", there(False)))
    with pytest.raises(Stopped, match="libgl1"):
        start.need_libraries(test=False)


def test_without_root_a_library_that_something_needs_is_said(machine, capsys):
    machine(Package("libportaudio2", there(False), "no sound"))
    start.need_libraries(test=False)
    err = capsys.readouterr().err
    assert err.count("\n") == 1 and "libportaudio2 (no sound)" in err


def test_as_root_on_debian_it_is_installed(monkeypatch, capsys):
    here = []
    monkeypatch.setattr(start, "KIOSK_PACKAGES", (Package("libgl1", lambda: bool(here)),))
    monkeypatch.setattr(start.platform, "system", lambda: "Linux")
    monkeypatch.setattr(start, "is_debian", lambda text: True)
    monkeypatch.setattr(start.shutil, "which", lambda name: f"/usr/bin/{name}")
    monkeypatch.setattr(start.os, "geteuid", lambda: 0)
    ran = []

    def run(what, command, **_):
        ran.append(command[-2:])
        here.append("install" in command)
        return True
    monkeypatch.setattr(start, "run", run)
    start.need_libraries(test=False)
    assert ran[-1] == ["--no-install-recommends", "libgl1"] and capsys.readouterr().err == ""


def test_one_package_that_is_not_to_be_had_does_not_take_the_others_with_it(monkeypatch):
    had = []

    def run(what, command, **_):
        names = command[command.index("--no-install-recommends") + 1:] if "install" in command else []
        if "rare" in names:
            return False
        had.extend(names)
        return True
    monkeypatch.setattr(start, "run", run)
    start.install([Package("a", there(False)), Package("rare", there(False)), Package("b", there(False))])
    assert had == ["a", "b"]


WANT = start.wanted(b"lock", ["test"])


@pytest.mark.parametrize("had, current", [
    ({**WANT, "python": "3.11.7"}, True), ({**WANT, "groups": ["test", "more"], "python": "3.11.7"}, True),
    ({**WANT, "groups": [], "python": "3.11.7"}, False), ({**WANT, "python": "3.12.1"}, False),
    ({**start.wanted(b"another", ["test"]), "python": "3.11.7"}, False), ({}, False), ([], False)])
def test_the_stamp_says_whether_the_environment_is_the_lock_s(tmp_path, had, current):
    (tmp_path / "stamp").write_text(json.dumps(had))
    assert start.is_current(tmp_path / "stamp", WANT, "3.11.7") is current


def test_no_stamp_or_a_broken_one_is_not_current(tmp_path):
    assert not start.is_current(tmp_path / "none", WANT, "3.11.7")
    (tmp_path / "stamp").write_text("{")
    assert not start.is_current(tmp_path / "stamp", WANT, "3.11.7")


def test_an_environment_without_its_python_is_none(tmp_path):
    (tmp_path / "pyvenv.cfg").write_text("home = /usr/bin\nversion = 3.11.2\n")
    assert start.venv_version(tmp_path) == ""
    python = tmp_path / start.PYTHON.relative_to(start.VENV)
    python.parent.mkdir()
    python.write_text("")
    assert start.venv_version(tmp_path) == "3.11.2"


def test_keep_writes_only_what_changed(tmp_path):
    start.keep(tmp_path / "a", "one\n")
    first = (tmp_path / "a").stat().st_ino
    start.keep(tmp_path / "a", "one\n")
    assert (tmp_path / "a").stat().st_ino == first
    start.keep(tmp_path / "a", "two\n")
    assert (tmp_path / "a").read_text() == "two\n" and [p.name for p in tmp_path.iterdir()] == ["a"]


def test_a_step_that_fails_shows_its_last_words_and_stops(capsys):
    with pytest.raises(Stopped, match="failed with 3"):
        start.run("a thing", [sys.executable, "-c", "print('why it failed'); raise SystemExit(3)"])
    assert "why it failed" in capsys.readouterr().err


def test_a_step_that_goes_well_keeps_its_words_to_itself(capsys):
    assert start.run("a thing", [sys.executable, "-c", "print('chatter')"])
    assert start.run("a quick thing", [sys.executable, "-c", "print('chatter')"], quick=True)
    assert capsys.readouterr().err == "creaseside: setting up a thing \n"


def test_a_step_that_takes_long_shows_that_it_goes_on(monkeypatch, capsys):
    turns = iter([None, None, 0])
    monkeypatch.setattr(start, "_wait", lambda step: step.wait() and None or next(turns))
    start.run("a thing", [sys.executable, "-c", ""], quick=True)
    assert capsys.readouterr().err == "creaseside: setting up a thing ..\n"


def test_only_the_standard_library_is_imported():
    nodes = list(ast.walk(ast.parse(HERE.read_text("utf-8"))))
    names = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module for node in nodes if isinstance(node, ast.ImportFrom)}
    assert {name.split(".")[0] for name in names} <= set(sys.stdlib_module_names)


@pytest.mark.parametrize("args, becomes", [
    ([], ["-m", "kiosk", "kiosk"]), (["measure", "a.mp4"], ["-m", "kiosk", "measure", "a.mp4"]),
    (["test", "-q"], ["-m", "pytest", *start.BOTH_CORES, "-q"])])
def test_what_is_run_in_the_end(args, becomes, monkeypatch):
    for need in ("need_libraries", "need_environment"):
        monkeypatch.setattr(start, need, lambda test: None)
    monkeypatch.setattr(start, "need_models", lambda: None)
    monkeypatch.setattr(start, "become", lambda command: command)
    monkeypatch.chdir(Path.cwd())
    assert start.main(args) == [str(start.PYTHON), *becomes]


@pytest.mark.skipif(Path(sys.prefix) != start.VENV, reason="these tests do not run in this copy's own .venv")
def test_a_second_start_goes_straight_to_the_command():
    run = subprocess.run([sys.executable, str(HERE), "--version"], capture_output=True, text=True,
                         env={**os.environ, "UV_OFFLINE": "1"})
    assert (run.returncode, run.stdout) == (0, f"creaseside {VERSION}\n"), run.stderr
    assert run.stderr == ""


def test_the_launcher_is_there_and_runs_from_anywhere(tmp_path):
    launcher = start.BIN / "creaseside"
    if not launcher.exists():
        pytest.skip("the environment was not made by kiosk/start.py")
    run = subprocess.run([launcher, "--help"], capture_output=True, text=True, cwd=tmp_path)
    assert run.returncode == 0 and run.stdout.startswith("Usage: creaseside")
