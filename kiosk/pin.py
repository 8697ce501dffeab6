"""PIN: the coach's, kept as an argon2id hash in the home, in a file for its owner alone; wrong tries cost time.

It keeps children and passers-by out of the coach's menu and the review pages. It is no lock against somebody who may
read the home's files: a PIN of a few digits is soon found by whoever has its hash. This room asks nobody and shows
nothing. A check takes some 0.1 s on purpose: not for the loop's own thread.
"""
from __future__ import annotations

import json
import os
from datetime import datetime, timedelta, timezone
from types import ModuleType

from kiosk import clock as real_clock
from kiosk.faults import Fault
from kiosk.logbook.turn import Turn
from kiosk.place import Place

SHORTEST, LONGEST = 4, 12     # digits; four is common practice (no source)
FREE_TRIES = 3                # wrong ones in a row without a wait; common practice, no source
FIRST_WAIT_S = 30             # then this long, doubled with every further one: 10 000 PINs would take months
LONGEST_WAIT_S = 900


class Pin:
    """The PIN of one home. Wrong tries are counted in the file, so that a restart or a second process forgets none."""

    def __init__(self, place: Place, clock: ModuleType = real_clock) -> None:
        self._file = place.home / "pin.json"
        self._clock = clock

    @property
    def is_set(self) -> bool:
        return bool(self._read().get("hash"))

    @property
    def wait_s(self) -> int:
        """Whole seconds until the next try is looked at; 0: now."""
        return self._left_s(self._read())

    def set(self, pin: str) -> None:
        """A new PIN, also over an old one: whoever calls has checked that they may. Fault for what is no PIN."""
        if not (pin.isascii() and pin.isdigit() and SHORTEST <= len(pin) <= LONGEST):
            raise Fault("a PIN", "something else", f"give {SHORTEST} to {LONGEST} digits")
        hash = _hasher().hash(pin)
        with self._turn():
            self._write({"hash": hash})

    def check(self, pin: str) -> bool:
        """Whether it is the PIN. False, unlooked at, while `wait_s` is not 0. Fault where none is set."""
        with self._turn():
            known = self._read()
            if not known.get("hash"):
                raise Fault("a check of the PIN", "none set yet", "set one with creaseside pin, or in the coach's menu")
            if self._left_s(known):
                if self._now().isoformat() < known["utc"]:      # a clock set back: the wait begins anew
                    self._write(known | {"utc": self._now().isoformat()})
                return False
            # Counted before it is looked at: many tries at one moment are many tries.
            self._write(known | {"wrong": known.get("wrong", 0) + 1, "utc": self._now().isoformat()})
        if not _is(known["hash"], pin):
            return False
        with self._turn():
            self._write({"hash": known["hash"]})
        return True

    def _left_s(self, known: dict) -> int:
        beyond = known.get("wrong", 0) - FREE_TRIES
        if beyond < 0:
            return 0
        wait = timedelta(seconds=min(FIRST_WAIT_S * 2**min(beyond, 10), LONGEST_WAIT_S))
        since = max(self._now() - datetime.fromisoformat(known["utc"]), timedelta())    # a clock set back makes no hole
        return max(0, -(-(wait - since) // timedelta(seconds=1)))

    def _now(self) -> datetime:
        return self._clock.utc_and_ns()[0].astimezone(timezone.utc)

    def _read(self) -> dict:
        try:
            found = json.loads(self._file.read_text("utf-8"))
            return found if isinstance(found, dict) else {}
        except FileNotFoundError:
            return {}
        except (OSError, ValueError) as e:     # an open door would be the wrong answer to a file that cannot be read
            raise Fault(f"the PIN in {self._file}", str(e), "delete the file and set a new PIN") from e

    def _write(self, what: dict) -> None:
        part = self._file.with_suffix(".part")
        try:
            with open(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as f:
                f.write(json.dumps(what))
                f.flush()
                os.fsync(f.fileno())
            part.chmod(0o600)
            part.replace(self._file)
        except OSError as e:
            raise Fault(f"to write {self._file}", e.strerror or str(e), "look at the disk and its rights") from e

    def _turn(self) -> "_Held":
        return _Held(Turn(self._file.with_suffix(".turn"), self._clock))


class _Held:
    """A turn beside the PIN's file, taken and given back."""

    def __init__(self, turn: Turn) -> None:
        self._turn = turn

    def __enter__(self) -> None:
        self._turn.__enter__()

    def __exit__(self, *given: object) -> None:
        self._turn.__exit__(*given)
        self._turn.close()


def _hasher():
    """argon2id with RFC 9106's second recommended option: 64 MiB, 3 passes, 4 lanes (the library's own default)."""
    from argon2 import PasswordHasher, profiles
    return PasswordHasher.from_parameters(profiles.RFC_9106_LOW_MEMORY)


def _is(hash: str, pin: str) -> bool:
    from argon2.exceptions import InvalidHashError, VerificationError
    try:
        return _hasher().verify(hash, pin)
    except InvalidHashError as e:
        raise Fault("the PIN", "a hash that is none", "delete pin.json in the home and set a new PIN") from e
    except VerificationError:
        return False
