"""Speaker: plays the cues at the times they were asked for, and says when each was heard.

The best way that works is taken (a PortAudio stream, the mixer, the screen alone), and a device that went away is
looked for again. No fault of the sound ever stops the kiosk, and nothing here decides what is played.
"""
from __future__ import annotations

import threading
from pathlib import Path
from typing import Callable

import numpy as np

from creaseside.orders import CUES
from kiosk import clock, sounds
from kiosk.clock import NS
from kiosk.outputs import Heard, Mixer, Nothing, Output, Score, Stream

RETRY_NS = tuple(round(s * NS) for s in (0.5, 1, 2, 4))   # then every 4 s: sound is back within 10 s of its device
WAYS = (Stream, Mixer)                                    # best first
# Looking for a device by way of the mixer stops every thread for 0.11 s (measured), frames of a camera among them. Where
# PortAudio is there it sees what comes back, so the mixer is then looked for this seldom, unless it was in use.
MIXER_NS = 60 * NS
CLOSING_S = 2.0                                           # a device that takes longer to close is left to the system


def _in_thread(work: Callable[[], None]) -> None:
    threading.Thread(target=work, name="sound", daemon=True).start()


class Speaker:
    """The one door to the sound.

    way: "sounddevice", "mixer" or "screen only"; why: why it is not the first of them, empty where it is. `tick` is
    called by the loop, ten times a second or more, and never waits: devices are closed and looked for `aside`.
    """

    def __init__(self, device: str = "", volume: float = 0.8,
                 aside: Callable[[Callable[[], None]], None] = _in_thread) -> None:
        self._device, self._volume, self._aside = device, np.float32(volume), aside
        self._cues = {kind: samples * self._volume for kind, samples in sounds.made().items()}
        self._score = Score()
        self._never: dict[type[Output], str] = {}     # ways that cannot work before the next start, and why
        self._gate = threading.Lock()      # held while a device is opened or closed, by whoever does it
        self._closed = False
        self._found: tuple[Output, str] | None = None
        self._underflows = 0               # of outputs that are gone
        self._tries, self._retry_ns = 0, clock.now_ns() + RETRY_NS[0]
        self._mixer_ns, self._mixed, self._no_mixer = 0, False, ""      # when the mixer is looked for again; whether it ever played
        self._out: Output = Nothing(self._score)
        self._out, self.why = self._best()

    @property
    def way(self) -> str:
        return self._out.way

    @property
    def underflows(self) -> int:
        """Blocks of samples that the device had to wait for, since the start."""
        return self._underflows + self._out.underflows

    @property
    def dropped(self) -> int:
        """Cues that were never played, since there was nothing to play them on."""
        return self._score.dropped

    def ask(self, kind: str, at_ns: int) -> None:
        """Begin the cue `kind` at `at_ns`; at once where that is past; after one that is being played."""
        now_ns = clock.now_ns()
        self._score.ask(_known(kind), at_ns, now_ns)
        self._out.tick(now_ns)

    def heard(self) -> list[Heard]:
        """What was begun since this was last asked, oldest first."""
        heard = self._score.heard
        return [heard.popleft() for _ in range(len(heard))]

    def load(self, kind: str, path: Path | str) -> None:
        """Use a recording for the cue `kind` from now on. Fault where it is no PCM WAV file, too long or silent."""
        kind = _known(kind)
        self._cues[kind] = sounds.from_wav(path) * self._volume

    def unload(self, kind: str) -> None:
        """The cue's own sound again."""
        self._cues[kind] = sounds.made()[_known(kind)] * self._volume

    def tick(self, now_ns: int) -> None:
        """Play what is due where the device cannot do so by itself; notice a lost device, and look for a better one."""
        self._take_over()
        lost = self._out.lost(now_ns)
        if lost:
            gone = self._replaced_by(Nothing(self._score), lost)
            self._tries, self._retry_ns = 0, now_ns + RETRY_NS[0]
            self._aside(lambda: self._shut(gone))
        elif self._can_be_better() and now_ns >= self._retry_ns and not self._gate.locked():
            self._tries += 1
            self._retry_ns = now_ns + RETRY_NS[min(self._tries, len(RETRY_NS) - 1)]
            self._aside(self._look)
        self._out.tick(now_ns)

    def close(self) -> None:
        self._closed = True
        if self._gate.acquire(timeout=CLOSING_S):
            found, self._found = self._found, None
            for out in (self._replaced_by(Nothing(self._score), "closed"), *(found or ())[:1]):
                out.close()
            self._gate.release()

    def _can_be_better(self) -> bool:
        best = next((way for way in WAYS if way not in self._never), Nothing)
        return not self._closed and best.way != self.way

    def _look(self) -> None:
        with self._gate:
            if not self._closed:
                self._found = self._best()

    def _shut(self, gone: Output) -> None:
        with self._gate:
            gone.close()

    def _take_over(self) -> None:
        """Use what was found aside."""
        found, self._found = self._found, None
        if found and found[0] is self._out:
            self.why = found[1]
        elif found:
            before = self._replaced_by(*found)
            self._aside(lambda: self._shut(before))

    def _replaced_by(self, out: Output, why: str) -> Output:
        before, self._out, self.why = self._out, out, why
        self._underflows += before.underflows
        return before

    def _best(self) -> tuple[Output, str]:
        """The best way that can be opened, the present one where none is better, and why it is not the first."""
        faults = []
        for way in WAYS:
            if isinstance(self._out, way):
                return self._out, self.why
            opened = self._no_mixer if way is Mixer and self._spared() else self._opened(way)
            if not isinstance(opened, str):
                self._mixed |= way is Mixer
                return opened, "; ".join(faults)
            self._no_mixer = opened if way is Mixer else self._no_mixer
            faults.append(opened)
        return self._out, "; ".join(faults)

    def _spared(self) -> bool:
        """The mixer is not to be looked for just now."""
        now_ns = clock.now_ns()
        if now_ns < self._mixer_ns and Stream not in self._never and not self._mixed:
            return True
        self._mixer_ns = now_ns + MIXER_NS
        return False

    def _opened(self, way: type[Stream] | type[Mixer]) -> Output | str:
        """The way, opened, or why it cannot be."""
        if way in self._never:
            return self._never[way]
        try:
            return way(self._device, self._score, self._cues)
        except Exception as e:      # each library has its own word for a missing device, and none may stop the kiosk
            fault = f"{way.way}: {' '.join(str(e).split()) or type(e).__name__}"
            if isinstance(e, (OSError, ImportError)):     # no library: costly to look for, and not coming by itself
                self._never[way] = fault
            return fault


def _known(kind: str) -> str:
    if kind not in CUES:
        raise ValueError(f"asked the cue {kind!r}; found {', '.join(CUES)}")
    return kind
