"""Asking: what the pages want from the log, as sums that SQLite makes, and the filters that an address carries.

It writes nothing.
"""
from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date, datetime, time, timedelta, timezone
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
                "quality", "feedback", "source", "front_leg_action", "ball_speed_km_h")


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

    def where(self, shift: timedelta) -> tuple[str, dict[str, Any]]:
        """SQL that holds for the balls of this filter, with `session` joined, and its values."""
        utc = {name: _utc(datetime.combine(day + timedelta(days=later), time()) - shift)
               for name, day, later in (("since", self.since, 0), ("until", self.until, 1)) if day}
        parts = {"since": "ball.thrown_utc >= :since", "until": "ball.thrown_utc < :until", "arm": "ball.arm = :arm",
                 "focus": "session.measure = :focus", "quality": "ball.quality >= :quality",
                 "block": "ball.block in (select id from block where kind = :block)"}
        given = {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) is not None} | utc
        sql = [parts[name] for name in given if name in parts]
        if self.flags:
            sql.append(f"ball.flags {'=' if self.flags == 'none' else '<>'} '[]'")
        return " and ".join(sql) or "true", {k: v for k, v in given.items() if k in parts}

    @property
    def needs_session(self) -> bool:
        return self.focus is not None


class Asker(Reader):
    """The log, read."""

    @property
    def shift(self) -> timedelta:
        """How far this machine's time is ahead of UTC: the days of the pages are its days."""
        return self.clock.utc_and_ns()[0].utcoffset() or timedelta()

    def squad(self, wanted: Filter) -> dict[str, Row]:
        """By player: balls, bowling days, the last ball's UTC and balls with flags."""
        sql, values = wanted.where(self.shift)
        of = "from player cross join ball on ball.player = player.id " \
             f"{'join session on session.id = ball.session' if wanted.needs_session else ''} where {sql}"
        found = {row["player"]: row | {"flagged": 0} for row in self.ask(
            f"select ball.player as player, count(*) as balls, count(distinct {self._day()}) as days, "
            f"max(ball.thrown_utc) as last_utc {of} group by ball.player", values)}
        for row in self.ask(f"select ball.player as player, count(*) as flagged {of} and ball.flags <> '[]' "
                            "group by ball.player", values):
            found.get(row["player"], row)["flagged"] = row["flagged"]
        return found

    def balls_by_day(self, since: date, player: str | None = None) -> dict[str, dict[date, int]]:
        """By player: how many balls on each day from then on, every ball, whatever else is filtered."""
        sql, values = Filter(since=since).where(self.shift)
        one = " and ball.player = :player" if player else ""
        found: dict[str, dict[date, int]] = {}
        for row in self.ask(f"select ball.player as player, {self._day()} as day, count(*) as balls from player cross "
                            "join ball "
                            f"on ball.player = player.id where {sql}{one} group by ball.player, day",
                            values | ({"player": player} if player else {})):
            found.setdefault(row["player"], {})[date.fromisoformat(row["day"])] = row["balls"]
        return found

    def sessions_page(self, wanted: Filter, player: str | None, most: int, after: int = 0) -> list[Row]:
        """Sessions with a ball of the filter, the newest first: balls, flagged balls, the players' ids in them."""
        sql, values = wanted.where(self.shift)
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
        sql, values = wanted.where(self.shift)
        sql = f"ball.session = :session and ball.player is :player and {sql}"
        values |= {"session": session, "player": player}
        return self._rows(f"{sql} order by ball.number", values)

    def bowlers(self, session: str) -> list[str | None]:
        """Who bowled in a session (None: somebody who is nobody in the log), in the order of their first ball."""
        rows = self.ask("select player from ball where session = :session order by number", {"session": session})
        return list(dict.fromkeys(row["player"] for row in rows))

    def player_balls(self, player: str, wanted: Filter, sessions: Iterable[str]) -> list[Row]:
        """A player's balls in these sessions, in the order of bowling."""
        sql, values = wanted.where(self.shift)
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

    def _day(self) -> str:
        return f"date(ball.thrown_utc, '{round(self.shift.total_seconds()):+d} seconds')"


def value(row: Mapping[str, Any], measure: str) -> Value:
    """A ball's number with its sd, false where it was not measured."""
    found = row[measure]
    return Value(found, row[measure + "_sd"]) if found is not None else Value.missing("not measured")


def local(utc: str, shift: timedelta | int) -> datetime:
    """Local time of a row's UTC text; shift: ahead of UTC, or in minutes."""
    ahead = timedelta(minutes=shift) if isinstance(shift, int) else shift
    return datetime.fromisoformat(utc).astimezone(timezone.utc).replace(tzinfo=None) + ahead


def _utc(wall: datetime) -> str:
    return wall.isoformat(timespec="milliseconds") + "Z"
