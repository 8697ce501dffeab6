"""Erasing: not a byte of the person is left in any file of the home, also when it was cut off or somebody was reading."""
from __future__ import annotations

import sqlite3
import struct
from contextlib import closing

import pytest

from kiosk import clips
from kiosk.faults import Fault
from kiosk.logbook import Logbook, erasing
from tests.kiosk.bowled import JumpingClock, agreed_player, home, some_ball, some_frames, some_poses


@pytest.fixture
def log(tmp_path):
    with Logbook(home(tmp_path), JumpingClock()) as log:
        yield log


def holding(folder, *words: bytes) -> list[str]:
    """Files with any of the words in their bytes."""
    return [p.name for p in folder.rglob("*") if p.is_file() and any(w in p.read_bytes() for w in words)]


@pytest.fixture
def two(log):
    """Two players; one has a session of his own, balls in the other's, clips, and all that can be written of him."""
    gone, other = agreed_player(log, "Fjölnir Ølgaard"), agreed_player(log, "Ben")
    log.add_consent(gone, "clips", "Ragnhild Ølgaard", "parent", note="paper in the Ølgaard folder")
    log.add_zero(gone, 179.0, 1.0)
    log.note_access("coach", "looked at clips", gone)
    own, shared = log.start_session(gone), log.start_session(other)
    for session, player in ((own, gone), (shared, gone), (shared, other)):
        for n in range(3):
            ball = log.add_ball(session, some_ball(n), player=player, poses=some_poses(60, "light", n))
            log.note_cue(ball, "hit", 1, 2)
            clips.keep(log, ball, some_frames(4, ball))
    return gone, other, own, shared


def test_erasing_leaves_no_byte_of_the_player(log, two):
    gone, other, own, shared = two
    words = "Ølgaard".encode(), gone.encode()
    picture = some_frames(4, 1)[0][1]
    assert set(holding(log.place.home, *words, picture)) >= {"creaseside.db-wal", "ball-000001.avi"}
    done = log.erase_player(gone)
    assert (done["sessions"], done["balls"], done["clips"], done["left"]) == (1, 6, 6, [])
    assert holding(log.place.home, *words, picture) == []
    assert [s["id"] for s in log.sessions()] == [shared] and len(log.balls(shared)) == 3
    assert {b["clip"] for b in log.balls(shared)} == {p.name for p in log.place.clips.iterdir()}
    assert log._db.execute("pragma foreign_key_check").fetchall() == []
    assert {k: log.erasures()[0][k] for k in ("what", "balls", "clips")} == {"what": "player", "balls": 6, "clips": 6}


def test_an_erasure_that_was_cut_off_is_finished_by_the_next_start(log, two, monkeypatch):
    monkeypatch.setattr(erasing, "finish", lambda log: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        log.erase_player(two[0])
    words = "Ølgaard".encode(), some_frames(4, 1)[0][1]
    assert holding(log.place.home, *words)
    monkeypatch.undo()
    Logbook(log.place, log.clock).close()
    assert holding(log.place.home, *words) == []


def test_erasing_beside_a_reader_says_that_bytes_remain(log, two):
    log._db.execute("pragma busy_timeout = 0")
    with closing(sqlite3.connect(log.place.log)) as reader:
        reader.execute("begin")
        reader.execute("select * from player").fetchone()
        with pytest.raises(Fault, match="reading the log"):
            log.erase_player(two[0])
    assert [p["shown_name"] for p in log.players()] == ["Ben"]
    with Logbook(log.place, log.clock) as again:
        assert again.notice is None
    assert holding(log.place.home, "Ølgaard".encode()) == []


def test_a_session_goes_with_its_balls(log, two):
    gone, other, own, shared = two
    assert log.erase_session(shared)["balls"] == 6
    assert [s["id"] for s in log.sessions()] == [own] and len(log.players()) == 2


def test_what_may_still_hold_the_name_is_named(log, two):
    log.place.details.write_text("players add Fjölnir Ølgaard")
    other = log.start_session(two[1], venue="net 2", coach="Fjölnir Ølgaard")
    (log.place.home / "creaseside.db.damaged-20260101-000000").write_bytes(b"?")
    assert log.erase_player(two[0])["left"] == ["creaseside.db.damaged-20260101-000000",
                                                f"creaseside.db (coach of session {other})"]
    assert not log.place.details.exists()


def test_no_word_of_a_player_is_left_of_anything_that_can_be_kept(log, two):
    """Height, card, zero, access, consent, speed, feedback, half a clip, a fault's story: all files, the WAL too."""
    gone, other, own, shared = two
    log.add_height(gone, 1.8137)
    number = log.card(gone)
    log.note_speed(1, 123.25)
    log.note_feedback(1, "replay", 1, 2)
    (log.place.clips / "ball-000001.avi.part").write_bytes(b"half Fj\xc3\xb6lnir")
    log.place.details.write_text(f"export --player {gone}")
    rows = {t: log._db[t].count for t in ("height", "zero", "access", "consent", "feedback", "trace")}
    log.erase_player(gone)
    words = "Ølgaard".encode(), "Fjölnir".encode(), gone.encode(), struct.pack(">d", 1.8137), struct.pack(">d", 123.25)
    assert holding(log.place.home, *words) == []
    assert all(log._db[t].count < n for t, n in rows.items())
    assert log.player_of_card(number) is None
    assert not any(gone in str(row) or "Fj" in str(row) for row in log._db["erasure"].rows)


def test_a_log_with_nobody_in_it_is_told_so(log):
    with pytest.raises(Fault, match="no such player"):
        log.erase_player("p-none")
