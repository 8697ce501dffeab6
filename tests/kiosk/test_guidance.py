"""The workload table in use: the home's own, else the one that came along; faults in one line."""
from __future__ import annotations

import pytest

from kiosk import guidance
from kiosk.faults import Fault
from tests.kiosk.bowled import home


def test_the_shipped_table_holds_until_the_home_has_its_own(tmp_path):
    place = home(tmp_path)
    shipped = guidance.text(place)
    assert guidance.table(shipped).name == "training"
    (place.home / "workload.toml").write_text(shipped.replace('use = "training"', 'use = "match"'), "utf-8")
    assert guidance.table(guidance.text(place)).name == "match"


@pytest.mark.parametrize("words, found", [("use = [", "not TOML"), ("use = 3", "asked words, found 3"), ("", "missing")])
def test_a_table_that_is_wrong_says_so_in_one_line(words, found):
    with pytest.raises(Fault, match=found) as e:
        guidance.table(words)
    assert "\n" not in str(e.value)


def test_a_table_that_is_not_text_says_so(tmp_path):
    place = home(tmp_path)
    (place.home / "workload.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(Fault, match="workload.toml"):
        guidance.text(place)
