"""The coach's own words: recorded, used in place of the sound, there after a restart, and forgotten as easily."""
from __future__ import annotations

import stat

import numpy as np
import pytest

from creaseside.settings import FocusCue
from kiosk.faults import Fault
from kiosk.voice import Voice
from tests.eye.hall import Blank, Hall, Loudspeaker
from tests.kiosk.bowled import home
from tests.kiosk.handclock import HandClock

SPOKEN = (6000 * np.sin(2 * np.pi * 300 * np.arange(48_000) / 48_000)).astype(np.int16)
SILENCE = np.zeros(48_000, np.int16)


def test_what_was_recorded_is_kept_used_and_forgotten(tmp_path):
    place, speaker = home(tmp_path), Loudspeaker(HandClock())
    voice = Voice(place, speaker, lambda seconds: SPOKEN)
    voice.record("miss")
    assert voice.has("miss") and not voice.has("hit")
    again = Loudspeaker(HandClock())
    assert Voice(place, again).load() == [] and list(again.loaded) == ["miss"]
    assert stat.S_IMODE((place.home / "voice").stat().st_mode) == 0o700
    voice.forget("miss")
    assert not voice.has("miss") and Voice(place, again).load() == []


def test_silence_is_no_cue_and_leaves_the_one_before(tmp_path):
    place = home(tmp_path)
    Voice(place, Loudspeaker(HandClock()), lambda seconds: SPOKEN).record("hit")
    with pytest.raises(Fault):
        Voice(place, Loudspeaker(HandClock()), lambda seconds: SILENCE).record("hit")
    files = sorted(p.name for p in (place.home / "voice").iterdir())
    assert files == ["hit.wav"]


def test_at_the_screen(tmp_path):
    h = Hall(tmp_path, focus=FocusCue("approach_deg", -5.0, 5.0), film=Blank())
    outside = h.say("voice_own", which=h.say("voice_miss"))
    h.key("m")
    h.press("menu_focus")
    h.touch(h.texts.name("approach_deg"))
    h.press("voice")
    h.touch(outside)
    assert h.say("voice_missing") in h.stage.view.lines and h.voice.loaded == {}
    h.said = SPOKEN
    h.touch(outside)
    assert list(h.voice.loaded) == ["miss"] and h.say("voice_kept") in h.stage.view.lines
    h.touch(h.say("voice_is", which=h.say("voice_miss")))
    assert h.voice.loaded == {} and h.kept == []
    h.close()
