"""Workload: balls and days are counted as the table's source counts them, and a broken table is refused whole."""
from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from creaseside.settings import Faults
from creaseside.workload import LIMITS, STATES, Bowled, Row, Table, load, load_of_days, table_from, youngest_age

TOML = Path(__file__).parents[2] / "config" / "workload.toml"
SHIPPED = tomllib.loads(TOML.read_text())
NOW = datetime(2027, 3, 10, 18, 0)
ROWS = (Row(13, 24, 30, 60, 3, 1), Row(19, 36, 60, None, 4, 2))
TABLE = Table("t", "somebody's guidance", "", date(2026, 11, 25), ROWS, 12, 20, 0.8)


def ago(days: int = 0, minutes: float = 0, balls: int = 1) -> Bowled:
    return Bowled(NOW - timedelta(days=days, minutes=minutes), balls)


def used(bowled: list[Bowled], age: int | None = 12, now: datetime = NOW) -> dict[str, int]:
    found = load(bowled, now, age, TABLE)
    return {name: getattr(found, name) for name in LIMITS}


def test_a_spell_ends_with_a_rest_of_more_than_the_gap():
    bowled = [ago(minutes=60, balls=6), ago(minutes=39), ago(minutes=19), ago()]
    assert used(bowled)["spell_balls"] == 3 and used(bowled)["day_balls"] == 9
    at_the_gap = [ago(minutes=20), ago()]
    assert used(at_the_gap)["spell_balls"] == 2
    assert used(at_the_gap, now=NOW + timedelta(minutes=20))["spell_balls"] == 2
    assert used(at_the_gap, now=NOW + timedelta(minutes=21))["spell_balls"] == 0


def test_a_week_is_today_and_the_six_days_before():
    bowled = [ago(days=7, balls=50), ago(days=6, balls=4), ago(days=3, balls=5), ago(balls=6)]
    assert used(bowled) == {"spell_balls": 6, "day_balls": 6, "week_balls": 15, "days_in_7": 3, "days_in_row": 1}


def test_days_in_a_row_go_back_from_today_or_yesterday():
    assert used([ago(days=d) for d in (0, 1, 2, 4)])["days_in_row"] == 3
    assert used([ago(days=d) for d in (1, 2, 4)])["days_in_row"] == 2
    assert used([ago(days=d) for d in (2, 3)])["days_in_row"] == 0


@pytest.mark.parametrize("balls, state", [(1, "ok"), (23, "ok"), (24, "at_limit"), (25, "at_limit")])
def test_balls_of_a_spell(balls, state):
    found = load([ago(balls=balls)], NOW, 12, Table("t", "", "", date(2026, 1, 1), (Row(13, 24),), 12, 20, 1.0))
    assert found.state == state and found.worst.limit == "spell_balls" and found.worst.left == max(0, 24 - balls)


@pytest.mark.parametrize("balls, state", [(0, "ok"), (19, "ok"), (20, "near"), (23, "near"), (24, "at_limit")])
def test_a_limit_is_near_from_its_share_on(balls, state):
    assert load([ago(minutes=1, balls=balls)], NOW, 12, TABLE).uses[0].state == state


@pytest.mark.parametrize("days, state, limit", [
    ((0,), "ok", None), ((1,), "at_limit", "days_in_row"),            # one day off between bowling days
    ((2,), "ok", None), ((0, 1), "at_limit", "days_in_row"),
    ((0, 2, 4), "near", "days_in_7"), ((2, 4), "near", "days_in_7"),  # the third of three
    ((2, 4, 6), "at_limit", "days_in_7"), ((0, 2, 4, 6), "at_limit", "days_in_7")])
def test_bowling_days(days, state, limit):
    found = load([ago(days=d) for d in days], NOW, 12, TABLE)
    assert found.state == state and (limit is None or found.worst.limit == limit)


def test_the_worst_limit_is_named_and_says_its_numbers():
    found = load([ago(minutes=60, balls=28), ago(balls=2)], NOW, 12, TABLE)
    assert found.state == "at_limit" and str(found.worst) == "30 of 30 balls today"
    assert found.uses[0].state == "ok"


def test_no_row_is_no_guidance_and_counts_all_the_same():
    found = load([ago(balls=200)], NOW, 30, TABLE)
    assert (found.state, found.worst, found.day_balls) == ("no_guidance", None, 200)


def test_an_unknown_age_is_counted_as_the_table_says():
    assert load([ago(balls=24)], NOW, None, TABLE) == load([ago(balls=24)], NOW, 12, TABLE)
    assert load([ago(balls=24)], NOW, 13, TABLE).state == "ok"


def test_a_clock_that_was_set_back_wipes_nothing():
    found = load([Bowled(NOW + timedelta(days=2), 24)], NOW, 12, TABLE)
    assert found.day_balls == found.spell_balls == 24 and found.state == "at_limit"


def test_the_day_is_the_one_on_the_wall():
    india = timezone(timedelta(hours=5, minutes=30))
    late = Bowled(datetime(2027, 3, 9, 23, 59, tzinfo=india), 5)
    assert load([late], datetime(2027, 3, 10, 0, 1, tzinfo=india), 12, TABLE).day_balls == 0
    assert load([late], datetime(2027, 3, 10, 0, 1), 12, TABLE).spell_balls == 5      # midnight is no rest


entries = st.lists(st.builds(ago, st.integers(0, 9), st.floats(0, 600), st.integers(0, 12)), max_size=30)


