"""Disk: full at any write, refusing every write, slow (each sync takes a second); and well again."""
from __future__ import annotations

import contextlib
import os
import random
import resource
import shutil
import subprocess
import sys
from pathlib import Path

from kiosk import clips
from tests.faults.door import Kiosk, prepared
from tests.faults.hall import Hall
from tests.faults.row import NotHere, Row, need

ROOM, A_BALL = 6 << 20, 1 << 18     # for two clips, and for each ball with its traces
WELL_S = 9.0        # a ball that could not be written is tried again every 5 s


def run(count: int, folder: Path) -> str:
    """In turn: a disk with so much room left, by lot, and a disk that refuses to write; then, once, slow syncs."""
    chance, left, refused_said, late = random.Random(3), [], 0, 0
    with _small(folder / "disk", ROOM + count * A_BALL) as home, Hall(home, every_s=16.0, first_s=3.0) as hall:
        for i in range(count):
            _room_for_clips(hall)
            landing_s = (hall.net.landing_ns(i) - hall.clock.ns) / 1e9
            hall.run(landing_s - 0.5)
            before, scenes = len(hall.rows()), len(hall.scenes)
            with (_full(home, room := chance.randrange(0, 200_000)) if i % 2 == 0 else _refusing()):
                asked = len(hall.voice.asked)
                hall.run(3.0)
                need(len(hall.voice.asked) == asked + 1, f"round {i}: no cue")
                need([s for s, _ in hall.scenes[scenes:]].count("replay") or hall.run(2.0, lambda: hall.stage.now == "replay"),
                     f"round {i}: no replay")
                if i % 2 == 0:
                    left.append(room)
                said = bool(hall.banner)
                need(said or len(hall.rows()) > before, f"round {i}: the ball is neither written nor is it said why not")
                refused_said += said
            need(hall.run(WELL_S - 3.5, lambda: len(hall.rows()) > before), f"round {i}: not written when there was room again")
            need(hall.run(6.0, lambda: not hall.banner), f"round {i}: {hall.banner} when all was well: {hall.scorer.trouble}")
        rows = hall.rows()
        need(len(rows) == count and len({hall.ball_of(r)[0] for r in rows}) == count, f"{len(rows)} balls of {count}")
        late = sum(1 for r in rows if not hall.log.traces(r["id"]))
        need(not hall.kept, f"faults in the loop: {hall.kept}")
    slow = f"{_slow(folder)}; {_failing(folder)}; {_failing_door(folder)}" if count > 4 else "slow syncs and a failing disk only with --full"
    return (f"{count} times ({len(left)} with {min(left)} to {max(left)} bytes left, {count - len(left)} refusing): every cue and "
            f"replay came, {count} of {count} balls in the log, {late} without traces, said on the screen {refused_said} times; {slow}")


@contextlib.contextmanager
def _small(at: Path, size: int):
    if sys.platform != "linux" or os.geteuid():
        raise NotHere("only root can mount a small disk")
    at.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", at], capture_output=True).returncode:
        raise NotHere("no mounting in here")
    try:
        yield at
    finally:
        subprocess.run(["umount", "-l", at], check=True)


@contextlib.contextmanager
def _full(home: Path, room: int):
    """All but so many bytes of the disk are taken, then given back."""
    ballast = home / "ballast"
    with ballast.open("wb") as f:
        free = shutil.disk_usage(home).free
        with contextlib.suppress(OSError):
            f.write(bytes(max(0, free - room)))
    try:
        yield
    finally:
        ballast.unlink()


