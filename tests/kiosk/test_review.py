"""The review pages through Flask's client: what they show and keep back, who is let in, what a bad log gives."""
from __future__ import annotations

import re
import sqlite3
import time
from contextlib import closing
from datetime import date, timedelta

import pytest

from creaseside import plan
from creaseside.ball import Value
from creaseside.progress import did_it_stick
from creaseside.settings import FocusCue
from kiosk.logbook import Logbook, Reader, file, steps
from kiosk.pin import Pin
from kiosk.place import Place
from kiosk.review import session_page, words
from kiosk.review.app import make
from kiosk.review.asking import Asker, Filter
from kiosk.review.look import Links
from tests.kiosk.bowled import home, some_ball
from tests.kiosk.handclock import HandClock
from tests.kiosk.reviewed import AHEAD, Page, ball, filmed
from tests.season import book
from tests.season.planted import NAMES, bowlers

BALLS = 2500


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> Place:
    place = Place(tmp_path_factory.mktemp("season"), quiet=True)
    book.write(place.folder, BALLS, 1)
    return place


@pytest.fixture
def pages(season):
    return make(season, book.Calendar(book.LAST)).test_client()


def page(client, url: str, status: int = 200) -> Page:
    answer = client.get(url)
    assert answer.status_code == status, (url, answer.get_data(as_text=True)[-400:])
    return Page(answer.get_data(as_text=True))


def one(season, id: str) -> list[dict]:
    with Reader(season, book.Calendar(book.LAST)) as log:
        return log.sessions(id)


# Every page

def test_every_page_that_is_linked_answers_and_carries_its_own_policy(pages):
    todo, seen = ["/"], set()
    while todo and len(seen) < 120:
        url = todo.pop(0)
        seen.add(url)
        answer = pages.get(url)
        text = answer.get_data(as_text=True)
        assert answer.status_code == 200, url
        assert "script-src 'self'" in answer.headers["Content-Security-Policy"]
        assert answer.headers["Cache-Control"] == "no-store"
        there = Page(text)
        assert not [t for t, a in there.elements if "style" in a or t == "style" or any(k.startswith("on") for k in a)]
        assert all(a.get("src") == "/keys.js" for t, a in there.elements if t == "script")
        assert not re.search(r"\bnan\b|Undefined|\bNone(?! of| is|\.)", there.words), url
        todo += [u for u in there.links if u.startswith("/") and u not in seen and u not in todo and len(todo) < 400]
    assert len(seen) == 120 and {u.split("/")[1].split("?")[0] for u in seen} == {"", "sessions", "players", "access"}


def test_the_first_page_has_everybody_by_name_and_no_measure_at_all(pages):
    there = page(pages, "/")
    rows = [a["href"] for t, a in there.elements if t == "a" and a.get("href", "").startswith("/players/")]
    named = [b.shown_name for b in sorted(bowlers(1), key=lambda b: (b.shown_name.casefold(), b.id))]
    ids = [b.id for b in sorted(bowlers(1), key=lambda b: (b.shown_name.casefold(), b.id))]
    assert [u.rsplit("/", 1)[1] for u in rows if rows.count(u)][-len(ids):] == ids
    assert all(name in there.words for name in named)
    assert "°" not in there.words and "m/s" not in there.words and "km/h" not in there.words


@pytest.mark.parametrize("number", range(1, len(NAMES) + 1))
def test_any_name_is_shown_as_it_is_and_is_nothing_else(pages, number):
    text = pages.get(f"/players/p-{number:04x}").get_data(as_text=True)
    there = Page(text)
    assert NAMES[number - 1] in there.words
    assert there.count("b") == there.count("script") - 1 == 0 and there.count("bdi") >= 1


def test_a_season_of_everybodys_pages_has_a_sentence_a_table_and_a_formula(pages, season):
    grown = next(b for b in bowlers(1) if b.age >= 18 and one(season, b.id))
    there = page(pages, f"/players/{grown.id}?measure=all")
    charts, figures = there.count("svg", "chart"), there.count("section", "figure")
    assert charts >= 17 and there.count("p", "says") >= figures and there.count("details") >= charts - 1
    assert "Hopkins 2000" in there.words and "Weir 2005" in there.words and "Bland & Altman" in there.words
    assert f"creaseside export --player {grown.id}" in there.words


# A session

