"""No picture of anybody who did not agree reaches a disk, and the memory that holds the last seconds ends with the kiosk.

The kiosk runs as a process of its own, with puppets in front of it (tests/faults/door.py); every place that it could write
to is then searched for the bytes that every JPEG begins with."""
from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pytest

from kiosk.logbook import Logbook
from kiosk.reel import OURS, SHARED, remove_left
from tests.faults.door import Kiosk, prepared

JPEG = b"\xff\xd8\xff\xfe\x00\x0a"      # the beginning of every frame that the puppets' camera sends
PATIENCE_S = 100

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks into Linux' shared memory")


def pictures_in(*folders: Path) -> list[str]:
    return [str(file) for folder in folders for file in folder.rglob("*")
            if file.is_file() and not file.is_symlink() and JPEG in file.read_bytes()]


def reels(kiosk: Kiosk) -> set[Path]:
    """The shared memory of that process (other kiosks may run on this machine)."""
    maps = Path(f"/proc/{kiosk.process.pid}/maps").read_text()
    return {SHARED / name for name in re.findall(rf"{SHARED}/({OURS}\w+)", maps)}


@pytest.fixture
def own_places(tmp_path, monkeypatch):
    """The process's temporary files, caches and home are under the test's folder."""
    for name in ("TMPDIR", "HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME", "XDG_RUNTIME_DIR"):
        (tmp_path / name).mkdir()
        monkeypatch.setenv(name, str(tmp_path / name))
    return tmp_path


def bowled(place, balls: int, consent: bool) -> Kiosk:
    kiosk = Kiosk(place, every_s=3.0, player=True)
    kiosk.until("READY=1", PATIENCE_S)
    waited = 0
    while (len({b["ball"] for b in kiosk.balls if "ball" in b}) < balls or (consent and not any(place.clips.glob("*.avi")))) \
            and waited < PATIENCE_S:
        kiosk.watch(0.5)
        waited += 0.5
    return kiosk


@pytest.mark.parametrize("consent", [False, True])
def test_a_picture_reaches_the_disk_only_with_consent(own_places, consent):
    place = prepared(own_places, consent)
    kiosk = bowled(place, 2, consent)
    running = pictures_in(own_places)
    own = reels(kiosk)
    kiosk.process.terminate()
    kiosk.end()
    with Logbook(place) as log:
        assert len(log.balls()) >= 2
    assert own and not any(reel.exists() for reel in own)
    left = pictures_in(own_places)
    if consent:          # so that the search is one that finds
        assert left and all(Path(f).parent == place.clips for f in left)
    else:
        assert running == left == [] and list(place.clips.iterdir()) == []
    assert all(p.stat().st_mode & 0o077 == 0 for p in place.home.rglob("*") if not p.is_socket() and p.name != "settings.toml"
               and p.name != "marks.toml")


def test_the_memory_of_a_killed_kiosk_is_gone_at_the_next_start_at_the_latest(own_places):
    place = prepared(own_places, False)
    kiosk = Kiosk(place)
    kiosk.until("READY=1", PATIENCE_S)
    own = reels(kiosk)
    assert own
    kiosk.kill()
    remove_left()        # what every start does first
    assert not any(reel.exists() for reel in own) and pictures_in(own_places) == []


def test_files_that_are_made_are_for_their_owner_alone(own_places):
    old = os.umask(0)
    try:
        place = prepared(own_places)
    finally:
        os.umask(old)
    assert place.home.stat().st_mode & 0o777 == 0o700 and place.log.stat().st_mode & 0o777 == 0o600
    assert place.clips.stat().st_mode & 0o777 == 0o700
