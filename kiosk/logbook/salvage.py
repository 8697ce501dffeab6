"""Salvage: what can still be read of a damaged log, as a log in memory. The damaged file is opened read-only and left
as it is; nothing is guessed: a row is there whole or not at all.
"""
from __future__ import annotations

import sqlite3
from contextlib import closing

from sqlite_utils import Database

from kiosk.logbook.steps import STEPS, step_up

LARGEST = 1 << 30          # bytes of a file whose tracks are salvaged too; of a larger one the rest alone
MISSES = 20_000            # ranges of rows that cannot be read, a table; then what is left of it is given up
FURTHEST = 1 << 22         # the last row that is looked for where the table does not say which is its last


def read(conn: sqlite3.Connection, size: int) -> Database:
    """A log at this program's version with every row that `conn` can still read, and its balls counted anew.
    sqlite3.DatabaseError where the list of tables is gone."""
    names = [name for name, in conn.execute("select name from sqlite_schema where type = 'table'")]
    there = Database(sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False))
    step_up(there, STEPS)
    for name in names:
        if name in there.table_names() and name != "bowled" and (name != "trace" or size <= LARGEST):
            _copy(conn, there, name)
    return there


def _copy(conn: sqlite3.Connection, there: Database, table: str) -> None:
    """Halve what cannot be read until what is left of it is single rows."""
    known = {c.name for c in there[table].columns}
    columns = [row[1] for row in conn.execute(f'pragma table_info("{table}")') if row[1] in known]
    names = ", ".join(f'"{c}"' for c in columns)
    put = f"insert or ignore into \"{table}\" (rowid, {names}) values (?, {', '.join('?' * len(columns))})"
    ranges, misses = [_ends(conn, table)], 0
    while ranges and misses < MISSES:
        first, last = ranges.pop()
        try:
            with closing(conn.execute(f'select rowid, {names} from "{table}" where rowid between ? and ?',
                                      (first, last))) as found:
                rows = found.fetchall()
            there.conn.executemany(put, rows)
        except sqlite3.Error:
            misses += 1
            if last > first:
                middle = (first + last) // 2
                ranges += [(middle + 1, last), (first, middle)]


def _ends(conn: sqlite3.Connection, table: str) -> tuple[int, int]:
    try:
        first, last = conn.execute(f'select min(rowid), max(rowid) from "{table}"').fetchone()
        return first or 1, last or 1
    except sqlite3.Error:
        return 1, FURTHEST
