"""A zip out of one log and into another: the same ids, nothing doubled, no face, no harm from a zip that means it."""
from __future__ import annotations

import hashlib
import json
import random
import sqlite3
import zipfile
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from kiosk import avi
from kiosk.__main__ import main
from kiosk.exports import bundle, veil
from kiosk.faults import Fault
from kiosk.imports import merge, parcel
from kiosk.logbook import Logbook, Reader
from kiosk.place import Place
from tests.kiosk.bowled import JumpingClock, agreed_player, home, some_ball, some_poses, sums
from tests.kiosk.filmed import SKIN, a_film, bowl, pictures

NAME = "Zoë \"Yorker\" <b>عمر</b> =1+1 👩🏽‍🚀"


def run(place: Place, *words) -> int:
    return main(["--home", str(place.folder), "--quiet", *map(str, words)])


def skin(jpeg: bytes) -> int:
    """How many pixels have the colour of the drawn face."""
    bgr = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    return cv2.countNonZero(cv2.inRange(bgr, tuple(v - 12 for v in SKIN), tuple(v + 12 for v in SKIN)))


@pytest.fixture(scope="module")
def packed(tmp_path_factory) -> tuple[Place, str, str, Path]:
    """A home, its session of two balls with clips, the player, and its zip."""
    folder = tmp_path_factory.mktemp("packed")
    place = home(folder)
    with Logbook(place) as log:
        player = agreed_player(log, NAME, height_m=1.8)
        log.add_zero(player, 179.0, 0.5)
        session = bowl(log, player, clip=True)
        log.add_block(session, "focus", 6)
        log.note_cue(1, "hit", 1, 2)
        log.add_ball(session, some_ball(4), player=log.add_player("Ben"))
    assert run(place, "export", session, "--format", "zip", "-o", folder / "s.zip") == 0
    return place, session, player, folder / "s.zip"


def everything(place: Place) -> dict[str, list]:
    """The log's rows without the machine's own numbers of them, and without who looked at it."""
    numbers = ("id", "ball", "block", "program", "setup", "zero", "sha256", "bytes", "card")
    with Reader(place) as log:
        tables = [t for t in log._db.table_names() if t not in ("access", "erasure")]
        return {t: sorted(repr([(k, v) for k, v in row.items() if k not in numbers or isinstance(v, str)])
                          for row in log._db[t].rows) for t in tables if t != "clip"}


# There and back

def test_another_machine_has_the_same_afterwards_and_twice_is_once(packed, tmp_path):
    place, session, player, to = packed
    other = home(tmp_path)
    for _ in range(2):
        assert run(other, "import", to) == 0
        assert everything(other) == everything(place)
    with Reader(other) as log, Reader(place) as first:
        assert log.balls(session) == first.balls(session) and log.player(player)["shown_name"] == NAME
        assert [len(t) for t in log.traces(1).values()] == [len(a_film())]
        clip = log.clip(1)
        assert len(list(avi.frames(other.clips / clip["file"]))) == clip["frames"] == len(clip["t_ns"])
        assert clip["keep_until"] == first.clip(1)["keep_until"]


def test_what_was_typed_here_stays_and_what_is_missing_comes(packed, tmp_path):
    place, session, player, to = packed
    other = home(tmp_path)
    assert run(other, "import", to) == 0
    with Logbook(other) as log:
        log.note_speed(1, 111.0)
        with log.writing("to lose a ball") as db:
            db.execute("delete from ball where number = 2")
    assert run(other, "import", to) == 0
    with Reader(other) as log:
        assert [b["ball_speed_km_h"] for b in log.ball_rows(session)] == [111.0, None, None]
        assert all(log.traces(b["id"]) for b in log.ball_rows(session)[:2])


def test_somebody_else_of_the_same_id_is_not_mixed_up(packed, tmp_path):
    place, session, player, to = packed
    other = home(tmp_path)
    with Logbook(other, JumpingClock()) as log:
        log.add_player("Not Zoë", id=player)
    for _ in range(2):
        assert run(other, "import", to) == 0
    with Reader(other) as log:
        assert sorted(p["shown_name"] for p in log.players()) == sorted(["Not Zoë", NAME, "Ben"])
        assert log.balls(player=player) == [] and len(log.balls(session)) == 3
        renamed, = (p["id"] for p in log.players() if p["shown_name"] == NAME)
        assert len(log.balls(player=renamed)) == 2 and renamed.startswith(player)