def test_the_session_says_whether_it_stuck_as_the_engine_does(pages, season):
    said = set()
    for bowler in bowlers(1)[:12]:
        for session in one(season, bowler.id):
            with Reader(season) as log:
                rows = log.ball_rows(session["id"])
            blocks = {k: [Value(r[bowler.measure], r[bowler.measure + "_sd"]) for r in rows if r["block_kind"] == k]
                      for k in ("baseline", "no_feedback")}
            if session["measure"] and all(blocks.values()):
                found = did_it_stick(blocks["baseline"], blocks["no_feedback"])
                assert words.stuck(bowler.measure, found, 0) in page(pages, f"/sessions/{session['id']}").words
                said.add(found.word)
    assert said == {"changed", "cannot tell"}


def test_the_pages_claim_what_was_planted_and_little_else(season):
    """Of nothing 8 times in 100 at the most (creaseside.progress), here with three standard errors of a binomial."""
    claimed: dict[bool, list[bool]] = {True: [], False: []}
    with Asker(season, book.Calendar(book.LAST)) as log:
        for bowler in bowlers(1):
            for session in log.sessions_page(Filter(), bowler.id, 99):
                view = session_page.view(log, session["id"], bowler.id, None, Filter(), Links())
                if view["word"] and "found" not in view["stuck"]:
                    claimed[bowler.learning == "keeps"].append("more than the measurement can explain" in view["stuck"])
    n = len(claimed[False])
    assert n > 40 and sum(claimed[False]) / n <= 0.08 + 3 * (0.08 * 0.92 / n) ** 0.5
    assert len(claimed[True]) > 20 and sum(claimed[True]) / len(claimed[True]) > 0.5


def test_every_ball_is_in_the_picture_with_its_bar_its_shape_and_what_was_given(pages, season):
    session = next(s for b in bowlers(1) for s in one(season, b.id) if s["measure"] and s["balls"] > 20)
    with Reader(season) as log:
        rows = log.ball_rows(session["id"])
    there = page(pages, f"/sessions/{session['id']}")
    key = 1      # one of each sign below the picture says what it means
    for verdict, tag in (("hit", "circle"), ("miss", "path"), ("unsure", "circle")):
        seen = sum(r["verdict"] == verdict and r[session["measure"]] is not None for r in rows)
        assert there.count(tag, verdict) == seen + key
    assert there.count("path", "bar") == sum(r[session["measure"]] is not None for r in rows)
    assert there.count("rect", "gate") == 1 and there.count("line", "post") == 2 and there.count("text", "block") == 4
    assert there.count("text", "given") - ("×" in there.words) * 1 - 1 == sum(r["feedback"] != "none" for r in rows)
    assert all(f"/sessions/{session['id']}/balls/{r['number']}" in {u.split("?")[0] for u in there.links} for r in rows)


def test_bowlers_of_one_session_have_a_page_each(tmp_path):
    place = home(tmp_path)
    with Logbook(place, HandClock()) as log:
        ana, ben = log.add_player("Ana"), log.add_player("Ben")
        session = log.start_session(ana, focus=FocusCue("approach_deg", -4.0, 4.0))
        for n in range(6):
            log.add_ball(session, ball(approach_deg=float(n)), player=ben if n == 2 else None)
        log.add_ball(log.start_session(), ball(approach_deg=1.0))
        guest = log.sessions()[0]["id"]
    client = make(place, HandClock()).test_client()
    there = page(client, f"/sessions/{session}")
    assert "five balls" in there.words and "Also bowled: Ben" in there.words and "6.0" not in there.words
    assert "one ball" in page(client, f"/sessions/{session}?player={ben}").words
    assert "A guest, one ball" in page(client, f"/sessions/{guest}").words
    page(client, f"/sessions/{session}?player=p-none", 404)


def test_a_session_without_a_plan_says_nothing_of_a_change(tmp_path):
    place = home(tmp_path)
    with Logbook(place, HandClock()) as log:
        free = log.start_session(log.add_player("Sam"))
        for n in range(8):
            log.add_ball(free, ball(None, approach_deg=float(n)))
    there = page(make(place, HandClock()).test_client(), f"/sessions/{free}")
    assert "No focus: nothing was judged" in there.words and "Did it stick" not in there.words
    assert "Without feedback" not in there.words and there.count("rect", "gate") == 0


