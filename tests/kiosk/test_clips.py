"""Clips: the camera's own bytes, whole or not at all, kept only where somebody agreed and only as long."""
from __future__ import annotations

import errno
import hashlib
import os
import stat
import struct
from datetime import date, timedelta

import cv2
import pytest

from kiosk import avi, clips
from kiosk.faults import Fault
from kiosk.logbook import Logbook
from kiosk.sources import container
from tests.kiosk.bowled import JumpingClock, agreed_player, home, some_ball, some_frames

DAY = date(2026, 1, 1)      # the hand clock's first


@pytest.fixture
def clock():
    return JumpingClock()


@pytest.fixture
def log(tmp_path, clock):
    with Logbook(home(tmp_path), clock) as log:
        yield log


def kept(log, player=None) -> tuple[int, clips.Written | None]:
    ball = log.add_ball(log.start_session(player), some_ball(1))
    return ball, clips.keep(log, ball, some_frames(5, ball))


# The file

@pytest.mark.parametrize("n, fps", [(1, 120.0), (2, 30.0), (37, 59.94), (121, 120.0)])
def test_opencv_reads_every_frame_back_byte_for_byte(tmp_path, n, fps):
    frames = some_frames(n, fps=fps)
    assert len({len(jpeg) % 2 for _, jpeg in frames}) == 2 or n < 3
    written = clips.write(tmp_path / "ball.avi", frames)
    video = cv2.VideoCapture(str(tmp_path / "ball.avi"), cv2.CAP_FFMPEG)
    assert video.get(cv2.CAP_PROP_FRAME_COUNT) == n
    assert n == 1 or video.get(cv2.CAP_PROP_FPS) == pytest.approx(fps, rel=1e-6)
    assert (video.get(cv2.CAP_PROP_FRAME_WIDTH), video.get(cv2.CAP_PROP_FRAME_HEIGHT)) == (64, 48)
    assert video.set(cv2.CAP_PROP_FORMAT, -1)
    for _, jpeg in frames:
        ok, data = video.read()
        assert ok and data.tobytes() == jpeg
    assert not video.read()[0]
    assert list(avi.frames(tmp_path / "ball.avi")) == [jpeg for _, jpeg in frames]
    assert written.t_ns == tuple(s.t_ns for s, _ in frames)


def test_opencv_finds_any_frame_by_the_index(tmp_path):
    frames = some_frames(60)
    clips.write(tmp_path / "ball.avi", frames)
    video = cv2.VideoCapture(str(tmp_path / "ball.avi"), cv2.CAP_FFMPEG)
    video.set(cv2.CAP_PROP_FORMAT, -1)
    for i in (41, 7, 59):
        video.set(cv2.CAP_PROP_POS_FRAMES, i)
        assert video.read()[1].tobytes() == frames[i][1]


def test_the_index_points_at_the_frames(tmp_path):
    """Offsets count from the word `movi`, as most writers of AVI do (common practice)."""
    frames = some_frames(9)
    clips.write(tmp_path / "ball.avi", frames)
    data = (tmp_path / "ball.avi").read_bytes()
    movi, index = data.index(b"movi"), data.index(b"idx1")
    entries = list(struct.iter_unpack("<4s3I", data[index + 8:]))
    assert len(entries) == 9
    for (name, _, at, length), (_, jpeg) in zip(entries, frames):
        assert (name, data[movi + at:movi + at + 4], data[movi + at + 8:][:length]) == (b"00dc", b"00dc", jpeg)


def test_sizes_and_hash_are_the_files(tmp_path):
    written = clips.write(tmp_path / "ball.avi", some_frames(9))
    data = (tmp_path / "ball.avi").read_bytes()
    assert (written.size, written.sha256) == (len(data), hashlib.sha256(data).hexdigest())
    assert container.missing_bytes(tmp_path / "ball.avi") == 0
    assert int.from_bytes(data[4:8], "little") + 8 == len(data)
    assert os.name == "nt" or stat.S_IMODE((tmp_path / "ball.avi").stat().st_mode) == 0o600


def test_more_than_an_avi_holds_is_refused():
    with pytest.raises(ValueError):
        avi.layout([1 << 20] * 4096, 1280, 720, 8_333_333)


@pytest.mark.parametrize("frames", [[], [(some_frames(1)[0][0], b"no picture")]])
def test_nothing_to_write_is_said(tmp_path, frames):
    with pytest.raises(Fault, match="no JPEG"):
        clips.write(tmp_path / "ball.avi", frames)
    assert not list(tmp_path.iterdir())


