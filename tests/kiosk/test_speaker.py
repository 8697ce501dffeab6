"""The speaker: to the sample against a stream that the test drives, then through PortAudio into a real sound server."""
import json
import os
import signal
import subprocess
import sys
import threading
from types import SimpleNamespace

import numpy as np
import pytest

from creaseside.orders import CUES
from kiosk import clock, sounds
from kiosk.clock import NS
from kiosk.faults import Fault
from kiosk.outputs import LATE_NS, STALLED_NS
from kiosk.speaker import RETRY_NS, Speaker
from tests.kiosk import pulse
from tests.kiosk.handclock import HandClock
from tests.kiosk.test_sounds import NOTES, onsets_s, tone, written

RATE_HZ = sounds.RATE_HZ
MADE = sounds.made()
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
        """Block after block; our clock stands 9 ms before each one's first sample."""
        out = []
        for i in range(0, round(length_s * RATE_HZ), BLOCK):
            at_ns = first_ns + round(i * NS / RATE_HZ)
            self.hand.ns = at_ns - 9_000_000
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

    def query_hostapis(self):
        return self.hosts

    def OutputStream(self, **asked) -> HandStream:
        if not self.here:
            raise PortAudioError("Error querying device -1")
        self.streams.append(HandStream(self.hand, asked))
        return self.streams[-1]

    def _terminate(self) -> None:
        assert all(s.closed for s in self.streams), "PortAudio is ended under an open stream"

    def _initialize(self) -> None:
        self.listed += 1


@pytest.fixture
def hand(monkeypatch):
    hand = HandClock()
    monkeypatch.setattr(clock, "now_ns", hand.now_ns)
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")      # which the mixer takes for no sound at all
    return hand


@pytest.fixture
def host(hand, monkeypatch):
    host = HandPortAudio(hand)
    monkeypatch.setitem(sys.modules, "sounddevice", host)
    return host


def at_once(work):
    work()


@pytest.fixture
def speaker(host):
    speaker = Speaker(volume=1.0, aside=at_once)
    yield speaker
    speaker.close()


def begins(played: np.ndarray, kind: str) -> int:
    """The sample on which the cue begins; it must be there whole, bit by bit, once."""
    cue = MADE[kind]
    found = [i for i in np.flatnonzero(played == cue[1]) - 1 if i >= 0 and np.array_equal(played[i:i + len(cue)], cue)]
    assert len(found) == 1, (kind, found)
    return int(found[0])


def test_one_stream_is_opened_and_stays_open(speaker, host):
    asked = {k: v for k, v in host.streams[0].asked.items() if k != "callback"}
    assert asked == {"samplerate": 48_000, "channels": 1, "dtype": "float32", "blocksize": 480, "latency": 0.03}
    assert (speaker.way, speaker.why, len(host.streams)) == ("sounddevice", "", 1)
    assert not host.streams[0].play(host.hand.ns, 0.2).any()             # silence keeps the device awake


@pytest.mark.parametrize("kind", CUES)
@pytest.mark.parametrize("samples_later", [0, 1, BLOCK - 1, BLOCK, 5 * BLOCK + 17, 20_000])
def test_a_cue_begins_on_the_sample_of_its_time(speaker, host, kind, samples_later):
    first_ns = host.hand.ns + NS
    at_ns = first_ns + round(samples_later * NS / RATE_HZ)
    speaker.ask(kind, at_ns)
    played = host.streams[0].play(first_ns, 1.5)
    assert begins(played, kind) == samples_later
    assert np.count_nonzero(played) == np.count_nonzero(MADE[kind])      # and nothing else is played
    heard, = speaker.heard()
    assert (heard.kind, heard.asked_ns, heard.way) == (kind, at_ns, "sounddevice")
    assert heard.first_sample_ns == pytest.approx(at_ns, abs=20_000)     # within one sample
    assert speaker.heard() == []


def test_a_cue_whose_time_is_past_begins_with_the_next_block(speaker, host):
    first_ns = host.hand.ns + NS // 100
    speaker.ask("miss", host.hand.ns - 60 * NS)
    assert begins(host.streams[0].play(first_ns, 1.0), "miss") == 0
    heard, = speaker.heard()
    assert heard.first_sample_ns == pytest.approx(first_ns, abs=2)
    assert heard.first_sample_ns - heard.asked_ns > 60 * NS              # its lateness is told, not hidden


