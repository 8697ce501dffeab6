"""What is given back to the system is really given back, and what was mapped is still there."""
from __future__ import annotations

import ctypes
import gc
import mmap
import sys

import pytest

from kiosk import memory

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="counts pages as Linux does")


def _resident_kib(part: str) -> int:
    """Of the mappings whose line in smaps ends so."""
    total, inside = 0, False
    for line in open("/proc/self/smaps"):
        head = line.split()
        if not head[0].endswith(":"):
            inside = line.rstrip().endswith(part)
        elif inside and head[0] == "Rss:":
            total += int(head[1])
    return total


@linux
def test_pages_of_a_mapped_file_go_and_come_back(tmp_path):
    file = tmp_path / "weights"
    file.write_bytes(bytes(range(256)) * 16384)
    with file.open("rb") as f, mmap.mmap(f.fileno(), 0, access=mmap.ACCESS_READ) as mapped:
        assert sum(mapped[::4096]) == 0 and _resident_kib(file.name) >= 4096
        memory.let_go(tmp_path / "another")
        assert _resident_kib(file.name) >= 4096
        memory.let_go(file)
        assert _resident_kib(file.name) == 0
        assert mapped[:] == file.read_bytes()


@linux
def test_what_is_free_goes_back():
    libc = ctypes.CDLL("libc.so.6")
    libc.malloc.restype, libc.free.argtypes = ctypes.c_void_p, (ctypes.c_void_p,)
    blocks = [libc.malloc(100_000) for _ in range(400)]
    for block in blocks:
        ctypes.memset(block, 1, 100_000)
    kept = blocks.pop()                 # the heap does not shrink by itself below this one
    for block in blocks:
        libc.free(block)
    before = _anonymous_kib()
    memory.give_back()
    assert _anonymous_kib() < before - 20_000
    libc.free(kept)


def _anonymous_kib() -> int:
    return next(int(line.split()[1]) for line in open("/proc/self/smaps_rollup") if line.startswith("Anonymous:"))


def test_elsewhere_nothing_happens(monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "platform", "win32")
    memory.few_arenas()
    memory.give_back()
    memory.let_go(tmp_path)


def test_what_was_there_is_not_looked_at_again_until_the_run_is_over():
    here = [[] for _ in range(1000)]
    before = gc.get_freeze_count()
    with memory.settled():
        assert gc.get_freeze_count() >= before + len(here)
        assert not any(thing is here for thing in gc.get_objects())
    assert any(thing is here for thing in gc.get_objects()) and gc.get_freeze_count() == 0
