"""The logbook on a real SQLite file: what goes in comes out, with the schema that the contract names."""
from __future__ import annotations

import os
import sqlite3
import stat
from contextlib import closing
from dataclasses import replace
from datetime import date, datetime, timedelta
from threading import Thread

import pytest
from sqlite_utils import Database

from creaseside import joints
from creaseside.ball import QUANTITIES, as_json
from creaseside.rows import MEASURES
from creaseside.settings import FocusCue, Settings
from creaseside.stamps import NS
from kiosk.clips import Written
from kiosk.faults import Fault
from kiosk.logbook import Logbook, Reader, file, steps, views
from kiosk.marks import Marks
from tests.faults.net import marks as net_marks
from tests.kiosk.bowled import JumpingClock, home, same_poses, some_ball, some_poses, sums

NAMES = ["Zoë O'Connor", '"; drop table player; --', "<script>alert(1)</script>", "عمر الفاروق", "נועם",
         "आरव", "👩🏽‍🚀 Ana", "\\N'", "NULL", "0"]


@pytest.fixture
def clock():
    return JumpingClock()


@pytest.fixture
def log(tmp_path, clock):
    with Logbook(home(tmp_path), clock) as log:
        yield log


def raw(log) -> closing:
    return closing(sqlite3.connect(log.place.log))


def schema(path) -> list:
    with closing(sqlite3.connect(path)) as db:
        return db.execute("select type, name, sql from sqlite_schema order by type, name").fetchall()


# The schema

def test_every_quantity_has_its_typed_column_and_its_sd(log):
    types = {c.name: c.type for c in log._db["ball"].columns}
    assert {n: t for n, t in types.items() if n in MEASURES} == {n: "REAL" for n in MEASURES}
    named_by_unit = {n for n in types if n.removesuffix("_sd").rsplit("_", 1)[-1] in ("deg", "m", "s")}
    assert named_by_unit <= {*MEASURES, "release_to_verdict_s", "release_to_cue_s"}
    assert {*MEASURES} < {c.name for c in log._db["balls"].columns}


def test_a_new_quantity_gets_its_column_in_an_old_log(log, monkeypatch):
    monkeypatch.setattr(steps, "MEASURES", {**MEASURES, "elbow_deg": float})
    with log.writing("to add a column") as db:
        steps.measures(db)
        steps.measures(db)
    assert log._db["ball"].columns_dict["elbow_deg"] is float


def test_every_table_is_strict(log):
    assert all(t.strict for t in log._db.tables) and len(log._db.tables) == 16


@pytest.mark.parametrize("column, value", [("quality", "good"), ("thrown_ns", "soon"), ("thrown_ns", 1.5),
                                           ("front_knee_ffc_deg", "straight"), ("flags", b"dim"), ("session", None)])
def test_a_value_of_the_wrong_type_is_refused(log, column, value):
    ball = log.add_ball(log.start_session(), some_ball(0))
    with raw(log) as db, pytest.raises(sqlite3.IntegrityError):
        db.execute(f"update ball set {column} = ? where id = ?", (value, ball))


def test_a_ball_of_nobodys_session_is_refused(log):
    with pytest.raises(Fault, match="no such session"):
        log.add_ball("s-none", some_ball(0))
    with pytest.raises(sqlite3.IntegrityError), log.writing("to test") as db:
        db["block"].insert({"session": "s-none", "ordinal": 1, "kind": "focus"})


def test_the_file_is_written_safely_and_for_its_owner_alone(log):
    pragma = {p: log._db.execute(f"pragma {p}").fetchone()[0]
              for p in ("journal_mode", "synchronous", "foreign_keys", "secure_delete")}
    assert pragma == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "secure_delete": 1}
    log.add_player("Sam")
    if os.name == "posix":
        assert stat.S_IMODE(log.place.home.stat().st_mode) == 0o700
        for beside in log.place.home.glob("creaseside.db*"):
            assert stat.S_IMODE(beside.stat().st_mode) == 0o600, beside


def older(place, version: int) -> dict[str, list[tuple]]:
    """A log of that version with a row in every table that it has; what it holds, by table."""
    with closing(sqlite3.connect(place.log, isolation_level=None)) as conn:
        conn.execute(f"pragma application_id = {file.OURS}")
        conn.execute("pragma foreign_keys = on")
        db = Database(conn)
        steps.step_up(db, steps.STEPS[:version])
        assert conn.execute("pragma user_version").fetchone()[0] == version
        for name in db.table_names():
            if name == "bowled":
                continue                      # counts the ball by itself
            values = {"TEXT": "1", "INTEGER": 1, "REAL": 1.5, "BLOB": bytes(8)}
            refers = {k.column for k in db[name].foreign_keys}
            row = {c.name: 1 if c.name in refers and c.type == "INTEGER" else values[c.type] for c in db[name].columns}
            plain = {"flags": "[]", "not_measured": "{}", "pending": None, "may_keep": "numbers", "faces": "blurred"}
            db[name].insert({column: plain.get(column, value) for column, value in row.items()})
        return content(db)


