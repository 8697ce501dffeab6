"""Workload: balls and bowling days of one player against a dated, editable table of guidance by age.

It counts every ball, warm-up and all, and says which limit is near or reached. It knows no clock and no disk, gives
no risk, and never says that a number of balls is harmless: below a limit is `ok` by that table and nothing more.
"""
from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from types import MappingProxyType
from typing import Any, Iterable, Mapping

from creaseside.settings import Faults

LIMITS: Mapping[str, str] = MappingProxyType({
    "spell_balls": "balls this spell", "day_balls": "balls today", "week_balls": "balls in 7 days",
    "days_in_7": "bowling days in 7", "days_in_row": "bowling days in a row"})
STATES = ("no_guidance", "ok", "near", "at_limit")
GROWN = 19      # an adult by age group alone: past every board's junior rows


@dataclass(frozen=True, slots=True)
class Row:
    """Limits for players younger than `under` years; None where the guidance says nothing."""

    under: int
    spell_balls: int | None = None
    day_balls: int | None = None
    week_balls: int | None = None
    days_in_7: int | None = None
    days_in_row: int | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """The guidance in use: where it is from, when it was looked at, and its rows from the youngest up."""

    name: str
    source: str
    link: str
    dated: date
    rows: tuple[Row, ...]
    unknown_age: int
    gap_min: float
    near_share: float

    def row(self, age: int | None) -> Row | None:
        """The row for an age in whole years; None, not known, is counted as `unknown_age`. None above the last row."""
        years = self.unknown_age if age is None else age
        return next((r for r in self.rows if years < r.under), None)

    @property
    def reach_days(self) -> int:
        """How many days before the day in question can change the state of a limit."""
        return max([6, *(r.days_in_row or 0 for r in self.rows)])

    def __str__(self) -> str:
        return f"{self.source}; looked at on {self.dated}; ask your board"


@dataclass(frozen=True, slots=True)
class Bowled:
    """`balls` bowled at `when`: local time as a clock on the wall showed it (a zone is not looked at)."""

    when: datetime
    balls: int = 1


@dataclass(frozen=True, slots=True)
class Use:
    """One limit: how much of it is used, and `ok`, `near` or `at_limit`."""

    limit: str
    used: int
    allowed: int
    state: str

    @property
    def left(self) -> int:
        return max(0, self.allowed - self.used)

    def __str__(self) -> str:
        return f"{self.used} of {self.allowed} {LIMITS[self.limit]}"


@dataclass(frozen=True, slots=True)
class Load:
    """What was bowled up to now, and each limit that the table has for that age, in the order of LIMITS. spell_balls None:
    not known."""

    spell_balls: int | None
    day_balls: int
    week_balls: int
    days_in_7: int
    days_in_row: int
    uses: tuple[Use, ...]

    @property
    def worst(self) -> Use | None:
        """The limit that matters: the one that is reached or nearest to it; None without guidance."""
        return max(self.uses, key=lambda u: (STATES.index(u.state), u.used / u.allowed), default=None)

    @property
    def state(self) -> str:
        """`no_guidance` where the table has no row for that age, else the worst of `ok`, `near`, `at_limit`."""
        return self.worst.state if self.worst else "no_guidance"


def load(bowled: Iterable[Bowled], now: datetime, age: int | None, table: Table) -> Load:
    """What a player of that age has bowled by `now`, local time, against the table.

    A limit of balls is reached when it is used up. A limit of days is reached when bowling today is, or would be, one
    day too many. What seems to be later than now (a clock was set back) counts as today's.
    """
    now = now.replace(tzinfo=None)
    entries = sorted((min(b.when.replace(tzinfo=None), now), b.balls) for b in bowled if b.balls > 0)
    days: dict[date, int] = {}
    for when, n in entries:
        days[when.date()] = days.get(when.date(), 0) + n
    return _load(_spell(entries, now, timedelta(minutes=table.gap_min)), days, now.date(), age, table)


def load_of_days(days: Mapping[date, int], day: date, age: int | None, table: Table) -> Load:
    """The same at the end of a day, from balls by day; a spell cannot be told from them."""
    return _load(None, days, day, age, table)


def _load(spell_balls: int | None, days: Mapping[date, int], today: date, age: int | None, table: Table) -> Load:
    week = [days.get(today - timedelta(days=back), 0) for back in range(7)]
    counts = {"spell_balls": spell_balls, "day_balls": week[0], "week_balls": sum(week),
              "days_in_7": sum(n > 0 for n in week), "days_in_row": _in_row(days, today)}
    row = table.row(age)
    limits = {name: getattr(row, name) for name in LIMITS if row and getattr(row, name) is not None}
    uses = tuple(_use(name, counts[name], allowed, week[0] > 0, table.near_share) for name, allowed in limits.items()
                 if counts[name] is not None)
    return Load(**counts, uses=uses)


def _use(name: str, used: int, allowed: int, today: bool, near_share: float) -> Use:
    if name.startswith("days"):
        with_today = used if today else used + 1
        near = with_today == allowed > 1       # the last day; where only one is allowed, each would be
        return Use(name, used, allowed, "at_limit" if with_today > allowed else "near" if near else "ok")
    return Use(name, used, allowed, "at_limit" if used >= allowed else "near" if used >= near_share * allowed else "ok")


