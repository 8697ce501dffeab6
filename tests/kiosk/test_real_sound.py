"""Real sound, without a loudspeaker: through PortAudio into a sound server, and through the mixer into a file."""
import json
import os
import signal
import subprocess
import sys
import threading

import numpy as np
import pytest

from creaseside.orders import CUES
from kiosk import clock, sounds
from kiosk.clock import NS
from kiosk.outputs import STALLED_NS
from kiosk.speaker import Speaker
from tests.kiosk import pulse
from tests.kiosk.test_sounds import NOTES, onsets_s

RATE_HZ = sounds.RATE_HZ
MADE = sounds.made()

MIXED = """
import json, sys
from kiosk import clock
from kiosk.speaker import Speaker
sys.modules["sounddevice"] = None            # what an import of a missing library finds
speaker = Speaker(volume=1.0)
import pygame
told, heard = [speaker.way, speaker.why], []
asked_ns = clock.now_ns()
for kind in ("hit", "miss", "unsure"):
    speaker.ask(kind, asked_ns)
while len(heard) < 3 or pygame.mixer.get_busy():
    speaker.tick(clock.now_ns())
    heard += speaker.heard()
    clock.wait_until(clock.now_ns() + 2_000_000)
speaker.close()
print(json.dumps([told, [[h.kind, h.way, h.first_sample_ns - asked_ns] for h in heard]]))
"""


def run(code: str, **env) -> subprocess.CompletedProcess:
    return subprocess.run([sys.executable, "-c", code], env={**os.environ, "PYTHONPATH": "src:.", **env},
                          capture_output=True, text=True, timeout=120)


def test_the_mixer_plays_the_same_samples(tmp_path):
    """SDL's disk driver writes what the mixer plays into a file, 16 bit."""
    done = run(MIXED, SDL_AUDIODRIVER="disk", SDL_DISKAUDIOFILE=str(tmp_path / "played.raw"))
    assert done.returncode == 0, done.stderr
    (way, why), heard = json.loads(done.stdout)
    assert way == "mixer" and why.startswith("sounddevice: ")
    assert [h[:2] for h in heard] == [[kind, "mixer"] for kind in CUES]
    assert 0 < heard[0][2] < heard[1][2] < heard[2][2]
    played = np.fromfile(tmp_path / "played.raw", np.int16)
    whole = {kind: np.rint(MADE[kind] * 32767).astype(np.int16) for kind in CUES}
    at = [played.tobytes().find(cue.tobytes()) for cue in whole.values()]
    assert -1 not in at and at == sorted(at), at
    assert np.count_nonzero(played) == sum(np.count_nonzero(cue) for cue in whole.values())


def test_with_nothing_at_all_the_screen_is_left():
    done = run("import sys; sys.modules['sounddevice'] = None\nfrom kiosk.speaker import Speaker\ns = Speaker()\n"
               "s.ask('hit', 0); s.tick(0); print(s.way, '|', s.why); s.close()", SDL_AUDIODRIVER="no such driver")
    assert done.returncode == 0 and done.stderr == "", done.stderr
    assert done.stdout.startswith("screen only | sounddevice: ") and "; mixer: " in done.stdout


@pytest.fixture
def sink(tmp_path, monkeypatch):
    """A real stream into a real server; PortAudio is started anew for it, and again after it."""
    if lacking := pulse.missing():
        pytest.skip(lacking)
    import sounddevice
    sink = pulse.NullSink(tmp_path)
    with monkeypatch.context() as patched:
        for name, value in sink.env.items():
            patched.setenv(name, value)
        patched.delenv("PULSE_SERVER", raising=False)
        yield sink
        sink.stop()
    sounddevice._terminate()
    sounddevice._initialize()


