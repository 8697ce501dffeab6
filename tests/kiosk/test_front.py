"""What people in front of the kiosk get and do, with the real loop, log and screen: turns, plans, limits, pain, taking back.

Every claim is read back from the log or off the screen's own view.
"""
from __future__ import annotations

from datetime import timedelta

import pytest

from creaseside.settings import FocusCue
from kiosk import session
from kiosk.faults import Fault
from tests.eye.hall import RECORDED, Blank, Hall
from tests.eye.walk import card

LANE = FocusCue("approach_deg", -5.0, 5.0)
KNEE = FocusCue("front_knee_ffc_deg", 160.0)


@pytest.fixture
def hall(tmp_path):
    made = []

    def make(settings: str = "", people=(("Sam", "adult"),), focus: FocusCue | None = LANE, **how) -> Hall:
        """A hall with these players (name, age group) on the list."""
        first = Hall(tmp_path, film=Blank())
        ids = [first.log.add_player(name, "right", age_group=group) for name, group in people]
        first.close()
        made.append(Hall(tmp_path, settings, tuple(ids), focus, film=Blank(), **how))
        made[-1].ids = ids
        return made[-1]
    yield make
    for one in made:
        one.close()


def rows(hall: Hall, who: int = 0) -> list[dict]:
    return hall.log.ball_rows(player=hall.ids[who])


# Turns

def test_a_ball_belongs_to_whoever_was_up_at_its_release(hall):
    """The next player is called while the ball before is still being measured."""
    h = hall(people=(("Sam", "adult"), ("Kim", "adult")))
    h.clock.pass_s(5)
    released_ns = h.clock.ns
    h.clock.pass_s(0.3)
    h.key("n")
    assert h.turns.up.bowler.name == "Kim" and h.engine.arm == "right"
    h.cuttings.landing[1] = released_ns, RECORDED[0]["values"]["ffc_s"][0]
    h.engine.bowl(RECORDED[0], released_ns)
    h.wait(0.1, 0.05)
    assert len(rows(h, 0)) == 1 and rows(h, 1) == []
    h.over(1)
    assert len(rows(h, 0)) == len(rows(h, 1)) == 1
    assert rows(h, 0)[0]["session"] != rows(h, 1)[0]["session"]
    assert [r["number"] for r in rows(h, 0) + rows(h, 1)] == [1, 1]


def test_one_key_goes_round_the_list_and_one_takes_it_back(hall):
    h = hall(people=(("Sam", "adult"), ("Kim", "adult"), ("Lou", "adult")))
    names = []
    for key in ("n", "n", "n", "p", "u", "u"):
        h.key(key)
        names.append((h.turns.up.bowler.name, h.stage.view.player, h.stage.view.next_player))
    assert names == [("Kim", "Kim", "Lou"), ("Lou", "Lou", "Sam"), ("Sam", "Sam", "Kim"), ("Lou", "Lou", "Sam"),
                     ("Sam", "Sam", "Kim"), ("Lou", "Lou", "Sam")]


def test_with_nobody_else_on_the_list_it_says_so(hall):
    h = hall()
    h.key("n")
    assert h.turns.up.bowler.name == "Sam" and h.stage.view.note == h.say("nobody_next")
    h.wait(8)
    assert h.stage.view.note == ""


def test_each_player_keeps_their_own_over_on_the_screen(hall):
    h = hall(people=(("Sam", "adult"), ("Kim", "adult")))
    h.over(1, approach_deg=1.0)
    h.key("n")
    assert h.stage.view.last == ()
    h.over(1, approach_deg=11.0)
    h.key("n")
    assert h.stage.view.last == ("hit",) and h.stage.view.ball == 1


# Feedback

PLAN = '[plan]\nblocks = "warm_up 1, focus 8"\n'


@pytest.mark.parametrize("schedule, values, words, sounds", [
    ("every", (1, 11, 1, 1), ["every"] * 4, ["hit", "miss", "hit", "hit"]),
    ("outside", (1, 11, 12, 1, 1), ["none", "outside", "outside", "back in", "none"], ["miss", "miss", "hit"]),
    ("on_request", (1, 11), ["none", "none"], [])])
