"""Outputs: the ways in which a cue can reach the ear, and the score that all of them play from.

`Stream` is an always open PortAudio stream, which starts a cue at its own sample; `Mixer` is pygame's, which starts it
at the next `tick`; `Nothing` leaves it to the screen. A way raises when it cannot be opened and says when it is lost;
which one is used is for the speaker to decide.
"""
from __future__ import annotations

import heapq
import itertools
import os
import sys
import threading
from collections import deque
from dataclasses import dataclass
from typing import Mapping

import numpy as np

from kiosk import clock
from kiosk.clock import NS
from kiosk.sounds import RATE_HZ

# Measured against a sound server, with two threads of this process busy in Python for all they are worth: the host's
# lowest latency (9 ms, 104 samples) lost up to every second block and most cues; with these three numbers together all
# cues came on time. The 20 ms more are felt only by a cue that is asked for too late: others begin on their sample.
BLOCK = 480
LATENCY_S = 0.03
SWITCH_S = 0.001            # how long a busy thread may keep the others from Python; 5 ms is Python's own choice
LATE_NS = 2 * NS            # a cue held back so long by a dead device is dropped: it would be taken for the next ball's
STALLED_NS = 3 * NS         # a stream that asks for nothing so long is lost, whatever it says (2 s blocks were seen)
FURTHEST_AHEAD_S = 5.0      # a host that says more than this from now to the ear does not know
MIXER_FRAMES = 256


@dataclass(frozen=True, slots=True)
class Heard:
    """A cue that was played. asked_ns: the time it was asked for. first_sample_ns: when its first sample left the
    device, as the stream's host estimates it; by way of the mixer a lower bound, since the sound server's own delay is
    not known there. Both on the axis of `clock.now_ns`.
    """

    kind: str
    asked_ns: int
    first_sample_ns: int
    way: str


class Score:
    """What is to be played, one cue at a time in the order of their times, and what was played.

    Its lock is held for a few instructions at a time, so that the stream's callback may take it.
    """

    def __init__(self) -> None:
        self.heard: deque[Heard] = deque(maxlen=1000)
        self.dropped = 0
        self._turns = itertools.count()
        self._due: list[tuple[int, int, str, int]] = []     # due_ns, turn, kind, asked_ns
        self._lock = threading.Lock()

    def ask(self, kind: str, at_ns: int, now_ns: int) -> None:
        with self._lock:
            heapq.heappush(self._due, (max(at_ns, now_ns), next(self._turns), kind, at_ns))

    def take(self, now_ns: int, before_ns: int) -> tuple[str, int, int] | None:
        """The first cue due before `before_ns`, as (kind, asked_ns, due_ns); what is too late by now is dropped."""
        with self._lock:
            while self._due and self._due[0][0] < before_ns:
                due_ns, _, kind, asked_ns = heapq.heappop(self._due)
                if now_ns - due_ns <= LATE_NS:
                    return kind, asked_ns, due_ns
                self.dropped += 1
        return None


class Player:
    """Fills blocks of samples from the score, to the sample. Runs in the stream's callback and makes no array."""

    def __init__(self, score: Score, cues: Mapping[str, np.ndarray]) -> None:
        self._score, self._cues = score, cues
        self._cue: np.ndarray | None = None
        self._place = 0

    def fill(self, out: np.ndarray, first_ns: int) -> None:
        """out: (n,) float32, written whole. first_ns: when its first sample will be heard."""
        out.fill(0)
        i, n = 0, len(out)
        while i < n:
            if self._cue is None:
                i = self._begin(first_ns, i, n)
                continue
            count = min(n - i, len(self._cue) - self._place)
            out[i:i + count] = self._cue[self._place:self._place + count]
            i, self._place = i + count, self._place + count
            if self._place == len(self._cue):
                self._cue = None

    def _begin(self, first_ns: int, i: int, n: int) -> int:
        """Take the next cue, and give the sample on which it begins; n where none begins in this block."""
        taken = self._score.take(first_ns, first_ns + samples_ns(n - 0.5))
        if taken is None:
            return n
        kind, asked_ns, due_ns = taken
        start = min(max(i, round((due_ns - first_ns) * RATE_HZ / NS)), n - 1)
        self._cue, self._place = self._cues[kind], 0
        self._score.heard.append(Heard(kind, asked_ns, first_ns + samples_ns(start), Stream.way))
        return start


