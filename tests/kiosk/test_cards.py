"""Cards: a printed card in a frame gives its player's number, and nothing else does."""
from __future__ import annotations

import json
import re

import cv2
import numpy as np
import pytest

from kiosk import cards
from kiosk.__main__ import main
from kiosk.logbook import Logbook, Reader, erasing
from kiosk.place import Place
from kiosk.sources import DEMO

SIZE_PX = 560            # of the white card that is put into a frame; its pattern has eight tenths of it


def held(bgr: np.ndarray, number: int, wide_px: float, turn_deg: float, roll_deg: float, middle=(640, 300)) -> np.ndarray:
    """The frame with a card in it, as wide as `wide_px`, turned away from the camera and rolled; seen with some noise."""
    card = np.where(np.kron(cards.pattern(number), np.ones((50, 50), bool)), 25, 215).astype(np.uint8)
    card = cv2.copyMakeBorder(card, 80, 80, 80, 80, cv2.BORDER_CONSTANT, value=215)
    soft = cv2.GaussianBlur(card, (0, 0), max(0.1, 0.4 * 400 / wide_px))
    a, half = np.radians(roll_deg), wide_px * 1.4 / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half * [np.cos(np.radians(turn_deg)), 1]
    corners = corners @ [[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]] + middle
    flat = np.float32([[0, 0], [SIZE_PX, 0], [SIZE_PX, SIZE_PX], [0, SIZE_PX]])
    to = cv2.getPerspectiveTransform(flat, np.float32(corners))
    size = bgr.shape[1], bgr.shape[0]
    seen, there = cv2.warpPerspective(soft, to, size), cv2.warpPerspective(np.full_like(card, 255), to, size) > 127
    out = bgr.copy()
    out[there] = seen[there, None]
    return np.clip(out + np.random.default_rng(number).normal(0, 4, out.shape), 0, 255).astype(np.uint8)


def frames(first: int, last: int, step: int) -> list[np.ndarray]:
    tape, out = cv2.VideoCapture(str(DEMO)), []
    for frame in range(first, last, step):
        tape.set(cv2.CAP_PROP_POS_FRAMES, frame)
        out.append(tape.read()[1])
    return out


@pytest.fixture(scope="module")
def net() -> np.ndarray:
    return frames(0, 1, 1)[0]


@pytest.mark.parametrize("turn_deg", (-40, 0, 40))
@pytest.mark.parametrize("roll_deg", (-20, 0, 90))
def test_a_card_that_is_held_up_is_read(net, turn_deg, roll_deg):
    for number in (0, 7, 431, 999):
        assert cards.read(held(net, number, 40, turn_deg, roll_deg)) == [number]


def test_a_card_is_read_at_1080p_and_beside_another(net):
    large = cv2.resize(net, (1920, 1080))
    assert cards.read(held(held(large, 12, 60, 10, 5), 700, 60, 0, 0, (1200, 500))) == [12, 700]


def test_a_net_with_bowlers_holds_no_card():
    assert [n for bgr in frames(0, 3000, 200) for n in cards.read(bgr)] == []


def test_noise_holds_no_card():
    r = np.random.default_rng(3)
    for _ in range(20):
        noise = cv2.resize(r.integers(0, 256, (90, 160, 3), np.uint8), (1280, 720), interpolation=cv2.INTER_NEAREST)
        assert cards.read(noise) == []


def test_a_card_in_the_mirror_is_none(net):
    assert cards.read(cv2.flip(held(net, 431, 60, 0, 0), 1)) == []


# The page, and whose card it is

@pytest.fixture
def place(tmp_path):
    return Place(tmp_path / "home", quiet=True)


def printed(place, *args) -> tuple[dict, str]:
    page = place.home / "cards.html"
    assert main(["--home", str(place.home), "--json", "players", "cards", "-o", str(page), *args]) == 0
    return page.read_text("utf-8")


def drawn(svg: str) -> np.ndarray:
    """The pattern of an <svg> as pixels, eight a cell with a white rim: what a camera would see of the print."""
    grid = np.full((10, 10), 255, np.uint8)
    for x, y in re.findall(r"M(\d) (\d)h1", svg):
        grid[int(y) + 1, int(x) + 1] = 0
    return cv2.cvtColor(np.kron(grid, np.ones((8, 8), np.uint8)), cv2.COLOR_GRAY2BGR)


def test_each_player_has_a_card_with_their_name_that_reads_as_theirs(place, capsys):
    with Logbook(place) as log:
        ids = [log.add_player(name) for name in ("Ana <b>", "क्षितिज", "Ben")]
    page = printed(place)
    told = json.loads(capsys.readouterr().out)["players"]
    assert [t["id"] for t in told] == ids and "Ana &lt;b&gt;" in page and "क्षितिज" in page and "<b>" not in page
    read = [cards.read(drawn(svg)) for svg in re.findall(r"<svg.*?</svg>", page)]
    assert read == [[t["card"]] for t in told]
    with Reader(place) as log:
        assert [log.player_of_card(numbers[0])["id"] for numbers in read] == ids
    assert "://" not in page                               # nothing of it comes from anywhere else


def test_a_card_is_for_ever_until_its_player_is_erased(place):
    with Logbook(place) as log:
        ana, ben = log.add_player("Ana"), log.add_player("Ben")
        number = log.card(ana)
        assert log.card(ana) == number != log.card(ben)
        erasing.player(log, ana)
        assert log.player_of_card(number) is None


def test_the_cards_of_some_and_of_nobody(place, capsys):
    page = place.home / "cards.html"
    assert main(["--home", str(place.home), "players", "cards", "-o", str(page)]) == 1
    assert "no player in the log" in capsys.readouterr().err
    with Logbook(place) as log:
        log.add_player("Ana")
        ben = log.add_player("Ben")
    assert "Ana" not in re.sub("base64.*?\\)", "", printed(place, ben))


def test_no_number_is_given_twice(place, monkeypatch):
    monkeypatch.setattr("kiosk.logbook.writing.NUMBERS", 3)
    with Logbook(place) as log:
        assert sorted(log.card(log.add_player(n)) for n in "abc") == [0, 1, 2]
        with pytest.raises(Exception, match="erase players who left"):
            log.card(log.add_player("d"))
