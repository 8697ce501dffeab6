"""Heartbeat: tells the system's watchdog that the kiosk is alive, and only while frames and flips advance.

The protocol is systemd's sd_notify(3): one datagram to the socket that NOTIFY_SOCKET names. Without that variable
nothing is sent. A camera that is gone and is being looked for counts as advancing, since a restart would bring nothing
but a dark screen; a recording that has ended counts too. Nothing here restarts anything.
"""
from __future__ import annotations

import os
import socket
from typing import Callable, Mapping

from creaseside.stamps import NS

STILL_NS = 2 * NS       # a screen that nothing changes on is flipped again after so long, to see that it still can be
EVERY_NS = 2 * NS       # how often the watchdog is fed, where it asks for nothing shorter


class Heartbeat:
    """frames: how many came, or were tried for, so far. flips: how many there were; flip: one more of the same picture."""

    def __init__(self, frames: Callable[[], int], flips: Callable[[], int], flip: Callable[[], object],
                 env: Mapping[str, str] = os.environ) -> None:
        self._frames, self._flips, self._flip = frames, flips, flip
        self._socket = _socket(env.get("NOTIFY_SOCKET", ""))
        self._every_ns = min(EVERY_NS, int(env.get("WATCHDOG_USEC") or 0) * 1000 // 3 or EVERY_NS)
        self._fed = (-1, -1)
        self._due_ns = self._flipped_ns = 0
        self._last_flips = -1

    def tick(self, now_ns: int) -> bool:
        """Feed the watchdog where it is due and deserved; whether it was fed."""
        if self._socket is None:
            return False
        if self._flips() != self._last_flips:
            self._last_flips, self._flipped_ns = self._flips(), now_ns
        elif now_ns - self._flipped_ns >= STILL_NS:
            self._flip()
        if now_ns < self._due_ns:
            return False
        frames, flips = self._frames(), self._flips()
        if frames == self._fed[0] or flips == self._fed[1]:
            return False
        self._send("READY=1\nWATCHDOG=1" if self._fed == (-1, -1) else "WATCHDOG=1")
        self._fed, self._due_ns = (frames, flips), now_ns + self._every_ns
        return True

    def say(self, status: str) -> None:
        """One line for `systemctl status`."""
        self._send(f"STATUS={status}")

    def close(self) -> None:
        if self._socket is not None:
            self._send("STOPPING=1")
            self._socket.close()
            self._socket = None

    def _send(self, words: str) -> None:
        if self._socket is not None:
            try:
                self._socket.send(words.encode())
            except OSError:     # nobody listens any more: whoever did will notice the silence
                pass


def _socket(name: str) -> socket.socket | None:
    """Connected to the system's socket; a name that begins with @ lies in Linux' abstract space."""
    if not name.startswith(("/", "@")) or not hasattr(socket, "AF_UNIX"):
        return None
    made = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    try:
        made.setblocking(False)
        made.connect("\0" + name[1:] if name[0] == "@" else name)
    except OSError:
        made.close()
        return None
    return made
