"""Merge: rows and clips of a parcel into the log. Same ids, nothing doubled: taken in twice is taken in once.

A player or session is the same one as here when its id and its moment of making agree; where only the id agrees it is
somebody else's, and comes in under an id made from both. A ball is known by its session and number. What is here
already stays as it is, names and consents too: of a player who is known here only consents of a later day come in. A
clip comes in only where a consent that counts here today allows it, and is kept no longer than it was to be kept there.
"""
from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path
from typing import Any, Iterable, Mapping

from creaseside import rows
from kiosk import clips
from kiosk.exports.bundle import POINTS, TABLES
from kiosk.faults import Fault
from kiosk.imports import checks
from kiosk.imports.parcel import Parcel, opened
from kiosk.logbook import Logbook
from kiosk.logbook.writing import NO_NUMBERS

Row = Mapping[str, Any]
MADE = {"player": "created_utc", "session": "started_utc"}
A_TURN = 50          # balls written in one turn, so that a kiosk that logs a ball beside it does not wait


def take_in(log: Logbook, path: Path) -> dict[str, Any]:
    """What came in, in numbers. Fault, and nothing written, where the file is not sound."""
    with opened(path, log.place.home) as parcel:
        _all_checked(parcel, log)
        merge = _Merge(log, parcel)
        merge.rows()
        merge.clips()
        return {"import": str(path), **merge.new, "already_here": merge.here, "renamed": merge.renamed,
                "clips_left_out": merge.left_out}


def _all_checked(parcel: Parcel, log: Logbook) -> None:
    ids: dict[str, set[Any]] = {table: set() for table in TABLES}
    for table in TABLES:      # what a row points to stands in a table before its own
        columns = [(c.name, c.type, bool(c.notnull)) for c in log._db[table].columns]
        try:
            for row in parcel.rows(table):
                checks.clip(row) if table == "clip" else checks.typed(columns, row)
                checks.row(table, row)
                lost = [c for c, of in POINTS[table].items() if row.get(c) is not None and row[c] not in ids[of]]
                own = row["ball"] if table == "clip" else row["id"]
                if lost or own in ids[table]:
                    raise ValueError(f"{lost[0]} {row[lost[0]]}, which is not in it" if lost else f"{own} twice")
                ids[table].add(own)
                if table == "clip" and parcel.has_clip(row["file"]):
                    checks.pictures(row, parcel.frames(row["file"]))
        except (ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError) as e:
            raise parcel.fault(f"a row of {table} that cannot be one ({e})") from e