def content(db: Database) -> dict[str, list[tuple]]:
    return {name: [(c.name, row[c.name]) for row in db[name].rows for c in db[name].columns]
            for name in db.table_names()}


@pytest.mark.parametrize("version", range(len(steps.STEPS) + 1))
def test_every_older_version_steps_up_with_its_rows(tmp_path, version):
    """And a second time nothing changes."""
    place, fresh = home(tmp_path), home(tmp_path / "fresh")
    before = older(place, version)
    Logbook(fresh).close()
    for _ in range(2):
        with Logbook(place) as log:
            after = content(log._db)
            assert {name: [r for r in after[name] if r in rows] for name, rows in before.items()} == before
            assert log._db.execute("pragma foreign_key_check").fetchall() == []
            assert log._db.execute("pragma integrity_check").fetchone()[0] == "ok"
        assert schema(place.log) == schema(fresh.log)
    with Reader(place) as log:
        assert len(log.players()) == (version > 0)


@pytest.mark.parametrize("name", views.VIEWS)
def test_every_view_has_the_columns_types_and_rows_that_it_says(tmp_path, name):
    """Types as SQLite stores what is in them."""
    place = home(tmp_path)
    with Logbook(place) as log:
        player = log.add_player("Sam", age_group="adult")
        session = log.start_session(player)
        ball = log.add_ball(session, some_ball(3), block=log.add_block(session, "focus", 3))
        log.note_cue(ball, "hit", 1, 2)
        log.note_clip(ball, Written("ball-000001.avi", 64, 48, (1, 2), 9, "ab"), log.today())
        found = list(log._db[name].rows)
    columns = views.VIEWS[name][0]
    assert len(found) == 1 and list(found[0]) == [c.name for c in columns]
    kinds = {"text": str, "integer": int, "real": float}
    assert all(isinstance(v, (kinds[c.type], type(None))) for c, v in zip(columns, found[0].values()))
    assert all(c.meaning for c in columns)
    named_by_unit = {"deg": "deg", "m": "m", "s": "s", "ns": "ns", "utc": "UTC", "min": "min"}
    for c in columns:
        unit = named_by_unit.get(c.name.removesuffix("_sd").rsplit("_", 1)[-1])
        assert c.unit == unit or c.unit in ("m/s", "JSON", "") or unit is None or c.name.startswith("front_knee_min"), c


def test_what_erasing_looks_for_is_found_by_an_index(log):
    """Else every block and zero of a player costs a look at every ball. Set-ups and programs are never erased."""
    def way(table: str, column: str) -> str:
        return str(log._db.execute(f"explain query plan select 1 from {table} where {column} = ?", ["x"]).fetchall())
    slow = {(t.name, k.column) for t in log._db.tables for k in t.foreign_keys if "SCAN" in way(t.name, k.column)}
    assert slow <= {(t, c) for t in ("session", "ball", "zero") for c in ("program", "setup")} | {("session", "player")}


def test_a_step_that_fails_is_not_half_taken(tmp_path):
    def torn(db):
        db["torn"].create({"id": int})
        raise OSError("cut")
    with closing(sqlite3.connect(tmp_path / "log.db", isolation_level=None)) as conn:
        with pytest.raises(OSError):
            steps.step_up(Database(conn), [steps.people, torn])
        assert conn.execute("pragma user_version").fetchone()[0] == 1
        assert not conn.execute("select 1 from sqlite_schema where name = 'torn'").fetchall()


