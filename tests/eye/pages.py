"""Pictures of every review page for people to look at: wide, narrow, and printed on A4.

    PYTHONPATH=src:. .venv/bin/python -m tests.eye.pages FOLDER [HOME]

HOME: a log of your own; without one an invented season of 12,000 balls is made in FOLDER.
"""
from __future__ import annotations

import shutil
import sys
from pathlib import Path

from kiosk.logbook import Reader
from kiosk.place import Place
from kiosk.review.app import make
from tests.kiosk.reviewed import served
from tests.season import book

SIZES = {"wide": (1180, 900), "narrow": (400, 800)}
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")


def addresses(place: Place, clock) -> dict[str, str]:
    """Name of the picture: address of the page; of somebody grown and of somebody young."""
    found = {"squad": "/", "sessions": "/sessions", "access": "/access"}
    with Reader(place, clock) as log:
        players = {p["id"]: p for p in log.players()}
        for s in log.sessions():
            if s["player"] and s["balls"] > 3:
                who = "young" if players[s["player"]]["under_18"] else "grown"
                found.setdefault(f"session-{who}", f"/sessions/{s['id']}")
                found.setdefault(f"player-{who}", f"/players/{s['player']}")
            if s["balls"]:
                found.setdefault("ball", f"/sessions/{s['id']}/balls/{log.ball_rows(s['id'])[0]['number']}")
    return found


def main(folder: Path, home: Path | None) -> None:
    from playwright.sync_api import sync_playwright
    folder.mkdir(parents=True, exist_ok=True)
    if home is None:
        home, clock = folder / "home", book.Calendar(book.LAST)
        if not (home / "creaseside.db").exists():
            book.write(home, 12_000)
    else:
        from kiosk import clock
    place = Place(home.absolute(), quiet=True)
    with served(make(place, clock)) as at, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        for size, (width, height) in SIZES.items():
            page = browser.new_page(viewport={"width": width, "height": height})
            for name, address in addresses(place, clock).items():
                page.goto(at + address)
                page.screenshot(path=folder / f"{name}-{size}.png", full_page=True)
                if size == "wide":
                    page.pdf(path=folder / f"{name}.pdf", prefer_css_page_size=True)
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else None)
