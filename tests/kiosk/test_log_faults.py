"""What a kiosk's life does to a log: it is killed, the disk fills, bytes rot, programs are older than their log."""
from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from typing import Callable

import pytest

from kiosk import avi, clips
from kiosk.__main__ import main
from kiosk.faults import Fault
from kiosk.logbook import Logbook, Reader, file, steps
from kiosk.place import Place
from tests.kiosk.bowled import agreed_player, home, some_ball, some_frames, some_poses, sums


def sound(place: Place) -> bool:
    with closing(sqlite3.connect(place.log)) as db:
        return (db.execute("pragma integrity_check").fetchone()[0] == "ok"
                and not db.execute("pragma foreign_key_check").fetchall())


# Killed

def bowl_for_ever(place: Place, session: str, acks) -> None:
    """In a process of its own: log, acknowledge, keep the clip; until somebody kills it."""
    with Logbook(place) as log:
        number = len(log.balls(session))
        while True:
            number += 1
            ball = log.add_ball(session, some_ball(number), number, poses=some_poses(30, "heavy", number))
            acks.send(number)
            clips.keep(log, ball, some_frames(3, number))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork for a quick child")
def test_25_kills_lose_no_ball_that_was_acknowledged(tmp_path):
    place, chance, apart = home(tmp_path), random.Random(25), multiprocessing.get_context("fork")
    with Logbook(place) as log:
        session = log.start_session(agreed_player(log))
    acked = 0
    for _ in range(25):
        ours, theirs = apart.Pipe(duplex=False)
        child = apart.Process(target=bowl_for_ever, args=(place, session, theirs), daemon=True)
        child.start()
        theirs.close()
        for _ in range(chance.randrange(1, 12)):
            acked = ours.recv()
        os.kill(child.pid, signal.SIGKILL)
        child.join()
        try:
            while True:
                acked = ours.recv()     # what it had still acknowledged before it died
        except EOFError:
            pass
        with Logbook(place) as log:
            clips.sweep(log)
            logged = [b["ball"] for b in log.balls(session)]
            assert log.notice is None and logged == list(range(1, len(logged) + 1))
            assert acked <= len(logged) <= acked + 1
            files = {c["file"] for c in log.clips()}
            assert files == {p.name for p in place.clips.iterdir()}
            assert all(len(list(avi.frames(place.clips / f))) == 3 for f in files)
        assert sound(place)
    assert acked >= 25


# Full

@pytest.fixture
def small_disk(tmp_path):
    """A disk of 3 MB."""
    if sys.platform != "linux" or os.geteuid():
        pytest.skip("only root can mount a disk of 3 MB")
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", tmp_path], capture_output=True).returncode:
        pytest.skip("no mounting in here")
    yield tmp_path
    subprocess.run(["umount", "-l", tmp_path], check=True)


def fill_and_mend(log: Logbook, more_room: Callable[[int], None]) -> None:
    """more_room: gives so many bytes more."""
    session, large = log.start_session(), some_poses(180, "light")      # a trace of 143 kB
    balls = 0

    def bowl() -> bool:
        """Whether a ball went in; then it has its traces, or it is said why not."""
        nonlocal balls
        try:
            ball = log.add_ball(session, some_ball(1), poses=large)
        except Fault as e:
            assert "full disk" in str(e) and log.trouble
            return False
        balls += 1
        assert bool(log.traces(ball)) is (log.trouble is None)
        return True

    while bowl() and not log.trouble:
        assert balls < 100
    assert balls > 2
    for room in (0, 64 << 10):          # enough for some balls, too little for a trace
        more_room(room)
        before = balls
        while bowl():
            assert "full disk" in str(log.trouble) and balls < 500
        assert balls > before or not room
    assert len(log.balls(session)) == balls
    more_room(1 << 20)
    assert bowl() and log.trouble is None
    assert len(log.balls(session)) == balls


def test_a_full_disk_costs_traces_first_and_mends_itself(small_disk):
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(1_500_000))
    with Logbook(home(small_disk)) as log:
        fill_and_mend(log, lambda room: os.truncate(ballast, max(0, ballast.stat().st_size - room)))
    assert sound(log.place)