def test_cues_are_played_in_the_order_of_their_times_and_one_at_a_time(speaker, host):
    first_ns = host.hand.ns + NS
    speaker.ask("unsure", first_ns + 2 * NS)
    speaker.ask("hit", first_ns)
    speaker.ask("miss", first_ns + NS // 10)                             # while the hit still sounds
    played = host.streams[0].play(first_ns, 3.0)
    at = {kind: begins(played, kind) for kind in CUES}
    assert at == {"hit": 0, "miss": len(MADE["hit"]), "unsure": 2 * RATE_HZ}
    assert [h.kind for h in speaker.heard()] == ["hit", "miss", "unsure"]


def test_the_drift_of_the_devices_clock_does_not_add_up(speaker, host):
    """After hours at 100 parts in a million, and after its clock was set by a day, a cue still begins on its sample."""
    stream = host.streams[0]
    for drift_s in (1.4, -86_400.0):
        stream.drift_s = drift_s
        first_ns = host.hand.ns + NS
        speaker.ask("hit", first_ns + NS // 2)
        assert begins(stream.play(first_ns, 1.2), "hit") == pytest.approx(RATE_HZ // 2, abs=1)


@pytest.mark.parametrize("dac_s", [0.0, 1e9])
def test_a_host_that_does_not_know_its_times_is_taken_by_its_latency(speaker, host, dac_s):
    speaker.ask("hit", host.hand.ns)
    host.streams[0].block(0, dac_s=dac_s)
    assert speaker.heard()[0].first_sample_ns == host.hand.ns + 9_000_000


def test_underflows_are_counted_over_all_streams(speaker, host):
    for underflow in (True, False, True):
        host.streams[0].block(host.hand.ns, underflow=underflow)
    assert speaker.underflows == 2
    host.streams[0].active = False
    later(speaker, host.hand, 0, 1, 0)
    host.streams[1].block(host.hand.ns, underflow=True)
    assert speaker.underflows == 3


def test_the_volume_is_kept_and_nothing_sounds_at_none(host):
    for volume in (0.0, 0.25):
        quiet = Speaker(volume=volume, aside=at_once)
        quiet.ask("hit", host.hand.ns)
        played = host.streams[-1].play(host.hand.ns + NS // 100, 0.6)
        assert np.array_equal(played[:len(MADE["hit"])], MADE["hit"] * np.float32(volume))
        quiet.close()


def test_the_named_device_is_asked_for(host):
    Speaker("hall", aside=at_once).close()
    assert host.streams[0].asked["device"] == "hall"


def test_on_windows_the_host_with_the_shortest_delay_is_taken(host):
    host.hosts = [{"name": "MME", "default_output_device": 1}, {"name": "Windows WASAPI", "default_output_device": 7}]
    Speaker(aside=at_once).close()
    assert host.streams[0].asked["device"] == 7 and host.streams[0].asked["extra_settings"].auto_convert


def later(speaker, hand, *seconds):
    """Ticks, each so much later than the last."""
    for s in seconds:
        hand.pass_s(s)
        speaker.tick(hand.ns)


def test_a_lost_device_is_told_and_comes_back(speaker, host):
    host.here = host.streams[0].active = False
    later(speaker, host.hand, 0.1)
    assert (speaker.way, speaker.why) == ("screen only", "the sound device went away")
    assert host.streams[0].closed
    later(speaker, host.hand, *[0.1] * 100)
    assert speaker.way == "screen only" and "Error querying device -1" in speaker.why
    host.here = True
    later(speaker, host.hand, *[0.1] * 45)                               # no more than the longest pause and a tick
    assert (speaker.way, speaker.why) == ("sounddevice", "")
    first_ns = host.hand.ns + NS
    speaker.ask("hit", first_ns)
    assert begins(host.streams[1].play(first_ns, 1.0), "hit") == 0


def test_a_device_is_looked_for_less_and_less_often_but_within_ten_seconds(speaker, host):
    host.here = host.streams[0].active = False
    speaker.tick(host.hand.ns)
    start_ns, looked_s, before = host.hand.ns, [], host.listed
    for _ in range(400):
        later(speaker, host.hand, 0.05)
        if host.listed > before:
            before = host.listed
            looked_s.append((host.hand.ns - start_ns) / NS)
    pauses = np.diff([0, *looked_s])
    assert pauses == pytest.approx([0.5, 1, 2, 4, 4, 4, 4][:len(pauses)], abs=0.06) and len(pauses) >= 6
    assert max(RETRY_NS) < 10 * NS


def test_a_stream_that_stands_still_is_lost(speaker, host):
    host.streams[0].block(host.hand.ns)
    later(speaker, host.hand, STALLED_NS / NS)
    assert speaker.way == "sounddevice"
    later(speaker, host.hand, 0.1)
    assert speaker.why == "the sound device stands still"
    later(speaker, host.hand, 0.6, 0)
    assert speaker.way == "sounddevice" and len(host.streams) == 2


def test_a_stream_that_cannot_be_asked_any_more_is_lost(speaker, host, monkeypatch):
    def gone(stream):
        raise PortAudioError("Invalid stream pointer")
    monkeypatch.setattr(HandStream, "active", property(gone, lambda s, v: None))
    speaker.tick(host.hand.ns)
    assert speaker.why == "the sound device went away (Invalid stream pointer)"


def test_a_stream_that_does_not_start_is_closed_again(hand, host, monkeypatch):
    def start(stream):
        raise PortAudioError("Device unavailable")
    monkeypatch.setattr(HandStream, "start", start)
    speaker = Speaker(aside=at_once)
    assert speaker.way == "screen only" and "Device unavailable" in speaker.why and host.streams[0].closed


@pytest.mark.parametrize("gone_s, played", [(1.0, 1), (LATE_NS / NS + 1, 0)])
def test_a_cue_waits_for_a_device_only_as_long_as_it_makes_sense(speaker, host, gone_s, played):
    """It is also not played into a device that comes back with the next ball."""
    host.here = host.streams[0].active = False
    speaker.tick(host.hand.ns)
    speaker.ask("hit", host.hand.ns)
    later(speaker, host.hand, gone_s)
    host.here = True
    later(speaker, host.hand, *[0.1] * 45 if not played else (0.6,))
    host.streams[-1].play(host.hand.ns + NS // 100, 1.0)
    assert (len(speaker.heard()), speaker.dropped) == (played, 1 - played)


def test_opening_a_device_does_not_hold_up_the_loop(hand, host):
    """The work is given away; only one piece of it at a time; what it finds is used from the next tick on."""
    work = []
    speaker = Speaker(aside=work.append)
    host.streams[0].active = False
    later(speaker, hand, 0.1)
    assert len(work) == 1 and not host.streams[0].closed
    work.pop()()
    later(speaker, hand, 0.6)
    assert len(work) == 1 and len(host.streams) == 1
    job = threading.Thread(target=work.pop())
    job.start()
    job.join()
    assert speaker.way == "screen only" and len(host.streams) == 2
    later(speaker, hand, 0)
    assert speaker.way == "sounddevice"


def test_what_is_found_after_the_end_is_closed(hand, host):
    work = []
    speaker = Speaker(aside=work.append)
    host.streams[0].active = False
    later(speaker, hand, 0.1)
    work.pop()()
    later(speaker, hand, 0.6)
    work.pop()()                                       # found, and not yet in use
    speaker.close()
    assert [s.closed for s in host.streams] == [True, True]
    later(speaker, hand, 10, 10)
    assert work == [] and speaker.way == "screen only"


def test_without_the_library_it_is_not_looked_for_again(hand, monkeypatch, tmp_path):
    """As the real one does where libportaudio is missing: OSError from the import."""
    (tmp_path / "sounddevice.py").write_text("import pathlib\npathlib.Path(__file__).with_name('tried').open('a').write('x')\n"
                                             "raise OSError('PortAudio library not found')\n")
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.syspath_prepend(tmp_path)
    speaker = Speaker(aside=at_once)
    assert (speaker.way, speaker.why) == ("screen only", "sounddevice: PortAudio library not found; "
                                                         "mixer: SDL_AUDIODRIVER=dummy plays nothing")
    later(speaker, hand, *[1] * 20)
    assert (tmp_path / "tried").read_text() == "x"


def test_only_known_cues_are_asked_for(speaker, host):
    with pytest.raises(ValueError, match="'cheer'; found hit, miss, unsure"):
        speaker.ask("cheer", host.hand.ns)
    with pytest.raises(ValueError, match="'cheer'"):
        speaker.load("cheer", "a.wav")


def test_a_recording_takes_the_place_of_a_cue(speaker, host, tmp_path):
    path = written(tmp_path / "well.wav", tone(700, rate_hz=16_000), 16_000)
    speaker.load("hit", path)
    speaker.ask("hit", host.hand.ns)
    played = host.streams[0].play(host.hand.ns + NS // 100, 1.0)
    recorded = sounds.from_wav(path)
    assert np.array_equal(played[:len(recorded)], recorded)
    with pytest.raises(Fault):
        speaker.load("miss", tmp_path / "none.wav")
    host.hand.pass_s(1)
    speaker.ask("miss", host.hand.ns)
    assert begins(host.streams[0].play(host.hand.ns + NS // 100, 1.0), "miss") == 0


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
    at = [next((int(i) - 1 for i in np.flatnonzero(played == cue[1]) if np.array_equal(played[i - 1:i - 1 + len(cue)], cue)), None)
          for cue in whole.values()]
    assert None not in at and at == sorted(at), at
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
    """Wait until so many cues are recorded with the silence after them: what the speaker says, where they are, the recording."""
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
    speaker = Speaker("kiosk", 1.0, aside=at_once)
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
