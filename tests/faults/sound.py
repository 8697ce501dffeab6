"""Sound: the device goes away and comes back, the sound server is killed; by the speaker that the kiosk has.

In short: PortAudio played by hand, on a clock moved by hand. In full, besides: a real sound server, killed and started."""
from __future__ import annotations

import os
import random
import signal
import sys
from pathlib import Path
from unittest import mock

from kiosk import clock as real_clock
from kiosk import outputs, speaker
from kiosk.clock import NS
from kiosk.speaker import Speaker
from tests.faults.row import Row, need
from tests.kiosk import pulse
from tests.kiosk.handclock import HandClock
from tests.kiosk.handstream import HandPortAudio

BACK_S = 10.0
STEP_NS = NS // 20


def run(count: int, folder: Path) -> str:
    words = _by_hand(count)
    if count <= 3:
        return f"{words}; a real server only with --full"
    if lacking := pulse.missing():
        return f"{words}; no real server: {lacking}"
    return f"{words}; {_real(min(count, 10), folder)}"


def _by_hand(count: int) -> str:
    chance, hand = random.Random(4), HandClock()
    device, back, silent = HandPortAudio(hand), [], []
    with (mock.patch.dict(sys.modules, {"sounddevice": device}), mock.patch.object(speaker, "clock", hand),
          mock.patch.object(outputs, "clock", hand), mock.patch.object(speaker, "WAYS", (outputs.Stream,))):
        voice = Speaker("", 1.0, aside=lambda work: work())
        need(voice.way == "sounddevice", voice.why)
        for _ in range(count):
            device.here = False
            device.streams[-1].active = False           # what PortAudio says of a stream whose device went
            gone_ns = hand.ns
            _until(voice, hand, lambda: voice.way == "screen only", BACK_S, "the loss was not noticed")
            silent.append((hand.ns - gone_ns) / NS)
            voice.ask("hit", hand.ns)                   # the kiosk carries on
            _until(voice, hand, lambda: False, chance.uniform(0.5, 30), "")
            device.here, back_ns = True, hand.ns
            _until(voice, hand, lambda: voice.way == "sounddevice", BACK_S, "the sound did not come back")
            back.append((hand.ns - back_ns) / NS)
        voice.close()
    return f"{count} losses noticed within {max(silent):.1f} s, back within {max(back):.1f} s of the device"


def _until(voice: Speaker, hand: HandClock, done, most_s: float, words: str) -> None:
    end_ns = hand.ns + round(most_s * NS)
    while not done() and hand.ns < end_ns:
        hand.ns += STEP_NS
        voice.tick(hand.ns)
    need(done() or not words, words)


def _real(count: int, folder: Path) -> str:
    (at := folder / "sink").mkdir()
    sink, back = pulse.NullSink(at), []
    with mock.patch.dict(os.environ, sink.env):
        os.environ.pop("PULSE_SERVER", None)
        voice = Speaker("kiosk", 1.0)
        need(voice.way == "sounddevice", voice.why)
        for _ in range(count):
            sink.stop(signal.SIGKILL)
            _wait(voice, lambda: voice.way != "sounddevice", "the server's death was not noticed")
            sink.start()
            began_ns = real_clock.now_ns()
            _wait(voice, lambda: voice.way == "sounddevice", "the sound did not come back")
            back.append((real_clock.now_ns() - began_ns) / NS)
        voice.close()
        sink.stop()
    need(max(back) <= BACK_S, f"back {max(back):.1f} s after the server")
    return f"a real server killed {count} times: back within {max(back):.1f} s of its return"


def _wait(voice: Speaker, done, words: str) -> None:
    end_ns = real_clock.now_ns() + 30 * NS
    while not done():
        need(real_clock.now_ns() < end_ns, f"{words}: {voice.why}")
        real_clock.wait_until(real_clock.now_ns() + STEP_NS)
        voice.tick(real_clock.now_ns())


ROW = Row("sound", "sound gone and back; sound server killed", "the screen carries on, sound is back within 10 s", 3, 100, run)
