"""The speaker against a stream that the test drives: to the sample, and through the loss of the device."""
import sys
import threading

import numpy as np
import pytest

from creaseside.orders import CUES
from kiosk import clock, sounds
from kiosk import speaker as speaker_room
from kiosk.clock import NS
from kiosk.faults import Fault
from kiosk.outputs import LATE_NS, STALLED_NS
from kiosk.speaker import RETRY_NS, Speaker
from tests.kiosk.handclock import HandClock
from tests.kiosk.handstream import BLOCK, HandPortAudio, HandStream, PortAudioError
from tests.kiosk.test_sounds import tone, written

RATE_HZ = sounds.RATE_HZ
MADE = sounds.made()


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


def test_a_stream_that_cannot_tell_its_time_plays_on(speaker, host, monkeypatch):
    def no_time(stream):
        raise PortAudioError("Error getting stream time")
    monkeypatch.setattr(HandStream, "time", property(no_time))
    speaker.ask("hit", host.hand.ns)
    assert np.array_equal(host.streams[0].block(0, dac_s=1.0), MADE["hit"][:BLOCK])
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


def test_a_device_that_is_slow_to_open_is_opened_by_one_thread_alone(hand, host):
    threads = []

    def aside(work):
        threads.append(threading.Thread(target=work, daemon=True))
        threads[-1].start()
    speaker = Speaker(aside=aside)
    host.streams[0].active = False
    later(speaker, hand, 0.1)
    threads.pop().join()                               # the lost one is closed
    host.opening.clear()
    host.may_open.clear()
    later(speaker, hand, 0.6)
    host.opening.wait()
    later(speaker, hand, *[1] * 20)
    assert len(threads) == 1 and speaker.way == "screen only"
    host.may_open.set()
    threads[0].join()
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
    (tmp_path / "sounddevice.py").write_text("""import pathlib
pathlib.Path(__file__).with_name("tried").open("a").write("x")
raise OSError("PortAudio library not found")
""")
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.syspath_prepend(tmp_path)
    speaker = Speaker(aside=at_once)
    why = "sounddevice: PortAudio library not found; mixer: SDL_AUDIODRIVER=dummy plays nothing"
    assert (speaker.way, speaker.why) == ("screen only", why)
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


def test_the_mixer_which_stops_every_thread_is_seldom_looked_for_where_portaudio_is(host, monkeypatch):
    tried = []

    class NoMixer:
        way = "mixer"

        def __init__(self, *_: object) -> None:
            tried.append(host.hand.ns)
            raise RuntimeError("no such device")
    monkeypatch.setattr(speaker_room, "WAYS", (speaker_room.Stream, NoMixer))
    monkeypatch.setattr(speaker_room, "Mixer", NoMixer)
    host.here = False
    speaker = Speaker(aside=at_once)
    why = speaker.why
    for _ in range(1300):
        host.hand.pass_s(0.1)
        speaker.tick(host.hand.ns)
    assert len(tried) == 3 and min(b - a for a, b in zip(tried, tried[1:])) >= speaker_room.MIXER_NS
    assert "mixer: no such device" in why and speaker.why == why and speaker.way == "screen only"
    host.here = True
    host.hand.pass_s(4.1)
    speaker.tick(host.hand.ns)
    speaker.tick(host.hand.ns)
    assert speaker.way == "sounddevice"
    speaker.close()