def test_a_full_log_costs_traces_first_and_mends_itself(tmp_path):
    """The same wherever it runs: SQLite's own limit of pages gives the same fault as a full disk."""
    with Logbook(home(tmp_path)) as log:
        def more_room(room: int) -> None:
            pages = log._db.execute("pragma page_count").fetchone()[0]
            log._db.execute(f"pragma max_page_count = {pages + room // 4096}").fetchone()
        more_room(1 << 20)
        fill_and_mend(log, more_room)
    assert sound(log.place)


# A disk that goes read-only, and comes back

def held(place: Place) -> list[str]:
    """Files of the home that this process has open."""
    fds = [os.path.join("/proc/self/fd", fd) for fd in os.listdir("/proc/self/fd")]
    return [there for there in (os.path.realpath(fd) for fd in fds) if there.startswith(str(place.home))]


def refuse(log: Logbook) -> None:
    log._db.execute("pragma query_only = on")       # SQLite then says of this connection what it says of a disk that is read-only


@pytest.mark.skipif(sys.platform != "linux", reason="needs /proc")
def test_a_log_whose_disk_refuses_is_let_go_of_and_comes_back_by_itself(tmp_path):
    with Logbook(home(tmp_path)) as log:
        session = log.start_session(log.add_player("Sam"))
        log.add_ball(session, some_ball(1))
        refuse(log)
        with pytest.raises(Fault, match="may not be written"):
            log.add_ball(session, some_ball(2), poses=some_poses(20, "light"))
        assert log.down and held(log.place) == []
        assert len(log.balls(session)) == 1 and log.players()[0]["shown_name"] == "Sam" and held(log.place) == []
        log.add_ball(session, some_ball(2))
        assert not log.down and [b["ball"] for b in log.balls(session)] == [1, 2]
    assert sound(log.place)


@pytest.mark.skipif(sys.platform != "linux", reason="needs /proc")
def test_a_log_that_is_not_there_or_is_another_is_not_written(tmp_path):
    place, aside = home(tmp_path), tmp_path / "aside"
    with Logbook(place) as log:
        session = log.start_session()
        refuse(log)
        with pytest.raises(Fault):
            log.add_ball(session, some_ball(1))
        place.home.rename(aside)
        place.home.mkdir()                           # where its disk was mounted
        for doing in (lambda: log.add_ball(session, some_ball(1)), log.take_up, log.players):
            with pytest.raises(Fault, match="cannot be opened"):
                doing()
        assert list(place.home.iterdir()) == []
        with Logbook(Place(tmp_path / "other", quiet=True)) as other:
            other.start_session()
        (tmp_path / "other" / place.log.name).rename(place.log)
        with pytest.raises(Fault, match="another log"):
            log.take_up()
        assert log.down and held(place) == []
        place.log.unlink()
        for file_ in aside.iterdir():
            file_.rename(place.home / file_.name)
        log.take_up()
        log.add_ball(session, some_ball(1))
        assert [b["ball"] for b in log.balls(session)] == [1]
    assert sound(place)


def test_a_damaged_log_that_comes_back_is_left_for_the_next_start(tmp_path):
    place = filled(tmp_path)
    with Logbook(place) as log:
        refuse(log)
        with pytest.raises(Fault):
            log.add_player("Kim")
        place.log.write_bytes(place.log.read_bytes()[:8192])
        with pytest.raises(Fault, match="damaged"):
            log.add_player("Kim")
        assert log.down
    with Logbook(place) as log:
        assert log.notice and "damaged" in log.notice


# Damaged, foreign, newer, out of reach

def filled(tmp_path) -> Place:
    place = home(tmp_path)
    with Logbook(place) as log:
        session = log.start_session(log.add_player("Sam"))
        for n in range(20):
            log.add_ball(session, some_ball(n), poses=some_poses(20, "light"))
    return place


def header(data: bytes) -> bytes:
    return b"not a database at all" + data[21:]


