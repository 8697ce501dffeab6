"""Accesses: who looked at what, noted by a program that otherwise only reads.

It opens the log for this one row, in its turn, and mends, makes and steps nothing: a log that is damaged or of another
version is left as it is.
"""
from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import timezone
from types import ModuleType

from kiosk.faults import Fault
from kiosk.logbook import file
from kiosk.logbook.turn import Turn
from kiosk.place import Place


def note(place: Place, clock: ModuleType, who: str, what: str, player: str | None = None) -> None:
    """One row in `access`. Fault where it cannot be written."""
    path, asked = place.log, "to note who looked at the log"
    if not path.exists():
        return
    if file.version(path) != len(file.STEPS):
        raise Fault(asked, "a log of another version", "start the kiosk once")
    utc = clock.utc_and_ns()[0].astimezone(timezone.utc).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    with file.telling(asked), closing(Turn(path.with_name(path.name + ".turn"), clock)) as turn, turn:
        uri = f"{path.absolute().as_uri()}?mode=rw"
        with closing(sqlite3.connect(uri, file.BUSY_S, isolation_level=None, uri=True)) as db:
            db.execute("pragma synchronous = full")
            db.execute("insert into access (utc, who, what, player) select ?, ?, ?, (select id from player where id = "
                       "?)",
                       [utc, who, what, player])
