"""Reel: the last seconds of picture as JPEG bytes, in one block of shared memory that is made once.

A byte arena that is written round and round, and an index with a row a frame. A round ends as soon as what lies at the
arena's front is older than the reel's seconds, so small pictures touch only part of it, and the rest costs no memory. One
writer, any number of readers in any process. Nobody holds a frame here: whoever needs one later copies its bytes out. This
room does not pace, count or show.

Why no reader ever gets a torn frame, without a lock. Bytes are counted for ever: byte `b` lies at `b % arena`. Before
the writer touches the arena it publishes `claimed`, the byte up to which it will have written, so every byte below
`claimed - arena` is lost. A reader copies first and looks at `claimed` (and at the frame number in the row, which is
wiped before the row changes, and never comes twice) afterwards: what was whole then was whole while it was copied.
This leans on stores being seen in the order they were made, which x86 keeps.
"""
from __future__ import annotations

import contextlib
import math
import os
import secrets
import shutil
from multiprocessing import resource_tracker, shared_memory
from pathlib import Path

import numpy as np

from creaseside.stamps import Stamp
from kiosk.faults import Fault
from kiosk.sources.jpeg import decode

MIB = 1 << 20
MOST_MIB = 250.0
BYTES_A_PX = 0.282   # 720p at JPEG quality 90 with sensor noise: 243 kB measured, and 7 % to spare
SLACK = 1 / 64       # of the arena, for pictures that grow from one round to the next; those that grow more shorten one round of it
MAGIC = 0x63726561736531
HEAD = ("magic", "slots", "arena", "claimed", "newest", "refused")   # int64 each
FRAME, T_NS, BEGIN, LENGTH = range(4)                                # int64 columns of the index
NONE = -1
OURS, SHARED = "creaseside-", Path("/dev/shm")                      # where Linux has shared memory by name


