"""Exports: what others read with readers of their own is what the log holds; nothing runs in a spreadsheet."""
from __future__ import annotations

import csv
import stat
import warnings

import c3d
import numpy as np
import pytest
from pyarrow import parquet

from creaseside.pose import INDEX, NAMES
from kiosk.__main__ import main
from kiosk.exports import c3d_file, table
from kiosk.logbook import Logbook, Reader, views
from kiosk.place import Place
from tests.creaseside.film import EPOCH_S
from tests.kiosk.bowled import home, some_ball, some_poses
from tests.kiosk.filmed import FIRST_S, a_film, bowl


@pytest.fixture(scope="module")
def filmed(tmp_path_factory) -> tuple[Place, str, str]:
    """A home, a session of two filmed balls, and their player."""
    place = home(tmp_path_factory.mktemp("filmed"))
    with Logbook(place) as log:
        player = log.add_player("=HYPERLINK(\"x\")", age_group="adult")
        return place, bowl(log, player), player


def export(place: Place, *words) -> int:
    return main(["--home", str(place.folder), "--quiet", "export", *map(str, words)])


def lines(file) -> list[dict]:
    with file.open(encoding="utf-8", newline="") as f:
        return list(csv.DictReader(f))


@pytest.mark.parametrize("of", ["session", "player"])
def test_a_csv_has_a_row_a_ball_as_the_log_has_it(filmed, tmp_path, of):
    place, session, player = filmed
    to = tmp_path / "balls.csv"
    assert export(place, *([session] if of == "session" else ["--player", player]), "--format", "csv", "-o", to) == 0
    with Reader(place) as log:
        kept = log.ball_rows(session)
    found = lines(to)
    assert list(found[0]) == [c.name for c in views.BALLS] and len(found) == len(kept) == 2
    for row, have in zip(kept, found):
        for name, value in row.items():
            if name != "venue":
                assert have[name] == ("" if value is None else str(value))
    assert found[0]["venue"] == "'=net 2" and float(found[0]["front_knee_ffc_deg"]) == 165.25
    assert stat.S_IMODE(to.stat().st_mode) == 0o600 and list(tmp_path.iterdir()) == [to]


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-1", "@a", "\t=1", "\r=1", "\n=1", "＝1", "－1"])
def test_text_that_a_spreadsheet_would_run_is_not_run(cell):
    """The signs that OWASP's page on CSV injection names."""
    assert table.safe(cell) == "'" + cell


@pytest.mark.parametrize("cell", ["a=1", "O'Dell", "", None, -4.5, "آرش", "👩🏽‍🚀"])
def test_other_cells_stay_as_they_are(cell):
    assert table.safe(cell) is cell


def test_a_parquet_has_types_units_and_meanings(filmed, tmp_path):
    place, session, _ = filmed
    assert export(place, session, "--format", "parquet", "-o", tmp_path / "balls.parquet") == 0
    found = parquet.read_table(tmp_path / "balls.parquet")
    field = found.schema.field("run_up_speed_m_s")
    assert (str(field.type), field.metadata[b"unit"]) == ("double", b"m/s") and b"hip" in field.metadata[b"meaning"]
    with Reader(place) as log:
        assert found.to_pylist() == log.ball_rows(session)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_frames_are_the_looks_of_every_model(filmed, tmp_path, kind):
    place, session, _ = filmed
    to = tmp_path / f"frames.{kind}"
    assert export(place, session, "--format", kind, "--rows", "frames", "-o", to) == 0
    found = lines(to) if kind == "csv" else parquet.read_table(to).to_pylist()
    poses = a_film().poses()
    assert len(found) == 2 * len(poses) and all(f"{name}_x_px" in found[0] for name in NAMES)
    for row, pose in zip(found, poses):
        assert float(row["left_knee_y_px"]) == float(pose["left_knee"][1]) and int(row["t_ns"]) == pose.stamp.t_ns
        assert float(row["t_s"]) - FIRST_S == pytest.approx(pose.stamp.t_s - EPOCH_S, abs=1e-6)


def test_a_look_that_saw_nobody_is_a_row_without_numbers(tmp_path):
    place = home(tmp_path)
    with Logbook(place) as log:
        session = log.start_session()
        log.add_ball(session, some_ball(1), poses=some_poses(5, "light"))
    assert export(place, session, "--format", "csv", "--rows", "frames", "-o", tmp_path / "f.csv") == 0
    last = lines(tmp_path / "f.csv")[-1]
    assert last["missing"] == "nobody in the lane" and last["nose_x_px"] == last["nose_visibility"] == ""


def read_c3d(file) -> tuple[c3d.Reader, np.ndarray]:
    """The other reader's view: the file, and its points (T, L, 5)."""
    with file.open("rb") as f, warnings.catch_warnings():
        warnings.simplefilter("ignore")        # it says that there is no analog data
        reader = c3d.Reader(f)
        return reader, np.array([points for _, points, _ in reader.read_frames()])


def test_a_c3d_opens_in_another_reader_with_the_leg_where_it_was(filmed, tmp_path):
    place, session, _ = filmed
    assert export(place, session, "--format", "c3d", "--ball", 2, "-o", tmp_path / "b.c3d") == 0
    reader, points = read_c3d(tmp_path / "b.c3d")
    film = a_film()
    assert [n.strip() for n in reader.point_labels] == list(NAMES) and len(points) == len(film)
    assert reader.point_rate == 60.0 and reader.get("POINT:UNITS").string_value.strip() == "mm"
    assert "depth was not measured" in reader.get("CREASESIDE:DEPTH").string_value
    true = 1000 * film.puppet.joints(film.t)
    near = (film.t > 0) & (film.t < 0.1)
    knee = INDEX["left_knee"]
    assert np.abs(points[near, knee, :3] - true[near, knee])[:, [0, 2]].max() < 35
    assert (points[near, knee, 3] == 0).all()
    assert reader.get("EVENT:USED").int16_value == 2 and reader.get("CREASESIDE:BALL").float_value == 2
    labels = [e.strip() for e in reader.get("EVENT:LABELS").string_array]
    assert labels == ["FFC", "BR"]
    times = np.ravel(reader.get("EVENT:TIMES").float_array).reshape(-1, 2)[:, 1]
    assert times == pytest.approx([0 - film.t[0], 0.11 - film.t[0]], abs=1e-3)


