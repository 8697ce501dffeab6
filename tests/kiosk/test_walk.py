"""A whole session walked through, by numbers: letters, contrast, reading order, and what the log says of it afterwards."""
from __future__ import annotations

import numpy as np
import pytest

from kiosk.drawing import letters
from kiosk.texts import LANGUAGES
from tests.eye.hall import Blank, Hall
from tests.eye.walk import walk


class Walked:
    """One walk: the heights of all letters that were drawn, what every photographed screen said, and the log."""

    def __init__(self, folder, language: str) -> None:
        self.heights: list[tuple[str, float]] = []
        self.colours: set[tuple[tuple, tuple]] = set()
        self.shots: dict[str, str] = {}
        draw, patch = letters.Block.draw, pytest.MonkeyPatch()
        self.hall = Hall(folder, language=language, film=Blank())

        def drawn(block, *given):
            self.heights.append((self.hall.stage.view.question, block.letter_px / 720))
            return draw(block, *given)
        patch.setattr(letters.Block, "draw", drawn)
        try:
            self.ids = walk(self.hall, lambda name: self.shots.update({name: self.hall.stage.now}))
        finally:
            patch.undo()


@pytest.fixture(scope="module", params=LANGUAGES)
def walked(request, tmp_path_factory):
    one = Walked(tmp_path_factory.mktemp("walk"), request.param)
    yield one
    one.hall.close()


def test_nothing_fails_on_the_way(walked):
    assert walked.hall.kept == [] and walked.hall.loop.parts.health.snapshot(0).counts.get("faults", 0) == 0


def test_every_letter_on_the_way_is_four_hundredths_of_the_screen(walked):
    small = sorted({(page, round(height, 4)) for page, height in walked.heights if height < 0.04 - 0.5 / 720})
    assert walked.heights and small == []


def test_every_screen_was_the_one_it_should_be(walked):
    of = {"01": "waiting", "02": "ask", "05": "ask", "20": "up", "21": "block", "22": "block", "24": "up", "31": "replay",
          "32": "block", "40": "up", "44": "limit", "45": "up", "51": "ask", "52": "pain", "53": "up", "57": "waiting"}
    found = {name[:2]: scene for name, scene in walked.shots.items()}
    assert {n: found[n] for n in of} == of
    assert {scene for name, scene in walked.shots.items() if name.startswith("25_")} == {"verdict"}
    assert {scene for name, scene in walked.shots.items() if name.startswith("26_")} == {"replay"}


def test_the_log_says_who_bowled_what_in_which_block_and_what_was_given(walked):
    log, ids = walked.hall.log, walked.ids
    rows = [r for r in log.ball_rows(player=ids["bram"])]
    assert [r["block_kind"] for r in rows] == ["warm_up"] * 2 + ["baseline"] * 4 + ["focus"] * 5 + ["no_feedback"]
    assert [r["feedback"] for r in rows] == ["none"] * 6 + ["every"] * 5 + ["none"]
    assert [r["verdict"] for r in rows] == [None] * 6 + ["hit", "miss", "unsure", "hit", "unsure", "hit"]
    assert all(r["measure"] == "approach_deg" for r in rows)
    # mean of 1, 3, -1, 2 is 1.25; the band is the coach's 5 degrees to either side, more than their sd of 1.7
    assert {(r["at_least"], r["at_most"]) for r in rows} == {(-3.75, 6.25)}
    assert [r["ball_speed_km_h"] for r in rows] == [None] * 12            # typed, and taken back
    assert [bool(r["release_to_cue_s"]) for r in rows] == [False] * 6 + [True] * 5 + [False]
    assert walked.hall.voice.asked[:5] == ["hit", "miss", "unsure", "hit", "unsure"]
    given = [[f["kind"] for f in log.feedback(r["id"])] for r in rows]
    assert given[:6] == [[]] * 6 and all({"cue", "words"} <= set(g) for g in given[6:11]) and given[11] == []
    assert "replay" in given[10]                                         # the one that was asked for


def test_each_player_has_a_session_of_their_own(walked):
    log, ids = walked.hall.log, walked.ids
    bram, tara = (next(s for s in log.sessions(p) if s["player"] == p) for p in (ids["bram"], ids["tara"]))
    assert (bram["plan"], bram["measure"]) == ("warm_up 2, baseline 4, focus 5, no_feedback 2", "approach_deg")
    own = [r["front_knee_ffc_deg"] for r in log.ball_rows(player=ids["tara"]) if r["front_knee_ffc_deg"]]
    assert tara["measure"] == "front_knee_ffc_deg" and len(own) == 12
    assert (tara["at_least"] + tara["at_most"]) / 2 == pytest.approx(np.mean(own[:4]), abs=0.01)  # a band round her own first balls
    assert set(walked.hall.voice.asked[5:]) == {"hit"}
    assert tara["stopped_utc"] and not bram["stopped_utc"]
    assert "pain" not in str([log.ball_rows(player=ids["tara"]), log.session(tara["id"])])


def test_at_the_limit_the_cues_stop_and_the_log_goes_on(walked):
    rows = walked.hall.log.ball_rows(player=walked.ids["tara"])
    assert len(rows) == 25 and [r["feedback"] for r in rows[24:]] == ["none"]
    tara = next(seat for seat in walked.hall.turns.seats if seat.bowler.id == walked.ids["tara"])
    assert (tara.load.day_balls, tara.load.spell_balls, tara.limit.limit) == (25, 12, "day_balls")


def test_who_is_under_18_and_what_may_be_kept(walked):
    log, ids = walked.hall.log, walked.ids
    bram, tara = log.player(ids["bram"]), log.player(ids["tara"])
    assert (bram["under_18"], tara["under_18"]) == (False, True)
    assert (bram["arm"], tara["arm"], tara["age_group"]) == ("right", "left", "u13")
    assert [h["height_m"] for h in log.heights(ids["tara"])] == [1.52]
    assert log.consents(ids["tara"])[0]["role"] == "parent" and tara["may_keep"] == "clips"
