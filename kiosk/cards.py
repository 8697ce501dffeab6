"""Cards: a card with a printed pattern that a player holds to the camera to say who they are.

It reads a card's number out of a frame and draws the page to print. Whose number that is stands in the log, and what
follows from it is the session's to decide. Nobody's face is looked at.
"""
from __future__ import annotations

import html
from functools import lru_cache
from typing import Any, Mapping, Sequence

import numpy as np

NUMBERS = 1000           # of the dictionary: six by six cells, so that nothing in a net is taken for one by chance
READ_WIDTH_PX = 800      # a frame is read at this width: 10 to 25 ms (measured), and a pattern 32 px wide at 1280 is found
WINDOWS_PX = (5, 15, 10)           # of the local threshold, from, to, step: one less than the library's, for time
CORRECTED = 0.4          # share of the wrong cells that the code could mend which is mended; fewer, and fewer are invented
CELLS = 8                # of the pattern, its dark rim included


def read(bgr: np.ndarray) -> list[int]:
    """The numbers of the cards in a frame (H, W, 3), smallest first; empty where there is none.

    For when nobody runs in: it takes as long as a look of the pose model. A mirrored frame holds no card.
    """
    import cv2
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    if grey.shape[1] > READ_WIDTH_PX:
        size = READ_WIDTH_PX, round(grey.shape[0] * READ_WIDTH_PX / grey.shape[1])
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    _, numbers, _ = _detector().detectMarkers(grey)
    return sorted({int(n) for n in numbers.ravel()}) if numbers is not None else []


@lru_cache(1)
def _detector():
    import cv2
    how = cv2.aruco.DetectorParameters()
    how.adaptiveThreshWinSizeMin, how.adaptiveThreshWinSizeMax, how.adaptiveThreshWinSizeStep = WINDOWS_PX
    how.errorCorrectionRate = CORRECTED
    return cv2.aruco.ArucoDetector(_dictionary(), how)


def _dictionary():
    import cv2
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_1000)


def pattern(number: int) -> np.ndarray:
    """(8, 8) bool, True where the card is dark; 0 <= number < NUMBERS."""
    import cv2
    return cv2.aruco.generateImageMarker(_dictionary(), number, CELLS) == 0


def page(players: Sequence[Mapping[str, Any]]) -> str:
    """One self-contained HTML page: a card a player (rows with `card`, `shown_name`, `id`), each on a sheet of A4."""
    cards = "\n".join(_card(p) for p in players)
    return PAGE.replace("CARDS", cards).replace("FONT", face())


def _card(player: Mapping[str, Any]) -> str:
    name = html.escape(player["shown_name"])
    size_mm = min(34.0, 330.0 / len(player["shown_name"]))
    return (f'<section><h1 style="font-size:{size_mm:.1f}mm">{name}</h1>{_svg(player["card"])}'
            f'<p>{html.escape(player["id"])} · {player["card"]}</p></section>')


def _svg(number: int) -> str:
    dark = pattern(number)
    cells = "".join(f"M{x} {y}h1v1h-1z" for y, row in enumerate(dark) for x, is_dark in enumerate(row) if is_dark)
    return (f'<svg viewBox="0 0 {CELLS} {CELLS}" role="img" aria-label="card {number}" shape-rendering="crispEdges">'
            f'<path d="{cells}"/></svg>')


def face() -> str:
    """The screen's own letters, for names in any of its scripts, inside the page."""
    import base64

    from kiosk.drawing.letters import FACE
    return base64.b64encode(FACE.read_bytes()).decode("ascii")


PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><title>Cards</title>
<style>
@font-face { font-family: board; src: url(data:font/ttf;base64,FONT) }
@page { size: A4; margin: 10mm }
body { margin: 0; font-family: board, sans-serif; color: #000; background: #fff; text-align: center }
section { height: 270mm; break-inside: avoid; overflow: hidden }
h1 { margin: 0; height: 66mm; line-height: 76mm; white-space: nowrap }
svg { width: 170mm; height: 170mm }
p { margin: 8mm 0 0; font-size: 5mm; color: #555 }
</style>
CARDS
</html>
"""
