"""Asking: what the pages want from the log, as sums that SQLite makes, and the filters that an address carries.

It writes nothing.
"""
from __future__ import annotations

import json
from dataclasses import dataclass, fields
from datetime import date, datetime, timedelta, timezone
from typing import Any, Iterable, Mapping

from creaseside.ball import QUANTITIES, Value
from creaseside.focus import MEASURES
from creaseside.plan import KINDS
from kiosk.logbook import Reader
from kiosk.logbook.reading import Row

ARMS = ("right", "left")
QUALITIES = (0.25, 0.5, 0.75, 0.9)
NAMES = tuple(q.name for q in QUANTITIES)
BALL_COLUMNS = ("id", "number", "session", "player", "block", "thrown_utc", "utc_offset_min", "arm", "verdict", "flags",
                "quality", "not_measured", "feedback", "source", "front_leg_action", "ball_speed_km_h")


DAY = "date(ball.thrown_utc, ball.utc_offset_min || ' minutes')"      # by the hall's clock of then, as all limits count


@dataclass(frozen=True, slots=True)
class Filter:
    """What an address narrows a view to. None: everything. `quality`: at least; `flags`: "none" or "some"."""

    since: date | None = None
    until: date | None = None
    arm: str | None = None
    focus: str | None = None
    quality: float | None = None
    flags: str | None = None
    block: str | None = None

    @classmethod
    def of(cls, given: Mapping[str, str]) -> tuple[Filter, list[str]]:
        """From an address, and a line for each thing in it that is none; that one is then left out."""
        choices = {"arm": ARMS, "focus": MEASURES, "flags": ("none", "some"), "block": KINDS}
        good: dict[str, Any] = {}
        wrong = []
        for f in fields(cls):
            text = given.get(f.name, "").strip()
            try:
                if not text:
                    continue
                if f.name in ("since", "until"):
                    good[f.name] = date.fromisoformat(text)
                elif f.name == "quality":
                    if not 0.0 <= float(text) <= 1.0:      # nor NaN
                        raise ValueError
                    good[f.name] = float(text)
                elif text in choices[f.name]:
                    good[f.name] = text
                else:
                    raise ValueError
            except ValueError:
                wrong.append(f"{f.name}: “{text[:40]}” is not understood and was left out")
        return cls(**good), wrong

    def where(self) -> tuple[str, dict[str, Any]]:
        """SQL that holds for the balls of this filter, with `session` joined, and its values."""
        parts = {"since": f"ball.thrown_utc >= :near_since and {DAY} >= :since",     # the first of each for the index
                 "until": f"ball.thrown_utc < :near_until and {DAY} <= :until", "arm": "ball.arm = :arm",
                 "focus": "session.measure = :focus", "quality": "ball.quality >= :quality",
                 "block": "ball.block in (select id from block where kind = :block)"}
        given = {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) is not None}
        sql = [parts[name] for name in given if name in parts]
        if self.flags:
            sql.append(f"ball.flags {'=' if self.flags == 'none' else '<>'} '[]'")
        near = {f"near_{name}": (day + timedelta(days=off)).isoformat()
                for name, day, off in (("since", self.since, -1), ("until", self.until, 2)) if day}
        values = {k: str(v) if isinstance(v, date) else v for k, v in given.items() if k in parts}
        return " and ".join(sql) or "true", values | near

    @property
    def days_alone(self) -> bool:
        """Whether it narrows nothing but the days."""
        return all(getattr(self, f.name) is None for f in fields(self) if f.name not in ("since", "until"))


