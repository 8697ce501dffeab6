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
                "quality", "not_measured", "feedback", "source", "front_leg_action", "ball_speed_km_h")


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
    def days_alone(self) -> bool:
        """Whether it narrows nothing but the days."""
        return all(getattr(self, f.name) is None for f in fields(self) if f.name not in ("since", "until"))


class Asker(Reader):
    """The log, read."""

    @property
    def shift(self) -> timedelta:
        """How far this machine's time is ahead of UTC: the days of the pages are its days."""
        return self.clock.utc_and_ns()[0].utcoffset() or timedelta()

    def squad(self, wanted: Filter, days: Mapping[str, Mapping[date, int]] | None = None) -> dict[str, Row]:
        """By player: balls, bowling days, the last of them, and balls with flags.

        days: what `by_day` said of these days and perhaps more, where it was asked already; for a filter by days alone.
        """
        if days is None or not wanted.days_alone:
            days = self.by_day(wanted)
        sql, values = wanted.where(self.shift)
        flagged = {row["player"]: row["flagged"] for row in self.ask(
            f"select ball.player as player, count(*) as flagged {self._of(wanted)} where {sql} and "
            "ball.flags <> '[]' group by player.id", values)}
        first, last = wanted.since or date.min, wanted.until or date.max
        kept = {player: {d: n for d, n in of.items() if first <= d <= last} for player, of in days.items()}
        return {player: {"balls": sum(of.values()), "days": len(of), "last": max(of), "flagged": flagged.get(player, 0)}
                for player, of in kept.items() if of}

    def by_day(self, wanted: Filter, player: str | None = None) -> dict[str, dict[date, int]]:
        """By player: how many balls of the filter on each day."""
        sql, values = wanted.where(self.shift)
        if wanted.days_alone:
            rows = self._hops(values, player)
        else:
            one = " and ball.player = :player" if player else ""
            rows = self.ask(f"select ball.player as player, date(ball.thrown_utc, :ahead) as day, count(*) as balls "
                            f"{self._of(wanted)} where {sql}{one} group by ball.player, day",
                            values | {"ahead": self._ahead(1)} | ({"player": player} if player else {}))
        found: dict[str, dict[date, int]] = {}
        for row in rows:
            found.setdefault(row["player"], {})[date.fromisoformat(row["day"])] = row["balls"]
        return found

    def _hops(self, values: Mapping[str, Any], player: str | None) -> list[Row]:
        """The same for days alone, from the index: to a day's first ball, over its balls, and on from the next
        midnight. So it looks at days, and a day's balls are counted without being read."""
        first = "select min(thrown_utc) from ball where ball.player = {} and thrown_utc >= {}"
        until = "and thrown_utc < :until" if "until" in values else ""
        midnight = "strftime('%Y-%m-%dT%H:%M:%S', at, :ahead, 'start of day', '+1 day', :back)"
        return self.ask(
            "with recursive hop(player, at) as ("
            f"select id, ({first.format('player.id', ':since')} {until}) from player where :player is null or id = :player "
            f"union all select player, ({first.format('hop.player', midnight)} {until}) from hop where at is not null) "
            "select player, date(at, :ahead) as day, (select count(*) from ball where ball.player = hop.player and "
            f"thrown_utc >= at and thrown_utc < {midnight}) as balls from hop where at is not null",
            {"since": "", "player": player, "ahead": self._ahead(1), "back": self._ahead(-1)} | values)

    def _of(self, wanted: Filter) -> str:
        """Players with their balls, a player after the other, so that the index by player serves."""
        with_it = " join session on session.id = ball.session" if wanted.focus is not None else ""
        return f"from player cross join ball on ball.player = player.id{with_it}"

    def _ahead(self, sign: int) -> str:
        return f"{sign * round(self.shift.total_seconds()):+d} seconds"

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
