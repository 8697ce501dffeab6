"""Calendar: a player's balls and bowling days, each day against the workload table that was in force on it.

It counts every ball, whatever the page is narrowed to. Below a limit means no more than that.
"""
from __future__ import annotations

from datetime import date, timedelta
from typing import Any, Mapping, Sequence

from markupsafe import Markup

from creaseside.workload import Load, Table, load_of_days, youngest_age
from kiosk import guidance
from kiosk.faults import Fault
from kiosk.review import charts, words
from kiosk.review.asking import Asker, Filter, local
from kiosk.review.look import Figure

WEEKS = 26                # as much as fits on a line
BACK_DAYS = 31            # what a day's week and its row of days may reach back to
CELL = 34
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def calendar(log: Asker, person: Mapping[str, Any], wanted: Filter, today: date) -> Figure:
    """The weeks up to the filter's last day, or today, as a calendar."""
    last = min(wanted.until or today, today)
    first = max(wanted.since or last - timedelta(weeks=WEEKS), last - timedelta(weeks=WEEKS))
    first -= timedelta(days=first.weekday())
    bowled = log.by_day(Filter(since=first - timedelta(days=BACK_DAYS)), person["id"]).get(person["id"], {})
    tables, note = in_force(log)
    loads = {day: (on_day(bowled, day, person, table), table) for day in sorted(bowled) if first <= day <= last
             for table in [table_on(tables, day)]}
    passed = {day: [str(u) for u in of.uses if u.used > u.allowed] for day, (of, _) in loads.items()}
    balls = sum(of.day_balls for of, _ in loads.values())
    over = [d for d, p in passed.items() if p]
    says = (f"Workload from {words.day(first)} to {words.day(last)}: {words.count(balls, 'ball')} on "
            f"{words.count(len(loads), 'day')}, every ball counted, warm-up too. ")
    limited = any(of.uses for of, _ in loads.values())
    says += (f"On {words.count(len(over), 'day')} more than the table in force allowed." if over else
             "No day went over the table in force." if limited else "The table in force has no limits for this age."
             if loads else "")
    rows = [[d.isoformat(), str(of.day_balls), str(of.week_balls), str(of.days_in_7), str(of.days_in_row),
             "; ".join(passed[d]) or ("within" if of.uses else "no limit"), table.dated.isoformat()] for d,
            (of, table) in reversed(loads.items())]
    sources = "; ".join(dict.fromkeys(str(t) for _, t in loads.values())) or str(tables[-1][1])
    return Figure("workload", "Workload", says, _svg(first, last, loads, passed, says),
                  ("Day", "Balls", "Balls in 7 days", "Bowling days in 7", "Days in a row", "Over the table",
                   "Table of"), rows,
                  f"{note}{sources}. Days by the hall's clock of then; spells are left out, since a day's balls are "
                  "counted together. Guidance is no promise: within it is not safe, and over it is not hurt.")


def in_force(log: Asker) -> tuple[list[tuple[date | None, Table]], str]:
    """(from which day on, table), oldest first; the first holds for the time before it too. And what is to be said."""
    noted = []
    for row in log.guidances():
        try:
            noted.append((local(row["noted_utc"], log.shift).date(), guidance.table(row["text"])))
        except Fault:
            continue                  # a row that an older program took for a table
    if noted:
        return noted, ""
    return [(None, guidance.table(guidance.text(log.place)))], (
        "Which table was in force then is not in the log; this is the one in use now. ")


def table_on(tables: Sequence[tuple[date | None, Table]], day: date) -> Table:
    held = [t for since, t in tables if since is None or since <= day]
    return held[-1] if held else tables[0][1]


def on_day(bowled: Mapping[date, int], day: date, person: Mapping[str, Any], table: Table) -> Load:
    """The load at the end of that day."""
    return load_of_days(bowled, day, youngest_age(person["birth_year"], person["age_group"], day), table)


def _svg(first: date, last: date, loads: Mapping[date, tuple[Load, Table]], passed: Mapping[date, list[str]],
         says: str) -> Markup:
    """A column a week, a row a weekday; the number in a day is its balls, a diamond stands where a limit was passed."""
    weeks = (last - first).days // 7 + 1
    end = 48 + CELL * weeks                      # the days' names at both ends: a small screen shows one of them
    made = [charts.text(x, 34 + CELL * i + 22, name, anchor) for i, name in enumerate(DAYS)
            for x, anchor in ((40, "end"), (end + 8, "start"))]
    month = None
    for n in range((last - first).days + 1):
        day = first + timedelta(days=n)
        x, y = 48 + CELL * (n // 7), 34 + CELL * (n % 7)
        if day.weekday() == 0 and day.month != month:
            made.append(charts.text(x, 24, f"{day:%b}", "start"))
            month = day.month
        if day not in loads:
            made.append(charts.rect(x + 1, y + 1, x + CELL - 2, y + CELL - 2, "day"))
            continue
        of, _ = loads[day]
        over = passed[day]
        title = "; ".join([f"{day.isoformat()}: {words.count(of.day_balls, 'ball')}", *over])
        made.append(charts.linked(None, title, charts.rect(x + 1, y + 1, x + CELL - 2, y + CELL - 2, "day bowled"),
                                  charts.text(x + CELL / 2, y + 22, str(of.day_balls)),
                                  *([charts.mark(x + CELL - 7, y + 7, "miss", 4)] if over else [])))
    floor, end = 34 + CELL * 7 + 18, max(end, 440)
    made += [charts.text(end - 270, floor + 2, "more than the table in force allowed", "start"),
             charts.mark(end - 280, floor - 4, "miss", 4), charts.text(end - 398, floor + 2, "balls bowled", "start"),
             charts.rect(end - 420, floor - 10, end - 406, floor + 4, "day bowled")]
    return charts.svg(says, *made, width=end + 48, height=floor + 12, class_="chart calendar")
