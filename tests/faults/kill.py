"""Kill: SIGKILL at a random moment of a running session, over and over on one home."""
from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from pathlib import Path

from kiosk import avi, clips
from kiosk.logbook import Logbook
from tests.faults.door import Kiosk, prepared
from tests.faults.row import Row, need, turns

AGAIN_S = 10.0
SEED = 200


def run(count: int, folder: Path) -> str:
    """Each time: start, wait until it says that it runs, let it bowl for a time by lot, kill, look at what is there."""
    chance, place = random.Random(SEED), prepared(folder)
    starts, announced, kept, removed = [], 0, 0, 0
    for i in turns(count):
        kiosk = Kiosk(place, every_s=3.0)
        try:
            starts.append(kiosk.until("READY=1", 60))
        except TimeoutError as e:
            kiosk.kill()
            need(False, f"after kill {i}: {e}")
        kiosk.watch(chance.uniform(0.0, 9.0))
        kiosk.kill()
        told = {ball["ball"] for ball in kiosk.balls if "ball" in ball}
        announced += len(told)
        half = [p.name for p in place.clips.iterdir() if p.name.endswith(clips.PART)]
        removed += len(half)
        with Logbook(place) as log:
            need(log.notice is None, f"kill {i}: {log.notice}")
            clips.sweep(log)
            logged = {ball["ball"] for ball in log.balls(log.sessions()[0]["id"])} if told else set()
            need(told <= logged, f"kill {i}: announced {sorted(told)}, in the log {sorted(logged)}")
            files = {c["file"] for c in log.clips()}
        there = {p.name for p in place.clips.iterdir()}
        need(files == there, f"kill {i}: clips in the log {sorted(files - there)}, on the disk {sorted(there - files)}")
        for name in sorted(files)[-2:]:
            need(len(list(avi.frames(place.clips / name))) > 1, f"kill {i}: {name} is no whole clip")
        kept = len(files)
        with closing(sqlite3.connect(place.log)) as db:
            need(db.execute("pragma integrity_check").fetchone()[0] == "ok", f"kill {i}: the log is damaged")
            need(not db.execute("pragma foreign_key_check").fetchall(), f"kill {i}: rows without their parents")
        if kept > 20:
            _forget_old(place, 4)
    words = (f"{len(starts)} kills: {announced} balls announced, none lost; log sound each time; {removed} half clips swept, no orphan; "
            f"running again within {max(starts):.1f} s (median {sorted(starts)[len(starts) // 2]:.1f})")
    need(max(starts) <= AGAIN_S, words)
    return words


def _forget_old(place, keep: int) -> None:
    """Room on the disk: pictures of 60 frames a second add up."""
    with Logbook(place) as log:
        for clip in log.clips()[:-keep]:
            clips.forget(log, clip["ball"])


ROW = Row("kill", "SIGKILL at a random moment of a running session",
          "no announced ball lost, log sound, no orphan clip or half file, running again within 10 s", 2, 200, run)
