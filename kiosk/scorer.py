"""Scorer: brings balls into the log, and later what joins them: when the cue was heard, and the clip.

A ball is committed here, in the loop's own turn, before its cue can be due, so that no ball is announced and then
lost. What may wait (the cue's times, the clip) is written by a thread of its own. A ball that cannot be written (a full
disk) stays in memory and is tried again; the loop goes on.
"""
from __future__ import annotations

import dataclasses
import queue
import shutil
import sqlite3
import threading
from collections import deque
from dataclasses import dataclass
from types import ModuleType
from typing import Any, Callable, Sequence

from creaseside import rows
from creaseside.ball import Ball
from creaseside.orders import Log
from creaseside.pose import Pose
from creaseside.stamps import NS, Stamp, to_ns, to_s
from kiosk import clips, memory
from kiosk import clock as real_clock
from kiosk.faults import Fault
from kiosk.health import Health
from kiosk.logbook import Logbook
from kiosk.outputs import Heard
from kiosk.seat import Whose

AGAIN_NS = 5 * NS           # how often a ball that could not be written is tried again
GIVEN_UP_NS = 3 * NS        # a cue that was not heard so long after it was asked for never will be
ROOM_BYTES = 1 << 20        # a ball with its traces takes a quarter of that
FAILED_KEPT = 40            # cues' times, and the clips of the last balls, that could not be written
WHOLE_WAITING = 60          # balls that wait for a disk with their traces, 0.1 MB each; earlier ones keep their numbers alone
WAITING = 2000              # a week of them; then the earliest go, and are counted
CLIPS_WAITING = 2           # pictures (70 MB a ball) of balls that are not on the disk yet
TIMES = ("bfc_s", "ffc_s", "br_s")


@dataclass(frozen=True, slots=True)
class Written:
    """A ball that is on the disk. `row`: its id; `whose`: its player's; `json`: as others read it, with the source's own
    times."""

    row: int
    whose: Whose
    json: dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Begun:
    """What stays of a ball's first word, and whose it is: first_ns is the first frame of its clip, file_ns the moment at
    which its file's time is 0, verdict_s how long after the release it was known."""

    whose: Whose
    first_ns: int
    file_ns: int | None
    verdict_s: float | None


@dataclass(frozen=True, slots=True)
class _Due:
    """A ball to be written, or to be completed."""

    order: Log
    poses: Sequence[Pose]
    begun: _Begun


@dataclass(slots=True)
class _Asked:
    """A cue on its way. row: None as long as its ball is not on the disk."""

    ball: int
    kind: str
    at_ns: int
    heard: Heard | None = None


class Aside:
    """A thread that does one job after the other. kept: keeps the story of the fault that is being handled."""

    def __init__(self, kept: Callable[[str], object] = lambda what: None) -> None:
        self._kept = kept
        self._jobs: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._left, self._lock = 0, threading.Lock()
        self._thread = threading.Thread(target=self._run, name="scorer", daemon=True)
        self._thread.start()

    def __call__(self, job: Callable[[], None]) -> None:
        with self._lock:
            self._left += 1
        self._jobs.put(job)

    @property
    def idle(self) -> bool:
        return not self._left

    def close(self) -> None:
        """When what was given is done."""
        self._jobs.put(None)
        self._thread.join()

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            try:
                job()
            except Exception:       # the next job is not to suffer for it
                self._kept("a job beside the loop")
            finally:
                with self._lock:
                    self._left -= 1


