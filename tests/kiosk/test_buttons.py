"""Learned buttons are there again after a restart."""
from __future__ import annotations

import pytest

from kiosk import buttons
from kiosk.faults import Fault
from kiosk.inputs import USUAL, Inputs
from tests.kiosk.bowled import home


def test_what_was_learned_is_kept_and_the_usual_stays(tmp_path):
    place = home(tmp_path)
    assert buttons.table(place) == USUAL
    buttons.keep(place, {**USUAL, "button:9": "pain", 'key:"': "skip", "key:n": "replay"})
    found = buttons.table(place)
    assert (found["button:9"], found['key:"'], found["key:n"], found["key:r"]) == ("pain", "skip", "replay", "replay")
    Inputs(found)


def test_a_file_that_is_none_says_so(tmp_path):
    place = home(tmp_path)
    (place.home / "buttons.toml").write_text("[", "utf-8")
    with pytest.raises(Fault, match="learn them anew"):
        buttons.table(place)