@given(entries, st.integers(5, 18), st.randoms())
def test_order_does_not_matter_and_one_ball_more_is_never_better(bowled, age, shuffle):
    one = load(bowled, NOW, age, TABLE)
    mixed = bowled.copy()
    shuffle.shuffle(mixed)
    assert load(mixed, NOW, age, TABLE) == one
    more = load([*bowled, ago()], NOW, age, TABLE)
    assert more.day_balls == one.day_balls + 1 and more.week_balls == one.week_balls + 1
    assert all(STATES.index(b.state) >= STATES.index(a.state) for a, b in zip(one.uses, more.uses))


@given(entries)
def test_a_spell_is_no_more_than_its_week_and_a_row_no_longer_than_its_days(bowled):
    found = used(bowled)
    assert found["spell_balls"] <= found["week_balls"] and found["day_balls"] <= found["week_balls"]
    assert found["days_in_7"] <= 7 and min(found["days_in_row"], 6) <= found["days_in_7"]


@given(entries, st.integers(0, 9), st.integers(5, 20))
def test_sums_by_day_give_the_same_but_for_the_spell(bowled, back, age):
    """Also for a day that has others after it."""
    day = NOW.date() - timedelta(days=back)
    days: dict[date, int] = {}
    for b in bowled:
        days[b.when.date()] = days.get(b.when.date(), 0) + b.balls
    whole = load([b for b in bowled if b.when.date() <= day], datetime.combine(day, datetime.max.time()), age, TABLE)
    found = load_of_days({d: n for d, n in days.items() if n}, day, age, TABLE)
    near = {d: n for d, n in days.items() if n and d >= day - timedelta(days=TABLE.reach_days)}
    assert [u.state for u in load_of_days(near, day, age, TABLE).uses] == [u.state for u in found.uses]
    assert found == replace(whole, spell_balls=None, uses=tuple(u for u in whole.uses if u.limit != "spell_balls"))


@pytest.mark.parametrize("use, age, spell_overs, day_overs, days_in_7", [
    ("match", 10, 5, 10, 4), ("match", 13, 5, 10, 4), ("match", 14, 6, 12, 4), ("match", 15, 6, 12, 4),
    ("match", 16, 7, 18, 4), ("match", 19, 7, 18, 4),
    ("training", 10, 2, 4, 3), ("training", 12, 4, 4, 3), ("training", 14, 5, 5, 3), ("training", 16, 5, 6, 3),
    ("training", 18, 6, 7, 4)])
def test_the_shipped_table_says_what_its_sources_say(use, age, spell_overs, day_overs, days_in_7):
    """`match`: the ECB's fast bowling match directives of October 2009: overs of six a spell and a day, up to 13, under
    14 and 15, under 16 to 19. `training`: Cricket Australia, community guidelines 2019/20 and older training guide."""
    row = table_from(SHIPPED | {"use": use}).row(age)
    assert (row.spell_balls, row.day_balls, row.days_in_7) == (6 * spell_overs, 6 * day_overs, days_in_7)


def test_the_shipped_table_has_no_limit_for_adults_and_says_whom_to_ask():
    table = table_from(SHIPPED)
    assert table.row(youngest_age(None, "adult", NOW.date())) is None and "ask your board" in str(table)
    assert table.row(None) == table.row(table.unknown_age) is not None
    assert "ASK YOUR BOARD" in TOML.read_text() and table.dated <= date(2026, 11, 25)


def test_nowhere_is_a_number_of_balls_called_harmless():
    said = TOML.read_text() + "".join(str(u) for u in load([ago()], NOW, 12, TABLE).uses) + str(table_from(SHIPPED))
    assert "safe" not in said.lower() and not any("safe" in s for s in STATES)


@pytest.mark.parametrize("birth_year, group, age", [(2015, None, 11), (2015, "adult", 11), (None, "u13", 12),
                                                    (None, "u9", 8), (None, "adult", 19), (None, None, None)])
def test_the_youngest_age_that_fits(birth_year, group, age):
    assert youngest_age(birth_year, group, date(2027, 1, 1)) == age


def test_all_faults_of_a_table_are_named_at_once():
    rows = [{"under": 13, "spell_balls": 30, "day_balls": 24}, {"under": 12, "spell_bals": 3}, {"spell_balls": -1},
            {"under": 19, "days_in_7": 8, "day_balls": 6.5}, "u13"]
    broken = {"dated": "today", "use": "trainng", "unknown_age": True, "gap_min": 0, "near_share": 1.5, "year": 2027,
              "guidance": [{"name": "training", "source": "s", "link": "", "rows": rows},
                           {"name": "training", "source": 3, "rows": [{"under": 15}, {"under": 13}]}]}
    with pytest.raises(Faults) as said:
        table_from(broken)
    for words in ("dated: asked a date", "use: no guidance has the name 'trainng', did you mean 'training'?",
                  "unknown_age: asked a whole number, found True", "gap_min: asked more than 0", "near_share",
                  "year: no such key",
                  "guidance 1, row 1: asked spell_balls <=", "did you mean 'spell_balls'?", "row 3: spell_balls",
                  "row 3: under: missing", "days_in_7: asked 1 to 7", "day_balls: asked a whole number",
                  "row 5: asked a table",
                  "guidance 2: source", "guidance 2: link: missing", "twice", "[15, 13]"):
        assert any(words in fault for fault in said.value.faults), words


@given(st.dictionaries(st.sampled_from(["dated", "use", "guidance", "gap_min", "rows", "x"]),
                       st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.dates(),
                                    lambda s: st.lists(s) | st.dictionaries(st.text(), s), max_leaves=6)))
def test_no_table_whatever_raises_anything_but_faults(given_):
    with pytest.raises(Faults):
        table_from(given_)
