"""Alsa: keeps Linux's sound library from writing its own lines to stderr while a device is looked for. Plays nothing."""
from __future__ import annotations

import contextlib
import ctypes


def hush() -> None:
    """From now on in this process.

    The library is given a function of C's that takes nothing and does nothing. One of Python's would wait for Python
    inside a library that holds it, and the kiosk would stand still (seen with the mixer's search for devices).
    """
    with contextlib.suppress(OSError, AttributeError):       # no such library here: nothing to hush
        alsa, c = ctypes.CDLL("libasound.so.2"), ctypes.CDLL(None)
        alsa.snd_lib_error_set_handler(ctypes.cast(c.getpid, ctypes.c_void_p))
