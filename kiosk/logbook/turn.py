"""Turn: one writer at a time, whichever process it is in.

SQLite 3.7.0 to 3.51.2 may spoil a log when two connections write or checkpoint at the same instant (release notes of
3.51.3), and its own locks do not prevent that. So whoever opens, writes, checkpoints or closes holds a lock on a file
beside the log for just as long. Readers (`mode=ro`) never checkpoint and take no turn.
"""
from __future__ import annotations

import os
import threading
from pathlib import Path
from types import ModuleType

from kiosk.faults import Fault

MS = 1_000_000
PATIENCE_NS = 2_000 * MS     # a ball's commit takes 17 ms at worst (measured); the kiosk must not hang for longer
STEP_NS = 5 * MS


class Turn:
    """Held with `with`; may be taken again by the thread that has it."""

    def __init__(self, file: Path, clock: ModuleType, patience_ns: int = PATIENCE_NS) -> None:
        self._file, self._clock, self._patience_ns = file, clock, patience_ns
        self._threads, self._depth = threading.RLock(), 0
        self._fd: int | None = None
        self._open()

    def __enter__(self) -> None:
        self._threads.acquire()
        try:
            if not self._depth:
                self._open()
                self._wait()
            self._depth += 1
        except BaseException:
            self._threads.release()
            raise

    def __exit__(self, *_: object) -> None:
        self._depth -= 1
        if not self._depth:
            _lock(self._fd, False)
        self._threads.release()

    def close(self) -> None:
        """Let go of the file; whoever takes a turn afterwards opens it again."""
        with self._threads:
            if self._fd is not None:
                os.close(self._fd)
            self._fd = None

    def _open(self) -> None:
        if self._fd is None:
            self._fd = os.open(self._file, os.O_RDWR | os.O_CREAT, 0o600)

    def _wait(self) -> None:
        last_ns = self._clock.now_ns() + self._patience_ns
        while not _lock(self._fd, True):
            if self._clock.now_ns() >= last_ns:
                raise Fault(f"a turn to write beside {self._file}", "another creaseside that is writing",
                            "wait until it is done and try again")
            self._clock.wait_until(self._clock.now_ns() + STEP_NS)


if os.name == "nt":
    import msvcrt

    def _lock(fd: int, take: bool) -> bool:
        """Take the lock (False: somebody else has it) or give it back."""
        os.lseek(fd, 0, os.SEEK_SET)
        try:
            msvcrt.locking(fd, msvcrt.LK_NBLCK if take else msvcrt.LK_UNLCK, 1)
        except OSError:
            return False
        return True
else:
    import fcntl

    def _lock(fd: int, take: bool) -> bool:
        """Take the lock (False: somebody else has it) or give it back."""
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB if take else fcntl.LOCK_UN)
        except BlockingIOError:
            return False
        return True