def test_the_schedule_decides_what_is_heard_and_the_log_says_why(hall, schedule, values, words, sounds):
    h = hall(PLAN + f'feedback = "{schedule}"\n')
    h.over(1)
    for value in values:
        h.over(1, approach_deg=float(value))
    assert [r["feedback"] for r in rows(h)] == ["none", *words]
    assert h.voice.asked == sounds
    assert [r["verdict"] for r in rows(h)][1:] == ["hit" if v < 5 else "miss" for v in values]      # judged all the same


def test_a_ball_that_passes_in_silence_shows_no_verdict_and_leaves_no_mark(hall):
    h = hall(PLAN + 'feedback = "on_request"\n')
    h.over(1)
    seen = set()
    h.ball(1, approach_deg=11.0)
    for _ in range(60):
        h.wait(0.25)
        seen.add(h.stage.now)
    assert seen <= {"up", "block"} and h.stage.view.last == ("counted", "counted")


def test_a_player_who_asks_is_given_it_and_the_log_says_so(hall):
    h = hall(PLAN + 'feedback = "on_request"\n')
    h.over(1)
    h.over(1, approach_deg=11.0)
    h.key("r")
    h.wait(0.5)
    assert h.stage.now == "replay" and h.stage.view.word == h.texts.verdict("approach_deg", "miss", 11.0, -5, 5, "adult")
    assert rows(h)[-1]["feedback"] == "on request"
    assert [(f["kind"], f["way"]) for f in h.log.feedback(rows(h)[-1]["id"])] == [("replay", "on request")]


def test_nothing_is_given_on_request_where_the_block_is_for_none(hall):
    h = hall('[plan]\nblocks = "baseline 3, focus 3"\n')
    h.over(1)
    h.key("r")
    assert h.stage.now == "up" and h.stage.view.note == h.say("not_in_block") and rows(h)[0]["feedback"] == "none"


def test_after_two_overs_an_adult_gets_the_over_as_one(hall):
    """Fading for adults: every ball, every second, then one word for six balls: here of a mean of 11 degrees."""
    h = hall('[plan]\nblocks = "focus 18"\nfeedback = "fading"\n')
    for _ in range(17):
        h.over(1, approach_deg=11.0)
    sounds = len(h.voice.asked)
    h.ball(1, approach_deg=12.0)
    h.until("verdict")
    view = h.stage.view
    assert (view.verdict, view.note, view.replay) == ("miss", h.say("over"), None) and view.value.startswith("11")
    h.wait(30, 1.0)
    assert rows(h)[-1]["feedback"] == "over" and len(h.voice.asked) == sounds and h.stage.now == "up"


# Under 18

def test_no_way_leads_to_a_straighter_leg_for_somebody_under_18(hall):
    """Settings, command line, somebody who comes later, and the coach's own page."""
    h = hall(people=(("Sam", "adult"), ("Noor", "u13")), focus=KNEE)
    with pytest.raises(Fault, match="under 18"):
        session.allowed(KNEE, h.log, h.ids[1], h.place)
    assert h.turns.up.focus and h.engine.focus.measure == KNEE.measure
    h.key("n")
    assert h.turns.up.bowler.name == "Noor" and h.turns.up.cue is None and h.engine.focus is None
    h.key("m")
    h.press("menu_focus")
    h.touch(h.texts.name(KNEE.measure))
    words = [c.words for c in h.stage.view.choices]
    assert h.say("window_set") not in words and h.say("window_posts") not in words
    assert h.say("window_baseline") in words and h.say("window_under_18") in h.stage.view.lines


def test_the_own_band_of_a_child_stands_round_their_own_baseline(hall):
    """Balls of 150, 152, 154, 156 and 158 degrees: their mean is 154; the band is 8 to either side, the tolerance."""
    h = hall('[plan]\nblocks = "baseline 5, focus 4"\n', (("Noor", "u13"),), None)
    h.key("m")
    h.press("menu_focus")
    h.touch(h.texts.name(KNEE.measure))
    h.press("window_baseline")
    for knee in (150.0, 152.0, 154.0, 156.0, 158.0):
        h.over(1, front_knee_ffc_deg=knee)
    assert (h.engine.focus.at_least, h.engine.focus.at_most) == (146.0, 162.0)
    h.over(1, front_knee_ffc_deg=154.0)
    assert rows(h)[-1]["verdict"] in ("hit", "unsure") and rows(h)[-1]["block_kind"] == "focus"
    assert h.log.session(rows(h)[-1]["session"])["at_least"] == 146.0


# Workload

