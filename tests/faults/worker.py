"""Worker: a pose process that hangs or dies in the middle of a ball.

In short: the frames in its hands come back as nobody, in a whole kiosk with puppets. In full: the door itself on the demo
net, with its real pose processes stopped (SIGSTOP) or killed (SIGKILL) by lot."""
from __future__ import annotations

import contextlib
import os
import random
import signal
from pathlib import Path

import psutil

from tests.faults.door import Kiosk
from tests.faults.hall import Hall
from tests.faults.row import Row, need
from kiosk.place import Place

REPLACED_S = 5.0
REASONS = ("worker hung", "worker died")


def run(count: int, folder: Path) -> str:
    words = _in_hand(min(count, 6), folder)
    return f"{words}; {_real(count, folder)}" if count > 2 else f"{words}; real processes only with --full"


def _in_hand(count: int, folder: Path) -> str:
    """Of the first looks of every other ball, some are lost."""
    chance, lost = random.Random(5), 0
    (at := folder / "hall").mkdir()
    with Hall(at, every_s=6.0, first_s=3.0) as hall:
        for ball in range(count):
            hall.run((hall.net.landing_ns(ball) - hall.clock.ns) / 1e9)
            n = chance.randrange(1, 4)
            hall.eyes.failing = [REASONS[ball % 2]] * n
            lost += n
            hall.run(4.0)
        rows = hall.rows()
        need(not hall.kept, f"faults in the loop: {hall.kept}")
        for row in rows:
            need(row["front_knee_ffc_deg"] is None or "a pose process failed" in row["flags"],
                 f"ball {row['number']}: an angle from looks of which some were lost, and no flag: {row['flags']}")
    return f"{lost} frames lost in hand in {count} balls, {len(rows)} logged, each flagged"


def _real(count: int, folder: Path) -> str:
    place = Place(folder / "home", quiet=True)
    chance, took, known = random.Random(6), [], set()
    kiosk = Kiosk(place, "--source", "demo", "--focus", "approach_deg", player=False, tag="kiosk")
    kiosk.until("READY=1", 120)
    try:
        for _ in range(count):
            kiosk.watch(chance.uniform(1.0, 6.0))
            need(posing := _posing(kiosk), f"no pose process is left after {len(took)} of {count}: {kiosk.last_words()}")
            victim = chance.choice(posing)
            known.add(victim.pid)
            began = kiosk.since.s()
            os.kill(victim.pid, chance.choice((signal.SIGSTOP, signal.SIGKILL)))
            while kiosk.since.s() - began < 20 and not _replaced(kiosk, known):
                kiosk.watch(0.1)
            took.append(kiosk.since.s() - began)
        kiosk.watch(3.0)
        kiosk.process.terminate()
        kiosk.end()
    finally:
        if kiosk.process.poll() is None:
            kiosk.kill()
    late = sum(s > REPLACED_S + 0.5 for s in took)
    need(not late, f"{late} of {count} real processes replaced late: {sorted(took)[count // 2]:.1f} s (median), at most {max(took):.1f}")
    summary = kiosk.balls[-1]["summary"]
    need(summary["restarts"] >= count and summary["faults"] == 0, f"{summary}")
    return (f"{count} real processes stopped or killed: replaced after {sorted(took)[len(took) // 2]:.1f} s (median), at most "
            f"{max(took):.1f}; {summary['balls']} balls meanwhile")


def _posing(kiosk: Kiosk) -> list[psutil.Process]:
    found = []
    for child in psutil.Process(kiosk.process.pid).children():
        with contextlib.suppress(psutil.NoSuchProcess):       # it ended while we looked
            if "spawn_main" in " ".join(child.cmdline()) and child.status() != psutil.STATUS_ZOMBIE:
                found.append(child)
    return found


def _replaced(kiosk: Kiosk, known: set[int]) -> bool:
    """Two processes again, none of them one that was stopped or killed."""
    now = {p.pid for p in _posing(kiosk)}
    return len(now) == 2 and not now & known


ROW = Row("worker", "a pose process hangs or dies", "replaced within 5 s, the ball in flight flagged, not invented", 2, 20, run)