class Scorer:
    """trouble: why balls, cues or clips are not written just now, or None. written: told of every ball on the disk."""

    def __init__(self, logbook: Logbook, health: Health, aside: Callable[[Callable[[], None]], None],
                 written: Callable[[Written], None] = lambda written: None, clip_name: str | None = None,
                 clock: ModuleType = real_clock) -> None:
        self._log, self._health, self._aside = logbook, health, aside
        self._tell, self._clip_name, self._clock = written, clip_name, clock
        self._due: deque[_Due] = deque()
        self._again_ns = self._jobs_again_ns = self._look_ns = 0
        self._failed: deque[Callable[[], Any]] = deque(maxlen=FAILED_KEPT)
        self._rows: dict[int, int] = {}
        self._begun: dict[int, _Begun] = {}
        self.unfinished: set[int] = set()      # balls whose verdict is known and whose other numbers are to come
        self._cues: list[_Asked] = []
        self._clips: list[tuple[int, Sequence[tuple[Stamp, bytes]]]] = []
        self.trouble: Fault | None = None

    @property
    def balls(self) -> int:
        """On the disk."""
        return len(self._rows)

    @property
    def idle(self) -> bool:
        """Nothing is waited for, apart from balls that cannot be written."""
        return not any(c.ball in self._rows for c in self._cues) and not self._clips_ready() and getattr(self._aside, "idle", True)

    def may_keep_pictures(self, whose: Whose) -> bool:
        """Never of somebody whose consent cannot be read just now."""
        try:
            return clips.may_keep_pictures(self._log, whose.player, self._log.day(whose.session))
        except Fault:
            return False

    def row(self, ball: int) -> int | None:
        """The ball's row; None as long as it is not on the disk."""
        return self._rows.get(ball)

    def score(self, order: Log, whose: Whose, poses: Sequence[Pose], first_ns: int, file_ns: int | None,
              now_ns: int) -> None:
        """Write a ball, or complete it, now or as soon as it can be."""
        if (begun := self._begun.get(order.ball)) is None:
            begun = self._begun[order.ball] = _Begun(whose, first_ns, file_ns, self._verdict_s(order, now_ns))
        self._due = deque(due for due in self._due if due.order.ball != order.ball)     # its later word is the whole of it
        self._due.append(_Due(order, poses, begun))
        self._bound()
        (self.unfinished.add if order.more else self.unfinished.discard)(order.ball)
        self._write_due(now_ns)

    def _bound(self) -> None:
        """A disk that is gone for hours must not fill the memory."""
        while len(self._due) > WAITING:
            self._due.popleft()
            self._health.count("balls_given_up")
        if len(self._due) > WHOLE_WAITING and self._due[-1 - WHOLE_WAITING].poses:
            at = len(self._due) - 1 - WHOLE_WAITING
            self._due[at] = dataclasses.replace(self._due[at], poses=())

    def _verdict_s(self, order: Log, now_ns: int) -> float | None:
        if not (release := order.what["br_s"]):
            return None
        self._health.late("verdict", to_ns(release.value), now_ns)
        return round((now_ns - to_ns(release.value)) / NS, 4)

    def cue(self, ball: int, kind: str, at_ns: int) -> None:
        """The cue of a ball was asked for."""
        self._cues.append(_Asked(ball, kind, at_ns))

    def given(self, ball: int, kind: str, asked_ns: int, happened_ns: int, way: str) -> None:
        """Something other than a cue reached the player: "words", "replay"."""
        if (row := self._rows.get(ball)) is not None:
            self._job(lambda: self._log.note_feedback(row, kind, asked_ns, happened_ns, way))

    def heard(self, heard: Sequence[Heard]) -> None:
        """Cues were played: each belongs to the ball that asked for it at that time."""
        for one in heard:
            self._health.late("cue", one.asked_ns, one.first_sample_ns)
            cue = next((c for c in self._cues if (c.kind, c.at_ns) == (one.kind, one.asked_ns) and not c.heard), None)
            if cue:
                cue.heard = one

    def clip(self, ball: int, frames: Sequence[tuple[Stamp, bytes]]) -> None:
        """The pictures of a ball whose player agreed to it."""
        self._clips = [*self._clips, (ball, frames)][-CLIPS_WAITING:]

    def tick(self, now_ns: int, way: str) -> None:
        """Try again what could not be written, and hand aside what can be. way: of the sound, for cues never heard."""
        if self._due and now_ns >= self._again_ns:
            self._write_due(now_ns)
        if (self.trouble or self._failed or self._log.down) and now_ns >= self._look_ns:
            self._look_ns = now_ns + NS
            self._well_again(now_ns)
        self._cues = self._cues[-FAILED_KEPT:]
        for cue in [c for c in self._cues if c.ball in self._rows and (c.heard or now_ns - c.at_ns > GIVEN_UP_NS)]:
            self._cues.remove(cue)
            self._job(lambda row=self._rows[cue.ball], cue=cue: self._note(row, cue, way))
        for ball, frames in self._clips_ready():
            self._job(lambda row=self._rows[ball], frames=frames: clips.keep(self._log, row, frames))
            self._aside(memory.give_back)
        self._clips = [(ball, frames) for ball, frames in self._clips if ball not in self._rows]

    def _well_again(self, now_ns: int) -> None:
        """What failed beside the loop is tried again; where nothing is left to be written and there is room, all is well."""
        try:
            self._log.take_up()
            free = shutil.disk_usage(self._log.place.home).free
        except Fault as fault:
            self.trouble = fault
            return
        except OSError:             # the home is not there
            return
        if not (self._failed or self._due) and free >= ROOM_BYTES:
            self.trouble = None
        if self._failed and now_ns >= self._jobs_again_ns:
            self._jobs_again_ns = now_ns + AGAIN_NS
            for _ in range(len(self._failed)):
                self._job(self._failed.popleft())

    def _clips_ready(self) -> list[tuple[int, Sequence[tuple[Stamp, bytes]]]]:
        return [(ball, frames) for ball, frames in self._clips if ball in self._rows]

    def _write_due(self, now_ns: int) -> None:
        while self._due:
            try:
                written = self._written(self._due[0])
            except Fault as fault:
                self.trouble, self._again_ns = fault, now_ns + AGAIN_NS
                return
            self._due.popleft()
            self.trouble = self._log.trouble or (self.trouble if self._failed else None)
            if written is not None:
                self._tell(written)

    def _written(self, due: _Due) -> Written | None:
        """None where more is to come of this ball."""
        what, ball, begun, whose = due.order.what, due.order.ball, due.begun, due.begun.whose
        thrown = next((what[name] for name in ("br_s", "ffc_s", "bfc_s") if what[name]), None)
        thrown_ns, on_clip = to_ns(thrown.value) if thrown else None, earlier(what, begun.first_ns)
        if ball in self._rows:
            self._log.complete_ball(self._rows[ball], on_clip, due.poses, thrown_ns)
        else:
            self._rows[ball] = self._log.add_ball(
                whose.session, on_clip, player=whose.player, block=whose.block, feedback=whose.feedback,
                poses=() if due.order.more else due.poses,
                thrown_ns=thrown_ns, release_to_verdict_s=begun.verdict_s)
        return None if due.order.more else self._as_others_read_it(self._rows[ball], begun)

    def _as_others_read_it(self, row: int, begun: _Begun) -> Written:
        kept = self._log.ball(row)
        shown = rows.from_row(kept)
        if begun.file_ns is not None:
            shown = earlier(shown, begun.file_ns - begun.first_ns)
        whose = begun.whose
        return Written(row, whose, rows.as_json(rows.to_row(shown) | {
            "number": kept["number"], "clip": self._clip_name, "release_to_verdict_s": begun.verdict_s,
            "release_to_cue_s": None}) | {"session": whose.session, "player": whose.player, "feedback": whose.feedback})

    def _note(self, row: int, cue: _Asked, way: str) -> None:
        heard = cue.heard
        self._log.note_cue(row, cue.kind, cue.at_ns, heard and heard.first_sample_ns, heard.way if heard else way)

    def later(self, job: Callable[[], Any]) -> None:
        """Something for the log that is tried until the disk takes it."""
        self._job(job)

    def _job(self, job: Callable[[], Any]) -> None:
        def guarded() -> None:
            try:
                job()
            except Fault as fault:
                if not isinstance(fault.__cause__, (OSError, sqlite3.Error)):
                    raise                           # nothing of the disk's: the ball was erased meanwhile
                self.trouble = fault
                self._failed.append(job)
        self._aside(guarded)


def earlier(ball: Ball, by_ns: int) -> Ball:
    """The same ball on an axis that begins `by_ns` later."""
    moved = {name: dataclasses.replace(ball[name], value=ball[name].value - to_s(by_ns)) for name in TIMES if ball[name]}
    return dataclasses.replace(ball, values={**ball.values, **moved})