def test_a_spells_limit_is_over_after_a_rest_and_the_days_is_not(hall):
    """Under 17: 30 balls a spell, 36 a day, 20 minutes between spells (config/workload.toml, from Cricket Australia's)."""
    h = hall(people=(("Ada", "u16"),))
    for _ in range(30):
        h.key("a")
        h.clock.pass_s(5)
    assert h.turns.up.limit.limit == "spell_balls" and h.turns.up.stint.quiet
    h.wait(2)
    assert h.stage.now == "limit" and h.stage.view.word == h.say("limit_spell")
    h.over(1)
    assert rows(h)[-1]["feedback"] == "none" and rows(h)[-1]["verdict"] == "hit"
    h.clock.pass_s(21 * 60)
    h.wait(3)
    assert h.turns.up.limit is None and h.stage.now in ("up", "waiting")
    h.over(1)
    assert rows(h)[-1]["feedback"] == "every"
    for _ in range(4):
        h.over(1)
    assert h.turns.up.limit.limit == "day_balls" and len(rows(h)) == 36 and h.stage.now == "limit"
    h.clock.pass_s(21 * 60)
    h.wait(3)
    assert h.turns.up.limit.limit == "day_balls"


def test_balls_of_an_earlier_run_today_count(hall):
    h = hall(people=(("Noor", "u13"),))
    h.log.add_counted(h.turns.up.session, player=h.ids[0])
    again = h.front.turns._seat_of(h.ids[0])
    assert again.load.day_balls == 1 and again.load.uses[1].allowed == 24


def test_an_adult_and_a_guest_are_held_to_no_table(hall):
    h = hall()
    assert h.turns.up.load.state == "no_guidance"
    assert h.front.turns._seat_of(None).load is None


# Taking back

def test_an_added_ball_counts_and_is_taken_back(hall):
    h = hall()
    h.over(1)
    h.key("a")
    assert [r["source"] for r in rows(h)] == ["seen", "added by hand"] and h.stage.view.block_ball == 3
    assert h.turns.up.load.day_balls == 2
    h.key("u")
    assert [r["source"] for r in rows(h)] == ["seen"] and h.stage.view.block_ball == 2 and h.turns.up.load.day_balls == 1
    h.key("u")
    assert h.stage.view.note == h.say("nothing_to_undo")


def test_a_ball_that_was_seen_is_not_taken_back(hall):
    h = hall()
    h.over(1)
    with pytest.raises(Fault, match="seen"):
        h.log.remove_counted(rows(h)[0]["id"])


def test_a_speed_joins_the_last_ball_and_is_taken_back(hall):
    h = hall()
    h.over(1)
    h.key("1", "1", "2", "return")
    assert rows(h)[0]["ball_speed_km_h"] == 112 and "112 km/h" in h.stage.view.note
    h.key("1", "1", "5", "return", "u")
    assert rows(h)[0]["ball_speed_km_h"] == 112
    h.key("u")
    assert rows(h)[0]["ball_speed_km_h"] is None


def test_a_speed_before_the_first_ball_says_so(hall):
    h = hall()
    h.key("1", "1", "2", "return")
    assert h.stage.view.note == h.say("no_ball_yet")


def test_a_skipped_block_comes_back(hall):
    h = hall('[plan]\nblocks = "warm_up 3, focus 3"\n')
    h.key("s")
    assert h.stage.now == "block" and h.turns.up.stint.spot.kind == "focus"
    assert h.log.session(h.turns.up.session)["plan"] == "focus 3"
    h.key("u")
    assert h.turns.up.stint.spot.kind == "warm_up" and h.log.session(h.turns.up.session)["plan"] == "warm_up 3, focus 3"


# Pain

def test_pain_stops_the_session_says_who_to_see_and_keeps_no_reason(hall):
    h = hall(people=(("Noor", "u13"), ("Sam", "adult")))
    h.over(1)
    h.key("h")
    assert h.stage.view.choices[0].words == h.say("pain_yes")       # the safe answer first
    h.key("return")
    assert h.stage.now == "pain" and h.stage.view.under_18
    h.wait(400, 20.0)
    assert h.stage.now == "pain"
    h.over(1)
    assert h.voice.asked == ["hit"] and [r["feedback"] for r in rows(h)] == ["every", "none"]
    stored = h.log.session(h.turns.up.session)
    assert stored["stopped_utc"] and not any("pain" in str(v) or "hurt" in str(v) for v in stored.values())
    h.key("u")
    assert h.turns.up.stopped                                       # no key takes that back
    h.key("n")
    assert h.stage.now == "up" and h.stage.view.player == "Sam" and not h.turns.up.stopped
    h.key("n")
    assert h.stage.now == "pain"
    again = h.front.turns._seat_of(h.ids[0])
    assert again.stopped                                            # also after a restart
    h.key("m")
    h.press("menu_go_on")
    assert not h.turns.up.stopped and h.log.session(h.turns.up.session)["stopped_utc"] is None


