"""Taken: the log, opened for somebody who takes players' balls out of it, with a note of it for each of those players.

A log that cannot be written (damaged, or on a disk that is read-only) is read all the same, and no note is made.
"""
from __future__ import annotations

from contextlib import contextmanager
from typing import Iterator

from kiosk.faults import Fault
from kiosk.logbook import Logbook, Reader
from kiosk.place import Place

WHO = "the command line"


@contextmanager
def log_of(place: Place, session: str | None, player: str | None, what: str) -> Iterator[Reader]:
    """The log while it is taken from; the notes are made when all went well. Fault where there is no such session or
    player."""
    with Reader(place) as log:
        players = [log.player(player)["id"]] if player else sorted(
            {ball["player"] for ball in log.ball_rows(log.session(session)["id"])} - {None})
        yield log
        damaged = log.notice
    if damaged:
        place.say(damaged)
        return
    try:
        with Logbook(place) as log:
            for one in players:
                log.note_access(WHO, what, one)
    except Fault as e:
        place.say(f"that it was taken out is not noted: {e}")