def test_days_are_counted_right_whatever_becomes_of_their_balls(tmp_path, log, clock):
    ana, ben = log.add_player("Ana"), log.add_player("Ben")
    sessions = {of: log.start_session(of) for of in (ana, ben, None)}
    first = [log.add_ball(session, some_ball(seed)) for session in sessions.values() for seed in range(4)]
    log.add_ball(sessions[ana], some_ball(4), player=ben)                       # in somebody else's session
    late = log.add_ball(sessions[ana], some_ball(5), thrown_ns=clock.now_ns() - 40 * 3600 * NS)
    days = sums(log)
    assert [(player, balls) for player, _, balls, _ in sorted(days)] == sorted([(ana, 1), (ana, 4), (ben, 5)])
    assert 0 < sum(flagged for *_, flagged in days) < 10
    log.complete_ball(first[0], some_ball(6), thrown_ns=clock.now_ns() - 90 * 3600 * NS)        # it was the day before, and its flags
    assert len(sums(log)) == len(days) + 1
    log.note_cue(first[1], "hit", 1, 2)
    by_hand = log.add_counted(sessions[ben])
    assert sums(log) != days
    log.remove_counted(by_hand)
    log.add_consent(ana, "none", "Ana")
    log.add_ball(sessions[ana], some_ball(7))
    with log.writing("to give a ball to another player") as db:
        db["ball"].update(late, {"player": ben})
        db["ball"].update(first[2], {"player": None})
    days = sums(log)
    with pytest.raises(RuntimeError), log.writing("to fail") as db:
        db["ball"].delete(first[3])
        raise RuntimeError
    assert sums(log) == days
    log.erase_session(sessions[ben])
    assert {player for player, *_ in sums(log)} == {ana, ben}
    log.erase_player(ana)
    assert {player for player, *_ in sums(log)} == {ben}
    log.erase_player(ben)
    assert sums(log) == []


def test_the_days_of_an_older_log_are_counted_when_it_steps_up(tmp_path):
    place = home(tmp_path)
    older(place, 16)
    with closing(sqlite3.connect(place.log, isolation_level=None)) as conn:
        conn.execute("update ball set thrown_utc = '2026-10-09T18:45:00.000Z', utc_offset_min = 330, flags = '[\"dim\"]'")
    with Logbook(place) as log:
        assert [row[1:] for row in sums(log)] == [("2026-10-10", 1, 1)]


def test_a_ball_whose_time_is_no_time_is_kept_all_the_same(log):
    ball = log.add_ball(log.start_session(log.add_player("Sam")), some_ball(0))
    with log.writing("to test") as db:
        db["ball"].update(ball, {"thrown_utc": "soon"})
    assert log.ball(ball)["thrown_utc"] == "soon" and log._db["bowled"].count == 0


# Balls

def test_a_zero_holds_for_its_own_set_up_and_for_the_table_of_joints_that_read_it(log, monkeypatch):
    player = log.add_player("Sam")
    there, elsewhere = (log.note_setup(replace(net_marks(), k1=k1)) for k1 in (0.0, 0.1))
    zero = log.add_zero(player, 178.5, 0.8, there)

    def points_to(setup: int) -> int | None:
        return log.ball(log.add_ball(log.start_session(player, setup=setup), some_ball(1)))["zero"]
    assert points_to(there) == zero and points_to(elsewhere) is None
    monkeypatch.setitem(joints.NEAR, "knee", ((9.0, 9.0), (0.0, 0.0)))
    assert points_to(there) is None and log.zero(player)["id"] == zero
    assert log.add_zero(player, 181.0, 0.8, there) == points_to(there) != zero
    monkeypatch.undo()
    assert points_to(there) == zero


@pytest.mark.parametrize("seed", range(20))
def test_a_ball_comes_back_as_the_json_it_would_have_been(log, seed):
    ball, session = some_ball(seed), log.start_session()
    log.add_ball(session, ball, 7, release_to_verdict_s=0.31)
    assert log.balls(session) == [as_json(ball, 7, None, 0.31)]


def test_traces_and_columns_of_a_ball(log, clock):
    player = log.add_player("Sam")
    session = log.start_session(player, program=log.note_program("0.1", {"light": "ab"}, Settings()))
    light, heavy = some_poses(90, "light"), some_poses(40, "heavy", 1)
    ball = log.add_ball(session, some_ball(1), block=log.add_block(session, "baseline", 6), ball_speed_km_h=112.5,
                        zero=log.add_zero(player, 178.5, 0.8), poses=[*light, *heavy], feedback="cue")
    traces = log.traces(ball)
    assert same_poses(traces["light"], light) and same_poses(traces["heavy"], heavy) and len(traces) == 2
    row, = log.ball_rows(session)
    assert (row["id"], row["number"], row["player"]) == (ball, 1, player)
    assert (row["block"], row["block_kind"]) == (1, "baseline")
    assert (row["ball_speed_km_h"], row["feedback"], row["source"]) == (112.5, "cue", "seen")
    assert log.program(row["program"])["models"] == {"light": "ab"}
    assert log.zero(player)["knee_deg"] == 178.5 and log.zero(player, 5) is None