def test_pain_stops_the_session_on_a_disk_that_takes_nothing(hall, monkeypatch):
    h = hall(people=(("Noor", "u13"),))
    h.over(1)
    writes, refusing = h.log.stop_session, [True]

    def stop(*given):
        if refusing:
            raise Fault("to stop a session", "a disk that does not do as it is told", "look at it") from OSError(30, "read-only")
        writes(*given)
    monkeypatch.setattr(h.log, "stop_session", stop)
    h.key("h", "return")
    assert h.stage.now == "pain" and h.turns.up.stopped
    h.over(1)
    assert h.voice.asked == ["hit"]                                 # nothing is given any more
    assert h.log.session(h.turns.up.session)["stopped_utc"] is None
    refusing.clear()
    h.wait(8)
    assert h.log.session(h.turns.up.session)["stopped_utc"]


def test_pressed_by_mistake_stops_nothing(hall):
    h = hall()
    h.key("h", "n", "return")
    assert h.stage.now == "up" and not h.turns.up.stopped


# The coach at the screen

def test_while_the_coach_is_at_the_screen_balls_are_counted_and_take_no_screen(hall):
    h = hall()
    h.key("m")
    h.over(1)
    assert h.stage.now == "ask" and len(rows(h)) == 1 and h.voice.asked == ["hit"]
    h.key("escape")
    h.wait(20, 1.0)
    assert h.stage.now == "up" and h.stage.view.last == ("hit",)


def test_a_page_that_nobody_answers_goes_away(hall):
    h = hall()
    h.key("m")
    h.wait(70, 1.0)
    assert h.stage.now == "up" and not h.desk.open and h.inputs.mode == "bowling"
    h.over(1)
    assert len(rows(h)) == 1


def test_nobody_passes_without_the_pin_and_who_guesses_waits(hall, monkeypatch):
    h = hall()
    h.pin.set("4711")
    h.key("m")
    for _ in range(4):
        h.key("1", "2", "3", "4", "return")
    assert h.stage.view.question.startswith(h.say("pin_wait", seconds=h.pin.wait_s)) and h.pin.wait_s > 20
    h.key("4", "7", "1", "1", "return")
    assert h.say("menu_players") not in [c.words for c in h.stage.view.choices]
    h.clock.pass_s(40)
    h.key("escape", "m", "4", "7", "1", "1", "return")
    assert h.say("menu_players") in [c.words for c in h.stage.view.choices]


def test_a_foot_switch_of_three_buttons_does_all_of_it(hall):
    """Forward, back and choose: a plan is set with nothing else. The presenter's keys are page down, page up and full stop."""
    h = hall()
    h.key("m")
    labels = [c.words for c in h.stage.view.choices]
    h.key(*["page down"] * labels.index(h.say("menu_plan")), ".")
    labels = [c.words for c in h.stage.view.choices]
    h.key(*["page down"] * (labels.index(h.say("plan_usual")) + 1), "page up", ".", "escape", "escape")
    assert str(h.turns.up.stint.plan) == "warm_up 6, baseline 6, focus 12, no_feedback 6"
    h.key("u")
    assert not h.turns.up.stint.planned


def test_another_focus_after_judged_balls_is_another_session(hall):
    h = hall()
    h.over(1)
    h.key("m")
    h.press("menu_focus")
    h.touch(h.texts.name("turn_deg"))
    h.press("window_set")
    h.over(1)
    first, second = rows(h)
    assert first["session"] != second["session"]
    assert [first["measure"], second["measure"]] == ["approach_deg", "turn_deg"]


# Check-in