def test_a_full_disk_leaves_no_half_clip(log, monkeypatch):
    def full(fd):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    ball = log.add_ball(log.start_session(agreed_player(log)), some_ball(1))
    with monkeypatch.context() as m:
        m.setattr(os, "fsync", full)
        with pytest.raises(Fault, match="No space left"):
            clips.keep(log, ball, some_frames(5))
    assert log.clip(ball) is None and not list(log.place.clips.iterdir())
    assert clips.keep(log, ball, some_frames(5))


# Consent

CONSENT = [   # age group, consents (may_keep, role, given, until), may a picture be kept on DAY
    ("adult", [], False),
    ("adult", [("clips", "player", 0, None)], True),
    ("adult", [("clips", "player", 1, None)], False),                                 # from tomorrow on
    ("adult", [("clips", "player", -9, -1)], False),                                  # ended yesterday
    ("adult", [("clips", "player", -9, 0)], True),                                    # its last day
    ("adult", [("numbers", "player", 0, None)], False),
    ("adult", [("clips", "player", -9, None), ("none", "player", -1, None)], False),  # withdrawn
    ("adult", [("none", "player", -1, None), ("clips", "player", -9, None)], False),  # the same, typed in later
    ("adult", [("clips", "player", 0, None), ("numbers", "player", 0, None)], False), # two on one day: the later word
    ("u15", [("clips", "parent", 0, None)], True),
    (None, [("clips", "parent", 0, None)], True),
    ("u15", [], False),
]


@pytest.mark.parametrize("group, consents, may", CONSENT)
def test_a_picture_needs_a_consent_that_counts(log, group, consents, may):
    player = log.add_player("Sam", age_group=group)
    for may_keep, role, given, until in consents:
        log.add_consent(player, may_keep, "Sam", role, DAY + timedelta(days=given),
                        None if until is None else DAY + timedelta(days=until))
    assert clips.may_keep_pictures(log, player, DAY) is may
    ball, written = kept(log, player)
    assert (written is not None) is (log.clip(ball) is not None) is may
    assert bool(list(log.place.clips.iterdir())) is may


@pytest.mark.parametrize("age", [{"birth_year": 2008}, {"age_group": "u19"}, {}])
def test_who_may_be_under_18_cannot_agree_to_pictures_alone(log, age):
    player = log.add_player("Sam", **age)
    with pytest.raises(Fault, match="under 18"):
        log.add_consent(player, "clips", "Sam")
    with log.writing("to pretend an older program let it pass") as db:
        db["consent"].insert({"player": player, "given_by": "Sam", "role": "player", "given_on": "2025-01-01",
                              "may_keep": "clips"})
    assert not clips.may_keep_pictures(log, player, DAY)


def test_who_is_surely_grown_up_can(log):
    log.add_consent(log.add_player("Sam", birth_year=2007), "clips", "Sam")


def test_nobodys_picture_is_not_kept(log):
    assert kept(log)[1] is None and not clips.may_keep_pictures(log, None, DAY)


# Keeping and removing

def test_a_kept_clip_is_in_the_row_and_goes_when_it_is_forgotten(log):
    ball, written = kept(log, agreed_player(log))
    row = log.clip(ball)
    assert (row["file"], row["bytes"], row["sha256"]) == (written.file, written.size, written.sha256)
    assert row["t_ns"] == written.t_ns and row["first_ns"] == written.t_ns[0]
    assert log.balls()[0]["clip"] == written.file
    assert clips.forget(log, ball) and not clips.forget(log, ball)
    assert log.balls()[0]["clip"] is None and not list(log.place.clips.iterdir())


def test_clips_go_when_their_time_is_over(log, clock):
    player = agreed_player(log)
    ball, written = kept(log, player)
    assert log.clip(ball)["keep_until"] == (DAY + timedelta(days=28)).isoformat()
    assert clips.remove_expired(log, DAY + timedelta(days=27)) == 0
    assert clips.remove_expired(log, DAY + timedelta(days=28)) == 1
    assert not list(log.place.clips.iterdir())


def test_clips_go_when_the_consent_does(log):
    player = agreed_player(log)
    kept(log, player)
    log.add_consent(player, "numbers", "Sam")
    assert clips.remove_expired(log, DAY) == 1
    log.add_consent(player, "clips", "Sam", until=DAY + timedelta(days=3))
    ball, _ = kept(log, player)
    assert log.clip(ball)["keep_until"] == (DAY + timedelta(days=4)).isoformat()