def test_a_session_of_which_nothing_was_measured_draws_no_axis(tmp_path):
    place = home(tmp_path)
    with Logbook(place, HandClock()) as log:
        session = log.start_session(log.add_player("Sam"))
        for _ in range(3):
            log.add_ball(session, ball(None))
    there = page(make(place, HandClock()).test_client(), f"/sessions/{session}")
    assert "three balls, none measured" in there.words and "No measure was taken" in there.words
    assert there.count("svg") == 0 and there.words.count("not measured: hidden by a pole") == 3
    with Logbook(place, HandClock()) as log:
        log.add_ball(session, ball(None, front_knee_ffc_deg=160.0))
    there = page(make(place, HandClock()).test_client(), f"/sessions/{session}")
    assert "one of them measured" in there.words and there.count("svg") == 1


def test_what_was_given_is_said_in_words():
    schedule = {plan.feedback(plan.FeedbackSchedule(kind, slow), plan.Spot(1, "focus", n, 24, None), verdict, before,
                              asked).word
                for kind in plan.SCHEDULES for slow in (True, False) for n in (1, 2, 3, 7, 18)
                for verdict in ("hit", "miss")
                for before in ((), ("miss",)) for asked in (False, True)}
    assert schedule == set(words.GIVEN) and words.given("cue, replay") == "cue, replay"


def test_a_session_shows_another_measure_without_its_verdicts(pages, season):
    session = next(s for b in bowlers(1) for s in one(season, b.id) if s["measure"] == "approach_deg")
    there = page(pages, f"/sessions/{session['id']}?measure=stride_length_m")
    assert there.count("rect", "gate") == 0 and there.count("circle", "hit") == 0 and there.count("circle", "dot") > 5


# A player

def test_under_18_no_pace_is_drawn_and_no_run_up_is_named(pages, season):
    young = [b for b in bowlers(1) if b.age < 18][0]
    there = page(pages, f"/players/{young.id}")
    assert "Under 18 no chart of pace" in there.words and "not shown under 18" in there.words
    assert not [a for t, a in there.elements if a.get("id") == "speed"]
    with Logbook(season, book.Calendar(book.LAST)) as log:
        assert log.player(young.id)["under_18"]


def test_one_ball_is_enough_for_a_page_and_too_little_for_a_number(pages):
    there = page(pages, f"/players/p-{len(NAMES):04x}")
    assert "One ball of one session" in there.words and "not enough balls yet" in there.words
    assert there.count("svg", "chart") >= 1


def test_growth_is_noted_where_it_is_fast(tmp_path):
    place, clock = home(tmp_path), book.Calendar(date(2026, 11, 22))
    with Logbook(place, clock) as log:
        player = log.add_player("Kim", birth_year=2013, height_m=1.58)
        log.add_height(player, 1.48, date(2025, 11, 22))
        grown = log.add_player("Old", birth_year=1980, height_m=1.80)
        log.add_height(grown, 1.70, date(2025, 11, 22))
    client = make(place, clock).test_client()
    there = page(client, f"/players/{player}")
    assert "growth spurt, about 10 cm a year" in there.words and there.count("rect", "interval") == 1
    assert "growth spurt" not in page(client, f"/players/{grown}").words


def test_the_calendar_holds_each_day_against_the_table_that_was_in_force_then(tmp_path):
    place, clock = home(tmp_path), book.Calendar(date(2026, 10, 1))
    shipped = book.Path("config/workload.toml").read_text("utf-8")
    with Logbook(place, clock) as log:
        log.note_guidance(shipped.replace("day_balls = 24", "day_balls = 40"))
        player = log.add_player("Kim", birth_year=2015)
        for day, text in ((2, None), (12, shipped)):
            clock.turn_to(clock.wall + timedelta(days=day))
            if text:
                log.note_guidance(text)
            session = log.start_session(player)
            for _ in range(30):
                log.add_ball(session, ball())
    there = page(make(place, clock).test_client(), f"/players/{player}")
    assert "60 balls on two days" in there.words and "On one day more than the table in force allowed" in there.words
    assert "30 of 24 balls today" in there.words and "30 of 40" not in there.words
    assert "not in the log" not in there.words


# Filters

@pytest.mark.parametrize("query", ["since=yesterday", "since=2026-02-30", "quality=nan", "quality=good", "arm=both",
                                   "focus=' or 1=1 --",
                                   "flags=%00", "until=2026-13-01", "block=<b>"])
