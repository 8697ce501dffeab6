"""The review pages in a real browser: nothing is refused by their own policy, keys do what they say, a report is one
file that prints on A4."""
from __future__ import annotations

import re
import shutil

import pytest

from creaseside.focus import MEASURES
from kiosk.logbook import Reader
from kiosk.pin import Pin
from kiosk.place import Place
from kiosk.review import report
from kiosk.review.app import make
from tests.kiosk.handclock import HandClock
from tests.kiosk.reviewed import AHEAD, filmed, served
from tests.season import book

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
BALLS = 1500
A4_PT = (595, 842)      # ISO 216: 210 x 297 mm, in points


@pytest.fixture(scope="module")
def browser():
    """Headless, and with no way out but to this machine."""
    if BROWSER is None:
        pytest.skip("no Chromium here: apt-get install -y chromium")
    from playwright.sync_api import sync_playwright
    nowhere_else = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=BROWSER, args=["--no-sandbox", nowhere_else])
        yield opened
        opened.close()


@pytest.fixture
def page(browser):
    """A window that remembers what went wrong in it."""
    context = browser.new_context(viewport={"width": 1180, "height": 900})
    opened = context.new_page()
    opened.wrong = []
    opened.on("console", lambda m: opened.wrong.append(m.text) if m.type in ("error", "warning") else None)
    opened.on("pageerror", lambda e: opened.wrong.append(str(e)))
    opened.on("requestfailed", lambda r: opened.wrong.append(r.url) if r.failure != LEFT else None)
    yield opened
    context.close()


LEFT = "net::ERR_ABORTED"      # the browser's own doing, where a page is left before its icon has come


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> tuple[Place, dict[str, str]]:
    """A season, and the newest session of somebody grown and of somebody young."""
    place = Place(tmp_path_factory.mktemp("season"), quiet=True)
    book.write(place.folder, BALLS, 1)
    with Reader(place, book.Calendar(book.LAST)) as log:
        players = {p["id"]: p for p in log.players()}
        newest = {players[s["player"]]["under_18"]: s["id"] for s in reversed(log.sessions()) if s["measure"]
                  and s["balls"] > 5}
    return place, {"grown": newest[False], "young": newest[True]}


@pytest.fixture(scope="module")
def address(season):
    with served(make(season[0], book.Calendar(book.LAST))) as url:
        yield url


def wide(page) -> int:
    """How many pixels stick out of the window."""
    return page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")


@pytest.mark.parametrize("width", [1180, 400])
def test_every_page_opens_without_a_refusal_and_fits_its_window(page, season, address, width):
    page.set_viewport_size({"width": width, "height": 900})
    for path in ("/", "/sessions", "/access", "/players/p-0001?measure=all", "/players/p-0008",
                 f"/sessions/{season[1]['grown']}",
                 f"/sessions/{season[1]['young']}", f"/sessions/{season[1]['grown']}/balls/1", "/players/p-0022"):
        assert page.goto(address + path).ok and wide(page) <= 0, path
        assert page.evaluate("document.fonts.check('700 20px board')") and page.locator("h1").is_visible()
    assert page.wrong == []


def test_on_a_small_screen_rows_keep_their_name_and_letters_their_size(page, address):
    """Tables and charts are moved sideways; the first column stays, and today is what the calendar shows of the weeks."""
    page.set_viewport_size({"width": 400, "height": 800})
    page.goto(f"{address}/")
    at = page.evaluate("""() => { const w = document.querySelector('.wide'); w.scrollLeft = 300;
        const c = w.querySelector('tbody th').getBoundingClientRect(); return [w.scrollLeft, c.left, c.width]; }""")
    assert at[0] > 100 and at[1] == pytest.approx(16, abs=1) and at[2] > 90
    page.goto(f"{address}/players/p-0008")
    sizes = page.evaluate("""() => [...document.querySelectorAll('svg.chart')].map(
        s => 13 * s.getBoundingClientRect().width / s.viewBox.baseVal.width)""")
    assert len(sizes) > 4 and all(px > 11 for px in sizes)
    assert page.evaluate("document.querySelector('svg.calendar').getBoundingClientRect().right") <= 400


def test_a_name_is_text_and_runs_its_own_way(page, address):
    page.goto(f"{address}/players/p-0022")
    names = {n: page.goto(f"{address}/players/p-{n:04x}") and page.locator("h1 bdi").inner_text() for n in (30, 31, 34)}
    assert names == {30: "<b>Mo</b>", 31: "=2+5", 34: "آرش"}
    assert page.evaluate("getComputedStyle(document.querySelector('h1 bdi')).unicodeBidi") == "isolate"


def test_keys_open_the_tables_and_lead_to_a_ball(page, season, address):
    page.goto(f"{address}/sessions/{season[1]['grown']}")
    assert page.locator("details[open]").count() == 0
    page.keyboard.press("t")
    assert page.locator("details[open]").count() == page.locator("details:not(.narrow)").count() > 0
    assert page.locator("#balls table").is_visible()
    page.keyboard.press("t")
    assert page.locator("details[open]").count() == 0
    for _ in range(60):
        page.keyboard.press("Tab")
        if "/balls/" in (page.evaluate("document.activeElement.getAttribute('href') || ''")):
            break
    page.keyboard.press("Enter")
    page.wait_for_url("**/balls/*")
    assert page.locator("h1").inner_text() == "Ball 1"
    page.keyboard.press("PageDown")
    page.wait_for_url("**/balls/2*")
    page.keyboard.press("Escape")
    page.wait_for_url("**/sessions/*player=*")
    assert page.wrong == []


def test_letters_typed_into_a_filter_are_no_keys(page, address):
    page.goto(f"{address}/players/p-0008?arm=left")
    page.locator("select[name=arm]").focus()
    page.keyboard.press("t")
    assert page.locator("details:not(.narrow)").count() > 0 == page.locator("details:not(.narrow)[open]").count()


