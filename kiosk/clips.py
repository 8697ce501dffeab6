"""Clips: the pictures of a ball, kept as a file only where the player's consent says so, and only as long as it says.

A file is written aside, synced, renamed and its folder synced before its row is noted, so a crash leaves a file without
a row, or half a file, and never a row that lies; `sweep` clears both at the start. This room decides nothing about
balls, and it takes long (about 80 ms a clip, measured): it is not for the thread that plays the cue.
"""
from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Iterable, Sequence

from creaseside.stamps import NS, Stamp
from kiosk import avi
from kiosk.faults import Fault

if TYPE_CHECKING:
    from kiosk.logbook import Logbook

PART = ".part"


@dataclass(frozen=True, slots=True)
class Written:
    """A clip file on the disk. t_ns: when each of its frames was exposed."""

    file: str
    width_px: int
    height_px: int
    t_ns: tuple[int, ...]
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Swept:
    """What a start found: halves and files without a row (removed), and rows without a file (noted as gone)."""

    removed: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()


def may_keep_pictures(logbook: Logbook, player: str | None, on: date) -> bool:
    """Only with a consent to clips that counts on that day; never of somebody who is nobody in the log."""
    return player is not None and logbook.may_keep(player, on) == "clips"


def keep(logbook: Logbook, ball: int, frames: Sequence[tuple[Stamp, bytes]]) -> Written | None:
    """Write the clip of a logged ball and note it; None where no picture may be kept, or there is none.

    It is kept for the settings' days, or fewer where the consent says so, and not beyond the consent's end.
    """
    row = logbook.ball(ball)
    player, today = row["player"], logbook.day(row["session"])
    if not frames or not may_keep_pictures(logbook, player, today):
        return None
    written = write(logbook.place.clips / f"ball-{ball:06}.avi", frames)
    try:
        logbook.note_clip(ball, written, keep_until(logbook, player, today))
    except BaseException:
        unlink(logbook.place.clips / written.file)     # the ball was erased meanwhile, or there is no room for its row
        raise
    return written


def put(file: Path, pieces: Iterable[bytes]) -> tuple[int, str]:
    """A clip's file as it was given, in pieces: whole and synced when this returns; its size and sha256."""
    part = file.with_name(file.name + PART)
    try:
        digest, size = _write_synced(part, pieces)
        part.replace(file)
        _sync_folder(file.parent)
    except OSError as e:
        raise Fault(f"a clip in {file}", e.strerror or str(e), "free some space, or set fewer [log] keep_days") from e
    finally:
        part.unlink(missing_ok=True)
    return size, digest


def keep_until(logbook: Logbook, player: str, today: date) -> date:
    """The first day on which a clip of today is kept no longer, by the settings and the player's consent."""
    from kiosk.logbook import people
    consents, most = logbook.consents(player), logbook.place.settings.log.keep_days
    asked, until = people.keep_days(consents, today), people.consent_until(consents, today)
    last = today + timedelta(days=most if asked is None else min(asked, most))
    return min(last, date.fromisoformat(until) + timedelta(days=1)) if until else last


def write(file: Path, frames: Sequence[tuple[Stamp, bytes]]) -> Written:
    """The frames, byte for byte, as one AVI; whole and synced when this returns. Fault where that cannot be."""
    from kiosk.sources import jpeg
    asked = f"a clip of {len(frames)} frames in {file}"
    t_ns = tuple(stamp.t_ns for stamp, _ in frames)
    size_px = jpeg.size_px(frames[0][1]) if frames else None
    if size_px is None:
        raise Fault(asked, "no JPEG picture in its first frame", "look at the camera's plug and cable")
    period_ns = max(1, round((t_ns[-1] - t_ns[0]) / (len(t_ns) - 1))) if len(t_ns) > 1 else NS
    part = file.with_name(file.name + PART)
    try:
        head, tail = avi.layout([len(data) for _, data in frames], *size_px, min(period_ns, NS))
        digest, size = _write_synced(part, chain([head], (avi.chunk(data) for _, data in frames), [tail]))
        part.replace(file)
        _sync_folder(file.parent)
    except (OSError, ValueError) as e:
        part.unlink(missing_ok=True)
        raise Fault(asked, getattr(e, "strerror", None) or str(e),
                    "free some space, or set fewer [log] keep_days") from e
    return Written(file.name, *size_px, t_ns, size, digest)


def forget(logbook: Logbook, ball: int) -> bool:
    """The clip of a ball goes, now; whether there was one."""
    return bool(_forget(logbook, [c for c in logbook.clips() if c["ball"] == ball]))


def remove_expired(logbook: Logbook, today: date) -> int:
    """Clips whose time is over, or whose player's consent is; how many went."""
    return _forget(logbook, [c for c in logbook.clips() if _over(logbook, c, today)])


def _over(logbook: Logbook, clip: dict, today: date) -> bool:
    """A consent that came later may be for fewer days than the one under which the clip was kept."""
    from kiosk.logbook import people
    if clip["keep_until"] <= today.isoformat() or not may_keep_pictures(logbook, clip["player"], today):
        return True
    days = people.keep_days(logbook.consents(clip["player"]), today)
    return days is not None and date.fromisoformat(clip["thrown_utc"][:10]) + timedelta(days=days) <= today


def sweep(logbook: Logbook) -> Swept:
    """At the kiosk's start, before the first ball: make the folder and the rows agree."""
    folder = logbook.place.clips
    rows = {clip["file"]: clip["id"] for clip in logbook.clips()}
    there = {p.name for p in folder.iterdir() if p.is_file()}
    strays = sorted(name for name in there - set(rows) if name.startswith("ball-"))
    for name in strays:
        unlink(folder / name)
    lost = sorted(set(rows) - there)
    if lost:
        logbook.forget_clips(rows[name] for name in lost)
    return Swept(tuple(strays), tuple(lost))


def unlink(file: Path) -> None:
    """The file is gone, and stays gone after a power cut."""
    try:
        file.unlink(missing_ok=True)
        _sync_folder(file.parent)
    except OSError as e:
        raise Fault(f"to remove the clip {file}", e.strerror or str(e), "close whatever shows it and try again") from e


def _forget(logbook: Logbook, clips: list[dict]) -> int:
    """Rows first: a crash in between leaves a file without a row, and the next sweep takes it."""
    if clips:
        logbook.forget_clips(c["id"] for c in clips)
    for clip in clips:
        unlink(logbook.place.clips / clip["file"])
    return len(clips)


def _write_synced(file: Path, pieces: Iterable[bytes]) -> tuple[str, int]:
    """Write for the owner alone and sync; the sha256 and the size."""
    digest, size = hashlib.sha256(), 0
    with open(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o600), "wb") as f:
        for piece in pieces:
            f.write(piece)
            digest.update(piece)
            size += len(piece)
        f.flush()
        os.fsync(f.fileno())
    return digest.hexdigest(), size


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":     # no such thing there
        return
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