def test_a_withdrawal_here_outlives_an_older_consent_from_there(packed, tmp_path):
    _, session, player, to = packed
    other = home(tmp_path)
    assert run(other, "import", to) == 0
    assert run(other, "players", "consent", player, "--keep", "numbers", "--by", "Zoë") == 0
    assert run(other, "import", to) == 0
    with Reader(other) as log:
        assert log.player(player)["may_keep"] == "numbers" and log.clips() == [] and not list(other.clips.iterdir())


def test_who_wants_no_numbers_kept_here_is_counted_and_no_more(packed, tmp_path):
    _, session, player, to = packed
    other = home(tmp_path)
    assert run(other, "import", to) == 0
    with Logbook(other) as log:
        log.erase_session(session)
        log.add_consent(player, "none", "Zoë")
    assert run(other, "import", to) == 0
    with Reader(other) as log:
        assert [b["front_knee_ffc_deg"] for b in log.balls(player=player)] == [None, None]
        assert not any(log.traces(b["id"]) for b in log.ball_rows(player=player)) and log.clips() == []


def test_a_players_zip_holds_nobody_elses_balls_or_names(packed, tmp_path):
    place, session, player, _ = packed
    to = tmp_path / "p.zip"
    assert run(place, "export", "--player", player, "--format", "zip", "-o", to) == 0
    with zipfile.ZipFile(to) as z:
        assert not any(b"Ben" in z.read(n) for n in z.namelist())
    other = home(tmp_path)
    assert run(other, "import", to) == 0
    with Reader(other) as log:
        assert len(log.balls(session)) == 2 and len(log.players()) == 1


def test_a_players_own_data_is_one_command_and_holds_all_of_it(packed, tmp_path):
    place, session, player, _ = packed
    to = tmp_path / "own.zip"
    assert run(place, "players", "data", player, "-o", to) == 0
    with zipfile.ZipFile(to) as z:
        about = json.loads(z.read("about.json"))
        assert len(z.read("balls.csv").splitlines()) == 3 and "clips/ball-000001.avi" in z.namelist()
        assert not any(b"Ben" in z.read(n) for n in z.namelist())
    assert about["player"]["shown_name"] == NAME and about["consents"] and about["heights"][0]["height_m"] == 1.8
    assert about["sessions"] == [{"id": session, "started_utc": about["sessions"][0]["started_utc"], "own_balls": 2}]
    assert run(home(tmp_path), "import", to) == 0
    with Reader(place) as log:
        assert "took out their own data" in [a["what"] for a in log.accesses(player)]


def test_a_player_who_never_bowled_has_data_too(tmp_path):
    place = home(tmp_path)
    with Logbook(place) as log:
        player = log.add_player("Sam")
    assert run(place, "players", "data", player, "-o", tmp_path / "own.zip") == 0
    assert run(home(tmp_path / "other"), "import", tmp_path / "own.zip") == 0
    with Reader(home(tmp_path / "other")) as log:
        assert [p["id"] for p in log.players()] == [player]


# A log as a file

def test_a_backup_comes_in_beside_what_is_here_and_stays_as_it_is(packed, tmp_path):
    place, session, player, _ = packed
    assert run(place, "backup", tmp_path / "copy.db") == 0
    before = (tmp_path / "copy.db").read_bytes()
    other = home(tmp_path)
    with Logbook(other) as log:
        log.add_player("Kim")
    for _ in range(2):
        assert run(other, "import", tmp_path / "copy.db") == 0
    with Reader(other) as log, Reader(place) as first:
        assert log.balls(session) == [b | {"clip": None} for b in first.balls(session)] and len(log.players()) == 3
        assert sums(log) == sums(first)
    assert (tmp_path / "copy.db").read_bytes() == before and {p.name for p in tmp_path.iterdir()} == {"copy.db", "home"}


