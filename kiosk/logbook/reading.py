"""Reading: everything that can be asked of the log. A Reader opens it read-only, beside a kiosk that is writing."""
from __future__ import annotations

import json
import os
import sqlite3
import threading
from contextlib import closing
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any, Mapping, Sequence

from sqlite_utils import Database

from creaseside import rows
from creaseside.ball import BY_NAME
from creaseside.pose import Pose
from kiosk import clock as clock_room
from kiosk.faults import Fault
from kiosk.logbook import file, people
from kiosk.marks import Marks, of_row
from kiosk.place import Place

Row = dict[str, Any]

BALLS = """select ball.*, clip.file as clip from ball join session on session.id = ball.session
left join clip on clip.ball = ball.id and clip.removed_utc is null"""
ORDER = "order by session.started_utc, session.rowid, ball.number"
SESSIONS = """select session.*, (select count(*) from ball where session = session.id) as balls,
(select count(*) from clip join ball on ball.id = clip.ball
 where ball.session = session.id and removed_utc is null) as clips
from session"""


class Reader:
    """The log of a Place; an empty one where there is no log yet. Close it, or use it with `with`.

    notice: what people should hear (the log is damaged, and what can be read of it is read), or None.
    """

    notice: str | None = None

    def __init__(self, place: Place, clock: ModuleType = clock_room) -> None:
        self.place, self.clock = place, clock
        self._threads = threading.RLock()
        self._db = self._open()

    def _open(self) -> Database:
        path = self.place.log
        try:
            if path.exists() and file.version(path) < len(file.STEPS):
                if why := file.damage(path):
                    return self._salvaged(why)               # a reader puts none aside
                from kiosk.logbook.writing import Logbook
                Logbook(self.place, self.clock).close()      # only a writer can step an older log up
            return file.for_reading(path)
        except Fault as e:
            if file.code(e.__cause__) != sqlite3.SQLITE_CORRUPT:
                raise
            return self._salvaged(str(e.__cause__))

    def close(self) -> None:
        self._db.close()

    def __enter__(self):
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def today(self) -> date:
        return self.clock.utc_and_ns()[0].date()

    # People

    def players(self) -> list[Row]:
        """Newest first, each with `under_18` and `may_keep` as of today."""
        consents, today = self.everyones_consents(), self.today()
        return [_seen_on(today, row, consents.get(row["id"], []))
                for row in self._select("select * from player order by created_utc desc, rowid desc")]

    def player(self, player: str) -> Row:
        return self._player(self._one("player", player))

    def has_cards(self) -> bool:
        """Whether anybody has a card at all."""
        return bool(self._select("select 1 from player where card is not null limit 1"))

    def player_of_card(self, number: int) -> Row | None:
        """Whose card that is; None where it is nobody's any more."""
        found = self._select("select * from player where card = ?", number)
        return self._player(found[0]) if found else None

    def consents(self, player: str) -> list[Row]:
        return self._select("select * from consent where player = ? order by given_on, id", player)

    def everyones_consents(self) -> dict[str, list[Row]]:
        """The same of all who gave one, by player."""
        found: dict[str, list[Row]] = {}
        for row in self._select("select * from consent order by given_on, id"):
            found.setdefault(row["player"], []).append(row)
        return found

    def heights(self, player: str) -> list[Row]:
        """Oldest first: `height_m` and its day `measured_on`."""
        return self._select("select height_m, measured_on from height where player = ? order by measured_on", player)

    def may_keep(self, player: str | None, on: date) -> str:
        """ "none", "numbers" or "clips"; for a bowler who is nobody in the log: numbers."""
        return people.may_keep(self._one("player", player), self.consents(player), on) if player else "numbers"

    def faces(self, player: str | None, on: date) -> str:
        """ "blurred" or "shown", in pictures of that player which leave the machine."""
        return people.faces(self._one("player", player), self.consents(player), on) if player else "blurred"

    def zero(self, player: str, setup: int | None = None) -> Row | None:
        """The player's latest standing zero; with a set-up the latest that holds for balls of it: taken with the very same, and
        read in the way that goes with theirs."""
        from creaseside import standing     # brings the picture library along, which a log does not need
        found = self._select("select * from zero where player = ? and (? is null or setup = ? and joints = ?) "
                             "order by id desc limit 1", player, setup, setup, standing.edition())
        return found[0] if found else None

    # Sessions and balls

    def sessions(self, player: str | None = None) -> list[Row]:
        """Newest first, with how many balls and clips each has; of one player: those with a ball of theirs too."""
        mine = "where ? is null or session.player = ? or session.id in (select session from ball where player = ?)"
        found = self._select(f"{SESSIONS} {mine} order by started_utc desc, session.rowid desc", player, player, player)
        return [_session(row) for row in found]

    def latest_day(self) -> date | None:
        """The day, by the hall's clock of then, on which the newest session began; None before the first."""
        found = self._select("select started_utc, utc_offset_min from session order by started_utc desc limit 1")
        if not found:
            return None
        return _local(found[0]["started_utc"], found[0]["utc_offset_min"]).date()

    def session(self, session: str) -> Row:
        """The session, with its blocks."""
        self._one("session", session)
        row = _session(self._select(f"{SESSIONS} where session.id = ?", session)[0])
        return row | {"blocks": self._select("select * from block where session = ? order by ordinal", session)}

    def balls(self, session: str | None = None, player: str | None = None) -> list[Row]:
        """As others read them (creaseside.ball.as_json), oldest first."""
        return [rows.as_json(row) for row in self._balls(BALLS, session, player)]

    def thrown(self, player: str, since: date) -> list[datetime]:
        """When each of the player's balls was bowled, by the hall's clock of then, from that day on; oldest first."""
        from_utc = (datetime.combine(since, datetime.min.time()) - timedelta(days=1)).isoformat()
        rows = self._select("select thrown_utc, utc_offset_min from ball where player = ? and thrown_utc >= ? "
                            "order by thrown_utc", player, from_utc)
        local = [_local(row["thrown_utc"], row["utc_offset_min"]) for row in rows]
        return [when for when in local if when.date() >= since]

    def values(self, measure: str, player: str | None = None, session: str | None = None, block: str | None = None,
               most: int = 1000) -> list[float]:
        """The measured ones of the newest `most` balls that have it, oldest first; block: only of blocks of that kind."""
        column = BY_NAME[measure].name
        rows = self._select(f"""select ball.{column} as value from ball left join block on block.id = ball.block
where ball.{column} is not null and (? is null or ball.player = ?) and (? is null or ball.session = ?)
and (? is null or block.kind = ?) order by ball.id desc limit ?""",
                            player, player, session, session, block, block, most)
        return [row["value"] for row in rows[::-1]]

    def stopped(self, player: str, on: date) -> bool:
        """Whether a session of the player was stopped on that day."""
        rows = self._select("select stopped_utc, utc_offset_min from session where player = ? and stopped_utc is not null",
                            player)
        return any(_local(row["stopped_utc"], row["utc_offset_min"]).date() == on for row in rows)

    def feedback(self, ball: int) -> list[Row]:
        """What was given for a ball, in its order."""
        return self._select("select kind, asked_ns, happened_ns, way from feedback where ball = ? order by id", ball)

    def ball_rows(self, session: str | None = None, player: str | None = None) -> list[Row]:
        """The rows of the view `balls`, oldest first: unrounded, with ids and what the session was about."""
        return self._balls("select balls.* from balls join ball on ball.id = balls.id "
                           "join session on session.id = ball.session", session, player)

    def ball(self, ball: int) -> Row:
        """The ball's own row, unrounded."""
        return self._one("ball", ball)

    def traces(self, ball: int) -> dict[str, tuple[Pose, ...]]:
        """{"light": poses, "heavy": poses}; empty where none was kept."""
        return {row["model"]: rows.unpack(row) for row in self._select("select * from trace where ball = ?", ball)}

    def clip(self, ball: int) -> Row | None:
        """The clip that is kept of this ball; `t_ns` is a tuple, one time a frame."""
        found = self._select("select * from clip where ball = ? and removed_utc is null", ball)
        return found[0] | {"t_ns": rows.untimes(found[0]["t_ns"])} if found else None

    def clips(self) -> list[Row]:
        """Every clip that is kept, with the player whose ball it is, and when that was bowled."""
        return self._select("select clip.id, clip.ball, file, keep_until, player, thrown_utc from clip "
                            "join ball on ball.id = ball where removed_utc is null")

    def setup(self, setup: int) -> Row:
        row = self._one("setup", setup)
        return row | {"marks": json.loads(row["marks"]), "lens": json.loads(row["lens"])}

    def setups(self, marks: Marks) -> list[Marks]:
        """The set-ups that a hand placed just so, whatever paint was read then, the newest first."""
        there = [of_row(self.setup(row["id"])) for row in self._select("select id from setup order by id desc")]
        return [setup for setup in there if replace(setup, paint=()) == replace(marks, paint=())]

    def program(self, program: int) -> Row:
        row = self._one("program", program)
        return row | {"models": json.loads(row["models"]), "settings": json.loads(row["settings"])}

    def rows_of(self, table: str, column: str, key: str | int) -> list[Row]:
        """A table's own rows with that key, as they stand in it, for a copy of them elsewhere."""
        return self._select(f'select * from "{table}" where "{column}" = ? order by rowid', key)

    def guidances(self) -> list[Row]:
        """The workload tables that were in force, each from its `noted_utc` on until the next; oldest first."""
        return self._select("select noted_utc, text from guidance order by id")

    def accesses(self, player: str | None = None, most: int = 200) -> list[Row]:
        """Who looked at what, the latest first."""
        return self._select("select utc, who, what, player from access where ? is null or player = ? "
                            "order by id desc limit ?", player, player, most)

    def erasures(self) -> list[Row]:
        return self._select("select id, utc, what, sessions, balls, clips from erasure order by id desc")

    # A copy

    def backup(self, to: Path) -> Row:
        """A consistent copy of the log, as one plain file; the clips are not in it. Replaces an older copy only."""
        asked = f"a copy of the log in {to}"
        to = to.expanduser().absolute()
        if not self.place.log.exists():
            raise Fault(asked, "no log yet", "copy it once something was logged")
        if to.exists() and (to.samefile(self.place.log) or not _is_log(to)):
            raise Fault(asked, "another file of that name", "give the name of a new file or of an older copy")
        part = to.with_name(to.name + ".part")
        with file.telling(asked):
            os.close(os.open(part, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600))
            try:
                with closing(sqlite3.connect(part, isolation_level=None)) as copy, self._threads:
                    self._db.conn.backup(copy)
                    copy.execute("pragma journal_mode = delete").fetchone()   # one file, nothing beside it
                    balls = copy.execute("select count(*) from ball").fetchone()[0]
                part.replace(to)
            finally:
                part.unlink(missing_ok=True)
        return {"backup": str(to), "bytes": to.stat().st_size, "balls": balls}

    # Asking

    def _balls(self, sql: str, session: str | None, player: str | None) -> list[Row]:
        for table, key in (("session", session), ("player", player)):
            if key is not None:
                self._one(table, key)
        where = "where (? is null or ball.session = ?) and (? is null or ball.player = ?)"
        return self._select(f"{sql} {where} {ORDER}", session, session, player, player)

    def _player(self, row: Row) -> Row:
        return _seen_on(self.today(), row, self.consents(row["id"]))

    def _one(self, table: str, key: str | int) -> Row:
        found = self._select(f"select * from {table} where id = ?", key)
        if not found:
            where = {"player": "creaseside players list shows them"}.get(table, "creaseside sessions list shows them")
            raise Fault(f"the {table} {key}", f"no such {table}", where)
        return found[0]

    def _select(self, sql: str, *values: Any) -> list[Row]:
        return self._ask(sql, values)

    def _ask(self, sql: str, values: Sequence[Any] | Mapping[str, Any]) -> list[Row]:
        with file.telling(f"the log {self.place.log}"), self._threads:
            try:
                with file.legible():
                    return list(self._db.query(sql, values))
            except sqlite3.DatabaseError as e:
                if file.code(e) != sqlite3.SQLITE_CORRUPT or not self._salvage(str(e)):
                    raise
                return list(self._db.query(sql, values))

    def _salvage(self, why: str) -> bool:
        """Go on with what can be read of a damaged log, from now on; False where that was tried already."""
        if self.notice is not None:
            return False
        self._db.close()
        self._db = self._salvaged(why)
        return True

    def _salvaged(self, why: str) -> Database:
        found = file.salvaged(self.place.log)
        self.notice = (f"the log {self.place.log} is damaged ({why}); what can be read of it is shown, "
                       "the file is as it was")
        return found


def _seen_on(day: date, player: Row, consents: Sequence[Row]) -> Row:
    return player | {"under_18": people.under_18(player, day), "may_keep": people.may_keep(player, consents, day)}


def _local(utc: str, offset_min: int) -> datetime:
    """As the clock in the hall showed it; without a zone."""
    return datetime.fromisoformat(utc.replace("Z", "")) + timedelta(minutes=offset_min)


def _session(row: Mapping[str, Any]) -> Row:
    return dict(row) | {"plan": json.loads(row["plan"]) if row["plan"] else None}


def _is_log(path: Path) -> bool:
    try:
        file.version(path)
    except Fault:
        return False
    return True
