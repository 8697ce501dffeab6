"""What the pages ask of the log, against the same counted row by row in Python."""
from __future__ import annotations

from collections import Counter
from datetime import date, timedelta, timezone

import pytest

from creaseside import rows
from kiosk.logbook import Logbook
from kiosk.place import Place
from kiosk.review import squad_page
from kiosk.review.asking import Asker, Filter, local
from kiosk.review.look import Links
from tests.season import book


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> Place:
    place = Place(tmp_path_factory.mktemp("season"), quiet=True)
    book.write(place.folder, 2500, 1)
    return place


@pytest.mark.parametrize("query, holds", [
    ("arm=left", lambda r: r["arm"] == "left"), ("quality=0.75", lambda r: r["quality"] >= 0.75),
    ("flags=some", lambda r: r["flags"] != "[]"), ("flags=none", lambda r: r["flags"] == "[]"),
    ("focus=approach_deg", lambda r: r["measure"] == "approach_deg"),
    ("since=2026-05-01&until=2026-08-31", lambda r: "2026-05-01" <= r["thrown_utc"][:10] <= "2026-08-31")])
def test_a_filter_counts_what_python_counts(season, query, holds):
    wanted, wrong = Filter.of(dict(pair.split("=") for pair in query.split("&")))
    assert not wrong
    with Asker(season, book.Calendar(book.LAST)) as log:
        rows = [r for r in log.ball_rows() if holds(r)]
        assert rows and sum(s["balls"] for s in log.squad(wanted).values()) == len(rows)
        assert sum(s["flagged"] for s in log.squad(wanted).values()) == sum(r["flags"] != "[]" for r in rows)
        assert {s["id"] for s in log.sessions_page(wanted, None, 9999)} == {r["session"] for r in rows}
        first = rows[0]["player"]
        theirs = [r for r in rows if r["player"] == first]
        assert len(log.player_balls(first, wanted, {r["session"] for r in rows})) == len(theirs)


@pytest.mark.parametrize("query", ["since=2026-05-01", "until=2026-08-31", "since=2026-05-01&until=2026-08-31",
                                   "arm=right&since=2026-05-01"])
def test_days_are_the_days_that_python_counts(season, query):
    """Whether the log keeps their sums or every ball is looked at."""
    wanted, _ = Filter.of(dict(pair.split("=") for pair in query.split("&")))
    counted: dict[str, Counter] = {}
    with Asker(season, book.Calendar(book.LAST)) as log:
        for r in log.ball_rows():
            day = local(r["thrown_utc"], r["utc_offset_min"]).date()
            if r["player"] and (wanted.since or date.min) <= day <= (wanted.until or date.max) \
                    and wanted.arm in (None, r["arm"]):
                counted.setdefault(r["player"], Counter())[day] += 1
        assert log.by_day(wanted) == counted and len(counted) > 20
        one = min(counted)
        assert log.by_day(wanted, one) == {one: counted[one]}
        assert {p: (s["balls"], s["days"], s["last"]) for p, s in log.squad(wanted).items()} == {
            p: (c.total(), len(c), max(c)) for p, c in counted.items()}


@pytest.mark.parametrize("more", ["", "&flags=none"])
def test_a_day_is_the_one_that_the_halls_clock_showed(tmp_path, more):
    """Half past eleven at night in the hall, in a zone whose hour is not whole; whoever looks is elsewhere."""
    place, clock = Place(tmp_path, quiet=True), book.Calendar(date(2026, 10, 9))
    clock.turn_to(clock.wall.replace(hour=23, minute=30, tzinfo=timezone(timedelta(hours=5, minutes=30))) + timedelta(days=1))
    with Logbook(place, clock) as log:
        player = log.add_player("Sam")
        log.add_ball(log.start_session(player), rows.counted("dark"))
    for since, until, balls in (("2026-10-10", "2026-10-10", 1), ("2026-10-11", "2026-10-12", 0), ("2026-10-08", "2026-10-09", 0)):
        wanted, _ = Filter.of(dict(pair.split("=") for pair in f"since={since}&until={until}{more}".split("&")))
        with Asker(place, book.Calendar(book.LAST)) as log:
            assert log.by_day(wanted).get(player, {}) == ({date(2026, 10, 10): 1} if balls else {})
            assert len(log.sessions_page(wanted, None, 9)) == balls


def test_the_first_page_is_counted_without_a_look_at_single_balls(season):
    """So that it does not wait for 100,000 of them, nor once a player: it stays so, or this says why not."""
    with Asker(season, book.Calendar(book.LAST)) as log:
        asked = []
        log._db.conn.set_trace_callback(asked.append)
        squad_page.view(log, Filter(), Links())
        log._db.conn.set_trace_callback(None)
        asked = [sql for sql in asked if sql.startswith(("select", "with"))]
        plans = [" ".join(r[3] for r in log._db.execute(f"explain query plan {sql}")) for sql in asked]
    assert len(plans) == 7
    assert sum("SEARCH bowled USING INDEX idx_bowled_player_day (player=? AND day>? AND day<?)" in plan for plan in plans) == 2
    assert ["ball" in plan for plan in plans].count(True) == 1 and "SCAN ball" not in str(plans)
    assert "session USING INDEX idx_session_started_utc" in next(p for p in plans if "ball" in p.replace("bowled", ""))
