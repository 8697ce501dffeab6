"""What the pages ask of the log, against the same counted row by row in Python."""
from __future__ import annotations

from collections import Counter
from datetime import date, timedelta, timezone

import pytest

from kiosk.place import Place
from kiosk.review.asking import Asker, Filter, local
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


@pytest.mark.parametrize("shift_min", [0, 330, -570])
@pytest.mark.parametrize("query", ["since=2026-05-01", "until=2026-08-31", "since=2026-05-01&until=2026-08-31"])
def test_days_from_the_index_are_the_days_that_python_counts(season, query, shift_min):
    """Also where midnight is in the middle of a bowling hour of this machine."""
    clock = book.Calendar(book.LAST)
    clock.wall = clock.wall.astimezone(timezone(timedelta(minutes=shift_min)))
    wanted, _ = Filter.of(dict(pair.split("=") for pair in query.split("&")))
    counted: dict[str, Counter] = {}
    with Asker(season, clock) as log:
        for r in log.ball_rows():
            day = local(r["thrown_utc"], shift_min).date()
            if r["player"] and (wanted.since or date.min) <= day <= (wanted.until or date.max):
                counted.setdefault(r["player"], Counter())[day] += 1
        assert log.by_day(wanted) == counted and len(counted) > 30
        one = min(counted)
        assert log.by_day(wanted, one) == {one: counted[one]}
        assert {p: (s["balls"], s["days"], s["last"]) for p, s in log.squad(wanted).items()} == {
            p: (c.total(), len(c), max(c)) for p, c in counted.items()}


def test_the_first_page_is_counted_from_indexes(season):
    """So that the first page does not wait for 100,000 balls: it stays so, or this says why not."""
    with Asker(season, book.Calendar(book.LAST)) as log:
        asked = []
        log._db.conn.set_trace_callback(asked.append)
        log.squad(Filter(since=date(2026, 10, 1)))
        log.sessions_page(Filter(), None, 8)
        log._db.conn.set_trace_callback(None)
        plans = [" ".join(r[3] for r in log._db.execute(f"explain query plan {sql}")) for sql in asked
                 if sql.startswith(("select", "with"))]
    assert len(plans) == 3
    assert plans[0].count("COVERING INDEX idx_ball_player_thrown_utc (player=? AND thrown_utc>?") == 3
    assert "INDEX idx_ball_flagged (player=? AND thrown_utc>?)" in plans[1]      # of those with flags alone
    assert "session USING INDEX idx_session_started_utc" in plans[2]
