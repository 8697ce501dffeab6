"""Load: every core of the machine taken by others, and the kiosk in the middle of it.

In short: frames that are read too late, on a clock moved by hand. In full: the door itself in real time, beside twice as
many busy processes as there are cores."""
from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from creaseside.stamps import NS
from tests.faults import net as nets
from tests.faults.door import Kiosk, prepared
from tests.faults.hall import GATE, Hall
from tests.faults.row import Row, need
from kiosk.logbook import Logbook

STALL_NS = NS // 25
BALLS_S = 6.0


def run(count: int, folder: Path) -> str:
    words = _stalls(min(count, 4), folder)
    return f"{words}; {_busy(count, folder)}" if count > 2 else f"{words}; busy cores only with --full"


def _stalls(count: int, folder: Path) -> str:
    """The loop gets a quarter of its turns, while the camera goes on."""
    (at := folder / "hall").mkdir()
    with Hall(at, every_s=6.0, balls=count, first_s=3.0) as hall:
        hall.run(count * 6.0 + 6.0, by_ns=STALL_NS)
        rows = hall.rows()
        need(len(rows) == count, f"{len(rows)} balls of {count}")
        _never_wrong(rows, [hall.ball_of(r)[0] for r in rows])
        asked = [kind for kind, *_ in hall.voice.asked]
        need(asked == [r["verdict"] for r in rows if r["verdict"]], f"cues {asked}, verdicts {[r['verdict'] for r in rows]}")
    return f"a turn in {STALL_NS / NS:g} s: {count} balls, each cue its own ball's"


def _busy(count: int, folder: Path) -> str:
    place = prepared(folder / "busy" if not (folder / "busy").mkdir() else folder)
    others = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(2 * (os.cpu_count() or 2))]
    try:
        kiosk = Kiosk(place, every_s=BALLS_S)
        kiosk.until("READY=1", 200)
        kiosk.watch(count * BALLS_S + 8)
        kiosk.process.terminate()
        kiosk.end()
    finally:
        for other in others:
            other.kill()
            other.wait()
    summary = kiosk.balls[-1]["summary"]
    with Logbook(place) as log:
        rows = log.ball_rows(log.sessions()[0]["id"])
    _never_wrong(rows, None)
    need(summary["faults"] == 0 and (summary["balls"] >= count - 1 or summary.get("begun_anew")),
         f"balls lost and nothing said of it: {summary}")
    return (f"{2 * (os.cpu_count() or 2)} busy processes beside: {summary['balls']} balls of {count} or more, looks begun anew {summary.get('begun_anew', 0)} times, {summary['frames_lost']} of "
            f"{summary['frames']} frames lost and counted, words {summary['words_late_ms']['p50']} ms late (median)")


def _never_wrong(rows: list[dict], balls: list[int] | None) -> None:
    """A verdict is that of its own number; where the ball is known, the number is the puppet's or flagged, or there is none."""
    for i, row in enumerate(rows):
        angle, verdict = row[GATE.measure], row["verdict"]
        if angle is not None and verdict in ("hit", "miss"):
            need((GATE.at_least <= angle <= GATE.at_most) is (verdict == "hit"), f"ball {row['number']}: {angle} and {verdict}")
        if balls is not None and angle is not None and row["flags"] in ("[]", [], ()):
            true = nets.KNEES[balls[i] % len(nets.KNEES)]
            need(abs(angle - true) < 4.0, f"ball {row['number']}: {angle}, truly {true}, and no flag")


ROW = Row("load", "every core taken by others", "frames lost are counted, the cue may be late, never another ball's", 2, 10, run)
