"""Alsa: keeps Linux's sound library from writing its own lines to stderr while a device is looked for. Plays nothing."""
from __future__ import annotations

import ctypes
import functools


@functools.cache
def hush() -> object:
    """Once a process. What is handed back must live as long as the library: the cache sees to that."""
    handler = ctypes.CFUNCTYPE(None, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p)(
        lambda *_: None)
    try:
        ctypes.CDLL("libasound.so.2").snd_lib_error_set_handler(handler)
    except (OSError, AttributeError):       # no such library here: nothing to hush
        pass
    return handler