class Reel:
    """`seconds` of frames at `fps`, or fewer where the arena is too small for them. Made by `make` or `attach`, never
    directly.
    """

    def __init__(self, memory: shared_memory.SharedMemory, owner: bool) -> None:
        self._memory, self._owner = memory, owner
        head_bytes = 8 * len(HEAD)
        self._head = np.ndarray(len(HEAD), np.int64, memory.buf)
        slots, self._arena = int(self._head[HEAD.index("slots")]), int(self._head[HEAD.index("arena")])
        self._index = np.ndarray((slots, 4), np.int64, memory.buf, head_bytes)
        start = head_bytes + self._index.nbytes
        self._bytes = memory.buf[start:start + self._arena]

    @classmethod
    def make(cls, seconds: float, fps: float, mib: float | None = None, width_px: int = 1280,
             height_px: int = 720) -> Reel:
        """A new reel of at most `mib` MiB (default: what such pictures need, at most 250). Fault: no such memory here.
        """
        slots = max(2, math.ceil(seconds * fps) + 1)
        arena = int((mib or min(MOST_MIB, slots * width_px * height_px * BYTES_A_PX / MIB)) * MIB)
        size = 8 * len(HEAD) + slots * 4 * 8 + arena
        remove_left()
        _enough(size)
        try:
            memory = shared_memory.SharedMemory(f"{OURS}{os.getpid()}_{secrets.token_hex(6)}", create=True, size=size)
            _held(getattr(memory, "_fd", -1))
        except OSError as e:
            asked = f"{size / MIB:.0f} MiB of shared memory"
            raise Fault(asked, e.strerror or str(e), "set a smaller camera.reel_s") from e
        head = np.ndarray(len(HEAD), np.int64, memory.buf)
        head[:] = MAGIC, slots, arena, 0, NONE, 0
        np.ndarray((slots, 4), np.int64, memory.buf, head.nbytes)[:, FRAME] = NONE
        del head
        return cls(memory, owner=True)

    @classmethod
    def attach(cls, name: str) -> Reel:
        """The reel that another process made, to read it."""
        try:
            memory = _untracked(name)
        except FileNotFoundError as e:
            raise Fault(f"the reel {name}", "no such shared memory", "start the kiosk again") from e
        if np.ndarray(1, np.int64, memory.buf)[0] != MAGIC:
            memory.close()
            raise Fault(f"the reel {name}", "shared memory of something else", "start the kiosk again")
        return cls(memory, owner=False)

    @property
    def name(self) -> str:
        return self._memory.name

    @property
    def refused(self) -> int:
        """Frames that were larger than the whole arena."""
        return self._get("refused")

    def write(self, stamp: Stamp, jpeg: bytes) -> Fault | None:
        """Keep a frame over the oldest ones. A frame larger than the arena is not kept: counted, and the Fault handed
        back.

        Frame numbers must rise (ValueError), since a row is known by its number.
        """
        if stamp.frame <= self._get("newest"):
            raise ValueError(f"frame {stamp.frame} after frame {self._get('newest')}: numbers must rise")
        length, claimed = len(jpeg), self._get("claimed")
        if length > self._arena:
            self._put("refused", self.refused + 1)
            return Fault(f"to keep frame {stamp.frame} of {length:,} bytes", f"a reel of {self._arena:,} bytes",
                         "ask the camera for smaller pictures")
        row, oldest = self._index[stamp.frame % len(self._index)], self._index[(stamp.frame + 1) % len(self._index)]
        begin = claimed if claimed % self._arena + length <= self._arena else -(-claimed // self._arena) * self._arena
        if oldest[FRAME] != NONE and oldest[BEGIN] - begin // self._arena * self._arena > max(SLACK * self._arena, length):
            begin = (begin // self._arena + 1) * self._arena     # what lies at the front is older than any row
        row[FRAME] = NONE
        self._put("claimed", begin + length)
        at = begin % self._arena
        self._bytes[at:at + length] = jpeg
        row[T_NS:] = stamp.t_ns, begin, length
        row[FRAME] = stamp.frame
        self._put("newest", stamp.frame)
        return None

    def jpeg(self, frame: int) -> bytes | None:
        """The frame's bytes, copied out; None where it is gone or never was."""
        row = self._index[frame % len(self._index)]
        if frame < 0 or row[FRAME] != frame:
            return None
        begin, length = int(row[BEGIN]), int(row[LENGTH])
        copy = self._copy(begin % self._arena, length)
        whole = row[FRAME] == frame and begin >= self._get("claimed") - self._arena
        return copy if whole else None

    def bgr(self, frame: int) -> np.ndarray | None:
        """The frame's pixels (H, W, 3) BGR; None where it is gone or does not decode."""
        data = self.jpeg(frame)
        return None if data is None else decode(data)

    def stamps(self, first_ns: int, last_ns: int) -> list[Stamp]:
        """The stamps, both ends included, whose frames are here now, in order."""
        before = self._index[:, FRAME].copy()
        rows = self._index.copy()
        kept = (before >= 0) & (self._index[:, FRAME] == before)
        kept &= rows[:, BEGIN] >= self._get("claimed") - self._arena
        kept &= (rows[:, T_NS] >= first_ns) & (rows[:, T_NS] <= last_ns)
        ordered = rows[kept][rows[kept][:, FRAME].argsort()]
        return [Stamp(frame, t_ns) for frame, t_ns in ordered[:, :2].tolist()]

    def newest(self) -> Stamp | None:
        """The newest frame's stamp, None before the first."""
        while (frame := self._get("newest")) != NONE:
            row = self._index[frame % len(self._index)]
            t_ns = int(row[T_NS])
            if row[FRAME] == frame:
                return Stamp(frame, t_ns)
        return None

    def wipe(self) -> None:
        """No frame, and no byte of one, is here any more. For the writer's thread, or while it rests."""
        self._index[:, FRAME] = NONE
        self._put("claimed", (-(-self._get("claimed") // self._arena) + 1) * self._arena)
        for at in range(0, self._arena, MIB):
            self._bytes[at:at + MIB] = bytes(min(MIB, self._arena - at))

    def close(self, unlink: bool | None = None) -> None:
        """Let go of the memory; its maker also gives it back to the machine, unless told otherwise. Twice does no
        harm.
        """
        if getattr(self, "_bytes", None) is None:
            return
        self._bytes.release()
        self._head = self._index = self._bytes = None
        self._memory.close()
        if self._owner if unlink is None else unlink:
            self._memory.unlink()

    def __enter__(self) -> Reel:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    __del__ = close   # or Python complains at its end about whoever forgot

    def _copy(self, at: int, length: int) -> bytes:
        return bytes(self._bytes[at:at + length])

    def _get(self, what: str) -> int:
        return int(self._head[HEAD.index(what)])

    def _put(self, what: str, value: int) -> None:
        self._head[HEAD.index(what)] = value


def remove_left() -> list[str]:
    """Reels whose maker was killed, so that nobody gave them back: they hold pictures of people, and go. Their names."""
    gone = []
    for left in sorted(SHARED.glob(f"{OURS}*")):
        with contextlib.suppress(OSError):      # somebody else's, or gone by now
            fd = os.open(left, os.O_RDWR)
            try:
                if _held(fd):
                    left.unlink()
                    gone.append(left.name)
            finally:
                os.close(fd)
    return gone


def _held(fd: int) -> bool:
    """Lock a reel's memory for as long as this process lives; False: its maker is alive."""
    if fd < 0 or os.name != "posix":
        return False
    import fcntl
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _enough(size: int) -> None:
    """Shared memory that is not there kills at the first write, without a word: refuse it here."""
    with contextlib.suppress(FileNotFoundError):
        free = shutil.disk_usage(Path("/dev/shm")).free
        if free < size:
            raise Fault(f"{size / MIB:.0f} MiB of shared memory", f"{free / MIB:.0f} MiB free in /dev/shm",
                        "free some, give the container a larger --shm-size, or set a smaller camera.reel_s")


def _untracked(name: str) -> shared_memory.SharedMemory:
    """Attach without telling Python's tracker, which would give the memory back when this process, not its maker,
    ends.
    """
    register, resource_tracker.register = resource_tracker.register, lambda *_: None
    try:
        return shared_memory.SharedMemory(name)
    finally:
        resource_tracker.register = register