def test_the_balls_of_a_session_follow_one_another_or_have_a_file_each(filmed, tmp_path):
    place, session, _ = filmed
    assert export(place, session, "--format", "c3d", "-o", tmp_path / "s.c3d") == 0
    reader, points = read_c3d(tmp_path / "s.c3d")
    n = len(a_film())
    assert len(points) == 2 * n + 1 and (points[n, :, 3] == -1).all()
    assert list(reader.get("CREASESIDE:BALL_FIRST_FRAME").float_array) == [1, n + 2]
    assert np.array_equal(points[:n], points[n + 1:])
    assert export(place, session, "--format", "trc", "--each", "-o", tmp_path / "s.trc") == 0
    assert sorted(p.name for p in tmp_path.glob("*.trc")) == ["s-001.trc", "s-002.trc"]


def test_more_frames_than_the_format_counts_are_told(filmed, tmp_path, monkeypatch, capfd):
    monkeypatch.setattr(c3d_file, "MOST_FRAMES", 50)
    assert export(filmed[0], filmed[1], "--format", "c3d", "-o", tmp_path / "s.c3d") == 1
    assert "--each" in capfd.readouterr().err and list(tmp_path.iterdir()) == []
    assert export(filmed[0], filmed[1], "--format", "c3d", "--each", "-o", tmp_path / "s.c3d") == 0


@pytest.mark.parametrize("depth", ["plane", "model"])
def test_a_trc_is_as_its_description_says(filmed, tmp_path, depth):
    """OpenSim's documentation of the format: three header lines, two lines of names, a blank line, then the frames."""
    place, session, _ = filmed
    to = tmp_path / "b.trc"
    assert export(place, session, "--format", "trc", "--ball", 1, "--depth", depth, "-o", to) == 0
    text = [line.split("\t") for line in to.read_text("ascii").split("\n")]
    assert text[0] == ["PathFileType", "4", "(X/Y/Z)", "b.trc"]
    told = dict(zip(text[1], text[2]))
    assert (told["DataRate"], told["NumMarkers"], told["Units"]) == ("60", str(len(NAMES)), "mm")
    assert [n for n in text[3][2:] if n] == list(NAMES) and text[4][2:5] == ["X1", "Y1", "Z1"] and text[5] == [""]
    frames = [line for line in text[6:] if line != [""]]
    assert len(frames) == int(told["NumFrames"]) and {len(f) for f in frames} == {2 + 3 * len(NAMES)}
    y = [float(f[2 + 3 * i + 1]) for f in frames for i in range(len(NAMES)) if f[2 + 3 * i]]
    assert (np.ptp(y) < 0.1) == (depth == "plane")


def test_a_ball_without_marks_is_left_out_with_its_reason(filmed, tmp_path, capfd):
    place, session, player = filmed
    with Logbook(place) as log:
        bare = bowl(log, None, 1, with_marks=False)
    assert export(place, bare, "--format", "trc", "-o", tmp_path / "b.trc") == 1
    assert "no marks" in capfd.readouterr().err and not (tmp_path / "b.trc").exists()


@pytest.mark.parametrize("words, status", [
    (["--format", "csv", "-o", "x"], 2), (["s-none", "--format", "csv", "-o", "x"], 1),
    (["--player", "p-none", "--format", "csv", "-o", "x"], 1),
    (["s", "--player", "p", "--format", "csv", "-o", "x"], 2), (["s", "--format", "csv", "--ball", "1", "-o", "x"], 2),
    (["s", "--format", "c3d", "--rows", "frames", "-o", "x"], 2),
    (["s", "--format", "xls", "-o", "x"], 2)])
def test_what_cannot_be_asked_is_one_line(filmed, tmp_path, capfd, words, status):
    words = [str(tmp_path / w) if w == "x" else w for w in words]
    assert export(filmed[0], *words) == status
    assert len(capfd.readouterr().err.strip().splitlines()) == 1 and list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_session_without_balls_is_a_table_without_rows(tmp_path, kind):
    place = home(tmp_path)
    with Logbook(place) as log:
        session = log.start_session()
    for rows in ("balls", "frames"):
        to = tmp_path / f"{rows}.{kind}"
        assert export(place, session, "--format", kind, "--rows", rows, "-o", to) == 0
        found = lines(to) if kind == "csv" else parquet.read_table(to).to_pylist()
        assert found == [] and to.stat().st_size


def test_the_home_is_not_written_into(filmed, tmp_path, capfd):
    place, session, _ = filmed
    for to in (place.log, place.clips / "x.csv", tmp_path):
        assert export(place, session, "--format", "csv", "-o", to) == 1
    with Reader(place) as log:
        assert len(log.balls(session)) == 2


def test_who_took_what_is_noted(tmp_path):
    place = home(tmp_path)
    with Logbook(place) as log:
        player = log.add_player("Sam")
        session = bowl(log, player, 1)
    assert export(place, session, "--format", "csv", "-o", tmp_path / "b.csv") == 0
    with Reader(place) as log:
        assert [(a["what"], a["player"]) for a in log.accesses()] == [("took out a csv", player)]