class _Merge:
    """new: how many came in; here: balls that were here already; left_out: clips that may not be kept here."""

    def __init__(self, log: Logbook, parcel: Parcel) -> None:
        self._log, self._parcel = log, parcel
        self.new = {"players": 0, "sessions": 0, "balls": 0, "clips": 0}
        self.here = self.left_out = 0
        self.renamed: dict[str, str] = {}
        self._ids: dict[str, dict[Any, Any]] = {table: {} for table in TABLES}     # there -> here
        self._kept_none: set[int] = set()
        self._columns = {t: {c.name for c in log._db[t].columns} - {"id"} for t in TABLES}

    def rows(self) -> None:
        with self._log.writing("to take in players and sessions") as db:
            for row in self._parcel.rows("player"):
                self._player(db, row)
            for table, keys in (("setup", ("hash",)), ("program", ("started_utc", "version", "models", "settings"))):
                self._plain(db, table, keys)
            self._plain(db, "zero", ("player", "made_utc", "knee_deg"))
            for row in self._parcel.rows("session"):
                self._session(db, row)
            self._plain(db, "block", ("session", "ordinal"))
        self._balls()

    def _player(self, db, row: Row) -> None:
        id, known = self._own_id(db, "player", row)
        if not known:
            db["player"].insert({"id": id} | self._kept("player", row) | {"card": None})
            self.new["players"] += 1
        last = db.execute("select max(given_on) from consent where player = ?", [id]).fetchone()[0]
        for consent in self._parcel.rows("consent"):
            if consent["player"] == row["id"] and (last is None or consent["given_on"] > last):
                db["consent"].insert(self._kept("consent", consent) | {"player": id})
        for height in self._parcel.rows("height"):
            if height["player"] == row["id"]:
                db["height"].insert(self._kept("height", height) | {"player": id}, ignore=True)

    def _session(self, db, row: Row) -> None:
        id, known = self._own_id(db, "session", row)
        if not known:
            db["session"].insert({"id": id} | self._kept("session", row) | self._pointed("session", row))
            self.new["sessions"] += 1

    def _own_id(self, db, table: str, row: Row) -> tuple[str, bool]:
        """The id here, and whether it is here already."""
        made = MADE[table]
        other = f"{row['id'][:40]}-{hashlib.sha256(row[made].encode()).hexdigest()[:6]}"
        for id in (row["id"], other):
            found = db.execute(f"select {made} from {table} where id = ?", [id]).fetchone()
            if found is None or found[0] == row[made]:
                self._ids[table][row["id"]] = id
                if id != row["id"]:
                    self.renamed[row["id"]] = id
                return id, found is not None
        raise Fault(f"the {table} {row['id']}", "two others of that id here", "erase one of them")

    def _plain(self, db, table: str, keys: tuple[str, ...]) -> None:
        """Rows that are known by what is in them."""
        where = " and ".join(f'"{k}" is ?' for k in keys)
        for row in self._parcel.rows(table):
            new = self._kept(table, row) | self._pointed(table, row)
            found = db.execute(f"select id from {table} where {where}", [new[k] for k in keys]).fetchone()
            self._ids[table][row["id"]] = found[0] if found else db[table].insert(new).last_pk

    def _balls(self) -> None:
        for some in _groups(self._parcel.rows("ball")):
            with self._log.writing("to take in balls") as db:
                for row in some:
                    self._ball(db, row)
        for table, known in (("trace", ("ball", "model")), ("feedback", ("ball", "kind", "asked_ns"))):
            for some in _groups(r for r in self._parcel.rows(table) if r["ball"] not in self._kept_none):
                with self._log.writing("to take in what belongs to balls") as db:
                    for row in some:
                        self._belongs(db, table, row, known)

    def _ball(self, db, row: Row) -> None:
        new = self._kept("ball", row) | self._pointed("ball", row)
        if self._log.may_keep(new["player"], date.fromisoformat(row["thrown_utc"][:10])) == "none":
            new |= rows.to_row(rows.counted(NO_NUMBERS))
            self._kept_none.add(row["id"])
        found = db.execute("select id from ball where session = ? and number = ?",
                           [new["session"], row["number"]]).fetchone()
        self.here += found is not None
        self.new["balls"] += found is None
        self._ids["ball"][row["id"]] = found[0] if found else db["ball"].insert(new).last_pk

    def _belongs(self, db, table: str, row: Row, known: tuple[str, ...]) -> None:
        new = self._kept(table, row) | self._pointed(table, row)
        where = " and ".join(f'"{k}" is ?' for k in known)
        if not db.execute(f"select 1 from {table} where {where}", [new[k] for k in known]).fetchone():
            db[table].insert(new)

    def clips(self) -> None:
        today = self._log.today()
        for row in self._parcel.rows("clip"):
            ball = self._ids["ball"].get(row["ball"])
            if ball is None or self._had(ball) or not self._parcel.has_clip(row["file"]):
                continue
            player = self._log.ball(ball)["player"]
            until = player and min(date.fromisoformat(row["keep_until"]), clips.keep_until(self._log, player, today))
            if not until or until <= today or not clips.may_keep_pictures(self._log, player, today):
                self.left_out += 1
                continue
            self._clip(ball, row, until)
            self.new["clips"] += 1

    def _clip(self, ball: int, row: Row, until: date) -> None:
        kept = self._log.place.clips / f"ball-{ball:06}.avi"
        try:
            size, digest = clips.put(kept, self._parcel.clip(row["file"]))
            self._log.note_clip(ball, clips.Written(kept.name, row["width_px"], row["height_px"], tuple(row["t_ns"]),
                                                    size, digest), until)
        except BaseException:
            clips.unlink(kept)
            raise

    def _had(self, ball: int) -> bool:
        """A clip of that ball, kept or removed: what was removed here does not come back."""
        return bool(self._log.rows_of("clip", "ball", ball))

    def _kept(self, table: str, row: Row) -> dict[str, Any]:
        """Without what this program's table has no column for."""
        return {name: value for name, value in row.items() if name in self._columns[table]}

    def _pointed(self, table: str, row: Row) -> dict[str, Any]:
        """What the row points to, by its ids here."""
        return {column: self._ids[of].get(row.get(column)) for column, of in POINTS[table].items()}


def _groups(rows_: Iterable[Row]) -> Iterable[list[Row]]:
    some: list[Row] = []
    for row in rows_:
        some.append(row)
        if len(some) == A_TURN:
            yield some
            some = []
    if some:
        yield some