def test_a_filter_that_is_none_is_said_and_left_out(pages, query):
    there = page(pages, f"/?{query}")
    assert "was left out" in there.words and "40 players" in there.words and there.count("b") == 0


def test_the_lists_are_paged(pages, season):
    with Reader(season) as log:
        many = len(log.sessions())
    first = page(pages, "/sessions?flags=")
    assert many > 50 and first.count("tr") == 51 and "older" in first.words and "newer" not in first.words
    assert page(pages, "/sessions?after=50").count("tr") == many - 50 + 1
    assert "No session here" in page(pages, "/sessions?after=99999999999999999999").words


# A ball

def test_a_ball_shows_its_numbers_its_reasons_and_its_frames_byte_for_byte(tmp_path):
    place, session = filmed(tmp_path)
    client = make(place, HandClock(100 * 10**9)).test_client()
    there = page(client, f"/sessions/{session}/balls/1")
    assert "165.0 ± 1.0°" in there.words and "hidden by a pole" in there.words and "frame 18 of 40" in there.words
    assert there.count("polyline", "leg") == 2 and there.count("path", "curve") == 2 and AHEAD in there.words
    from kiosk import avi
    frames = list(avi.frames(next(place.clips.iterdir())))
    for n in (0, 17, 39):
        answer = client.get(f"/sessions/{session}/balls/1/frames/{n}.jpg")
        assert (answer.data, answer.mimetype) == (frames[n], "image/jpeg")
    for wrong in ("frames/40.jpg", "frames/-1.jpg", "frames/x.jpg"):
        page(client, f"/sessions/{session}/balls/1/{wrong}", 404)
    assert "frame 40 of 40" in page(client, f"/sessions/{session}/balls/1?frame=400").words
    for gone in ("/sessions/s-none/balls/1", f"/sessions/{session}/balls/2"):
        page(client, gone, 404)


def test_a_standing_zero_stands_beside_the_knees(tmp_path):
    place = home(tmp_path)
    with Logbook(place, HandClock()) as log:
        player = log.add_player("Sam")
        session = log.start_session(player)
        log.add_ball(session, ball(front_knee_ffc_deg=160.0), zero=log.add_zero(player, 178.54, 0.8))
        log.add_ball(session, ball(front_knee_ffc_deg=160.0))
    client = make(place, HandClock()).test_client()
    there = page(client, f"/sessions/{session}/balls/1")
    assert "own straight reads 178.5 ± 0.8° (standing zero of 1 Jan 2026)" in there.words
    assert "with that as 180° the front knee at landing is 161.5 ± 1.3°" in there.words    # 160 + 180 - 178.54; 1.0 and 0.8 as squares
    assert "160.0 ± 1.0°" in there.words and "own straight" not in page(client, f"/sessions/{session}/balls/2").words


def test_pictures_end_with_the_consent_and_other_files_are_never_served(tmp_path):
    place, session = filmed(tmp_path)
    clock = HandClock(100 * 10**9)
    client, picture = make(place, clock).test_client(), f"/sessions/{session}/balls/1/frames/3.jpg"
    assert client.get(picture).status_code == 200
    (place.home / "secret.avi").write_bytes(next(place.clips.iterdir()).read_bytes())
    with closing(sqlite3.connect(place.log)) as db:
        was = db.execute("select file from clip").fetchone()[0]
        for name in ("../secret.avi", "/etc/passwd", str(place.home / "secret.avi"), "gone.avi", ""):
            db.execute("update clip set file = ?", [name])
            db.commit()
            assert client.get(picture).status_code == 404
        db.execute("update clip set file = ?", [was])
        db.commit()
    with Logbook(place, clock) as log:
        log.add_consent(log.players()[0]["id"], "numbers", "Sam")
    assert client.get(picture).status_code == 404
    assert "consent to these pictures" in page(client, f"/sessions/{session}/balls/1").words


# Who looked

