"""What the screen says of a log that cannot be written: what is so, and what somebody can do about it."""
from __future__ import annotations

import errno
import sqlite3

import pytest

from kiosk import troubles
from kiosk.faults import Fault
from kiosk.texts import Texts


def refused(why: BaseException) -> Fault:
    fault = Fault("to log a ball", "no", "look")
    fault.__cause__ = why
    return fault


def of_sqlite(code: int) -> sqlite3.Error:
    error = sqlite3.OperationalError("no")
    error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize(("why", "words"), [
    (of_sqlite(sqlite3.SQLITE_FULL), "the disk is full"), (OSError(errno.ENOSPC, "no room"), "the disk is full"),
    (of_sqlite(sqlite3.SQLITE_IOERR_WRITE), "nothing can be saved"), (of_sqlite(sqlite3.SQLITE_READONLY), "nothing can be saved"),
    (OSError(errno.EROFS, "read-only"), "nothing can be saved"), (OSError(errno.EIO, "broken"), "nothing can be saved")])
def test_only_a_disk_without_room_is_called_full(why, words):
    assert troubles.banner(Texts("en"), None, refused(why), True)[0] == words


@pytest.mark.parametrize("language", ["en", "hi"])
def test_one_damaged_file_is_named_and_several_are_several(language):
    say = Texts(language)
    assert troubles.damaged(say, []) == ()
    assert troubles.damaged(say, ["marks"]) == (say.say("mended", what=say.say("mended_marks")),)
    assert troubles.damaged(say, ["marks", "log"]) == (say.say("mended", what=say.say("mended_more")),)