class Stream:
    """One PortAudio stream that is never stopped, since an output that falls asleep swallows the start of a cue."""

    way = "sounddevice"

    def __init__(self, device: str, score: Score, cues: Mapping[str, np.ndarray]) -> None:
        known = "sounddevice" in sys.modules
        import sounddevice
        if known:                          # PortAudio lists the devices when it is started, and not again
            sounddevice._terminate()
            sounddevice._initialize()
        sys.setswitchinterval(min(SWITCH_S, sys.getswitchinterval()))
        self.underflows = 0
        self._player = Player(score, cues)
        self._error = sounddevice.PortAudioError
        self._called_ns = 0
        self._stream = sounddevice.OutputStream(samplerate=RATE_HZ, channels=1, dtype="float32", blocksize=BLOCK,
                                                latency=LATENCY_S, callback=self._fill, **_chosen(sounddevice, device))
        try:
            self._stream.start()
        except self._error:
            self._stream.close()
            raise
        self._called_ns = clock.now_ns()   # only now: a device can take long to open

    def _fill(self, out: np.ndarray, frames: int, times, status) -> None:
        """The stream's clock and ours are read side by side in every block, so neither drift nor a wait for Python
        matters: block starts scattered by 0.1 to 0.5 ms against a sound server; by the block's `currentTime`, by 3 ms.
        """
        self.underflows += bool(status.output_underflow)
        now_ns = self._called_ns = clock.now_ns()
        try:
            ahead_s = times.outputBufferDacTime - self._stream.time
        except self._error:
            ahead_s = -1.0
        if not 0 <= ahead_s < FURTHEST_AHEAD_S:
            ahead_s = self._stream.latency
        self._player.fill(out[:, 0], now_ns + round(ahead_s * NS))

    def lost(self, now_ns: int) -> str:
        """Why nothing is heard this way any more; empty while all is well."""
        try:
            if not self._stream.active:
                return "the sound device went away"
        except self._error as e:
            return f"the sound device went away ({e})"
        return "the sound device stands still" if now_ns - self._called_ns > STALLED_NS else ""

    def tick(self, now_ns: int) -> None:
        pass                               # the callback plays

    def close(self) -> None:
        self._stream.abort()               # neither raises where the device is gone
        self._stream.close()


class Mixer:
    """pygame's mixer, which brings its own road to the sound server. A cue begins when `tick` finds it due."""

    way = "mixer"
    underflows = 0

    def __init__(self, device: str, score: Score, cues: Mapping[str, np.ndarray]) -> None:
        if os.environ.get("SDL_AUDIODRIVER") == "dummy":
            raise OSError("SDL_AUDIODRIVER=dummy plays nothing")
        os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
        import pygame
        self._pygame, self._score, self._cues = pygame, score, cues
        pygame.mixer.pre_init(RATE_HZ, -16, 1, MIXER_FRAMES)           # so that a later pygame.init() leaves it so
        pygame.mixer.init(RATE_HZ, -16, 1, MIXER_FRAMES, devicename=device or None, allowedchanges=0)

    def lost(self, now_ns: int) -> str:
        return "" if self._pygame.mixer.get_init() else "the mixer was closed"

    def tick(self, now_ns: int) -> None:
        if self.lost(now_ns) or self._pygame.mixer.Channel(0).get_busy():
            return
        taken = self._score.take(now_ns, now_ns + 1)
        if taken is None:
            return
        kind, asked_ns, _ = taken
        sound = self._pygame.mixer.Sound(buffer=np.rint(self._cues[kind] * 32767).astype(np.int16).tobytes())
        self._pygame.mixer.Channel(0).play(sound)
        self._score.heard.append(Heard(kind, asked_ns, now_ns + samples_ns(MIXER_FRAMES), self.way))

    def close(self) -> None:
        self._pygame.mixer.quit()


class Nothing:
    """The screen alone. Cues wait here for a device only as long as they make sense."""

    way = "screen only"
    underflows = 0

    def __init__(self, score: Score) -> None:
        self._score = score

    def lost(self, now_ns: int) -> str:
        return ""

    def tick(self, now_ns: int) -> None:
        self._score.take(now_ns, now_ns - LATE_NS)           # all of these are too late

    def close(self) -> None:
        pass


Output = Stream | Mixer | Nothing


def samples_ns(samples: float) -> int:
    return round(samples * NS / RATE_HZ)


def _chosen(sounddevice, device: str) -> dict:
    """The named device; else, on Windows, that of the host with the shortest delay; else the system's own choice."""
    if device:
        return {"device": device}
    for host in sounddevice.query_hostapis():
        if host["name"] == "Windows WASAPI" and host["default_output_device"] >= 0:
            return {"device": host["default_output_device"],
                    "extra_settings": sounddevice.WasapiSettings(auto_convert=True)}
    return {}
