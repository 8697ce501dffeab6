"""`creaseside measure` on a real piece of the demo net, with real pose processes; and on everything that is no clip."""
from __future__ import annotations

import contextlib
import io
import json
import shutil
from pathlib import Path

import cv2
import pytest

from kiosk import __main__ as room
from kiosk import sources
from kiosk.sources.tape import Tape

BALL, BEFORE_S, AFTER_S = 1, 1.5, 0.75      # the second one of the demo net, from its run-up on


@pytest.fixture(scope="module")
def piece(tmp_path_factory) -> tuple[Path, dict]:
    """A motion JPEG clip of one ball with its marks, and the ball's truth in the clip's own time."""
    if not sources.DEMO.exists():
        pytest.skip(f"no demo footage at {sources.DEMO}")
    truth = json.loads(sources.DEMO.with_name("net.truth.json").read_text())["balls"][BALL]
    path, to, first_s = tmp_path_factory.mktemp("piece") / "piece.avi", None, None
    with Tape(sources.DEMO) as tape:
        for stamp, bgr in tape.frames(truth["ffc_s"] - BEFORE_S, truth["ffc_s"] + AFTER_S):
            if to is None:
                first_s = stamp.t_s
                to = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), tape.fps, bgr.shape[1::-1])
            to.write(bgr)
    to.release()
    shutil.copy(sources.DEMO_MARKS, path.with_suffix(".marks.toml"))
    return path, truth | {name: truth[name] - first_s for name in ("bfc_s", "ffc_s", "br_s")}


@pytest.fixture(scope="module")
def measured(piece, tmp_path_factory) -> tuple[int, list[dict], list[str]]:
    """The clip; three files that are none; the clip again, under another name and without marks."""
    path, folder = piece[0], tmp_path_factory.mktemp("measured")
    bare = folder / "bare.avi"
    shutil.copy(path, bare)
    (folder / "words.mp4").write_text("not a film")
    (folder / "empty.mp4").touch()
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = room.main(["measure", "--home", str(folder / "home"), *map(str, (
            path, folder / "nothing.mp4", folder / "words.mp4", folder / "empty.mp4", bare))])
    return status, [json.loads(line) for line in out.getvalue().splitlines()], err.getvalue().splitlines()


def test_one_line_a_ball_with_the_clip_s_own_time(piece, measured):
    truth = piece[1]
    (ball, _) = measured[1]
    assert (ball["ball"], ball["clip"], ball["arm"]) == (1, "piece.avi", truth["arm"])
    for name, off_s in (("bfc_s", 0.025), ("ffc_s", 0.025), ("br_s", 0.030)):
        assert ball[name] == pytest.approx(truth[name], abs=off_s)
    assert ball["front_knee_ffc_deg"] == pytest.approx(truth["front_knee_ffc_deg"], abs=4 * ball["front_knee_ffc_deg_sd"])
    assert ball["run_up_speed_m_s"] == pytest.approx(truth["run_up_speed_m_s"], rel=0.12)
    assert ball["stride_length_m"] == pytest.approx(truth["stride_length_m"], abs=0.05)
    assert ball["front_foot_offset_m"] == pytest.approx(truth["front_foot_offset_m"], abs=0.06) and ball["front_foot_offset_m_sd"] < 0.04
    assert ball["verdict"] is ball["release_to_verdict_s"] is ball["release_to_cue_s"] is None


def test_without_marks_it_says_so_and_measures_what_can_be(piece, measured):
    marked, bare = measured[1]
    assert (bare["ball"], bare["clip"]) == (1, "bare.avi") and "no marks" in bare["flags"]
    assert bare["run_up_speed_m_s"] is None and "marks" in bare["not_measured"]["run_up_speed_m_s"]
    assert any("no marks" in line for line in measured[2])
    assert bare["ffc_s"] == pytest.approx(marked["ffc_s"], abs=0.02)
    assert bare["front_knee_ffc_deg"] == pytest.approx(marked["front_knee_ffc_deg"], abs=10)


def test_each_bad_clip_has_one_line_and_the_others_are_measured(measured):
    status, balls, err = measured
    assert status == 1 and {ball["clip"] for ball in balls} == {"piece.avi", "bare.avi"}
    for name in ("nothing.mp4", "words.mp4", "empty.mp4"):
        line, = (line for line in err if name in line)
        assert line.startswith("asked the recording") and line.count(";") >= 2
    assert "5 clips" in err[-1] and "3 that could not be measured" in err[-1]


def run(capsys, *args) -> tuple[int, str, str]:
    status = room.main(["measure", *map(str, args)])
    return status, *capsys.readouterr()


@pytest.mark.parametrize("fps", ["0", "-5", "1e9", "nan"])
def test_a_rate_that_no_camera_has_is_refused(piece, tmp_path, capsys, fps):
    status, out, err = run(capsys, "--home", tmp_path, piece[0], "--fps", fps)
    assert status == 1 and not out and "frames per second" in err and err.count("\n") == 1


@pytest.mark.parametrize("text, said", [
    ("", "no [camera]"),
    ("[camera]\nwidth_px = 640\nheight_px = 360\n[marks]\nmiddle_stump_base = [1, 2]", "640 x 360"),
    ("[camera]\nwidth_px = 1280\nheight_px = 720\n[marks]\nmiddle_stump_base = [1.0, 2.0]", "four ground marks")])
def test_marks_that_cannot_be_are_told_in_one_line(piece, tmp_path, capsys, text, said):
    (tmp_path / "bad.toml").write_text(text)
    status, out, err = run(capsys, "--home", tmp_path, piece[0], "--marks", tmp_path / "bad.toml")
    assert status == 1 and not out and said in err and err.count("\n") == 1


@pytest.mark.parametrize("args", [(), ("--arm", "both", "x.mp4"), ("--fps", "fast", "x.mp4")])
def test_wrong_use_is_two(capsys, args):
    status, out, err = run(capsys, *args)
    assert status == 2 and not out and err.count("\n") == 1