def test_numbers_count_up_and_none_comes_twice(log):
    session = log.start_session()
    log.add_ball(session, some_ball(1))
    log.add_ball(session, some_ball(2), 5)
    log.add_counted(session)
    assert [b["ball"] for b in log.balls(session)] == [1, 5, 6]
    assert log.ball_rows(session)[-1]["source"] == "added by hand"
    with pytest.raises(Fault, match="ball 5"):
        log.add_ball(session, some_ball(3), 5)


def test_the_cues_times_join_the_ball(log, clock):
    session = log.start_session()
    seen = next(b for b in map(some_ball, range(99)) if b["br_s"])
    unseen = next(b for b in map(some_ball, range(99)) if not b["br_s"])
    for ball in (seen, unseen):
        id = log.add_ball(session, ball, thrown_ns=clock.now_ns())
        log.note_cue(id, "hit", clock.now_ns() + NS, clock.now_ns() + NS + NS // 2, "sounddevice")
    assert [b["release_to_cue_s"] for b in log.balls(session)] == [1.5, None]
    assert log.ball(id)["cue_heard_ns"] - log.ball(id)["cue_asked_ns"] == NS // 2
    log.note_feedback(id, "replay", 1, 2)
    assert [f["kind"] for f in log._select("select kind from feedback where ball = ?", id)] == ["cue", "replay"]


def test_a_clock_that_is_put_forward_moves_no_ball(log, clock):
    session = log.start_session()
    clock.pass_s(60)
    clock.ahead = timedelta(days=1)
    log.add_ball(session, some_ball(0), thrown_ns=clock.now_ns())
    row = log.ball_rows(session)[0]
    assert row["thrown_utc"] > log.session(session)["started_utc"]
    assert row["thrown_utc"][:10] == log.session(session)["started_utc"][:10]


def test_balls_after_a_sleep_of_the_machine_have_their_own_time(log, clock):
    session = log.start_session()
    log.add_ball(session, some_ball(0), thrown_ns=clock.now_ns())
    clock.sleep_s(2 * 3600)
    clock.pass_s(60)
    log.add_ball(session, some_ball(1), thrown_ns=clock.now_ns())
    first, second = (datetime.fromisoformat(r["thrown_utc"].replace("Z", "")) for r in log.ball_rows(session))
    assert second - first == timedelta(hours=2, minutes=1)
    assert log.wall(session) == clock.utc_and_ns()[0]


def test_sessions_and_players_are_listed_newest_first(log, clock):
    for name in ("Ana", "Ben"):
        player = log.add_player(name)
        focus = FocusCue("front_knee_ffc_deg", at_least=150.0)
        session = log.start_session(player, venue="net 2", focus=focus, plan=[6, 12])
        clock.pass_s(1)
    log.end_session(session)
    assert [p["shown_name"] for p in log.players()] == ["Ben", "Ana"]
    assert log.sessions()[0]["id"] == session and log.sessions()[0]["ended_utc"]
    assert [s["id"] for s in log.sessions(player)] == [session]
    found = log.session(session)
    assert (found["plan"], found["at_least"], found["measure"]) == ([6, 12], 150.0, "front_knee_ffc_deg")
    log.add_ball(found["id"], some_ball(0), player=log.players()[1]["id"])   # Ana bowls one in Ben's session
    assert [s["id"] for s in log.sessions(log.players()[1]["id"])][0] == session


def test_heights_are_kept_with_their_days_and_the_latest_is_the_players(log, clock):
    player = log.add_player("Ana", height_m=1.52)
    log.add_height(player, 1.45, date(2025, 6, 1))
    assert log.player(player)["height_m"] == 1.52
    clock.ahead = timedelta(days=90)
    log.add_height(player, 1.55)
    log.add_height(player, 1.56)
    assert log.heights(player) == [{"height_m": h, "measured_on": on} for h, on in
                                   ((1.45, "2025-06-01"), (1.52, "2026-01-01"), (1.56, "2026-04-01"))]
    assert (log.player(player)["height_m"], log.player(player)["height_on"]) == (1.56, "2026-04-01")
    for height_m, on in ((3.0, None), (1.6, date(2026, 4, 2))):
        with pytest.raises(Fault, match="height"):
            log.add_height(player, height_m, on)


def test_the_height_of_an_older_log_is_its_first(tmp_path):
    place = home(tmp_path)
    with closing(sqlite3.connect(place.log, isolation_level=None)) as conn:
        conn.execute(f"pragma application_id = {file.OURS}")
        steps.step_up(Database(conn), steps.STEPS[:8])
        conn.execute("insert into player (id, shown_name, height_m, created_utc) values ('p-old', 'Old', 1.7, '2026-01-01T09')")
    with Reader(place) as log:
        assert log.heights("p-old") == [{"height_m": 1.7, "measured_on": "2026-01-01"}]


def test_a_workload_table_is_noted_when_it_changes(log, clock):
    for text in ("a", "a", "b", "a"):
        log.note_guidance(text)
    assert [g["text"] for g in log.guidances()] == ["a", "b", "a"]


@pytest.mark.parametrize("name", NAMES)
def test_any_name_comes_back_as_it_was(log, name):
    assert log.player(log.add_player(name))["shown_name"] == name


@pytest.mark.parametrize("name", ["", "  ", "a" * 61, "a\x1b[2J", "a\u202eb", "a\x00b"])
def test_what_is_no_name_is_refused(log, name):
    with pytest.raises(Fault, match="name"):
        log.add_player(name)


def test_one_setup_is_one_row(log):
    marks = Marks(1280, 720, {"middle_stump_base": (812.4, 497.0)}, focal_px=1200.0)
    assert log.note_setup(marks) == log.note_setup(marks)
    assert log.note_setup(Marks(1280, 720, {"middle_stump_base": (812.5, 497.0)})) != 1
    assert log.setup(1)["marks"]["marks"]["middle_stump_base"] == [812.4, 497.0]


def test_who_wants_no_numbers_kept_is_counted_and_no_more(log):
    player = log.add_player("Sam", age_group="adult")
    log.add_consent(player, "none", "Sam")
    session = log.start_session(player)
    ball = log.add_ball(session, some_ball(1), poses=some_poses(9, "light"))
    said, = log.balls(session)
    assert all(said[q.name] is None for q in QUANTITIES) and said["verdict"] is None and not log.traces(ball)


# Readers, copies and other writers

def test_a_reader_reads_beside_a_writer_and_cannot_write(log):
    session = log.start_session()
    with Reader(log.place, log.clock) as reader:
        log.add_ball(session, some_ball(1))
        assert reader.balls(session) == log.balls(session)
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader._db.execute("delete from ball")


def test_a_log_that_is_not_there_yet_reads_as_empty(tmp_path):
    with Reader(home(tmp_path)) as reader:
        assert reader.players() == reader.sessions() == reader.balls() == []
    assert not home(tmp_path).log.exists()


def test_threads_write_whole_balls_one_after_the_other(log):
    session = log.start_session()
    def bowl():
        for _ in range(15):
            log.add_ball(session, some_ball(1), poses=some_poses(3, "light"))
    threads = [Thread(target=bowl) for _ in range(3)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert [b["ball"] for b in log.balls(session)] == list(range(1, 46))


def test_writers_take_turns(log, clock):
    with Logbook(log.place, clock) as other:
        with log.writing("to test"), pytest.raises(Fault, match="another creaseside"):
            other.add_player("Sam")
        other.add_player("Sam")
    assert len(log.players()) == 1


def test_a_foreign_writer_is_waited_for_and_then_named(tmp_path, monkeypatch):
    monkeypatch.setattr(file, "BUSY_S", 0.0)
    with Logbook(home(tmp_path)) as log, raw(log) as foreign:
        foreign.execute("begin immediate")
        with pytest.raises(Fault, match="another program is writing"):
            log.add_player("Sam")
        foreign.execute("rollback")
        log.add_player("Sam")


def test_a_copy_is_one_whole_plain_file(log, tmp_path):
    session = log.start_session()
    log.add_ball(session, some_ball(1))
    to = tmp_path / "copy.db"
    with Reader(log.place) as reader:
        assert reader.backup(to)["balls"] == 1
        assert reader.backup(to)["balls"] == 1      # an older copy may be replaced
    with closing(sqlite3.connect(to)) as db:
        assert db.execute("pragma integrity_check").fetchone()[0] == "ok"
        assert db.execute("select number from balls").fetchall() == [(1,)]
    assert [p.name for p in tmp_path.iterdir() if p.is_file()] == ["copy.db"]


@pytest.mark.parametrize("name", ["home/creaseside.db", "notes.txt", "other.db"])
def test_a_copy_replaces_nothing_else(log, tmp_path, name):
    (tmp_path / "notes.txt").write_text("mine")
    with closing(sqlite3.connect(tmp_path / "other.db")) as db:
        db.execute("create table mine (id)")
    before = (tmp_path / name).read_bytes()
    with pytest.raises(Fault, match="another file of that name"):
        log.backup(tmp_path / name)
    assert (tmp_path / name).read_bytes() == before