@contextlib.contextmanager
def _refusing():
    """No file of this process may grow at all: every write that needs room fails, as on a disk that was put to read-only."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def _failing(folder: Path) -> str:
    """A real file system that goes read-only under the kiosk, as after a fault of the disk: ext4's own `abort`. The kernel
    lets nobody write to it again before it was taken off, checked and mounted anew: which is done, under the running kiosk."""
    with _ext4(folder / "failing") as (image, at), Hall(at, every_s=16.0, first_s=3.0) as hall:
        hall.run(12.0)
        need(len(hall.rows()) == 1 and not hall.banner, f"a disk that is well: {hall.banner}")
        _break(at)
        hall.run(12.0)
        said, scenes = hall.banner, [name for name, _ in hall.scenes]
        need(said[:1] == ("nothing can be saved",), f"a disk that went read-only: {said}")
        need(len(hall.voice.asked) == scenes.count("replay") == 2, f"read-only: cues {hall.voice.asked}, {scenes}")
        need(len(hall.rows()) == 1 and not hall.kept, f"read-only: faults in the loop: {hall.kept}")
        _take_off(at)
        hall.run(12.0)
        need(not list(at.iterdir()), f"written where the disk is to be mounted: {list(at.iterdir())}")
        need(hall.banner[:1] == ("nothing can be saved",) and len(hall.voice.asked) == 3, f"no disk: {hall.banner}, {hall.voice.asked}")
        _repair(image, at)
        need(hall.run(WELL_S, lambda: not hall.banner), f"a disk that is well again: {hall.banner}: {hall.scorer.trouble}")
        rows = hall.rows()
        need([hall.ball_of(r)[0] for r in rows] == [0, 1, 2], f"after the repair: {len(rows)} balls of 3")
        need(all(hall.log.traces(r["id"]) and r["release_to_cue_s"] for r in rows), f"after the repair: {rows}")
        need(not hall.kept, f"faults in the loop: {hall.kept}")
    return ("a disk that went read-only under the kiosk, was taken off, repaired and mounted again: said so, cues and replays came, "
            f"{len(rows)} of 3 balls in the log with traces and cue times, no start between")


def _failing_door(folder: Path) -> str:
    """The same with the door itself, in real time."""
    (at := folder / "door").mkdir()
    with _ext4(at / "home") as (image, home):
        kiosk = Kiosk(prepared(at), every_s=4.0)
        try:
            kiosk.until("READY=1", 60)
            kiosk.watch(10)
            before = len(kiosk.balls)
            _break(home)
            kiosk.watch(10)
            need(before and len(kiosk.balls) <= before + 1, f"read-only: {before} balls, then {len(kiosk.balls)}")
            _take_off(home)
            kiosk.watch(6)
            need(not list(home.iterdir()), f"written where the disk is to be mounted: {list(home.iterdir())}")
            _repair(image, home)
            kiosk.watch(WELL_S)
            kiosk.process.terminate()
        finally:
            kiosk.end()
        summary = kiosk.balls[-1].get("summary", {})
        told = [ball["ball"] for ball in kiosk.balls if "ball" in ball]
        need(told == list(range(1, len(told) + 1)) and len(told) >= before + 5 and summary.get("faults") == 0,
             f"a disk repaired under the door: {told}; {summary}; {kiosk.last_words()}")
    return f"and under the door: {len(told)} balls, none lost"


@contextlib.contextmanager
def _ext4(at: Path):
    image = at.with_name(at.name + ".image")
    at.mkdir()
    with image.open("wb") as f:
        f.truncate(64 << 20)
    if (not shutil.which("mkfs.ext4") or subprocess.run(["mkfs.ext4", "-q", image], capture_output=True).returncode
            or subprocess.run(["mount", "-o", "loop", image, at], capture_output=True).returncode):
        raise NotHere("no ext4 in here for a disk that fails")
    (at / "lost+found").rmdir()
    try:
        yield image, at
    finally:
        subprocess.run(["umount", "-l", at], capture_output=True)


def _break(at: Path) -> None:
    subprocess.run(["mount", "-o", "remount,abort", at], check=True)


def _take_off(at: Path) -> None:
    off = subprocess.run(["umount", at], capture_output=True, text=True)
    need(off.returncode == 0, f"the kiosk keeps the broken disk busy: {off.stderr}")


def _repair(image: Path, at: Path) -> None:
    need(subprocess.run(["fsck.ext4", "-fy", image], capture_output=True).returncode in (0, 1), "ext4 cannot be repaired")
    subprocess.run(["mount", "-o", "loop", image, at], check=True)


def _room_for_clips(hall: Hall) -> None:
    for clip in hall.log.clips():
        clips.forget(hall.log, clip["ball"])


def _slow(folder: Path) -> str:
    """The door itself, each of its syncs held for a second by the system-call tracer."""
    if not shutil.which("strace"):
        return "no strace for slow syncs"
    place = prepared(folder / "slow" if not (folder / "slow").mkdir() else folder)
    kiosk = Kiosk(place, every_s=6.0, before=("strace", "-f", "-q", "-o", "/dev/null", "--seccomp-bpf", "-e",
                                              "trace=fsync,fdatasync", "-e", "inject=fsync,fdatasync:delay_enter=1000000"))
    kiosk.until("READY=1", 120)
    kiosk.watch(45)
    os.kill(_child(kiosk.process.pid), 15)
    kiosk.end()
    summary = kiosk.balls[-1].get("summary")
    need(summary and summary["balls"] >= 3, f"slow syncs: {summary}; {kiosk.last_words()}")
    need(summary["faults"] == 0 and summary["balls"] == len({b["ball"] for b in kiosk.balls if "ball" in b}),
         f"slow syncs: {summary}")
    return (f"syncs of 1 s: {summary['balls']} balls, words {summary['words_late_ms']['p95']:.0f} ms late (p95), "
            f"{summary['frames_lost']} of {summary['frames']} frames lost")


def _child(pid: int) -> int:
    import psutil
    return psutil.Process(pid).children()[0].pid


ROW = Row("disk", "disk full at any write, refusing every write, syncs of a second",
          "cues and replay go on, measurements are kept to the last byte that fits, said on the screen, recovers by itself",
          2, 40, run)