def half(data: bytes) -> bytes:
    return data[:len(data) // 2 // 4096 * 4096]


def torn(data: bytes) -> bytes:
    return data[:-1000]


def schema_page(data: bytes) -> bytes:
    return data[:100] + b"\xff" * 400 + data[500:]


def inner_pages(data: bytes) -> bytes:
    return data[:4096] + b"\xa5" * (len(data) - 4096)


def text(data: bytes) -> bytes:
    return b"dear diary"


@pytest.mark.parametrize("rot", [header, half, torn, schema_page, inner_pages, text])
def test_a_damaged_log_is_put_aside_and_a_new_one_begins(tmp_path, rot):
    place = filled(tmp_path)
    rotten = rot(place.log.read_bytes())
    place.log.write_bytes(rotten)
    with Logbook(place) as log:
        assert "damaged" in log.notice and "\n" not in log.notice
        assert log.players() == []
        log.add_player("Kim")
    aside, = (p for p in place.home.glob("creaseside.db.damaged-*") if not p.name.endswith(("-wal", "-shm")))
    assert aside.read_bytes() == rotten and sound(place)
    with Logbook(place) as log:
        assert log.notice is None and len(log.players()) == 1


def test_a_reader_of_a_damaged_log_says_so_and_moves_nothing(tmp_path):
    place = filled(tmp_path)
    place.log.write_bytes(header(place.log.read_bytes()))
    with pytest.raises(Fault, match="no log"):
        Reader(place)
    assert not list(place.home.glob("*damaged*"))


@pytest.mark.parametrize("door", [Logbook, Reader])
@pytest.mark.parametrize("pragma, words", [(f"user_version = {len(steps.STEPS) + 1}", "newer program"),
                                           ("application_id = 7", "another program")])
def test_a_log_that_is_not_for_this_program_is_left_untouched(tmp_path, door, pragma, words):
    place = filled(tmp_path)
    with closing(sqlite3.connect(place.log)) as db:
        db.execute(f"pragma {pragma}")
    before = place.log.read_bytes()
    with pytest.raises(Fault, match=words):
        door(place)
    assert place.log.read_bytes() == before and not list(place.home.glob("*damaged*"))


def test_a_table_that_somebody_else_made_is_not_taken_over(tmp_path):
    place = home(tmp_path)
    with closing(sqlite3.connect(place.log)) as db:
        db.execute("create table recipes (id)")
    with pytest.raises(Fault, match="another program"):
        Logbook(place)


def test_an_empty_file_becomes_a_log(tmp_path):
    place = home(tmp_path)
    place.log.touch()
    with Logbook(place) as log:
        assert log.notice is None and log.players() == []


def test_a_log_that_cannot_be_opened_is_a_fault_and_stays_where_it_is(tmp_path):
    place = home(tmp_path)
    place.log.mkdir()
    for door in (Logbook, Reader):
        with pytest.raises(Fault, match="creaseside.db"):
            door(place)
    assert place.log.is_dir()


def test_a_log_that_somebody_holds_shut_is_a_fault_and_not_damaged(tmp_path, monkeypatch):
    monkeypatch.setattr(file, "BUSY_S", 0.0)
    place = filled(tmp_path)
    with closing(sqlite3.connect(place.log, isolation_level=None)) as holder:
        holder.execute("pragma locking_mode = exclusive").fetchone()
        holder.execute("begin exclusive")
        with pytest.raises(Fault, match="another program"):
            Logbook(place)
        holder.execute("rollback")
    Logbook(place).close()
    assert not list(place.home.glob("*damaged*"))


@pytest.mark.skipif(sys.platform == "win32" or not os.geteuid(), reason="root may write everything")
def test_a_log_that_may_not_be_written_is_a_fault(tmp_path):
    place = filled(tmp_path)
    place.home.chmod(0o500)
    with pytest.raises(Fault):
        Logbook(place)
    place.home.chmod(0o700)


def most(data: bytes) -> bytes:
    return data[:len(data) * 3 // 4 // 4096 * 4096]


def leaf(data: bytes) -> bytes:
    """The last page that holds rows of balls is gone."""
    at = data.rindex(b"dense track") // 4096 * 4096 if b"dense track" in data else len(data) - 4096
    return data[:at] + b"\xa5" * 4096 + data[at + 4096:]


@pytest.mark.parametrize("rot", [most, leaf])
def test_a_reader_reads_what_can_be_read_of_a_damaged_log_and_says_so(tmp_path, rot):
    place = filled(tmp_path)
    whole = place.log.read_bytes()
    place.log.write_bytes(rot(whole))
    with Reader(place) as log:
        names, balls = [p["shown_name"] for p in log.players()], log.balls()
        assert "damaged" in log.notice and "\n" not in log.notice
    with Reader(place) as log:
        rows = [row for row in log.ball_rows() if row["number"]]
        assert sum(balls for _, _, balls, _ in sums(log)) == sum(row["player"] is not None for row in rows)
    assert names == ["Sam"] and 0 < len(balls) < 20 and len(rows) == len(balls)
    assert place.log.read_bytes() == rot(whole) and [p.name for p in place.home.glob("*damaged*")] == []


def test_a_list_of_tables_that_is_no_text_any_more_is_a_damaged_log(tmp_path):
    """SQLite's complaint quotes the bytes; they are no UTF-8."""
    place = filled(tmp_path)
    data = place.log.read_bytes()
    at = data.index(b"CREATE TABLE", 100)
    place.log.write_bytes(data[:at] + b"CREATE \xce(BLE" + data[at + 12:])
    with pytest.raises(UnicodeDecodeError), closing(sqlite3.connect(place.log)) as db:
        db.execute("select * from sqlite_schema").fetchall()
    with Reader(place) as log:
        assert [p["shown_name"] for p in log.players()] == ["Sam"] and "damaged" in log.notice and "\n" not in log.notice
    with Logbook(place) as log:
        assert "damaged" in log.notice and "\n" not in log.notice and log.players() == []


def rot_between(place: Place) -> None:
    """Spoil a page between others, which no start reads by itself."""
    data = place.log.read_bytes()
    for at in range(len(data) // 8192 * 4096, len(data), 4096):
        place.log.write_bytes(data[:at] + b"\xa5" * 4096 + data[at + 4096:])
        if file.damage(place.log) is None and file.damage(place.log, whole=True) and unreadable(place):
            return
    raise AssertionError("every page is read at the start")


def unreadable(place: Place) -> bool:
    """Whether a track is on the page that was spoilt."""
    with closing(sqlite3.connect(place.log)) as db:
        try:
            return not db.execute("select * from trace").fetchall()
        except sqlite3.DatabaseError:
            return True


def test_a_page_that_turns_out_to_be_damaged_later_is_put_aside_at_the_next_start(tmp_path):
    place = filled(tmp_path)
    rot_between(place)
    with Logbook(place) as log:
        assert log.notice is None
        with pytest.raises(Fault, match="damaged"):
            [log.traces(ball["id"]) for ball in log.ball_rows()]
    with Logbook(place) as log:
        assert "damaged" in log.notice and log.players() == []
    with Logbook(place) as log:
        assert log.notice is None and not file.suspected(place.log).exists()


@pytest.mark.parametrize("words", [["sessions", "list"], ["players", "list"], ["export", "SESSION", "--format", "csv"]])
def test_commands_that_only_read_say_that_the_log_is_damaged_and_go_on(tmp_path, capfd, words):
    place = filled(tmp_path)
    with Reader(place) as log:
        session = log.sessions()[0]["id"]
    place.log.write_bytes(most(place.log.read_bytes()))
    before = place.log.read_bytes()
    to = ["-o", str(tmp_path / "b.csv")] if "export" in words else []
    assert main(["--home", str(place.home), *(session if w == "SESSION" else w for w in words), *to]) == 0
    out, err = capfd.readouterr()
    assert out.strip() and "is damaged" in err and "what can be read" in err
    assert place.log.read_bytes() == before


def test_a_name_whose_bytes_rotted_stops_nobody(tmp_path):
    """SQLite's own check passes over text that is no UTF-8."""
    place = filled(tmp_path)
    place.log.write_bytes(place.log.read_bytes().replace(b"Sam", b"S\xa0m"))
    for door in (Logbook, Reader):
        with door(place) as log:
            assert [p["shown_name"] for p in log.players()] == ["S\ufffdm"]
