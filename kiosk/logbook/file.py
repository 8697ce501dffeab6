"""File: opens the log's SQLite file, puts a damaged one aside, refuses one that is not ours, and words SQLite's faults.

A log made by a newer program, or another program's database, is left as it is, byte for byte.
"""
from __future__ import annotations

import math
import os
import sqlite3
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path
from typing import Iterable, Iterator

from sqlite_utils import Database

from kiosk.faults import Fault
from kiosk.logbook import salvage
from kiosk.logbook.steps import STEPS, step_up

OURS = 0x43724C67                  # "CrLg", the application id in the file's header
BUSY_S = 1.0                       # how long a foreign writer (a table viewer) is waited for
DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
FULL = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)
REFUSED = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN)     # by a disk that fails, or went read-only
TELL = {
    sqlite3.SQLITE_FULL: ("a full disk", "free some space; it goes on by itself"),
    sqlite3.SQLITE_BUSY: ("a log that another program is writing", "close that program and try again"),
    sqlite3.SQLITE_LOCKED: ("a log that another program is writing", "close that program and try again"),
    sqlite3.SQLITE_IOERR: ("a disk that does not do as it is told", "look at the disk, then try again"),
    sqlite3.SQLITE_READONLY: ("a log that may not be written", "make it and its folder writable for this user"),
    sqlite3.SQLITE_CANTOPEN: ("a log that cannot be opened", "make it and its folder writable for this user"),
    sqlite3.SQLITE_PERM: ("a log that may not be read", "make it readable for this user"),
    sqlite3.SQLITE_CORRUPT: ("a damaged log", "start the kiosk again: it puts the log aside and begins a new one"),
    sqlite3.SQLITE_NOTADB: ("a file that is no log", "start the kiosk again: it puts the file aside"),
}


@contextmanager
def telling(asked: str) -> Iterator[None]:
    """Faults of the disk and of SQLite in our words. A row that breaks the tables' own rules is not one of them."""
    try:
        with legible():
            yield
    except (sqlite3.IntegrityError, sqlite3.ProgrammingError):
        raise
    except sqlite3.Error as e:
        found, do = TELL.get(code(e), (f"{e}", "look at the disk, then try again"))
        raise Fault(asked, found, do) from e
    except OSError as e:
        raise Fault(asked, e.strerror or str(e), "look at the disk and its rights, then try again") from e


@contextmanager
def legible() -> Iterator[None]:
    """SQLite quotes a damaged list of tables in its own complaint; where those bytes are no text, Python's complaint hides it."""
    try:
        yield
    except UnicodeDecodeError as e:
        raise fault(sqlite3.SQLITE_CORRUPT, "its list of tables is no text any more") from e


def fault(number: int, words: str) -> sqlite3.DatabaseError:
    """A fault as SQLite itself would raise it."""
    made = sqlite3.DatabaseError(words)
    made.sqlite_errorcode = number
    return made


def code(e: BaseException | None) -> int:
    """SQLite's primary result code; 255, which is none of them, where there is none."""
    return (getattr(e, "sqlite_errorcode", None) or -1) & 0xFF


def for_writing(path: Path, now: datetime) -> tuple[Database, str | None]:
    """The open log, at this program's version, and a notice where a damaged one was put aside. Holds no turn itself."""
    asked = f"the log {path}"
    with telling(asked):
        why = damage(path)
        suspected(path).unlink(missing_ok=True)
        notice = f"{asked} was damaged ({why}); it is now {_put_aside(path, now)}, a new one begins" if why else None
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
        os.chmod(path, 0o600)                                   # SQLite gives its -wal and -shm the same rights
        return _connected(path), notice


def again(path: Path, sessions: Iterable[str]) -> Database:
    """A log that was let go of, opened for writing once more. It is never made anew and none is put aside: where it is not
    there, is damaged, or lacks one of these sessions, that is a fault."""
    os.close(os.open(path, os.O_RDWR))
    if why := damage(path):
        raise fault(sqlite3.SQLITE_CORRUPT, why)
    db = _connected(path)
    found = {id for id, in db.execute("select id from session")}
    if missing := set(sessions) - found:
        db.close()
        raise Fault(f"the log {path} with the session {min(missing)}", "another log", "put the disk with the right one back")
    return db


def glance(path: Path) -> Database:
    """The log for one look, read-only; nothing of it stays open. Fault where it is not there."""
    return Database(_read_only(path))


def _connected(path: Path) -> Database:
    db = Database(_readable(sqlite3.connect(path, BUSY_S, isolation_level=None, check_same_thread=False)))
    try:
        _prepare(db)
    except BaseException:
        db.close()
        raise
    return db


