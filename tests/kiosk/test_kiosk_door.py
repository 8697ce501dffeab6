"""`creaseside kiosk`: what is found out before anything starts, and one whole run of it as a process."""
from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Iterator

import pytest

from creaseside.settings import FocusCue, from_mapping
from kiosk import demo, session, sources
from kiosk.faults import Fault
from kiosk.logbook import Logbook
from kiosk.place import Place
from kiosk.reel import OURS, SHARED
from tests.faults.net import marks as net_marks
from tests.kiosk.bowled import agreed_player
from tests.kiosk.filmed import numbered_clip

REPO = Path(__file__).parents[2]
MARKS = """[camera]
width_px = {0}
height_px = {1}
[marks]
middle_stump_base = [640.0, 520.0]
"""


def place(folder: Path, settings: str = "") -> Place:
    (folder / "home").mkdir(exist_ok=True)
    (folder / "home" / "settings.toml").write_text(settings)
    return Place(folder / "home", quiet=True)


@contextmanager
def started(folder: Path, *args: str) -> Iterator[subprocess.Popen]:
    """A kiosk that does not outlive its test."""
    env = os.environ | {"PYTHONPATH": f"{REPO / 'src'}{os.pathsep}{REPO}"}
    command = [sys.executable, "-m", "kiosk", "--home", str(folder / "home"), "kiosk", "--headless", *args]
    with subprocess.Popen(command, cwd=REPO, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as run:
        try:
            yield run
        finally:
            run.kill()


def kiosk(folder: Path, *args: str, timeout_s: float = 200) -> subprocess.CompletedProcess:
    with started(folder, *args) as run:
        out, err = run.communicate(timeout=timeout_s)
    return subprocess.CompletedProcess(run.args, run.returncode, out, err)


def left_behind(run: subprocess.Popen) -> list[Path]:
    """The shared memory of that process (other kiosks may run on this machine)."""
    return list(SHARED.glob(f"{OURS}{run.pid}_*"))


def test_a_focus_needs_a_gate_and_says_which_settings(tmp_path):
    with pytest.raises(Fault, match=r'measure = "turn_deg" with at_least or at_most'):
        session.focus_of(place(tmp_path), "turn_deg", "a.mp4")


def test_whose_standing_zero_does_not_hold_is_told_it(tmp_path, monkeypatch):
    here, told = place(tmp_path), []
    monkeypatch.setattr(Place, "say", lambda self, text: told.append(text))
    with Logbook(here) as log:
        player, other = agreed_player(log), agreed_player(log)
        there, elsewhere = (log.note_setup(replace(net_marks(), k1=k1)) for k1 in (0.0, 0.1))
        log.add_zero(player, 178.5, 0.8, there)
        for setup in (there, elsewhere, None):
            seat_of = session.seats_of(here, log, None, 1, setup)
            seat_of(player), seat_of(other), seat_of(None)
    assert len(told) == 1 and f"creaseside players zero {player}" in told[0]


def test_the_gate_is_the_settings_else_the_demos(tmp_path):
    here = place(tmp_path, '[focus]\nmeasure = "approach_deg"\nat_most = 3.0\n')
    assert session.focus_of(here, None, "demo") == FocusCue("approach_deg", None, 3.0)
    assert session.focus_of(here, "approach_deg", "a.mp4") == FocusCue("approach_deg", None, 3.0)
    assert session.focus_of(here, "front_knee_ffc_deg", "demo") == FocusCue("front_knee_ffc_deg", 160.0)
    with pytest.raises(Fault, match="no gate"):      # those posts are in another measure's unit
        session.focus_of(here, "front_knee_ffc_deg", "a.mp4")
    assert session.focus_of(place(tmp_path), None, "demo") is None


def test_the_demos_gates_are_gates():
    for measure, (low, high) in demo.GATES.items():
        from_mapping({"focus": {k: v for k, v in (("measure", measure), ("at_least", low), ("at_most", high)) if v}})


def test_marks_of_another_size_are_refused(tmp_path):
    (tmp_path / "m.toml").write_text(MARKS.format(640, 360))
    with pytest.raises(Fault, match="640 x 360.*1280 x 720"):
        session.marks_of(place(tmp_path), tmp_path / "m.toml", "0", (1280, 720))


def test_a_recordings_own_marks_lie_beside_it_and_none_are_said(tmp_path, capsys):
    loud = Place(place(tmp_path).folder)
    loud.own_marks.write_text("not even TOML: a camera's marks do not fit a recording")
    assert session.marks_of(loud, None, str(tmp_path / "a.mp4"), (1280, 720)) is None
    assert capsys.readouterr().err.count("no marks") == 1
    (tmp_path / "a.marks.toml").write_text(MARKS.format(640, 360))
    with pytest.raises(Fault, match="a.marks.toml"):
        session.marks_of(loud, None, str(tmp_path / "a.mp4"), (1280, 720))
    with pytest.raises(Fault, match="not TOML"):
        session.marks_of(loud, None, "0", (1280, 720))


def test_who_bowls(tmp_path):
    with Logbook(place(tmp_path)) as log:
        guest = session.Bowler.of(log, None)
        assert guest.under_18 and guest.age == "teen" and guest.id is None
        adult = session.Bowler.of(log, agreed_player(log, arm="left"))
        assert (adult.name, adult.arm, adult.under_18, adult.age) == ("Sam", "left", False, "adult")
        with pytest.raises(Fault, match="no such player"):
            session.Bowler.of(log, "p-nobody")


@pytest.mark.skipif(not demo.BOWLERS.exists(), reason="no demo net here")
def test_the_demos_bowlers_come_once_with_consent(tmp_path):
    with Logbook(place(tmp_path)) as log:
        demo.add_bowlers(log)
        demo.add_bowlers(log)
        players = log.players()
        assert len(players) == 2 and all(p["id"].startswith("p-demo-") for p in players)
        assert {p["may_keep"] for p in players} == {"clips"}


def test_a_recordings_time_begins_at_its_first_frame():
    class Tape:
        def clip_s(self, stamp):
            return stamp.t_s - 100
    assert session.origin_of(Tape())(103_000_000_000) == 100_000_000_000
    assert session.origin_of(object()) is None


@pytest.mark.parametrize("args, status, words", [
    (("--focus", "front_knee"), 2, "did you mean 'front_knee_"),
    (("--player", "p-nobody"), 1, "no such player"),
    (("--source", "no.mp4"), 1, "no such file")])
def test_a_fault_is_one_line_and_no_traceback(tmp_path, args, status, words):
    run = kiosk(tmp_path, *args)
    assert run.returncode == status and words in run.stderr
    assert "Traceback" not in run.stderr and run.stdout == ""


def test_numbered_frames_to_their_end_leave_nothing_behind(tmp_path):
    """Small frames of nobody through the real door: pose processes, sound or none, screen, log."""
    clip = tmp_path / "short.avi"
    numbered_clip(clip, 30)
    with started(tmp_path, "--source", str(clip), "--until-end", "--json") as run:
        out, err = run.communicate(timeout=200)
    assert run.returncode == 0, err
    told = [json.loads(line) for line in out.splitlines()]
    assert list(told[-1]) == ["summary"] and len(told) == 1
    summary = told[-1]["summary"]
    assert (summary["balls"], summary["frames"], summary["frames_lost"], summary["screen"]) == (0, 30, 0, "headless")
    assert "no marks" in err and "headless" in err and "Traceback" not in err
    assert left_behind(run) == []
    with Logbook(place(tmp_path)) as log:
        assert log.sessions()[0]["ended_utc"]


def test_a_polite_end_is_a_clean_one(tmp_path):
    """Asked to stop while it still starts: it closes what it opened, tells its numbers, and leaves no memory behind."""
    with started(tmp_path, "--json", "--source", "numbered") as run:
        assert "no marks" in run.stderr.readline()
        run.send_signal(signal.SIGTERM)
        out, err = run.communicate(timeout=100)
    assert run.returncode == 0 and list(json.loads(out)) == ["summary"] and "Traceback" not in err
    assert left_behind(run) == []


def test_the_demo_is_what_there_is_without_a_camera(tmp_path):
    assert session.Asked().spec(place(tmp_path)) == "demo"
    assert session.Asked().spec(place(tmp_path, '[camera]\nsource = "2"\n')) == "2"
    assert session.Asked(source="demo").spec(place(tmp_path, '[camera]\nsource = "2"\n')) == "demo"
    assert sources.DEMO.name == "net.mp4"


def test_nobody_under_18_is_rewarded_for_a_straighter_leg_or_more_pace(tmp_path):
    here = place(tmp_path)
    with Logbook(here) as log:
        child = log.add_player("Noor", "right", age_group="u13")
        adult = log.add_player("Sam", "right", age_group="adult")
        for measure in ("front_knee_ffc_deg", "front_knee_br_deg", "run_up_speed_m_s"):
            one_sided = FocusCue(measure, 160.0 if "knee" in measure else 5.0)
            with pytest.raises(Fault, match="under 18"):
                session.allowed(one_sided, log, child, here)
            session.allowed(one_sided, log, adult, here)
        session.allowed(FocusCue("approach_deg", -5.0, 5.0), log, child, here)


def test_the_homes_marks_of_another_size_start_a_camera_without_marks(tmp_path, capsys):
    """A camera that came back smaller, or a rotten digit: the kiosk runs, and it is said."""
    loud = Place(place(tmp_path).folder)
    loud.own_marks.write_text(MARKS.format(1920, 1080))
    assert session.marks_of(loud, None, "0", (1280, 720)) is None
    assert "1920 x 1080" in capsys.readouterr().err
