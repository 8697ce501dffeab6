"""Kill: SIGKILL at a random moment of a running session, over and over.

Half of the moments are anywhere in the session, half within the second in which a ball's clip and times are being written.
Kiosks run side by side in lanes; each lane is one home, killed and started again over and over, and has its own lot. Pose
processes are stood in for; in full, some more kills are of one with its own, on the demo net, whose start they are part of."""
from __future__ import annotations

import random
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from kiosk import avi, clips
from kiosk.logbook import Logbook
from kiosk.place import Place
from tests.faults.door import Kiosk, prepared
from tests.faults.row import Row, need, turns

AGAIN_S = 10.0
SEED = 200
LANES = 2
EVERY_S = 3.0
LOOK_S = 0.02
WRITING_S = 1.0             # from a ball's announcement until its clip and its times are on the disk, or longer


@dataclass
class Lane:
    """starts: s from each start until it ran; in_writing: killed within WRITING_S of an announcement."""

    place: Place
    chance: random.Random
    starts: list[float] = field(default_factory=list)
    announced: int = 0
    half: int = 0
    in_writing: int = 0


def run(count: int, folder: Path) -> str:
    """Each time: start, wait until it says that it runs, let it bowl for a time by lot, kill, look at what is there."""
    lanes = []
    for n in range(min(LANES, count)):
        (at := folder / str(n)).mkdir()
        lanes.append(Lane(prepared(at), random.Random(SEED + n)))
    with ThreadPoolExecutor(len(lanes)) as pool:
        list(pool.map(lambda n: _lane(lanes[n], len(range(n, count, len(lanes)))), range(len(lanes))))
    starts = sorted(s for lane in lanes for s in lane.starts)
    words = (f"{len(starts)} kills, {sum(lane.in_writing for lane in lanes)} of them within {WRITING_S:g} s of an announcement: "
             f"{sum(lane.announced for lane in lanes)} balls announced, none lost; log sound each time; "
             f"{sum(lane.half for lane in lanes)} half clips swept, no orphan; running again within {starts[-1]:.1f} s "
             f"(median {starts[len(starts) // 2]:.1f})")
    whole = _whole(count // 20, folder)
    if whole:
        words += f"; {len(whole)} more with its own pose processes: within {whole[-1]:.1f} s (median {whole[len(whole) // 2]:.1f})"
    need(max([*starts, *whole]) <= AGAIN_S, words)
    return words


def _whole(count: int, folder: Path) -> list[float]:
    """Seconds from each start until it ran, pose processes and all, in order; killed in the middle of what it does then."""
    place, chance, took = Place(folder / "whole" / "home", quiet=True), random.Random(SEED - 1), []
    for _ in range(count):
        kiosk = Kiosk(place, "--source", "demo", "--focus", "approach_deg", player=False, tag="kiosk")
        try:
            took.append(kiosk.until("READY=1", 60))
            kiosk.watch(chance.uniform(0.0, 8.0))
            posing = psutil.Process(kiosk.process.pid).children(recursive=True)
        except TimeoutError as e:
            need(False, f"with its own pose processes: {e}")
        finally:
            kiosk.kill()
        _, left = psutil.wait_procs(posing, AGAIN_S)
        need(not left, f"pose processes that outlive their kiosk: {left}")
        with closing(sqlite3.connect(place.log)) as db:
            need(db.execute("pragma integrity_check").fetchone()[0] == "ok", "the log is damaged")
    return sorted(took)


def _lane(lane: Lane, count: int) -> None:
    for i in turns(count):
        kiosk = Kiosk(lane.place, every_s=EVERY_S)
        try:
            lane.starts.append(kiosk.until("READY=1", 60))
            if i % 2 == 0:
                kiosk.watch(lane.chance.uniform(0.0, 3 * EVERY_S))
            else:
                lane.in_writing += _after_a_ball(kiosk, lane.chance)
        except TimeoutError as e:
            need(False, f"after kill {i}: {e}")
        finally:
            kiosk.kill()
        _look(lane, kiosk, f"kill {i}")


def _after_a_ball(kiosk: Kiosk, chance: random.Random) -> bool:
    """Wait for a ball, then part of the time in which all of it is being written; whether there was one."""
    for _ in range(round(3 * EVERY_S / LOOK_S)):
        kiosk.watch(LOOK_S)
        if kiosk.balls:
            break
    kiosk.watch(chance.uniform(0.0, WRITING_S))
    return bool(kiosk.balls)


def _look(lane: Lane, kiosk: Kiosk, case: str) -> None:
    """What is on the disk after the kill, swept as the next start does it."""
    place = lane.place
    told = {ball["ball"] for ball in kiosk.balls if "ball" in ball}
    lane.announced += len(told)
    lane.half += sum(p.name.endswith(clips.PART) for p in place.clips.iterdir())
    with Logbook(place) as log:
        need(log.notice is None, f"{case}: {log.notice}")
        clips.sweep(log)
        logged = {ball["ball"] for ball in log.balls(log.sessions()[0]["id"])} if told else set()
        need(told <= logged, f"{case}: announced {sorted(told)}, in the log {sorted(logged)}")
        files = {c["file"] for c in log.clips()}
    there = {p.name for p in place.clips.iterdir()}
    need(files == there, f"{case}: clips in the log {sorted(files - there)}, on the disk {sorted(there - files)}")
    for name in sorted(files)[-2:]:
        need(len(list(avi.frames(place.clips / name))) > 1, f"{case}: {name} is no whole clip")
    with closing(sqlite3.connect(place.log)) as db:
        need(db.execute("pragma integrity_check").fetchone()[0] == "ok", f"{case}: the log is damaged")
        need(not db.execute("pragma foreign_key_check").fetchall(), f"{case}: rows without their parents")
    if len(files) > 20:
        _forget_old(place, 4)


def _forget_old(place: Place, keep: int) -> None:
    """Room on the disk: pictures of 60 frames a second add up."""
    with Logbook(place) as log:
        for clip in log.clips()[:-keep]:
            clips.forget(log, clip["ball"])


ROW = Row("kill", "SIGKILL at a random moment of a running session",
          "no announced ball lost, log sound, no orphan clip or half file, running again within 10 s", 2, 200, run)