def heard_by(speaker: Speaker, sink: pulse.NullSink, number: int) -> tuple[list, list[tuple[int, int]], np.ndarray]:
    """Wait until so many cues are recorded: what the speaker says, where they are, and the recording."""
    def all_there(samples):
        found = pulse.bursts(samples, gap_s=0.5)
        return len(found) >= number and len(samples) - found[-1][1] > 0.5 * RATE_HZ
    samples = sink.until(all_there)
    return speaker.heard(), pulse.bursts(samples, gap_s=0.5), samples


def test_real_sound_comes_in_order_and_as_far_apart_as_asked(sink):
    speaker = Speaker("kiosk", 1.0)
    assert (speaker.way, speaker.why) == ("sounddevice", "")
    now_ns = clock.now_ns()
    apart_s = [0, 1.2, 2.5]
    for kind, s in zip(CUES, apart_s):
        speaker.ask(kind, now_ns + NS // 2 + round(s * NS))
    heard, found, samples = heard_by(speaker, sink, 3)
    speaker.close()
    assert [h.kind for h in heard] == list(CUES)
    assert len(found) == 3
    for kind, (first, last) in zip(CUES, found):
        assert len(onsets_s(samples[first:last + 1])) == NOTES[kind]
        above = np.flatnonzero(np.abs(MADE[kind]) > 0.01)
        assert last - first == pytest.approx(above[-1] - above[0], abs=0.1 * RATE_HZ)
    starts_s = np.array([first for first, _ in found]) / RATE_HZ
    told_s = np.array([h.first_sample_ns for h in heard]) / NS
    print("apart, recorded:", np.diff(starts_s), "told:", np.diff(told_s), "underflows:", speaker.underflows)
    assert np.diff(starts_s) == pytest.approx(np.diff(apart_s), abs=0.1)
    assert np.diff(starts_s) == pytest.approx(np.diff(told_s), abs=0.1)


def test_busy_threads_do_not_take_the_sound_away(sink):
    """Every cue is whole in the recording while two threads of this process never let go of Python by themselves."""
    done = threading.Event()

    def busy():
        while not done.is_set():
            pass
    threads = [threading.Thread(target=busy, daemon=True) for _ in range(2)]
    speaker = Speaker("kiosk", 1.0)
    for thread in threads:
        thread.start()
    try:
        now_ns = clock.now_ns()
        for i in range(2):
            speaker.ask("hit", now_ns + NS // 2 + i * NS * 6 // 5)
        heard, found, samples = heard_by(speaker, sink, 2)
    finally:
        done.set()
        for thread in threads:
            thread.join()
        speaker.close()
    print("underflows:", speaker.underflows)
    assert [h.kind for h in heard] == ["hit", "hit"]
    assert [len(onsets_s(samples[first:last + 1])) for first, last in found] == [3, 3]


def test_a_real_server_that_dies_is_missed_and_its_return_heard(sink):
    """Ticks are handed times of their own, so that the test need not wait for the pauses between two looks."""
    speaker = Speaker("kiosk", 1.0, aside=lambda work: work())
    speaker.ask("hit", clock.now_ns())
    assert [h.kind for h in heard_by(speaker, sink, 1)[0]] == ["hit"]
    sink.stop(signal.SIGKILL)
    t_ns = clock.now_ns() + STALLED_NS + NS            # by then it has either ended, or stood still for too long
    speaker.tick(t_ns)
    assert speaker.way == "screen only" and speaker.why
    speaker.tick(t_ns + NS)
    speaker.tick(t_ns + NS)
    assert speaker.way == "screen only" and "sounddevice: " in speaker.why
    sink.start()
    speaker.tick(t_ns + 10 * NS)
    speaker.tick(clock.now_ns())
    assert (speaker.way, speaker.why) == ("sounddevice", "")
    speaker.ask("unsure", clock.now_ns())
    heard, found, samples = heard_by(speaker, sink, 1)
    speaker.close()
    assert [h.kind for h in heard] == ["unsure"] and len(onsets_s(samples[found[0][0]:found[0][1] + 1])) == 2