def test_every_look_is_in_the_log_once_with_whom_it_is_about(tmp_path):
    place, session = filmed(tmp_path)
    clock = HandClock(100 * 10**9)
    client = make(place, clock).test_client()
    with Reader(place) as log:
        player = log.players()[0]["id"]
    for url in ("/", f"/players/{player}", f"/sessions/{session}/balls/1", f"/sessions/{session}/balls/1?frame=3",
                f"/sessions/{session}/balls/1/frames/3.jpg", f"/sessions/{session}"):
        assert client.get(url).status_code == 200
    with Reader(place) as log:
        assert [(a["what"], a["player"]) for a in log.accesses()][::-1] == [
            ("the squad", None), (f"the page of {player}", player),
            (f"ball 1 of the session {session} with its pictures", player), (f"the session {session}", player)]
        assert {a["who"] for a in log.accesses()} == {"on this machine"}
    clock.pass_s(601)
    client.get("/")
    there = page(client, "/access")
    assert there.words.count("the squad") == 2 and there.count("tr") == 6
    assert page(client, f"/access?player={player}").count("tr") == 4


def test_a_look_that_cannot_be_noted_is_said(tmp_path, monkeypatch):
    place, session = filmed(tmp_path)
    client = make(place, HandClock(100 * 10**9)).test_client()
    monkeypatch.setattr(file, "BUSY_S", 0.0)
    with closing(sqlite3.connect(place.log, isolation_level=None)) as other:
        other.execute("begin immediate")
        there = page(client, f"/sessions/{session}")
        assert "could not be noted in the log: a log that another program is writing" in there.words
        other.execute("rollback")
    assert "could not be noted" not in page(client, f"/sessions/{session}").words


# Who is let in

@pytest.mark.parametrize("host, status", [
    ("127.0.0.1:8760", 200), ("localhost", 200), ("[::1]:80", 200), ("LOCALHOST:1", 200), ("evil.example", 400),
    ("127.0.0.1.evil.example", 400), ("192.168.1.7:8760", 400), ("evil.example:80@127.0.0.1", 400)])
def test_only_this_machines_own_names_are_answered(pages, host, status):
    assert pages.get("/", headers={"Host": host}).status_code == status


@pytest.mark.parametrize("host, status", [("192.168.1.7:8760", 302), ("[fe80::1]:8760", 302), ("evil.example", 400)])
def test_shared_a_name_that_could_be_anybodys_is_not_answered(tmp_path, host, status):
    client = make(home(tmp_path), HandClock(), Pin(home(tmp_path), HandClock())).test_client()
    assert client.get("/", headers={"Host": host}).status_code == status


def test_nothing_can_be_posted_without_the_pages_own_token(pages):
    for url in ("/", "/pin", "/players/p-0001"):
        assert pages.post(url, data={"token": "x"}).status_code in (400, 405)
    assert pages.put("/").status_code == pages.delete("/").status_code == 400


@pytest.fixture
def shared(tmp_path):
    place, session = filmed(tmp_path)
    clock = HandClock(100 * 10**9)
    pin = Pin(place, clock)
    pin.set("4711")
    return make(place, clock, pin).test_client(), session, place


def token(client) -> str:
    return next(a["value"] for t, a in Page(client.get("/pin").get_data(as_text=True)).elements
                if a.get("name") == "token")