def _spell(entries: list[tuple[datetime, int]], now: datetime, gap: timedelta) -> int:
    """Balls since the last rest that was longer than `gap`; none when that rest is now."""
    balls, after = 0, now
    for when, n in reversed(entries):
        if after - when > gap:
            break
        balls, after = balls + n, when
    return balls


def _in_row(days: Mapping[date, int], today: date) -> int:
    """Bowling days without a day off, up to today, or up to yesterday where nothing is bowled yet today."""
    day = today if today in days else today - timedelta(days=1)
    count = 0
    while day in days:
        count, day = count + 1, day - timedelta(days=1)
    return count


def youngest_age(birth_year: int | None, age_group: str | None, on: date) -> int | None:
    """The lowest age that fits what is known ("u13", "adult", a year of birth); None where nothing is known."""
    if birth_year is not None:
        return on.year - birth_year - 1
    if age_group == "adult":
        return GROWN
    return int(age_group[1:]) - 1 if age_group else None


def table_from(given: Mapping[str, Any]) -> Table:
    """The table that `use` names, from the mapping of workload.toml; Faults names all that is wrong in the file."""
    faults: list[str] = []
    keys = {"dated": date, "use": str, "unknown_age": int, "gap_min": float, "near_share": float, "guidance": list}
    top = _typed("", given, keys, faults)
    if "near_share" in top and not 0 < top["near_share"] <= 1:
        faults.append(f"near_share: asked more than 0, at most 1, found {top['near_share']:g}")
    tables: dict[str, dict[str, Any]] = {}
    for i, one in enumerate(top.get("guidance", []), 1):
        _guidance(f"guidance {i}", one, tables, faults)
    if "use" in top and top["use"] not in tables:
        faults.append(f"use: no guidance has the name {top['use']!r}{_near(top['use'], tables)}")
    if faults:
        raise Faults(faults)
    return Table(**tables[top["use"]], **{k: top[k] for k in ("dated", "unknown_age", "gap_min", "near_share")})


def _guidance(where: str, given: Any, tables: dict[str, dict[str, Any]], faults: list[str]) -> None:
    """Adds one guidance to `tables` under its name, and what is wrong with it to `faults`."""
    one = _typed(f"{where}: ", given, {"name": str, "source": str, "link": str, "rows": list}, faults)
    found = [_row(f"{where}, row {n}: ", row, faults) for n, row in enumerate(one.get("rows", []), 1)]
    rows = tuple(filter(None, found))
    unders = [r.under for r in rows]
    if unders != sorted(set(unders)):
        faults.append(f"{where}: asked rows from the youngest up, each under once, found {unders}")
    name = one.get("name")
    if name in tables:
        faults.append(f"{where}: the name {name!r} is there twice")
    if name is not None:
        tables[name] = one | {"rows": rows}


def _row(where: str, given: Any, faults: list[str]) -> Row | None:
    before = len(faults)
    row = _typed(where, given, {"under": int, **dict.fromkeys(LIMITS, int)}, faults, needed=("under",))
    balls = [row[k] for k in ("spell_balls", "day_balls", "week_balls") if k in row]
    if balls != sorted(balls):
        faults.append(f"{where}asked spell_balls <= day_balls <= week_balls, found {balls}")
    if row.get("days_in_7", 1) > 7:
        faults.append(f"{where}days_in_7: asked 1 to 7, found {row['days_in_7']}")
    return Row(**row) if len(faults) == before else None


def _typed(where: str, given: Any, kinds: Mapping[str, type], faults: list[str],
           needed: Iterable[str] | None = None) -> dict[str, Any]:
    """The entries that are as they should be; numbers must be above 0. `needed`: keys that must be there, else all."""
    if not isinstance(given, Mapping):
        faults.append(f"{where}asked a table with {', '.join(kinds)}, found {given!r}")
        return {}
    good = {}
    for key, value in given.items():
        if key not in kinds:
            faults.append(f"{where}{key}: no such key{_near(key, kinds)}")
            continue
        kind = (int, float) if kinds[key] is float else kinds[key]
        if isinstance(value, (bool, datetime)) or not isinstance(value, kind):
            faults.append(f"{where}{key}: asked {_NAMES[kinds[key]]}, found {value!r}")
        elif isinstance(value, (int, float)) and not (0 < value < math.inf):
            faults.append(f"{where}{key}: asked more than 0, found {value}")
        else:
            good[key] = value
    faults += [f"{where}{key}: missing" for key in (kinds if needed is None else needed) if key not in given]
    return good


_NAMES = {date: "a date such as 2026-11-25", str: "words", int: "a whole number", float: "a number",
          list: "a list of tables"}


def _near(key: str, known: Iterable[str]) -> str:
    names = [k for k in known if k]
    near = difflib.get_close_matches(key, names, 1)
    return f", did you mean {near[0]!r}?" if near else f"; one of {', '.join(names)}" if names else ""
