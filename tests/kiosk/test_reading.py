"""Reading order and contrast of every screen, by numbers: what matters most is highest and largest, and stands out."""
from __future__ import annotations

import pytest

from kiosk.drawing import letters, plates, tokens
from kiosk.scenes.stage import Stage
from kiosk.screen import Screen
from kiosk.texts import LANGUAGES, Texts
from creaseside.settings import Screen as Asked
from tests.eye import scenes as eye

SMALL_TEXT, LARGE_TEXT = 4.5, 3.0      # WCAG 2.1, 1.4.3, level AA; large: 14 pt bold and more
FOLLOWS = {"up": ("player", "cue", "next_player"), "verdict": ("word", "value"), "replay": ("word", "value"),
           "block": ("block", "block_note"), "ask": ("question",)}


def luminance(colour: tokens.Colour) -> float:
    """WCAG 2.1's relative luminance."""
    parts = [c / 255 for c in colour]
    r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a: tokens.Colour, b: tokens.Colour) -> float:
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_the_formula_by_the_standards_own_ends():
    """Black on white is 21 to 1, a colour on itself 1 to 1 (WCAG 2.1, definition of contrast ratio)."""
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21) and contrast((9, 9, 9), (9, 9, 9)) == 1


@pytest.fixture
def written(monkeypatch) -> list[tuple]:
    """(text, colour, ground beneath, where, letter height) of all that is written from now on."""
    out: list[tuple] = []

    def words(onto, box, text, colour=tokens.CHALK, lines=1, most_px=None, across=0.5, down=0.5):
        block = letters.fit(text, box.size, colour, lines, most_px, round(tokens.LEAST * onto.get_height()))
        if block is None:
            return box
        ground = onto.get_at((min(max(box.centerx, 0), onto.get_width() - 1),
                              min(max(box.y + 1, 0), onto.get_height() - 1)))[:3]
        place = block.draw(onto, box, across, down)
        out.append((text, colour, tuple(ground), place, block.letter_px))
        return place
    monkeypatch.setattr(plates, "words", words)
    return out


def screens(language: str):
    on = Stage(Screen(Asked(), headless=True), Texts(language), eye.pictures())
    for name, scene, view, after_ns in eye.screens(Texts(language)):
        on.show(scene, view, 0)
        on.scene.tick(0)
        yield name, scene, view, after_ns, on


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_word_stands_out_from_its_ground(language, written):
    for name, _, _, _, on in screens(language):
        assert written or name.startswith("waiting"), name
        for text, colour, ground, _, letter_px in written:
            least = LARGE_TEXT if letter_px >= 0.04 * 720 else SMALL_TEXT
            assert contrast(colour, ground) >= least, (name, text, colour, ground)
        written.clear()


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_matters_most_is_read_first(language, written):
    """From top to bottom in the order of FOLLOWS, and the main thing in the largest letters."""
    for name, scene, view, _, _ in screens(language):
        wanted = [getattr(view, field).upper() for field in FOLLOWS.get(scene, ()) if getattr(view, field)]
        places = {text.upper(): (place, letter_px) for text, _, _, place, letter_px in written}
        tops = [places[text][0].top for text in wanted if text in places]
        assert tops == sorted(tops) and len(tops) >= bool(wanted), (name, wanted, sorted(places))
        if scene in ("verdict", "replay") and view.word:
            assert places[view.word.upper()][1] == max(letter_px for _, letter_px in places.values()), name
        written.clear()


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_word_lies_over_another(language, written):
    for name, _, _, _, _ in screens(language):
        boxes = [(text, place) for text, _, _, place, _ in written]
        for i, (text, place) in enumerate(boxes):
            for other, there in boxes[i + 1:]:
                over = place.clip(there)
                assert min(over.size) <= 2, (name, text, other, tuple(over))
        written.clear()
