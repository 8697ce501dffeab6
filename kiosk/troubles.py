"""Troubles: what people in front of the kiosk are told when something is wrong: few words, and what goes on. Words only."""
from __future__ import annotations

import errno
import sqlite3
from typing import Sequence

from creaseside.stamps import NS
from kiosk.faults import Fault
from kiosk.health import Snapshot
from kiosk.logbook import file
from kiosk.texts import Texts

SLOW = 0.9              # of the asked rate; below, it is said (as `creaseside doctor` does)
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
AGAIN_NS = NS           # how often the words may change


def banner(texts: Texts, camera: Fault | None, log: Fault | None, posing: bool,
           moved: bool = False) -> tuple[str, ...]:
    """The worst of them, and what goes on; empty where all is well."""
    if log is not None:
        return texts.say("log_full" if _full(log.__cause__) else "log_lost"), texts.say("goes_on_unsaved")
    if camera is not None:
        return texts.say("camera_lost"), texts.say("goes_on_by_hand")
    if not posing:
        return texts.say("pose_lost"), texts.say("goes_on_by_hand")
    if moved:
        return texts.say("camera_moved"), texts.say("put_it_back")
    return ()


def _full(why: BaseException | None) -> bool:
    """No room, and not a disk that fails or went read-only: nobody is to look for what to delete there."""
    return file.code(why) == sqlite3.SQLITE_FULL or isinstance(why, OSError) and why.errno in NO_ROOM


def damaged(texts: Texts, put_aside: Sequence[str]) -> tuple[str, ...]:
    """What was found damaged at the start ("log", "settings", "marks", "model"), in one side note; none where all was sound.
    The console has said all of it."""
    names = {*put_aside}
    what = names.pop() if len(names) == 1 else "more"
    return (texts.say("mended", what=texts.say(f"mended_{what}")),) if put_aside else ()


def messages(texts: Texts, health: Snapshot, way: str) -> tuple[str, ...]:
    """Side notes: what makes things worse and stops nothing."""
    said = []
    if health.asked_fps and health.fps and health.fps < SLOW * health.asked_fps:
        said.append(texts.say("camera_slow", found=round(health.fps), asked=round(health.asked_fps)))
    if way == "screen only":
        said.append(texts.say("no_sound"))
    return tuple(said)