def test_shared_pages_are_for_who_knows_the_pin(shared):
    client, session, place = shared
    wanted = f"/sessions/{session}?measure=turn_deg"
    picture = f"/sessions/{session}/balls/1/frames/1.jpg"
    assert client.get(wanted).headers["Location"] == "/pin"
    assert client.get(picture).status_code == 403
    assert client.post("/pin", data={"pin": "4711"}).status_code == 400
    wrong = client.post("/pin", data={"pin": "0815", "token": token(client)})
    assert wrong.status_code == 403 and "not the PIN" in wrong.get_data(as_text=True)
    right = client.post("/pin", data={"pin": "4711", "token": token(client)})
    assert (right.status_code, right.headers["Location"]) == (303, wanted)
    cookie = right.headers["Set-Cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie
    there = page(client, wanted)
    assert there.count("button") == 2       # the filters', and Leave
    with Reader(place) as log:
        assert log.accesses()[0]["who"] == "with the PIN, from 127.0.0.1"
    assert "Faces do not leave" in page(client, f"/sessions/{session}/balls/1").words
    veiled = client.get(picture).data
    with Logbook(place, HandClock(100 * 10**9)) as log:
        log.add_consent(log.players()[0]["id"], "clips", "Sam", faces="shown")
    plain = client.get(picture).data
    assert plain[:2] == veiled[:2] == b"\xff\xd8" and veiled != plain     # a face leaves only where the consent says so
    assert "Faces do not leave" not in page(client, f"/sessions/{session}/balls/1").words
    with closing(sqlite3.connect(place.log)) as db:
        db.execute("delete from trace")
        db.execute("delete from consent where faces = 'shown'")
        db.commit()
    assert client.get(picture).status_code == 404                           # where the head is not known, nothing
    leave = next(a["value"] for t, a in there.elements if a.get("name") == "token")
    assert client.post("/leave", data={"token": "old"}).status_code == 400
    assert client.post("/leave", data={"token": leave}).headers["Location"] == "/pin"
    assert client.get("/").headers["Location"] == "/pin"


def test_wrong_pins_cost_time_and_the_page_says_so(shared):
    client, *_ = shared
    for _ in range(3):
        assert client.post("/pin", data={"pin": "0000", "token": token(client)}).status_code == 403
    assert "in 30 s" in client.get("/pin").get_data(as_text=True)
    assert client.post("/pin", data={"pin": "4711", "token": token(client)}).status_code == 403


def test_a_log_in_made_for_another_run_is_none(shared, tmp_path):
    client, session, place = shared
    client.post("/pin", data={"pin": "4711", "token": token(client)})
    cookie = client.get_cookie("creaseside")
    other = make(place, HandClock(), Pin(place, HandClock())).test_client()
    other.set_cookie("creaseside", cookie.value)
    assert other.get("/").headers["Location"] == "/pin"


def test_a_log_in_ends_after_a_day_at_the_ground(shared, monkeypatch):
    client, *_ = shared
    client.post("/pin", data={"pin": "4711", "token": token(client)})
    cookie, now = client.get_cookie("creaseside").value, time.time()
    for hours, status in ((7.9, 200), (8.1, 302)):
        monkeypatch.setattr("itsdangerous.timed.time.time", lambda: now + hours * 3600)
        later = client.application.test_client()
        later.set_cookie("creaseside", cookie)
        assert later.get("/").status_code == status


# Logs that are not as they should be

def test_no_log_and_an_empty_log_are_empty_pages(tmp_path):
    place = home(tmp_path)
    client = make(place, HandClock()).test_client()
    assert "Nobody is in the log yet" in page(client, "/").words
    assert "No session here yet" in page(client, "/sessions").words
    page(client, "/players/p-none", 404), page(client, "/sessions/s-none", 404)
    assert not place.log.exists()
    with Logbook(place, HandClock()) as log:
        session, player = log.start_session(), log.add_player("Sam")
    assert "Nobody bowled" in page(client, f"/sessions/{session}").words
    assert "No ball to show here" in page(client, f"/players/{player}").words
    for old in ("approach_deg", "all", "nonsense"):
        page(client, f"/players/{player}?measure={old}"), page(client, f"/sessions/{session}?measure={old}")


@pytest.mark.parametrize("seed", range(6))
def test_balls_of_any_kind_have_a_page(tmp_path, seed):
    place = home(tmp_path)
    with Logbook(place, HandClock()) as log:
        player = log.add_player("Sam")
        session = log.start_session(player)
        for n in range(8):
            log.add_ball(session, some_ball(seed * 8 + n))
        log.add_counted(session)
    client = make(place, HandClock()).test_client()
    for n in range(1, 10):
        page(client, f"/sessions/{session}/balls/{n}")
    page(client, f"/sessions/{session}"), page(client, f"/players/{player}")


@pytest.fixture
def filled(tmp_path):
    place = home(tmp_path)
    with Logbook(place, HandClock()) as log:
        session = log.start_session(log.add_player("Sam"))
        for n in range(60):
            log.add_ball(session, some_ball(n))
    return place, session


@pytest.mark.parametrize("spoil, found", [
    (lambda data: b"not a database at all" + data[21:], "a file that is no log"),
    (lambda data: data[:60] + (99).to_bytes(4, "big") + data[64:], "made by a newer program"),
    (lambda data: data[:68] + (7).to_bytes(4, "big") + data[72:], "a database of another program")])
def test_a_log_that_cannot_be_read_is_one_plain_line_and_stays_as_it_is(filled, spoil, found):
    place, session = filled
    spoilt = spoil(place.log.read_bytes())
    place.log.write_bytes(spoilt)
    client = make(place, HandClock()).test_client()
    for url in ("/", "/sessions", f"/sessions/{session}"):
        there = page(client, url, 503)
        assert found in there.words and "Traceback" not in there.words and there.count("p") == 1
    assert place.log.read_bytes() == spoilt and not list(place.home.glob("*damaged*"))


def test_what_can_be_read_of_a_damaged_log_is_shown_and_said(filled, monkeypatch):
    """The page of the file on which one ball stands is overwritten: its neighbours there are gone, others are not."""
    place, session = filled
    with Logbook(place, HandClock()) as log:
        log.add_ball(session, ball(flags=("marker in the middle",), turn_deg=1.0))
        for n in range(60):
            log.add_ball(session, ball(turn_deg=2.0))
    data = bytearray(place.log.read_bytes())
    at = data.index(b"marker in the middle") // 4096 * 4096
    data[at:at + 4096] = b"\xa5" * 4096
    place.log.write_bytes(data)
    read = []
    monkeypatch.setattr(file, "salvaged", lambda path, as_it_is=file.salvaged: read.append(path) or as_it_is(path))
    client = make(place, HandClock()).test_client()
    there = page(client, f"/sessions/{session}?measure=turn_deg")
    page(client, f"/sessions/{session}/balls/1"), page(client, "/")
    assert read == [place.log]      # it takes long in a large log: once is enough
    assert "is damaged" in there.words and "what can be read of it is shown" in there.words and "Sam" in there.words
    drawn = {a["href"].split("?")[0].rsplit("/", 1)[1] for t,
             a in there.elements if t == "a" and "/balls/" in a.get("href", "")}
    assert {"1", "121"} < drawn and "61" not in drawn and len(drawn) > 90
    assert place.log.read_bytes() == data


def test_an_older_log_is_stepped_up_and_an_older_damaged_one_is_left(tmp_path):
    for folder, rotten in (("sound", False), ("rotten", True)):
        place = home(tmp_path / folder)
        place.folder.parent.mkdir()
        with closing(sqlite3.connect(place.log, isolation_level=None)) as conn:
            conn.execute(f"pragma application_id = {file.OURS}")
            steps.step_up(steps.Database(conn), steps.STEPS[:7])
            conn.execute("insert into player (id, shown_name, created_utc) values ('p-old', 'Old', "
                         "'2026-01-01T09:00:00.000Z')")
        if rotten:
            place.log.write_bytes(place.log.read_bytes()[:-5000])
        there = page(make(place, HandClock()).test_client(), "/")
        assert "Old" in there.words and ("is damaged" in there.words) is rotten
        assert not list(place.home.glob("*damaged*"))


def test_a_log_that_is_held_shut_is_one_plain_line(filled, monkeypatch):
    place, _ = filled
    monkeypatch.setattr(file, "BUSY_S", 0.0)
    client = make(place, HandClock()).test_client()
    with closing(sqlite3.connect(place.log, isolation_level=None)) as holder:
        holder.execute("pragma locking_mode = exclusive").fetchone()
        holder.execute("begin exclusive")
        assert "another program is writing" in page(client, "/", 503).words
        holder.execute("rollback")


def test_an_unexpected_fault_is_one_line_and_its_story_is_in_the_homes_file(filled, monkeypatch):
    from kiosk.review import squad_page
    place, _ = filled
    monkeypatch.setattr(squad_page, "view", lambda *a: 1 / 0)
    there = page(make(place, HandClock()).test_client(), "/", 500)
    assert "unexpected fault" in there.words and "ZeroDivisionError" not in there.words
    assert "ZeroDivisionError" in place.details.read_text()


@pytest.mark.parametrize("path", [
    "/players/..%2f..%2fetc%2fpasswd", "/players/%00", "/players/%ff%fe", "/players/p-0001%27%20or%201=1",
    "/sessions/%3Cscript%3E",
    "/sessions/../creaseside.db", "/sessions/x/balls/99999999999999999999", "/sessions/x/balls/0",
    "/sessions/x/balls/1/frames/1.jpg",
    "/creaseside.db", "/static/../app.py", "/players/" + "a" * 5000, "/players/👩🏽‍🚀", "/style.css/x"])
def test_an_address_that_leads_nowhere_is_one_plain_line(pages, path):
    answer = pages.get(path)
    assert answer.status_code in (308, 404)
    if answer.status_code == 404:
        there = Page(answer.get_data(as_text=True))
        assert there.count("p") == 1 and there.count("script") == 0 and "unexpected" not in there.words
