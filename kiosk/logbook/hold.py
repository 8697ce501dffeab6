"""Hold: a writer's hold on the log's file: opening it in turn, one transaction at a time, and letting go of it.

A disk that fails, or went read-only, can be repaired only when nothing on it is open. So where it refuses to write the log
is let go of; every later attempt to write opens it once more, and reading looks at it for that one moment.
"""
from __future__ import annotations

import contextlib
import sqlite3
from contextlib import closing, contextmanager
from typing import Any, Iterator, Mapping, Sequence

from sqlite_utils import Database

from kiosk.logbook import file
from kiosk.logbook.reading import Reader, Row
from kiosk.logbook.turn import Turn


class Hold(Reader):
    """down: the log was let go of, since its disk refuses."""

    down = False
    _begun: Mapping[str, Any] = {}      # the sessions of this run, which a log that comes back has in it

    def _open(self) -> Database:
        path = self.place.log
        with file.telling(f"the log {path}"):
            self._turn = Turn(path.with_name(path.name + ".turn"), self.clock)
        try:
            with self._turn:
                db, self.notice = file.for_writing(path, self.clock.utc_and_ns()[0])
        except BaseException:
            self._turn.close()
            raise
        return db

    def close(self) -> None:
        if not self.down:
            with self._turn, self._threads:      # the last to close writes everything into the main file
                super().close()
        self._turn.close()

    @contextmanager
    def writing(self, asked: str) -> Iterator[Database]:
        """One transaction: all of it or nothing, on the disk when it ends."""
        with file.telling(asked):
            self.take_up()
            try:
                with self._turn, self._threads:
                    yield from self._transaction()
            except BaseException as e:
                if file.code(e) in file.REFUSED:
                    self._let_go()
                raise

    def take_up(self) -> None:
        """Open the log again where it was let go of; Fault where its disk still refuses."""
        if not self.down:
            return
        path = self.place.log
        with file.telling(f"the log {path}"):
            if not path.exists():                # or the turn would leave a file where its disk is to be mounted
                raise file.fault(sqlite3.SQLITE_CANTOPEN, "it is not there")
            try:
                with self._turn, self._threads:
                    if self.down:
                        self._db = file.again(path, self._begun)
                        self.down = False
            except BaseException:
                self._turn.close()
                raise

    def _transaction(self) -> Iterator[Database]:
        if self.down:                            # another thread found it so while this one waited for its turn
            raise file.fault(sqlite3.SQLITE_IOERR, "its disk refuses to write")
        self._db.execute("begin immediate")
        try:
            yield self._db
            self._db.execute("commit")
        except BaseException as e:
            if self._db.conn.in_transaction:     # a full disk may have ended it already
                self._db.execute("rollback")
            if file.code(e) == sqlite3.SQLITE_CORRUPT:
                self._salvage(str(e))
            raise

    def _let_go(self) -> None:
        with self._threads:
            with contextlib.suppress(sqlite3.Error):
                self._db.close()
            self.down = True
        self._turn.close()

    def _ask(self, sql: str, values: Sequence[Any] | Mapping[str, Any]) -> list[Row]:
        with self._threads:
            if not self.down:
                return super()._ask(sql, values)
            with file.telling(f"the log {self.place.log}"), closing(file.glance(self.place.log)) as db:
                return list(db.query(sql, values))

    def _salvage(self, why: str) -> bool:
        """A writer does not go on with a part of its log: the next start puts the damaged one aside."""
        with contextlib.suppress(OSError):
            file.suspected(self.place.log).touch()
        return False
