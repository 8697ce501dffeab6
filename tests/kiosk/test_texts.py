"""The words: complete in both languages, short, and such as may be said to that age."""
from __future__ import annotations

import math
import re

import pytest

from creaseside.ball import QUANTITIES
from kiosk.drawing import letters
from kiosk.texts import AGES, LANGUAGES, Texts, _catalogue, age_of_words

MEASURES = [q.name for q in QUANTITIES]
EVERY = [(language, measure, age) for language in LANGUAGES for measure in MEASURES for age in AGES]
# What would praise a straighter leg or more pace. "less bent" names an end of the line and praises nothing.
PRAISE = re.compile(r"tall|straight|brace|lock|stiff|strong|hard|fast|quick|speed|pace|better|best|good|"
                    r"सीध|तन|तेज़|फुर्ती|मज़बूत|अच्छ|बेहतर", re.IGNORECASE)
BODY_AND_SPEED = [m for m in MEASURES if "knee" in m or "speed" in m]


def leaves(tree: dict, path: tuple = ()) -> dict[tuple, str]:
    out = {}
    for key, value in tree.items():
        out |= leaves(value, (*path, key)) if isinstance(value, dict) else {(*path, key): value}
    return out


def sides(texts: Texts, measure: str, age: str) -> list[str]:
    return [texts.verdict(measure, verdict, value, 10.0, 20.0, age)
            for verdict, value in (("hit", 15.0), ("miss", 5.0), ("miss", 25.0))]


def test_both_languages_have_the_same_words_with_the_same_fields():
    english, hindi = (leaves(_catalogue(language)) for language in LANGUAGES)
    assert english.keys() == hindi.keys()
    for key, words in english.items():
        if isinstance(words, str):
            assert set(re.findall(r"{(\w+)}", words)) == set(re.findall(r"{(\w+)}", hindi[key])), key
            assert words == hindi[key] or not re.search("[A-Za-z]", hindi[key].replace("{", "").replace("}", "")) \
                or "{" in hindi[key] or key[0] == "measure", (key, hindi[key])


@pytest.mark.parametrize("language, measure, age", EVERY)
def test_every_measure_has_its_words(language, measure, age):
    texts = Texts(language)
    assert texts.name(measure)
    for words in sides(texts, measure, age):
        assert 1 <= len(words.split()) <= 3
    assert all(texts.ends(measure, age)) and len(texts.ends(measure, age)) == 2
    assert len(texts.cue(measure, age).split()) <= 6


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_face_has_every_letter(language):
    for key, words in leaves(_catalogue(language)).items():
        for text in words if isinstance(words, list) else [words]:
            if isinstance(text, str):
                text = text.replace("\n", " ")
                assert letters.writable(text) and letters.writable(text.upper()), (key, text)


def test_a_letter_that_the_face_lacks_is_told():
    assert letters.writable("Zoë Łuczak क्षितिज") and not letters.writable("漢")


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("measure", BODY_AND_SPEED)
@pytest.mark.parametrize("age", ["teen", "child"])
def test_under_18_nobody_hears_that_straighter_or_faster_is_better(language, measure, age):
    texts = Texts(language)
    inside, below, above = sides(texts, measure, age)
    assert below == above != inside         # the side is not said: neither is the good one
    for words in (inside, below, above, texts.cue(measure, age), *texts.ends(measure, age)):
        assert not PRAISE.search(words), words


def test_the_same_search_finds_the_adults_words():
    assert PRAISE.search(sides(Texts("en"), "front_knee_ffc_deg", "adult")[0])
    assert PRAISE.search(sides(Texts("hi"), "front_knee_ffc_deg", "adult")[0])


@pytest.mark.parametrize("verdict, value, words", [
    ("hit", 170.0, "tall leg"), ("miss", 150.0, "soft leg"), ("unsure", 162.0, "not sure"), (None, None, "not seen"),
    ("hit", math.nan, "not seen"), (None, 170.0, "not seen")])
def test_words_for_a_verdict(verdict, value, words):
    assert Texts("en").verdict("front_knee_ffc_deg", verdict, value, 163.0, None, "adult") == words


@pytest.mark.parametrize("value, words", [(9.0, "lane: left"), (-9.0, "lane: right"), (0.0, "in your lane")])
def test_left_is_the_bowlers_left(value, words):
    verdict = "hit" if value == 0 else "miss"
    assert Texts("en").verdict("approach_deg", verdict, value, -4.0, 4.0, "adult") == words
    assert Texts("en").ends("approach_deg", "adult") == ("left", "right")


@pytest.mark.parametrize("measure, value, sd, shown", [
    ("front_knee_ffc_deg", 168.4, 2.9, "168°"), ("front_knee_ffc_deg", 168.4, 0.4, "168°"),
    ("front_knee_ffc_deg", 168.4, 12.0, "170°"), ("front_knee_ffc_deg", 168.4, None, "168°"),
    ("trunk_lean_br_deg", -3.6, 1.0, "−4°"), ("trunk_lean_br_deg", -0.3, 1.0, "0°"),
    ("approach_deg", 9.2, 1.0, "9° left"), ("approach_deg", -9.2, 1.0, "9° right"), ("approach_deg", 0.3, 1.0, "0°"),
    ("stride_length_m", 1.428, 0.03, "1.43 m"), ("stride_length_m", 1.428, 0.15, "1.4 m"),
    ("front_foot_offset_m", -0.124, 0.02, "12 cm right"), ("front_foot_offset_m", 0.124, 0.1, "10 cm left"),
    ("run_up_speed_m_s", 6.43, 0.2, "6.4 m/s"), ("run_up_speed_m_s", 6.43, 1.2, "6 m/s"),
    ("speed_kept", 0.873, 0.02, "87 %"), ("bfc_to_ffc_s", 0.1234, 0.004, "0.12 s"),
    ("front_knee_ffc_deg", None, None, ""), ("front_knee_ffc_deg", math.nan, 1.0, "")])
def test_numbers_are_rounded_to_what_the_error_allows(measure, value, sd, shown):
    assert Texts("en").number(measure, value, sd, "adult") == shown


def test_the_youngest_are_shown_no_number():
    assert all(Texts(language).number(m, 1.0, 0.1, "child") == "" for language in LANGUAGES for m in MEASURES)


@pytest.mark.parametrize("group, born, age", [
    ("adult", None, "adult"), ("u11", None, "child"), ("u12", None, "child"), ("u13", None, "teen"),
    ("u19", None, "teen"), (None, None, "teen"), ("", None, "teen"), ("adult", 2010, "teen"), (None, 2008, "teen"),
    (None, 2007, "adult"), (None, 2016, "child")])
def test_age_of_words_is_adult_only_where_it_is_sure(group, born, age):
    assert age_of_words(group, born, 2026) == age