def for_reading(path: Path) -> Database:
    """The log at this program's version, read-only; an empty one in memory where there is no file."""
    if not path.exists():
        db = Database(sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False))
        step_up(db, STEPS)
        return db
    with telling(f"the log {path}"):
        return Database(_read_only(path))


def salvaged(path: Path) -> Database:
    """What can be read of a damaged log, in memory. Fault where nothing can."""
    with telling(f"the log {path}"), closing(_read_only(path)) as conn:
        conn.execute("pragma writable_schema = on")     # or SQLite reads nothing of a file whose end is missing
        _version(conn, path)
        return salvage.read(conn, path.stat().st_size)


def version(path: Path) -> int:
    """The version of a log that is there. Fault where it is not ours, or newer than this program."""
    with telling(f"the log {path}"), closing(_read_only(path)) as conn:
        return _version(conn, path)


def suspected(path: Path) -> Path:
    """The mark that a page of the log could not be read: whoever opens it next for writing reads all of them first."""
    return path.with_name(path.name + ".suspect")


def damage(path: Path, whole: bool = False) -> str | None:
    """What is broken in the file, None where it is sound, empty or not there. Fault where it is not ours to open.

    Every page is read only where `whole` is asked for or the log is suspected, since that takes as long as the log is
    large; otherwise its length, its tables' list, and the first and last row of each.
    """
    if not path.exists() or not path.stat().st_size:
        return None
    try:
        with legible(), closing(_read_only(path)) as conn:
            _version(conn, path)
            said = "ok"
            if whole or suspected(path).exists():
                said = conn.execute("pragma quick_check(1)").fetchone()[0]
            for name, in conn.execute("select name from sqlite_schema where type = 'table'").fetchall():
                for way in ("asc", "desc"):
                    conn.execute(f'select * from "{name}" order by rowid {way} limit 1').fetchone()
            return said.splitlines()[-1] if said != "ok" else _cut_off(conn, path)
    except sqlite3.DatabaseError as e:
        if code(e) not in DAMAGED:
            raise
        return str(e)


def _cut_off(conn: sqlite3.Connection, path: Path) -> str | None:
    """SQLite reads what is missing at the end as zeros: a row's bytes may be gone while all its checks pass."""
    wal = path.with_name(path.name + "-wal")
    if wal.exists() and wal.stat().st_size:
        return None                              # the end may still lie in there
    size = math.prod(conn.execute(f"pragma {p}").fetchone()[0] for p in ("page_count", "page_size"))
    missing = size - path.stat().st_size
    return f"{missing} bytes are missing at its end" if missing > 0 else None


def _read_only(path: Path) -> sqlite3.Connection:
    return _readable(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", BUSY_S, isolation_level=None,
                                     check_same_thread=False, uri=True))


def _readable(conn: sqlite3.Connection) -> sqlite3.Connection:
    """Text whose bytes rotted is read with a sign in the place of what is lost; it stops nobody."""
    conn.text_factory = lambda text: text.decode("utf-8", "replace")
    return conn


def _version(conn: sqlite3.Connection, path: Path) -> int:
    found, of = (conn.execute(f"pragma {p}").fetchone()[0] for p in ("user_version", "application_id"))
    if of != OURS and (of or found or conn.execute("select count(*) from sqlite_schema").fetchone()[0]):
        raise Fault(f"the log {path}", "a database of another program", "give another home with --home DIR")
    if found > len(STEPS):
        raise Fault(f"the log {path} at version {len(STEPS)} or older", f"version {found}, made by a newer program",
                    "install the newer program again; the log was left as it is")
    return found


def _prepare(db: Database) -> None:
    db.execute("pragma secure_delete = on")      # what is deleted is overwritten with zeros
    db.execute("pragma journal_mode = wal").fetchone()
    db.execute("pragma synchronous = full")      # a committed ball outlives a power cut
    db.execute("pragma foreign_keys = on")
    if not db.execute("pragma application_id").fetchone()[0]:
        db.execute(f"pragma application_id = {OURS}")
    step_up(db, STEPS)


def _put_aside(path: Path, now: datetime) -> str:
    """Rename the damaged file and what SQLite keeps beside it; the new name."""
    aside = path.with_name(f"{path.name}.damaged-{now:%Y%m%d-%H%M%S}")
    for tail in ("", "-wal", "-shm"):
        if (part := path.with_name(path.name + tail)).exists():
            part.replace(aside.with_name(aside.name + tail))
    return aside.name