def test_what_can_be_read_of_a_damaged_log_comes_back(tmp_path, capfd):
    place = home(tmp_path)
    with Logbook(place) as log:
        player = log.add_player("Sam")
        session = log.start_session(player)
        block = log.add_block(session, "focus", 20)
        for n in range(20):
            log.add_ball(session, some_ball(n), block=block, poses=some_poses(20, "light"))
    data = place.log.read_bytes()
    place.log.write_bytes(data[:len(data) * 3 // 4 // 4096 * 4096])
    with Logbook(place) as log:
        assert "damaged" in log.notice
    aside = min(place.home.glob("*.damaged-*"), key=lambda p: len(p.name))
    assert main(["--home", str(place.folder), "import", str(aside)]) == 0
    assert "is damaged; what can be read of it came in" in capfd.readouterr().err
    with Reader(place) as log:
        assert [p["shown_name"] for p in log.players()] == ["Sam"] and 0 < len(log.balls(session)) < 20
        assert log._db.execute("pragma foreign_key_check").fetchall() == []


@pytest.mark.parametrize("change, words", [("pragma user_version = 999", "newer program"),
                                           ("pragma application_id = 7", "another program")])
def test_a_log_that_is_not_for_this_program_does_not_come_in(packed, tmp_path, capfd, change, words):
    run(packed[0], "backup", tmp_path / "copy.db")
    with closing(sqlite3.connect(tmp_path / "copy.db")) as db:
        db.execute(change)
    assert run(home(tmp_path), "import", tmp_path / "copy.db") == 1
    assert words in capfd.readouterr().err


# Faces

def frames_of(to: Path) -> list[bytes]:
    with zipfile.ZipFile(to) as z:
        return [frame for n in z.namelist() if n.startswith("clips/") for frame in avi.frames_in(z.open(n))]


def test_no_face_leaves_unless_consent_says_so(packed, tmp_path):
    place, session, player, to = packed
    before = [j for f in sorted(place.clips.iterdir()) for j in avi.frames(f)]
    assert min(map(skin, before)) > 200
    blurred = frames_of(to)
    assert len(blurred) == len(before) and max(map(skin, blurred)) == 0
    assert run(place, "players", "consent", player, "--keep", "clips", "--faces", "shown", "--by", NAME[:20]) == 0
    assert run(place, "export", session, "--format", "zip", "-o", tmp_path / "shown.zip") == 0
    assert frames_of(tmp_path / "shown.zip") == before
    assert run(place, "players", "consent", player, "--keep", "clips", "--by", NAME[:20]) == 0
    assert run(place, "export", session, "--format", "zip", "-o", tmp_path / "again.zip") == 0
    assert max(map(skin, frames_of(tmp_path / "again.zip"))) == 0


@pytest.mark.parametrize("every", [1, 3, 6])
def test_a_head_between_looks_is_covered_too(every):
    film = a_film()
    out = list(veil.clip(pictures(), film.poses()[::every]))
    assert len(out) > len(film) - every - 4 and max(skin(j) for _, j in out) == 0


def test_a_frame_whose_head_is_not_known_is_left_out():
    film = a_film()
    poses = [p for i, p in enumerate(film.poses()) if not 8 < i < 25]      # 0.28 s without a look
    kept = {s.frame for s, _ in veil.clip(pictures(), poses)}
    assert kept and not kept & set(range(11, 23))
    assert list(veil.clip(pictures(), [])) == []


def test_a_head_without_a_face_is_covered_as_a_whole():
    hidden = {n: (-9.0, 9.0) for n in ("nose", "left_eye_inner", "left_eye", "left_eye_outer", "right_eye_inner",
                                       "right_eye", "right_eye_outer", "left_ear", "right_ear", "mouth_left",
                                       "mouth_right")}
    film = a_film()
    out = list(veil.clip(pictures(), replace(film, hidden=hidden).poses()))
    assert out and max(skin(j) for _, j in out) == 0


def test_somebody_elsewhere_in_the_picture_is_coarse(packed):
    film = a_film()
    stamp, jpeg = pictures()[20]
    bgr = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    cv2.circle(bgr, (150, 200), 12, SKIN, -1)
    out, = veil.clip([(stamp, cv2.imencode(".jpg", bgr)[1].tobytes())], film.poses())
    assert skin(out[1]) == 0


def test_without_consent_there_is_no_picture_in_the_zip(tmp_path):
    place = home(tmp_path)
    with Logbook(place) as log:
        player = agreed_player(log)
        session = bowl(log, player, 1, clip=True)
        log.add_consent(player, "numbers", "Sam")          # the clip is still there: the sweep comes later
    assert list(place.clips.iterdir())
    assert run(place, "export", session, "--format", "zip", "-o", tmp_path / "s.zip") == 0
    assert frames_of(tmp_path / "s.zip") == []


# Zips that are not well

def rewritten(of: Path, to: Path, change) -> Path:
    """The zip with its files changed by `change` (a dict of names to bytes), and a manifest that agrees."""
    with zipfile.ZipFile(of) as z:
        files = {n: z.read(n) for n in z.namelist()}
    manifest = json.loads(files.pop("manifest.json"))
    change(files, manifest)
    manifest["files"] = {n: {"bytes": len(d), "sha256": hashlib.sha256(d).hexdigest()} for n, d in files.items()}
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as z:
        for n, data in [*files.items(), ("manifest.json", json.dumps(manifest).encode())]:
            z.writestr(n, data)
    return to


def cell(table: str, column: str, value):
    def change(files, manifest):
        rows = [json.loads(line) for line in files[f"rows/{table}.jsonl"].splitlines()]
        rows[0][column] = value
        files[f"rows/{table}.jsonl"] = "".join(json.dumps(r) + "\n" for r in rows).encode()
    return change


BAD = {
    "a path out of the folder": lambda f, m: f.update({"../../evil.txt": b"x"}),
    "an absolute path": lambda f, m: f.update({"/tmp/evil.txt": b"x"}),
    "a clip by another name": lambda f, m: f.update({"clips/../../x.avi": b"x"}),
    "a newer version": lambda f, m: m.update(version=99),
    "a newer log": lambda f, m: m.update(log_version=999),
    "another program's": lambda f, m: m.update(format="other"),
    "a wrong version": lambda f, m: m.update(version="one"),
    "a missing table of players": lambda f, m: f.pop("rows/player.jsonl"),
    "no JSON": lambda f, m: f.update({"rows/ball.jsonl": b"{nope\n"}),
    "a half line": lambda f, m: f.update({"rows/ball.jsonl": f["rows/ball.jsonl"][:-40]}),
    "not a number": lambda f, m: f.update({"rows/ball.jsonl": f["rows/ball.jsonl"].replace(b"165.25", b"NaN")}),
    "deeply nested": lambda f, m: f.update({"rows/ball.jsonl": b"[" * 100_000 + b"\n"}),
    "a list for a row": lambda f, m: f.update({"rows/ball.jsonl": b"[1]\n"}),
    "an id that is a path": cell("player", "id", "../../x"),
    "a name that moves a terminal": cell("player", "shown_name", "a\x1b[2J"),
    "a number too large": cell("ball", "thrown_ns", 1 << 70),
    "a text for a number": cell("ball", "front_knee_ffc_deg", "straight"),
    "a truth for a number": cell("ball", "number", True),
    "no session": cell("ball", "session", "s-none"),
    "no moment": cell("session", "started_utc", "soon"),
    "no day": cell("consent", "given_on", "2026-99-99"),
    "flags that are none": cell("ball", "flags", "dim"),
    "a track that lies about its shape": cell("trace", "shape", "[100000, 33, 6]"),
    "a track of no numbers": cell("trace", "dtype", "O"),
    "a clip that is none": lambda f, m: f.update({"clips/ball-000001.avi": b"RIFF" + bytes(500)}),
    "a clip of another size": cell("clip", "width_px", 9),
    "a clip outside": cell("clip", "file", "../ball-000001.avi"),
    "a consent that is none": cell("consent", "may_keep", "all"),
}


@pytest.mark.parametrize("what", BAD)
def test_a_zip_that_is_not_well_is_one_line_and_changes_nothing(packed, tmp_path, capfd, what):
    bad = rewritten(packed[3], tmp_path / "bad.zip", BAD[what])
    other = home(tmp_path)
    assert run(other, "import", bad) == 1
    said = capfd.readouterr().err.strip()
    assert len(said.splitlines()) == 1 and "unexpected" not in said, said
    with Reader(other) as log:
        assert log.players() == log.sessions() == log.balls() == [] and list(other.clips.iterdir()) == []
    assert not (tmp_path.parent / "evil.txt").exists() and not Path("/tmp/evil.txt").exists()


def test_a_sum_that_does_not_agree_is_told(packed, tmp_path):
    with zipfile.ZipFile(packed[3]) as z, zipfile.ZipFile(tmp_path / "bad.zip", "w") as to:
        for n in z.namelist():
            to.writestr(n, z.read(n).replace(b"165.25", b"175.25"))
    with Logbook(home(tmp_path)) as log, pytest.raises(Fault, match="not what the manifest says"):
        merge.take_in(log, tmp_path / "bad.zip")


@pytest.mark.parametrize("bound, words", [("MOST_FILES", "files in it"), ("LARGEST_ROWS", "bytes, more than"),
                                          ("LARGEST_CLIP", "bytes, more than"), ("LARGEST_LINE", "no end")])
def test_absurd_sizes_are_refused(packed, tmp_path, monkeypatch, bound, words):
    monkeypatch.setattr(parcel, bound, 2)
    with Logbook(home(tmp_path)) as log, pytest.raises(Fault, match=words):
        merge.take_in(log, packed[3])


def test_a_bomb_is_refused_before_it_is_unpacked(packed, tmp_path):
    """A hundred megabytes of nothing, a thousandth of that in the zip, where the disk has room for less."""
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("README.txt", bytes(100 << 20))
    with Logbook(home(tmp_path)) as log, pytest.raises(Fault, match="README.txt of"):
        merge.take_in(log, tmp_path / "bomb.zip")


def test_a_full_disk_is_told_first(packed, tmp_path, monkeypatch):
    monkeypatch.setattr(parcel, "ROOM", 1 << 60)
    with Logbook(home(tmp_path)) as log, pytest.raises(Fault, match="free some space"):
        merge.take_in(log, packed[3])


def test_any_byte_may_be_wrong(packed, tmp_path):
    """150 zips with a flipped byte or a missing end: taken in whole, or a fault, and never anything else."""
    whole, chance = packed[3].read_bytes(), random.Random(4)
    with Logbook(home(tmp_path)) as log:
        for n in range(150):
            data = bytearray(whole)
            if n % 5:
                at = chance.choice((chance.randrange(len(data)), len(data) - 1 - chance.randrange(3000)))
                data[at] ^= 1 << chance.randrange(8)
            else:
                del data[chance.randrange(len(data)):]
            (tmp_path / "bad.zip").write_bytes(data)
            try:
                assert merge.take_in(log, tmp_path / "bad.zip")["sessions"] <= 1
            except Fault as e:
                assert "\n" not in str(e)
        assert len(log.sessions()) <= 1 and len(log.balls()) in (0, 3)


@pytest.mark.parametrize("data", [b"", b"dear diary", b"PK\x03\x04"])
def test_what_is_no_zip_is_told(tmp_path, data):
    (tmp_path / "x.zip").write_bytes(data)
    with Logbook(home(tmp_path)) as log:
        for file in (tmp_path / "x.zip", tmp_path / "none.zip"):
            with pytest.raises(Fault, match="to take in"):
                merge.take_in(log, file)


def test_many_balls_come_in_beside_a_kiosk_that_logs(tmp_path):
    """In turns of some balls, each short."""
    place = home(tmp_path)
    with Logbook(place, JumpingClock()) as log:
        player = log.add_player("Sam")
        session = log.start_session(player)
        for n in range(merge.A_TURN + 5):
            log.add_ball(session, some_ball(n), poses=some_poses(3, "light"))
        bundle.write(log, tmp_path / "s.zip", session, None)
    other = home(tmp_path / "other")
    with Logbook(other) as log:
        assert merge.take_in(log, tmp_path / "s.zip")["balls"] == merge.A_TURN + 5
        assert all(log.traces(b["id"]) for b in log.ball_rows(session))
