"""A loudspeaker that writes down what it plays: a real sound server with nothing behind it, and a reader of its sound.

The server is a plain process of its own, in a folder of its own; PortAudio reaches it as the ALSA device `kiosk`.
"""
from __future__ import annotations

import ctypes.util
import glob
import os
import select
import shutil
import signal
import subprocess
import threading
from pathlib import Path
from typing import Callable

import numpy as np

RATE_HZ = 48_000
PATIENCE_S = 60          # before a test gives up; nothing is measured by it
ALSA = """</usr/share/alsa/alsa.conf>
pcm.kiosk { type pulse device kiosk }
ctl.kiosk { type pulse device kiosk }
"""
SERVER = ["pulseaudio", "-n", "--daemonize=yes", "--exit-idle-time=-1", "--disallow-exit=yes", "--use-pid-file=yes",
          "--log-level=error", "-L", "module-native-protocol-unix",
          "-L", "module-null-sink sink_name=kiosk rate=48000 channels=1"]
READER = ["parec", "-d", "kiosk.monitor", "--rate=48000", "--channels=1", "--format=float32le", "--latency-msec=5"]


def missing() -> str:
    """What this machine lacks for it; empty where all is here."""
    plugin = glob.glob("/usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so")
    have = {"libportaudio2": ctypes.util.find_library("portaudio"), "libasound2-plugins": plugin,
            "pulseaudio": shutil.which("pulseaudio"), "pulseaudio-utils": shutil.which("parec")}
    lacking = [package for package, found in have.items() if not found]
    return f"real sound needs: apt-get install {' '.join(lacking)}" if lacking else ""


class NullSink:
    """The server and its reader. The reader runs all the time: without one the server takes 2 s of sound at once."""

    def __init__(self, folder: Path) -> None:
        self.env = {"HOME": str(folder), "XDG_RUNTIME_DIR": str(folder), "PULSE_RUNTIME_PATH": str(folder / "pulse"),
                    "ALSA_CONFIG_PATH": str(folder / "asound.conf")}
        (folder / "asound.conf").write_text(ALSA)
        self._pid_file = folder / "pulse" / "pid"
        self._grown = threading.Condition()
        self.start()

    def start(self) -> None:
        """Returns when the server takes connections and the reader reads."""
        env = {**os.environ, **self.env}
        for name in ("PULSE_SERVER", "DBUS_SESSION_BUS_ADDRESS"):
            env.pop(name, None)
        subprocess.run(SERVER, env=env, check=True, capture_output=True, timeout=PATIENCE_S)
        self._server = os.pidfd_open(int(self._pid_file.read_text()))
        self._raw = bytearray()
        self._reader = subprocess.Popen(READER, env=env, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        self._thread = threading.Thread(target=self._read, args=(self._reader.stdout,), daemon=True)
        self._thread.start()
        try:
            self.until(lambda samples: len(samples) > 0)
        except AssertionError:
            self.stop()
            raise

    def _read(self, pipe) -> None:
        while some := pipe.read1(1 << 16):
            with self._grown:
                self._raw += some
                self._grown.notify_all()

    def samples(self) -> np.ndarray:
        """All that was played since the start, silence too: (n,) float32."""
        with self._grown:
            raw = bytes(self._raw)
        return np.frombuffer(raw[:len(raw) // 4 * 4], np.float32)

    def until(self, enough: Callable[[np.ndarray], object]) -> np.ndarray:
        """Wait, tick by tick of the recording, until it holds enough; asked about once in 0.1 s of it."""
        while not enough(samples := self.samples()):
            with self._grown:
                more = self._grown.wait_for(lambda: len(self._raw) >= 4 * (len(samples) + RATE_HZ // 10), PATIENCE_S)
            assert more, "the sound server stands still"
            assert len(samples) < PATIENCE_S * RATE_HZ, "what was waited for did not come"
        return samples

    def stop(self, sign: int = signal.SIGTERM) -> None:
        """Returns when the server is gone."""
        if self._server is None:
            return
        signal.pidfd_send_signal(self._server, sign)
        select.select([self._server], [], [], PATIENCE_S)
        os.close(self._server)
        self._server = None
        self._pid_file.unlink(missing_ok=True)     # a killed server leaves it, and the next would take it for running
        self._reader.terminate()
        self._reader.wait(PATIENCE_S)
        self._thread.join(PATIENCE_S)
        self._reader.stdout.close()


def bursts(samples: np.ndarray, gap_s: float, level: float = 0.01) -> list[tuple[int, int]]:
    """First and last sample of every stretch above `level` with no pause of `gap_s` or longer in it."""
    loud = np.flatnonzero(np.abs(samples) > level)
    if not loud.size:
        return []
    ends = np.flatnonzero(np.diff(loud) >= gap_s * RATE_HZ)
    return list(zip(loud[np.r_[0, ends + 1]].tolist(), loud[np.r_[ends, len(loud) - 1]].tolist()))
