"""The cues by numbers: they differ in notes, rhythm and timbre, are equally loud, and are told apart without pitch."""
import wave

import numpy as np
import pytest
from scipy import signal

from creaseside.orders import CUES
from kiosk import sounds
from kiosk.faults import Fault
from kiosk.sounds import RATE_HZ

MADE = sounds.made()
NOTES = {"hit": 3, "miss": 1, "unsure": 2}


def envelope(samples: np.ndarray) -> np.ndarray:
    """Level in steps of 10 ms, from 20 ms windows; no pitch is left in it."""
    power = signal.convolve(np.asarray(samples, float) ** 2, np.full(RATE_HZ // 50, 50 / RATE_HZ), "same")
    return np.sqrt(np.maximum(power, 0))[::RATE_HZ // 100]


def onsets_s(samples: np.ndarray) -> list[float]:
    """Where the level rises over half of its highest, after having been under a third of it."""
    level, found, ready = envelope(samples), [], True
    for i, x in enumerate(level / level.max()):
        if ready and x > 0.5:
            found.append(i / 100)
        ready = (ready and x <= 0.5) or x < 1 / 3
    return found


def spectrum(samples: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return signal.welch(samples, RATE_HZ, nperseg=4096)


def centroid_hz(samples: np.ndarray) -> float:
    f_hz, power = spectrum(samples)
    return float((f_hz * power).sum() / power.sum())


def flatness(samples: np.ndarray) -> float:
    """Geometric over arithmetic mean of the power from 300 Hz to 4 kHz: near 0 for tones, towards 1 for noise."""
    f_hz, power = spectrum(samples)
    power = power[(f_hz > 300) & (f_hz < 4000)]
    return float(np.exp(np.log(power + 1e-20).mean()) / power.mean())


def k_weighted_lkfs(samples: np.ndarray) -> float:
    """Loudest 400 ms by the filters that ITU-R BS.1770 tables for 48 kHz (Annex 1, tables 1 and 2), run in time.

    The numbers are from memory; the recommendation's own reading below (997 Hz at full scale) is what holds them.
    """
    shelf = signal.lfilter([1.53512485958697, -2.69169618940638, 1.19839281085285],
                           [1, -1.69065929318241, 0.73248077421585], np.r_[samples, np.zeros(19_200)])
    weighted = signal.lfilter([1, -2, 1], [1, -1.99004745483398, 0.99007225036621], shelf)
    return -0.691 + 10 * np.log10(signal.convolve(weighted ** 2, np.full(19_200, 1 / 19_200), "valid").max())


def a_weighted_db(samples: np.ndarray) -> float:
    """Level of the whole sound by the A curve (IEC 61672-1, its formula from memory; 0 dB at 1 kHz)."""
    f = np.fft.rfftfreq(len(samples), 1 / RATE_HZ)
    curve = 12194**2 * f**4 / ((f**2 + 20.6**2) * np.sqrt((f**2 + 107.7**2) * (f**2 + 737.9**2)) * (f**2 + 12194**2))
    return 10 * np.log10((np.abs(np.fft.rfft(samples) * curve * 10 ** 0.1) ** 2).sum())


def test_there_is_a_sound_for_every_cue():
    assert set(MADE) == set(CUES)
    for samples in MADE.values():
        assert samples.dtype == np.float32 and samples.ndim == 1 and not samples.flags.writeable


@pytest.mark.parametrize("kind", CUES)
def test_a_cue_is_short_starts_and_ends_softly_and_does_not_clip(kind):
    samples = MADE[kind]
    assert 0.3 <= len(samples) / RATE_HZ <= 0.8
    assert np.abs(samples).max() <= 0.9
    ends = np.r_[samples[:48], samples[-48:]]                    # 1 ms
    assert samples[0] == 0 and samples[-1] == pytest.approx(0, abs=1e-6)
    assert np.abs(ends).max() < 0.1 * np.abs(samples).max()
    assert abs(samples.mean()) < 1e-3                            # an offset would click


@pytest.mark.parametrize("kind", CUES)
def test_a_cue_is_heard_at_once(kind):
    assert onsets_s(MADE[kind])[0] <= 0.08


def test_a_tone_is_as_loud_as_the_recommendation_says():
    """ITU-R BS.1770: a 997 Hz sine at full scale in one front channel reads -3.01 LKFS."""
    tone = np.sin(2 * np.pi * 997 * np.arange(2 * RATE_HZ) / RATE_HZ)
    assert sounds.loudness_db(tone) == pytest.approx(-3.01, abs=0.02)
    assert sounds.loudness_db(np.zeros(100)) == -np.inf


def test_all_are_equally_loud():
    """By filters run in time, and within 3 dB also by the older A curve, which weighs low and high sounds otherwise."""
    k = [k_weighted_lkfs(MADE[kind]) for kind in CUES]
    a = [a_weighted_db(MADE[kind]) for kind in CUES]
    assert np.ptp(k) < 0.5, k
    assert np.ptp(a) < 3, a


def test_they_differ_in_number_of_notes_and_in_rhythm():
    found = {kind: onsets_s(MADE[kind]) for kind in CUES}
    assert {kind: len(at) for kind, at in found.items()} == NOTES
    assert np.diff(found["hit"]) == pytest.approx([0.15, 0.15], abs=0.02)       # quick and even
    assert np.diff(found["unsure"]) > 2 * np.diff(found["hit"]).max()           # a pause in the middle


def test_they_differ_in_timbre():
    assert flatness(MADE["unsure"]) > 10 * max(flatness(MADE["hit"]), flatness(MADE["miss"]))
    assert centroid_hz(MADE["miss"]) * 1.5 < centroid_hz(MADE["hit"]) < centroid_hz(MADE["unsure"]) / 1.5


def test_a_miss_is_calm():
    """It swells where the others strike, and lies within an octave of the hit's lowest note: no growl."""
    rise_s = {kind: float(np.argmax(envelope(MADE[kind]) > 0.8 * envelope(MADE[kind]).max())) / 100 for kind in CUES}
    assert rise_s["miss"] > 2 * max(rise_s["hit"], rise_s["unsure"])
    assert 350 < centroid_hz(MADE["miss"]) < 800


def test_small_loudspeakers_carry_them():
    """A third of the power of each, or more, lies from 500 Hz to 5 kHz (common practice, no source)."""
    for kind in CUES:
        f_hz, power = spectrum(MADE[kind])
        assert power[(f_hz > 500) & (f_hz < 5000)].sum() > power.sum() / 3, kind


def test_they_are_told_apart_in_noise_without_pitch():
    """A listener that knows only loudness over time, in noise as loud as the cue (0 dB, falling by 3 dB an octave)."""
    random = np.random.default_rng(1)
    known = {kind: envelope(np.pad(MADE[kind], (0, RATE_HZ - len(MADE[kind])))) ** 2 for kind in CUES}
    right = {kind: 0 for kind in CUES}
    for kind in CUES:
        for _ in range(50):
            falling = np.fft.rfft(random.normal(size=RATE_HZ)) / np.sqrt(np.maximum(np.arange(RATE_HZ // 2 + 1), 20))
            noise = np.fft.irfft(falling)
            noise *= np.sqrt((MADE[kind] ** 2).mean() / (noise ** 2).mean())
            level = envelope(np.pad(MADE[kind], (0, RATE_HZ - len(MADE[kind]))) + noise) ** 2
            guess = max(CUES, key=lambda k: np.corrcoef(level, known[k])[0, 1])
            right[kind] += guess == kind
    assert min(right.values()) >= 48, right


def written(path, samples, rate_hz=RATE_HZ, width=2, channels=1):
    """A WAV file by the standard library; 8 bit has no sign there, all others have."""
    whole = np.round(np.asarray(samples) * (2 ** (8 * width - 1) - 1)).astype("<i8") + (128 if width == 1 else 0)
    data = np.repeat(whole[:, None], channels, axis=1).reshape(-1, 1).view(np.uint8)[:, :width].tobytes()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(width)
        file.setframerate(rate_hz)
        file.writeframes(data)
    return path


def tone(f_hz=1000, length_s=0.5, rate_hz=RATE_HZ, level=0.2):
    return level * np.sin(2 * np.pi * f_hz * np.arange(round(length_s * rate_hz)) / rate_hz)


@pytest.mark.parametrize("rate_hz, width, channels",
                         [(48_000, 2, 1), (44_100, 2, 2), (8_000, 1, 1), (96_000, 3, 2), (22_050, 4, 1)])
def test_a_recording_keeps_its_pitch_and_length_and_is_as_loud_as_the_others(tmp_path, rate_hz, width, channels):
    path = written(tmp_path / "a.wav", tone(rate_hz=rate_hz), rate_hz, width, channels)
    samples = sounds.from_wav(path)
    assert len(samples) / RATE_HZ == pytest.approx(0.5, abs=0.002)
    loudest = np.abs(np.fft.rfft(samples)).argmax() * RATE_HZ / len(samples)
    assert loudest == pytest.approx(1000, abs=3)
    assert k_weighted_lkfs(samples) == pytest.approx(k_weighted_lkfs(MADE["hit"]), abs=0.5)
    assert samples.dtype == np.float32 and np.abs(samples).max() <= 0.9


def test_both_channels_of_a_recording_count(tmp_path):
    left, right = tone(500, level=0.4), tone(1500, level=0.2)
    data = np.round(np.stack([left, right], axis=1) * 32767).astype("<i2").tobytes()
    with wave.open(str(tmp_path / "a.wav"), "wb") as file:
        file.setparams((2, 2, RATE_HZ, 0, "NONE", ""))
        file.writeframes(data)
    power = np.abs(np.fft.rfft(sounds.from_wav(tmp_path / "a.wav")))
    assert power[250] / power[750] == pytest.approx(2, rel=0.05)          # bins of 2 Hz


def test_silence_before_a_recording_does_not_make_its_cue_late(tmp_path):
    quiet = np.zeros(RATE_HZ)
    samples = sounds.from_wav(written(tmp_path / "a.wav", np.r_[quiet, tone(), quiet]))
    assert len(samples) / RATE_HZ == pytest.approx(0.5, abs=0.01)


def float_wav(path):
    """A WAV file of format 3, floating point: not PCM."""
    data = written(path, tone()).read_bytes()
    return path.write_bytes(data[:20] + b"\x03\x00" + data[22:]) and path


REFUSED = {
    "too long": (lambda p: written(p, tone(length_s=3.1)), "3.1 s"),
    "not a WAV file": (lambda p: p.write_bytes(b"ID3 a song") and p, "RIFF"),
    "floating point": (float_wav, "unknown format"),
    "cut off": (lambda p: p.write_bytes(written(p, tone()).read_bytes()[:30]) and p, "cut off"),
    "cut within a sample": (lambda p: p.write_bytes(written(p, tone()).read_bytes()[:-1]) and p, "cut off"),
    "empty": (lambda p: p.write_bytes(b"") or p, "cut off"),
    "silent": (lambda p: written(p, np.zeros(1000)), "silent"),
    "without samples": (lambda p: written(p, np.zeros(0)), "silent"),
    "a strange rate": (lambda p: written(p, tone(length_s=0.1), 1000), "1000 samples a second"),
    "missing": (lambda p: p, "No such file"),
    "a folder": (lambda p: p.mkdir() or p, "directory"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_a_cue_is_refused_in_one_line(tmp_path, what):
    make, says = REFUSED[what]
    path = make(tmp_path / "a.wav")
    with pytest.raises(Fault, match=says) as fault:
        sounds.from_wav(path)
    assert "\n" not in str(fault.value) and "a.wav" in str(fault.value)
