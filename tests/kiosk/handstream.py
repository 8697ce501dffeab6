"""A stream whose device asks for samples when the test says so, and a library that opens such streams."""
from __future__ import annotations

import threading
from types import SimpleNamespace

import numpy as np

from kiosk.clock import NS
from kiosk.sounds import RATE_HZ
from tests.kiosk.handclock import HandClock

BLOCK = 104
HOST_S = 5000.0          # the stream's clock shows this much more than ours


class PortAudioError(Exception):
    pass


class HandStream:
    """A stream whose device asks for a block when the test says so."""

    latency = 0.009
    active = closed = False

    def __init__(self, hand: HandClock, asked: dict) -> None:
        self.hand, self.asked, self.drift_s = hand, asked, 0.0

    @property
    def time(self) -> float:
        return self.hand.ns / NS + HOST_S + self.drift_s

    def start(self) -> None:
        self.active = True

    def abort(self) -> None:
        pass

    def close(self) -> None:
        self.closed = True

    def block(self, first_ns: int, n: int = BLOCK, underflow: bool = False, dac_s: float | None = None) -> np.ndarray:
        """What is played from `first_ns`; `dac_s` is what the host says of it, where that is something else."""
        out = np.full((n, 1), np.nan, np.float32)
        times = SimpleNamespace(outputBufferDacTime=first_ns / NS + HOST_S + self.drift_s if dac_s is None else dac_s,
                                currentTime=0.0)
        self.asked["callback"](out, n, times, SimpleNamespace(output_underflow=underflow))
        return out[:, 0]

    def play(self, first_ns: int, length_s: float) -> np.ndarray:
        """Block after block, each asked for 9 to 29 ms before it is heard, as hosts do."""
        out = []
        for i in range(0, round(length_s * RATE_HZ), BLOCK):
            at_ns = first_ns + round(i * NS / RATE_HZ)
            self.hand.ns = at_ns - 9_000_000 - i // BLOCK % 3 * 10_000_000
            out.append(self.block(at_ns))
        return np.concatenate(out)


class HandPortAudio:
    """Stands in for the library `sounddevice`, for as much of it as is called."""

    PortAudioError = PortAudioError
    WasapiSettings = SimpleNamespace

    def __init__(self, hand: HandClock) -> None:
        self.hand, self.here, self.hosts = hand, True, [{"name": "ALSA", "default_output_device": 0}]
        self.streams: list[HandStream] = []
        self.listed = 0
        self.opening, self.may_open = threading.Event(), threading.Event()
        self.may_open.set()

    def query_hostapis(self):
        return self.hosts

    def OutputStream(self, **asked) -> HandStream:
        self.opening.set()
        self.may_open.wait()
        if not self.here:
            raise PortAudioError("Error querying device -1")
        self.streams.append(HandStream(self.hand, asked))
        return self.streams[-1]

    def _terminate(self) -> None:
        assert all(s.closed for s in self.streams), "PortAudio is ended under an open stream"

    def _initialize(self) -> None:
        self.listed += 1