def test_frames_step_by_keys_and_each_has_its_address(page, tmp_path):
    place, session = filmed(tmp_path)
    with served(make(place, HandClock(100 * 10**9))) as address:
        page.goto(f"{address}/sessions/{session}/balls/1")
        assert page.locator("svg.frame image").evaluate("i => i.getBBox().width") == 64
        page.keyboard.press("ArrowRight")
        page.wait_for_url("**frame=18")
        assert "frame 19 of 40" in page.locator("#clip").inner_text()
        page.keyboard.press("ArrowLeft")
        page.wait_for_url("**frame=17")
        page.get_by_role("link", name="release").click()
        page.wait_for_url("**frame=30")
        said = page.locator("#clip").inner_text()
        assert "+110 ms from front foot contact" in said and page.locator("h1").inner_text() == "Ball 1"
        page.reload()
        assert page.locator("#clip").inner_text() == said and page.wrong == []


def test_a_filter_narrows_the_page_and_stands_in_its_address(page, address):
    page.goto(f"{address}/")
    page.locator("details.narrow summary").click()
    page.locator("input[name=since]").fill("2026-09-01")
    page.locator("select[name=flags]").select_option("some")
    page.get_by_role("button", name="Show").click()
    page.wait_for_url("**since=2026-09-01**")
    assert "from 1 Sep 2026 on" in page.locator("#squad .says").inner_text()
    assert page.locator("select[name=flags]").input_value() == "some" and page.wrong == []


def test_a_page_of_somebody_else_can_neither_frame_nor_load_nor_post_to_them(page, season, address, tmp_path):
    """A file on this machine stands in for the foreign page; its origin is none of the pages'."""
    (tmp_path / "other.html").write_text(
        f"<iframe src='{address}/'></iframe><img src='{address}/icon.svg'><form id=f method=post "
        f"action='{address}/leave'></form>")
    page.goto((tmp_path / "other.html").as_uri())
    page.wait_for_load_state("networkidle")
    assert page.frames[1].url.startswith("chrome-error:")
    assert page.locator("img").evaluate("i => i.naturalWidth") == 0
    page.locator("#f").evaluate("f => f.submit()")
    page.wait_for_url("**/leave")
    assert "the form is too old" in page.content()


def test_the_pin_is_asked_and_leads_where_one_wanted_to_go(page, tmp_path):
    place, session = filmed(tmp_path)
    clock = HandClock(100 * 10**9)
    pin = Pin(place, clock)
    pin.set("4711")
    with served(make(place, clock, pin)) as address:
        page.goto(f"{address}/sessions/{session}")
        page.wait_for_function("document.activeElement.name === 'pin'")      # ready to be typed into, without a click
        page.keyboard.type("4711")
        page.keyboard.press("Enter")
        page.wait_for_url(f"**/sessions/{session}")
        assert AHEAD in page.locator(".lead").inner_text()
        page.get_by_role("button", name="Leave").click()
        page.wait_for_url("**/pin")
        page.goto(f"{address}/")
        assert page.locator("input[name=pin]").is_visible() and page.wrong == []


def leaves(pdf: bytes) -> list[tuple[int, int]]:
    """Width and height of each sheet of a PDF, points."""
    return [(round(float(w)), round(float(h))) for w, h in re.findall(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", pdf)]


@pytest.mark.parametrize("what", ["session", "player"])
def test_a_report_is_one_file_that_opens_with_no_network_and_prints_on_a4(page, season, tmp_path, what):
    place, sessions = season
    id = {"session": sessions["grown"], "player": "p-0008"}[what]
    text, _ = report.html(place, id if what == "session" else None, id if what == "player" else None,
                       clock=book.Calendar(book.LAST))
    file = tmp_path / "report.html"
    file.write_text(text, "utf-8")
    asked = []
    page.on("request", lambda r: asked.append(r.url) if not r.url.startswith("data:") else None)
    page.goto(file.as_uri())
    assert page.evaluate("document.fonts.check('700 20px board')") and wide(page) <= 0
    assert page.evaluate("getComputedStyle(document.querySelector('h1')).fontFamily").startswith("board")
    assert asked == [file.as_uri()] and page.wrong == []
    sheets = leaves(page.pdf(prefer_css_page_size=True))
    assert sheets and all(abs(w - A4_PT[0]) <= 1 and abs(h - A4_PT[1]) <= 1 for w, h in sheets)
    assert page.locator("svg.chart").count() >= (1 if what == "session" else len(MEASURES) - 2)
    assert page.locator("a[href]").count() == page.locator("img, image, script").count() == 0


def test_in_print_there_is_no_furniture_and_nothing_sticks_out(page, season, address):
    page.goto(f"{address}/sessions/{season[1]['grown']}")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 690, "height": 1000})       # A4 less its margins, at 96 dots an inch
    assert not page.locator("header").is_visible() and not page.locator(".narrow").is_visible()
    assert page.locator("svg.chart").is_visible() and wide(page) <= 0


def test_the_picture_is_drawn_in_the_colours_of_the_kiosk(page, season, address):
    """Sky, orange and paper are where the stylesheet wants them; a blank picture would have one colour."""
    import cv2
    import numpy as np
    from kiosk.drawing.tokens import ORANGE, SKY
    page.goto(f"{address}/sessions/{season[1]['grown']}")
    shot = page.locator("#balls svg").screenshot()
    rgb = cv2.imdecode(np.frombuffer(shot, np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    for colour in (SKY, ORANGE):
        assert (np.abs(rgb.astype(int) - colour).max(-1) <= 2).sum() > 40
    assert (rgb > 235).all(-1).mean() > 0.5