def test_a_card_calls_its_player_once(hall):
    h = hall(people=(("Sam", "adult"), ("Kim", "adult")))
    number = h.log.card(h.ids[1])
    h.clock.pass_s(61)
    h.wait(2)
    h.film.card = card(number)
    h.wait(3)
    assert h.turns.up.bowler.name == "Kim" and h.stage.view.note == h.say("checked_in", player="Kim")
    h.key("n")
    h.wait(3)
    assert h.turns.up.bowler.name == "Sam"        # it is still held up, and counts no second time
    h.film.card = None
    h.wait(8)
    h.film.card = card(number)
    h.wait(3)
    assert h.turns.up.bowler.name == "Kim"


def test_a_card_of_nobody_says_so(hall):
    h = hall()
    number = h.log.card(h.ids[0])
    h.clock.pass_s(61)
    h.film.card = card((number + 1) % 1000)
    h.wait(4)
    assert h.stage.view.note == h.say("card_unknown") and h.turns.up.bowler.name == "Sam"


# Days

def test_a_new_day_is_a_new_session_with_the_plan_from_its_beginning(hall):
    h = hall('[plan]\nblocks = "warm_up 2, focus 3"\n', (("Noor", "u13"),))
    for _ in range(3):
        h.over(1)
    h.key("h", "return")
    assert h.turns.up.stopped
    h.clock.pass_s(30 * 3600)
    h.key("escape")
    h.wait(2)
    seat = h.turns.up
    assert not seat.stopped and seat.stint.spot.kind == "warm_up" and seat.marks == ()
    h.over(1)
    first, *_, last = rows(h)
    assert first["session"] != last["session"] and last["number"] == 1
    assert h.log.session(last["session"])["plan"] == "warm_up 2, focus 3"
    assert h.log.session(first["session"])["ended_utc"]


def test_midnight_alone_ends_no_session(hall):
    h = hall('[plan]\nblocks = "warm_up 9"\n')
    now = h.clock.utc_and_ns()[0]
    h.clock.pass_s((23 - now.hour) * 3600 + (58 - now.minute) * 60)
    h.over(1)
    before = h.clock.utc_and_ns()[0].date()
    h.clock.pass_s(240)
    h.over(1)
    assert h.clock.utc_and_ns()[0].date() > before
    assert [r["number"] for r in rows(h)] == [1, 2] and h.turns.up.stint.spot.ball == 3


def test_a_clock_that_is_set_a_day_on_ends_no_session(hall):
    h = hall('[plan]\nblocks = "warm_up 9"\n', (("Noor", "u13"),))
    h.over(1)
    as_it_was = h.clock.utc_and_ns
    h.clock.utc_and_ns = lambda: (as_it_was()[0] + timedelta(days=1), h.clock.now_ns())
    h.wait(2)
    h.key("escape")
    h.over(1)
    del h.clock.utc_and_ns
    h.over(1)
    assert [r["number"] for r in rows(h)] == [1, 2, 3] and h.turns.up.load.days_in_7 == 1


def test_a_night_that_the_machine_slept_through_is_a_new_day(hall):
    h = hall('[plan]\nblocks = "warm_up 9"\n')
    h.over(1)
    h.clock.sleep_s(30 * 3600)
    h.wait(2)
    h.key("escape")
    h.wait(2)
    h.over(1)
    assert [r["number"] for r in rows(h)] == [1, 1]


def test_a_day_off_is_said_before_the_first_ball(hall):
    """Under 13: one bowling day in a row (the shipped table). Yesterday was one."""
    h = hall(people=(("Sam", "adult"), ("Noor", "u13")))
    h.log.add_counted(h.log.start_session(h.ids[1]), player=h.ids[1])
    h.clock.pass_s(24 * 3600)
    h.key("n")
    assert h.stage.now == "limit" and h.stage.view.word == h.say("limit_days")
    h.over(1)
    assert rows(h, 1)[-1]["feedback"] == "none" and h.voice.asked == []


def test_a_block_says_itself_when_its_first_ball_is_to_come(hall):
    h = hall('[plan]\nblocks = "warm_up 1, focus 3"\n', (("Sam", "adult"), ("Kim", "adult")))
    h.wait(1)
    assert h.stage.now == "block" and h.stage.view.block == h.texts.block("warm_up")[0]
    h.key("n")
    assert h.turns.up.bowler.name == "Kim" and h.stage.now == "block"
    h.over(1)
    h.wait(10, 1.0)
    h.over(1)
    h.key("n", "n")
    assert h.turns.up.bowler.name == "Kim" and h.stage.now == "up"
