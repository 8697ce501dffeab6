"""Logbook: what was bowled, by whom and what was kept of it: one SQLite file, written through one door.

    Logbook   writes and reads; writers take turns, also between processes (kiosk/logbook/turn.py says why)
    Reader    reads only, beside a running kiosk

Whole balls or nothing: a ball, its numbers and its traces are one transaction that is on the disk (WAL,
synchronous=FULL) before `add_ball` returns. So that no ball is announced and then lost, the kiosk logs it when its
verdict is ready, without its clip, and before its cue is due: the cue waits 1.5 s from release anyway, the commit takes
a few milliseconds. What is known later joins the same row: the times of the cue (`note_cue`), the clip
(kiosk/clips.py).

This room judges no ball and plays nothing. It keeps no picture; where nobody agreed to numbers it keeps a count alone.
"""
from kiosk.logbook.reading import Reader
from kiosk.logbook.writing import Logbook

__all__ = ["Logbook", "Reader"]
