"""Memory: what the C library keeps for later and need not, given back. Says nothing of what the program itself holds.

On other systems than Linux with glibc nothing happens here.
"""
from __future__ import annotations

import contextlib
import ctypes
import gc
import sys
from pathlib import Path
from typing import Iterator

ARENA_MAX = -8      # mallopt's name for it, from glibc's malloc.h
DONTNEED = 4        # madvise's, from Linux's mman-common.h


def few_arenas() -> None:
    """Threads share two heaps in the place of one for each: 4 to 14 MiB less in a pose process (measured).
    Before any thread is started."""
    with contextlib.suppress(OSError, AttributeError):
        _libc().mallopt(ARENA_MAX, 2)


def give_back() -> None:
    """What is free goes back to the system. Takes some 10 ms, and 5 us for every page that is wanted again: not in a hot path."""
    with contextlib.suppress(OSError, AttributeError):
        _libc().malloc_trim(0)


@contextlib.contextmanager
def settled() -> Iterator[None]:
    """What is there now stays to the end, so Python's collector need not look at it again and again: the whole of it took 25 to
    30 ms of the loop's time every dozen seconds, in the middle of a replay too (measured)."""
    gc.collect()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def let_go(file: Path) -> None:
    """The pages of a mapped file that was read and is not needed again, until somebody does: they are read anew then."""
    with contextlib.suppress(OSError, AttributeError):
        libc, name = _libc(), str(file)
        for line in Path("/proc/self/maps").read_text().splitlines():
            where, rights, *_, mapped = line.split(maxsplit=5)
            if mapped == name and "w" not in rights:
                first, last = (int(end, 16) for end in where.split("-"))
                libc.madvise(ctypes.c_void_p(first), ctypes.c_size_t(last - first), DONTNEED)


def _libc() -> ctypes.CDLL:
    if not sys.platform.startswith("linux"):
        raise OSError("no glibc here")
    return ctypes.CDLL("libc.so.6")
