"""Soak: hours of a net session, played fast: memory, handles, threads, and every ball against the truth.

A ball every 75 s at 60 frames a second; pictures are small, so that an evening's clips fit a scratch disk. Time is the
test's own; everything else is the kiosk (tests/faults/hall.py)."""
from __future__ import annotations

import gc
from pathlib import Path

import numpy as np
import psutil

from creaseside.stamps import NS
from kiosk import clips
from tests.faults.hall import Hall
from tests.faults.row import Row, minutes_left, need

EVERY_S = 75.0
WARM_H = 0.5
SLOPE_MIB_H = 1.0
CALM_NS, BUSY_NS = NS // 20, NS // 50       # a turn's length while nobody is near, and round a ball


def run(count: int, folder: Path) -> str:
    """`count`: minutes of the net's time."""
    me, seen, left = psutil.Process(), [], minutes_left()
    with Hall(folder, every_s=EVERY_S, first_s=20.0, threaded=False) as hall:
        begin_ns = hall.clock.ns
        ball = 0
        while (hall.clock.ns - begin_ns) / NS < count * 60 and left():
            landing_s = (hall.net.landing_ns(ball) - hall.clock.ns) / NS
            hall.run(landing_s - 2.0, by_ns=CALM_NS)
            hall.run(12.0, by_ns=BUSY_NS)
            for clip in hall.log.clips()[:-3]:
                clips.forget(hall.log, clip["ball"])
            ball += 1
            if ball % 8 == 0:
                gc.collect()
                seen.append(((hall.clock.ns - begin_ns) / NS / 3600, me.memory_info().rss / 2**20, me.num_fds(), me.num_threads()))
        rows = hall.rows()
        bowled = hall.net.landed_by(hall.clock.ns - 3 * NS)
        found = {hall.ball_of(row)[0] for row in rows}
        frames, lost = hall.intake.frames, hall.health.snapshot(hall.clock.ns).lost
        need(not hall.kept, f"faults in the loop: {hall.kept}")
        hours = (hall.clock.ns - begin_ns) / NS / 3600
    warm_h = min(WARM_H, hours / 3)
    later = [s for s in seen if s[0] >= warm_h]
    slope = float(np.polyfit([s[0] for s in later], [s[1] for s in later], 1)[0]) if hours >= 1 else None
    fds, threads = (max(s[k] for s in later) - later[0][k] if later else 0 for k in (2, 3))
    told = "not told under an hour" if slope is None else f"{slope:+.2f} MiB an hour"
    words = (f"{hours:.2f} hours, {frames} frames ({lost} lost), {bowled} balls bowled, {len(found & set(range(bowled)))} found, "
             f"{len(rows) - len(found)} twice, {len(found - set(range(bowled)))} that were none; memory {told}, "
             f"{fds} more handles, {threads} more threads")
    need(found == set(range(bowled)) and len(rows) == bowled, words)
    need(slope is None or slope < SLOPE_MIB_H, words)
    need(fds <= 0 and threads <= 0, words)
    return words


ROW = Row("soak", "8 hours of a net session, played fast",
          "memory grows less than 1 MiB an hour after warm-up, no new handles or threads, no ball missed", 3, 480, run)
