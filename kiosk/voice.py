"""Voice: the coach's own words in place of a cue's sound: recorded at the screen, kept in the home, forgotten as easily.

What is said is the coach's business. A recording holds a voice and nothing else; it never leaves the home by itself.
"""
from __future__ import annotations

import os
import wave
from typing import Callable

import numpy as np

from creaseside.orders import CUES
from kiosk import sounds
from kiosk.faults import Fault
from kiosk.place import PRIVATE, Place
from kiosk.speaker import Speaker

SPOKEN_S = sounds.RECORDING_S
Listen = Callable[[float], np.ndarray]


class Voice:
    """listen: so many seconds of the microphone, (N,) int16 at 48 kHz; it waits that long, so not in the loop."""

    def __init__(self, place: Place, speaker: Speaker, listen: Listen | None = None) -> None:
        self._folder, self._speaker = place.home / "voice", speaker
        self._listen = listen or microphone

    def has(self, kind: str) -> bool:
        return self._file(kind).exists()

    def load(self) -> list[Fault]:
        """Use what was recorded before; what cannot be used is left out, and said."""
        faults = []
        for kind in filter(self.has, CUES):
            try:
                self._speaker.load(kind, self._file(kind))
            except Fault as fault:
                faults.append(fault)
        return faults

    def record(self, kind: str) -> None:
        """Listen, and keep it where it can be used. Fault without a microphone, and where nothing was said."""
        samples = self._listen(SPOKEN_S)
        self._folder.mkdir(mode=PRIVATE, exist_ok=True)
        part = self._file(kind).with_suffix(".part")
        try:
            with wave.open(str(part), "wb") as file:
                file.setnchannels(1)
                file.setsampwidth(2)
                file.setframerate(sounds.RATE_HZ)
                file.writeframes(samples.astype("<i2").tobytes())
            sounds.from_wav(part)
            os.replace(part, self._file(kind))
        except OSError as e:
            raise Fault("the coach's voice", e.strerror or str(e), "look at the disk and its rights") from e
        finally:
            part.unlink(missing_ok=True)

    def use(self, kind: str) -> None:
        self._speaker.load(kind, self._file(kind))

    def forget(self, kind: str) -> None:
        """The kiosk's own sound again."""
        self._file(kind).unlink(missing_ok=True)
        self._speaker.unload(kind)

    def _file(self, kind: str):
        return self._folder / f"{kind}.wav"


def microphone(seconds: float) -> np.ndarray:
    """What the machine's own microphone hears from now on."""
    asked = f"{seconds:g} s of the microphone"
    try:
        import sounddevice
        heard = sounddevice.rec(round(seconds * sounds.RATE_HZ), sounds.RATE_HZ, 1, "int16", blocking=True)
    except (OSError, ImportError) as e:
        raise Fault(asked, str(e), "install libportaudio2") from e
    except sounddevice.PortAudioError as e:
        raise Fault(asked, str(e), "plug in a microphone") from e
    return heard[:, 0]
