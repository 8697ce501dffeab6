"""Sounds: the samples of the three cues, and of a coach's own recordings. Numbers only: nothing is played here.

The cues differ in number of notes, rhythm and timbre, so that pitch is not needed to tell them apart:

- `hit`     three short struck notes, quick and even
- `miss`    one long soft tone; calm, and never lower or harsher as a judgement
- `unsure`  two brushed strokes with a pause between them

All are equally loud by the momentary loudness of ITU-R BS.1770 (`loudness_db`), so that none of them sounds like praise
or blame by its level alone.
"""
from __future__ import annotations

import wave
from pathlib import Path

import numpy as np

from kiosk.faults import Fault

RATE_HZ = 48_000
LOUDNESS_DB = -15.0       # every cue, at volume 1: as loud as the most peaked of the three can be below PEAK
PEAK = 0.9                # leaves the sound server a little room, so that nothing clips on its way
EDGE_S = 0.005            # shorter edges click
RECORDING_S = 3.0         # a longer recording would run into the replay
QUIET = 0.01              # below this share of the peak a recording's ends are silence: the cue would come late

Samples = np.ndarray      # (n,) float32 in -1..1 at RATE_HZ, read-only


def made() -> dict[str, Samples]:
    """The three cues that the program makes itself."""
    return {"hit": _finished(_notes(0.56, {0.0: _struck(784), 0.15: _struck(988), 0.30: _struck(1175)})),
            "miss": _finished(_soft(0.7, 392)),
            "unsure": _finished(_notes(0.60, {0.0: _brushed(), 0.40: _brushed()}))}


def from_wav(path: Path | str) -> Samples:
    """A recording as a cue: mono, 48 kHz, its silent ends cut off, as loud as the others. Fault where it is none."""
    asked = f"a PCM WAV file of up to {RECORDING_S:g} s"
    try:
        with wave.open(str(path), "rb") as file:
            rate_hz, length = file.getframerate(), file.getnframes()
            if not 4_000 <= rate_hz <= 192_000:
                raise Fault(asked, f"{path} at {rate_hz} samples a second", "save it with 48000 samples a second")
            if length > RECORDING_S * rate_hz:
                raise Fault(asked, f"{path} of {length / rate_hz:.1f} s", "cut it shorter")
            sound = _decoded(file.readframes(length), file.getsampwidth(), file.getnchannels())
    except OSError as e:
        raise Fault(asked, f"{path}: {e.strerror or e}", "give the path of a file that can be read") from e
    except wave.Error as e:
        raise Fault(asked, f"{path}: {e}", "save it as PCM WAV, 16 bit") from e
    except (EOFError, ValueError) as e:
        raise Fault(asked, f"{path}, which is cut off", "copy or record it again") from e
    loud = np.flatnonzero(np.abs(sound) > QUIET * np.abs(sound).max(initial=0.0))
    if not loud.size:
        raise Fault(asked, f"{path} is silent", "record it again, nearer to the microphone")
    from scipy.signal import resample_poly
    return _finished(resample_poly(sound[loud[0]:loud[-1] + 1], RATE_HZ, rate_hz))


def loudness_db(samples: np.ndarray) -> float:
    """Momentary loudness, LKFS: -0.691 + 10 log10 of the K-weighted mean square of the loudest 400 ms (ITU-R BS.1770).

    A sound shorter than 400 ms is taken with silence after it. -inf for silence.
    """
    window = round(0.4 * RATE_HZ)
    padded = np.concatenate([samples, np.zeros(window)]).astype(float)
    energy = np.cumsum(np.concatenate([[0.0], _k_weighted(padded) ** 2]))
    loudest = (energy[window:] - energy[:-window]).max() / window
    return -0.691 + 10 * np.log10(loudest) if loudest > 0 else -np.inf


