"""Erasing: a player or a session goes, and their bytes go with them.

First the rows, in one transaction that also notes which files are still to go; then the files, halves that a crash left
of clips among them; then the log's own pages (secure_delete has put zeros there, the checkpoint carries them into the
main file, VACUUM gives the space back). Whoever opens the log next finishes what a crash interrupted. What remains is a
date and counts, nobody's name. The file of unexpected faults goes too where it has the name or the id in it.

Copies that were made with `backup` or `export`, and damaged logs that were put aside, are outside; `left` in the answer
names what is left in the home and may still hold the person: such logs, and words that somebody wrote elsewhere.
"""
from __future__ import annotations

import json
from typing import TYPE_CHECKING

from sqlite_utils import Database

from kiosk import clips
from kiosk.faults import Fault
from kiosk.logbook import file

if TYPE_CHECKING:
    from kiosk.logbook.reading import Row
    from kiosk.logbook.writing import Logbook


def player(log: Logbook, id: str) -> Row:
    """Their balls in every session, the sessions that were theirs alone, consents, zeros, accesses."""
    name = log.player(id)["shown_name"]
    alone = "player = :id and id not in (select session from ball where player is not :id)"
    gone = _erase(log, "player", id, "ball.player = :id", alone)
    details = log.place.details
    if details.exists() and any(word.encode() in details.read_bytes() for word in (name, id)):
        clips.unlink(details)
    gone["left"] += _elsewhere(log, name)
    return gone


def session(log: Logbook, id: str) -> Row:
    return _erase(log, "session", id, "ball.session = :id", "id = :id")


WORDS = (("session", "venue"), ("session", "coach"), ("session", "words"), ("consent", "given_by"), ("consent", "note"),
         ("access", "who"), ("access", "what"))


def _elsewhere(log: Logbook, name: str) -> list[str]:
    """Rows of others in which somebody wrote the name: they are others' rows, so a person must look."""
    found = []
    for table, column in WORDS:
        for row in log._select(f'select id from {table} where instr("{column}", ?)', name):
            found.append(f"{log.place.log.name} ({column} of {table} {row['id']})")
    return found


def finish(log: Logbook) -> None:
    """Files and pages of erasures that are not finished; none is the usual case."""
    for row in log._select("select id, pending from erasure where pending is not null"):
        for name in json.loads(row["pending"]):
            clips.unlink(log.place.clips / name)
            clips.unlink(log.place.clips / (name + clips.PART))
        _scrub(log)
        with log.writing("to finish an erasure") as db:
            db["erasure"].update(row["id"], {"pending": None})


def _erase(log: Logbook, what: str, id: str, balls: str, sessions: str) -> Row:
    with log.writing(f"to erase the {what} {id}") as db:
        gone = _counts(db, id, balls, sessions)
        files = [f for f, in db.execute(f"select file from clip join ball on ball.id = ball where {balls}", {"id": id})]
        db.execute(f"delete from session where {sessions}", {"id": id})     # their blocks, balls, traces, clips follow
        db.execute(f"delete from ball where {balls}", {"id": id})
        db.execute(f"delete from {what} where id = :id", {"id": id})
        db["erasure"].insert({"utc": log._utc(), "what": what, **gone, "pending": json.dumps(files)})
    finish(log)
    aside = sorted(p.name for kind in ("damaged", "before", "of") for p in log.place.home.glob(f"{log.place.log.name}.{kind}-*"))
    return {"erased": id, **gone, "left": aside}


def _counts(db: Database, id: str, balls: str, sessions: str) -> dict[str, int]:
    count = {"sessions": f"from session where {sessions}", "balls": f"from ball where {balls}",
             "clips": f"from clip join ball on ball.id = ball where removed_utc is null and {balls}"}
    return {name: db.execute(f"select count(*) {what}", {"id": id}).fetchone()[0] for name, what in count.items()}


def _scrub(log: Logbook) -> None:
    asked = "to overwrite what was erased"
    with file.telling(asked), log._turn, log._threads:
        for sql in ("pragma wal_checkpoint(truncate)", "vacuum", "pragma wal_checkpoint(truncate)"):
            row = log._db.execute(sql).fetchone()
            if row and row[0]:
                raise Fault(asked, "somebody reading the log at this moment",
                            "close the review and any table viewer; the next start of creaseside finishes it")