def test_a_consent_may_be_for_fewer_days_than_the_settings(log, clock):
    player = log.add_player("Sam", age_group="adult")
    log.add_consent(player, "clips", "Sam", keep_days=3)
    ball, _ = kept(log, player)
    assert log.clip(ball)["keep_until"] == (DAY + timedelta(days=3)).isoformat()
    for days, gone in ((2, 0), (3, 1)):
        assert clips.remove_expired(log, DAY + timedelta(days=days)) == gone
    log.add_consent(player, "clips", "Sam", keep_days=3000)
    ball, _ = kept(log, player)
    assert log.clip(ball)["keep_until"] == (DAY + timedelta(days=log.place.settings.log.keep_days)).isoformat()


def test_a_later_consent_for_fewer_days_counts_for_older_clips_too(log):
    player = agreed_player(log)
    ball, _ = kept(log, player)
    assert clips.remove_expired(log, DAY + timedelta(days=5)) == 0
    log.add_consent(player, "clips", "Sam", keep_days=5)
    assert clips.remove_expired(log, DAY + timedelta(days=4)) == 0
    assert clips.remove_expired(log, DAY + timedelta(days=5)) == 1 and not list(log.place.clips.iterdir())


@pytest.mark.parametrize("consents, faces", [
    ([], "blurred"), ([("clips", "shown")], "shown"), ([("clips", "blurred")], "blurred"),
    ([("clips", "shown"), ("numbers", "shown")], "blurred"), ([("clips", "shown"), ("clips", "blurred")], "blurred")])
def test_faces_are_shown_only_by_the_consent_that_counts(log, consents, faces):
    player = log.add_player("Sam", age_group="adult")
    for keep, what in consents:
        log.add_consent(player, keep, "Sam", faces=what)
    assert log.faces(player, DAY) == faces and log.faces(None, DAY) == "blurred"


def test_faces_of_the_young_need_a_parent(log):
    player = log.add_player("Sam", age_group="u15")
    with pytest.raises(Fault, match="their own word"):
        log.add_consent(player, "clips", "Sam", faces="shown")
    log.add_consent(player, "clips", "Kim", "parent", faces="shown")
    assert log.faces(player, DAY) == "shown"


def test_a_start_clears_what_a_crash_left(log):
    player = agreed_player(log)
    (ball, written), (lost, gone) = kept(log, player), kept(log, player)
    folder = log.place.clips
    (folder / gone.file).unlink()
    (folder / "ball-000099.avi").write_bytes(b"no row")
    (folder / "ball-000098.avi.part").write_bytes(b"half")
    (folder / "holiday.avi").write_bytes(b"somebody's own")
    assert clips.sweep(log) == clips.Swept(("ball-000098.avi.part", "ball-000099.avi"), (gone.file,))
    assert sorted(p.name for p in folder.iterdir()) == [written.file, "holiday.avi"]
    assert log.clip(ball) and log.clip(lost) is None
    assert clips.sweep(log) == clips.Swept()


def test_a_clip_of_a_ball_that_was_erased_meanwhile_is_not_left(log, monkeypatch):
    player = agreed_player(log)
    ball = log.add_ball(log.start_session(player), some_ball(1))
    write = clips.write
    def slow(file, frames):
        written = write(file, frames)
        log.erase_player(player)
        return written
    monkeypatch.setattr(clips, "write", slow)
    with pytest.raises(Fault, match="no such ball"):
        clips.keep(log, ball, some_frames(3))
    assert not list(log.place.clips.iterdir())


def test_a_withdrawal_counts_also_where_the_clock_was_wrong_by_a_day(log):
    """Put down while the clock was a day behind or ahead, before or after the consent: no picture is kept."""
    for first, second in ((0, -1), (0, 1), (0, 0)):
        player = log.add_player("Sam", age_group="adult")
        log.add_consent(player, "clips", "Sam", given_on=DAY + timedelta(days=first))
        log.add_consent(player, "numbers", "Sam", given_on=DAY + timedelta(days=second))
        assert not clips.may_keep_pictures(log, player, DAY)
    player = log.add_player("Kim", age_group="adult")
    log.add_consent(player, "none", "Kim", given_on=DAY)
    log.add_consent(player, "clips", "Kim", given_on=DAY - timedelta(days=9))      # a paper that came late
    assert not clips.may_keep_pictures(log, player, DAY)
    log.add_consent(player, "clips", "Kim", given_on=DAY)
    assert clips.may_keep_pictures(log, player, DAY)