class Asker(Reader):
    """The log, read."""

    @property
    def shift(self) -> timedelta:
        """How far this machine's time is ahead of UTC."""
        return self.clock.utc_and_ns()[0].utcoffset() or timedelta()

    def squad(self, wanted: Filter) -> dict[str, Row]:
        """By player: balls of the filter, bowling days, the last of them (a date), and balls with flags."""
        of, values = self._days(wanted)
        return {row["player"]: row | {"last": date.fromisoformat(row["last"])} for row in self.ask(
            "select player, sum(balls) as balls, count(*) as days, max(day) as last, sum(flagged) as flagged "
            f"from ({of}) group by player", values)}

    def by_day(self, wanted: Filter, player: str | None = None) -> dict[str, dict[date, int]]:
        """By player: how many balls of the filter on each day. A row a player, since most of a row's time is Python's."""
        of, values = self._days(wanted, player)
        rows = self.ask(f"select player, json_group_object(day, balls) as days from ({of}) group by player", values)
        return {row["player"]: {date.fromisoformat(day): balls for day, balls in json.loads(row["days"]).items()}
                for row in rows}

    def _days(self, wanted: Filter, player: str | None = None) -> tuple[str, dict[str, Any]]:
        """SQL for player, day, balls, flagged. The log keeps such sums of all balls, so that days alone take as long as there
        are days, however many balls; a player after the other, so that the index by player serves."""
        one = " and player.id = :player" if player else ""
        if wanted.days_alone:
            return ("select player.id as player, day, balls, flagged from player cross join bowled on bowled.player = player.id "
                    f"where day between :since and :until{one}",
                    {"since": str(wanted.since or date.min), "until": str(wanted.until or date.max), "player": player})
        sql, values = wanted.where()
        joined = " join session on session.id = ball.session" if wanted.focus is not None else ""
        return (f"select player.id as player, {DAY} as day, count(*) as balls, sum(ball.flags <> '[]') as flagged "
                f"from player cross join ball on ball.player = player.id{joined} where {sql}{one} group by player.id, day",
                values | {"player": player})

    def sessions_page(self, wanted: Filter, player: str | None, most: int, after: int = 0) -> list[Row]:
        """Sessions with a ball of the filter, the newest first: balls, flagged balls, the players' ids in them."""
        sql, values = wanted.where()
        mine = " and ball.player = :player" if player else ""
        values |= {"most": most, "after": after} | ({"player": player} if player else {})
        return self.ask(
            "select session.*, count(ball.id) as balls, sum(ball.flags <> '[]') as flagged, "
            "group_concat(distinct ball.player) as players "
            f"from session left join ball on ball.session = session.id where {sql}{mine} "
            "group by session.id order by session.started_utc desc, session.rowid desc limit :most offset :after",
            values) if player or sql != "true" else self._newest(values)

    def _newest(self, values: Mapping[str, Any]) -> list[Row]:
        """The same without a filter: only the sessions of this page are looked into."""
        return self.ask(
            "select session.*, (select count(*) from ball where session = session.id) as balls, "
            "(select sum(flags <> '[]') from ball where session = session.id) as flagged, "
            "(select group_concat(distinct player) from ball where session = session.id) as players from "
            "(select *, rowid as n from session order by started_utc desc, rowid desc limit :most offset :after) "
            "session "
            "order by started_utc desc, n desc", values)

    def session_balls(self, session: str, player: str | None, wanted: Filter) -> list[Row]:
        """The balls of one player in a session (player None: of nobody in the log), in the order of bowling."""
        sql, values = wanted.where()
        sql = f"ball.session = :session and ball.player is :player and {sql}"
        values |= {"session": session, "player": player}
        return self._rows(f"{sql} order by ball.number", values)

    def bowlers(self, session: str) -> list[str | None]:
        """Who bowled in a session (None: somebody who is nobody in the log), in the order of their first ball."""
        rows = self.ask("select player from ball where session = :session order by number", {"session": session})
        return list(dict.fromkeys(row["player"] for row in rows))

    def player_balls(self, player: str, wanted: Filter, sessions: Iterable[str]) -> list[Row]:
        """A player's balls in these sessions, in the order of bowling."""
        sql, values = wanted.where()
        held = {f"s{i}": s for i, s in enumerate(sessions)}
        if not held:
            return []
        return self._rows(f"ball.player = :player and {sql} and ball.session in ({', '.join(f':{k}' for k in held)}) "
                          "order by session.started_utc, ball.session, ball.number", values | held | {"player": player})

    def numbered(self, session: str, number: int) -> Row | None:
        """That ball's own row, with its neighbours' numbers `before` and `after` (of the same player)."""
        found = self.ask("select * from ball where session = :session and number = :number",
                         {"session": session, "number": number})
        if not found:
            return None
        row = found[0]
        near = self.ask("select max(case when number < :number then number end) as before, "
                        "min(case when number > :number then number end) as after from ball "
                        "where session = :session and player is :player",
                        {"session": session, "number": number, "player": row["player"]})[0]
        return row | near

    def ask(self, sql: str, values: Mapping[str, Any]) -> list[Row]:
        return self._ask(sql, values)

    def _rows(self, where: str, values: Mapping[str, Any]) -> list[Row]:
        columns = [*BALL_COLUMNS, *(c for n in NAMES for c in (n, n + "_sd"))]
        return self.ask(f"select {', '.join(f'ball.{c}' for c in columns)}, block.kind as block_kind, "
                        "block.ordinal as ordinal, session.started_utc, session.measure as focus from ball "
                        "join session on session.id = ball.session left join block on block.id = ball.block "
                        f"where {where}", values)


def value(row: Mapping[str, Any], measure: str) -> Value:
    """A ball's number with its sd, false where it was not measured."""
    found = row[measure]
    return Value(found, row[measure + "_sd"]) if found is not None else Value.missing("not measured")


def local(utc: str, shift: timedelta | int) -> datetime:
    """Local time of a row's UTC text; shift: ahead of UTC, or in minutes."""
    ahead = timedelta(minutes=shift) if isinstance(shift, int) else shift
    return datetime.fromisoformat(utc).astimezone(timezone.utc).replace(tzinfo=None) + ahead