def _k_weighted(samples: np.ndarray) -> np.ndarray:
    """Filtered as BS.1770 tables it for 48 kHz: a shelf for the head, then a high pass."""
    z = np.exp(-2j * np.pi * np.fft.rfftfreq(2 * len(samples)))     # twice the length: the end must not wrap round
    shelf = (np.polyval([1.19839281085285, -2.69169618940638, 1.53512485958697], z)
             / np.polyval([0.73248077421585, -1.69065929318241, 1.0], z))
    high_pass = np.polyval([1.0, -2.0, 1.0], z) / np.polyval([0.99007225036621, -1.99004745483398, 1.0], z)
    return np.fft.irfft(np.fft.rfft(samples, 2 * len(samples)) * shelf * high_pass)[:len(samples)]


def _finished(sound: np.ndarray) -> Samples:
    """Soft edges, the common loudness (less where the peak would be too high), no offset that would click."""
    edge = np.sin(np.linspace(0, np.pi / 2, min(round(EDGE_S * RATE_HZ), len(sound) // 2))) ** 2
    sound = sound - sound.mean()
    sound[:len(edge)] *= edge
    sound[len(sound) - len(edge):] *= edge[::-1]
    gain = min(10 ** ((LOUDNESS_DB - loudness_db(sound)) / 20), PEAK / np.abs(sound).max(initial=1e-9))
    samples = (gain * sound).astype(np.float32)
    samples.flags.writeable = False
    return samples


def _notes(length_s: float, at_s: dict[float, np.ndarray]) -> np.ndarray:
    sound = np.zeros(round(length_s * RATE_HZ))
    for start_s, note in at_s.items():
        first = round(start_s * RATE_HZ)
        room = min(len(note), len(sound) - first)
        sound[first:first + room] += note[:room]
    return sound


def _struck(f_hz: float) -> np.ndarray:
    """A tuned wooden bar: its overtones lie near 4 and 9 times the note (common practice, no source), and die first."""
    t = np.arange(round(0.26 * RATE_HZ)) / RATE_HZ
    rise = np.minimum(1, t / EDGE_S)
    return rise * sum(share * np.exp(-t / fall_s) * np.sin(2 * np.pi * f_hz * times * t)
                      for times, share, fall_s in ((1, 1.0, 0.055), (3.93, 0.5, 0.025), (9.2, 0.15, 0.01)))


def _soft(length_s: float, f_hz: float) -> np.ndarray:
    """A breathed tone with four overtones, which small loudspeakers carry better than the note itself."""
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    swell = np.sin(np.pi * np.clip(t / 0.24, 0, 0.5)) * np.clip((length_s - t) / 0.3, 0, 1)
    return swell * sum(share * np.sin(2 * np.pi * f_hz * n * t) for n, share in enumerate((1.0, 0.6, 0.4, 0.2, 0.1), 1))


def _brushed() -> np.ndarray:
    """A stroke of noise from 1 to 4 kHz, the same every time: many tones whose phases never line up."""
    t = np.arange(round(0.18 * RATE_HZ)) / RATE_HZ
    tones = np.arange(160)
    f_hz = 1000 + 3000 * (tones + 0.5) / len(tones)
    phases = np.pi * tones ** 2 * (np.sqrt(5) - 1) / 2
    noise = np.sin(2 * np.pi * f_hz * t[:, None] + phases).sum(axis=1)
    return noise * np.minimum(1, t / 0.02) * np.exp(-t / 0.06)


def _decoded(frames: bytes, width_bytes: int, channels: int) -> np.ndarray:
    """PCM bytes of 1 to 4 bytes a sample as mono floats in -1..1. ValueError where the file ends within a frame."""
    raw = np.frombuffer(frames, np.uint8).reshape(-1, channels, width_bytes)
    if width_bytes == 1:                                            # the one width that WAV stores without a sign
        return (raw[..., 0].astype(float) - 128).mean(axis=1) / 128
    wide = np.zeros(raw.shape[:2] + (4,), np.uint8)
    wide[..., 4 - width_bytes:] = raw
    return wide.view("<i4")[..., 0].astype(float).mean(axis=1) / 2 ** 31
