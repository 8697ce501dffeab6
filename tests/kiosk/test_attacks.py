"""What somebody who means harm would try at the doors that others built: led astray by the log-in, names as paths,
zips that write elsewhere, words that a spreadsheet would run."""
from __future__ import annotations

import csv
import random
import zipfile
from pathlib import Path

import pytest

from creaseside.ball import QUANTITIES
from kiosk.__main__ import main
from kiosk.logbook import Logbook
from kiosk.pin import Pin
from kiosk.place import Place
from kiosk.review.app import make
from tests.kiosk.bowled import home, some_ball
from tests.kiosk.handclock import HandClock

HARM = ("=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "<script>alert(1)</script>", "'; drop table ball; --",
        "../../../tmp/evil", "%2e%2e/evil", "a" * 60, "\u0645\u0631\u062d\u0628\u0627", "{{7*7}}", "${7*7}")


@pytest.fixture
def shared(tmp_path):
    place, clock = home(tmp_path), HandClock(100 * 10**9)
    with Logbook(place, clock) as log:
        log.add_ball(log.start_session(log.add_player("Sam", id="p-sam")), some_ball(1))
    pin = Pin(place, clock)
    pin.set("4711")
    return make(place, clock, pin).test_client()


def logged_in(client) -> str:
    """Where the right PIN leads."""
    text = client.get("/pin").get_data(as_text=True)
    token = text.split('name="token"', 1)[1].split('value="', 1)[1].split('"', 1)[0]
    answer = client.post("/pin", data={"pin": "4711", "token": token})
    assert answer.status_code in (302, 303)
    return answer.headers["Location"]


@pytest.mark.parametrize("path", ["//evil.example/x", "//evil.example", "/\\evil.example", "///evil.example", "/%2f/evil.example",
                                  "/players/../..//evil.example", "/.//evil.example"])
def test_the_log_in_leads_nowhere_else(shared, path):
    shared.get("/", environ_overrides={"PATH_INFO": path})        # as a server hands it over, read as no address
    to = logged_in(shared)
    assert to.startswith("/") and not to.startswith(("//", "/\\")), to


@pytest.mark.parametrize("path", ["/", "/sessions", "/access", "/players/p-sam", "/sessions/s-1/balls/1/frames/1.jpg", "/none"])
def test_nothing_is_shown_before_the_pin(shared, path):
    answer = shared.get(path)
    assert answer.status_code in (302, 403) and b"Sam" not in answer.data


def test_a_log_in_is_not_kept_by_the_address(shared):
    logged_in(shared)
    assert shared.get("/").status_code == 200
    cookie = shared.get_cookie("creaseside")
    assert cookie.http_only and cookie.same_site == "Strict"


@pytest.mark.parametrize("address", ["/static/../app.py", "/players/..%2f..%2fcreaseside.db", "/face.ttf/../../pin.json", "/pin.json",
                                     "/creaseside.db", "/sessions/..%5c..%5cpin.json", "/sessions/%00", "/players/" + "a" * 3000])
def test_no_address_is_a_path_of_the_disk(shared, address):
    logged_in(shared)
    answer = shared.get(address)
    assert answer.status_code in (301, 302, 308, 400, 404) and b"argon2" not in answer.data and b"SQLite" not in answer.data


@pytest.mark.parametrize("format", ["csv", "zip"])
def test_names_and_words_do_nothing_in_an_export(tmp_path, format, monkeypatch):
    """Every name, note and venue is such a word; the files that come out stay where they were asked, and run nothing."""
    monkeypatch.chdir(tmp_path)
    place = home(tmp_path)
    with Logbook(place) as log:
        sessions = []
        for word in HARM:
            try:
                player = log.add_player(word)
            except Exception:                   # a control sign is nobody's name
                player = log.add_player("Sam")
            sessions.append(log.start_session(player, coach=word, venue=word))
            log.add_ball(sessions[-1], some_ball(len(sessions)))
    before = {p for p in tmp_path.rglob("*") if "home" not in p.parts}
    for i, session in enumerate(sessions):
        out = tmp_path / f"out{i}.{format}"
        assert main(["--home", str(place.folder), "--quiet", "export", session, "--format", format, "-o", str(out)]) == 0
    made = {p for p in tmp_path.rglob("*") if "home" not in p.parts} - before
    assert made == {tmp_path / f"out{i}.{format}" for i in range(len(sessions))}
    texts = []
    for file in made:
        if format == "zip":
            with zipfile.ZipFile(file) as z:
                assert all(not Path(n).is_absolute() and ".." not in Path(n).parts for n in z.namelist())
                texts += [z.read(n).decode() for n in z.namelist() if n.endswith(".csv")]
        else:
            texts.append(file.read_text("utf-8"))
    numbers = {q.name for q in QUANTITIES} | {q.name + "_sd" for q in QUANTITIES}
    for text in texts:
        for row in csv.DictReader(text.splitlines()):
            run = {k: v for k, v in row.items() if v and v[0] in "=+-@\t\r" and k not in numbers and not _number(v)}
            assert run == {}


def _number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def packed(folder: Path) -> Path:
    place = home(folder)
    with Logbook(place) as log:
        begun = log.start_session(log.add_player("Sam", id="p-sam"))
        log.add_ball(begun, some_ball(1))
    out = folder / "bundle.zip"
    assert main(["--home", str(place.folder), "--quiet", "export", begun, "--format", "zip", "-o", str(out)]) == 0
    return out


def rewritten(zip_: Path, to: Path, change) -> Path:
    """The same zip with other names, or more members."""
    with zipfile.ZipFile(zip_) as old, zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            new.writestr(change(info.filename), old.read(info))
    return to


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_bundle_writes_nothing_outside_the_home(tmp_path, capsys):
    r, good = random.Random(9), packed(tmp_path / "a" if not (tmp_path / "a").mkdir() else tmp_path)
    (tmp_path / "b").mkdir()
    names = ["../evil", "/tmp/creaseside-evil", "clips/../../evil", "C:\\evil", "rows/../../../evil", "clips/\x00evil", "..\\evil"]
    for i, name in enumerate(names):
        bad = rewritten(good, tmp_path / f"bad{i}.zip", lambda n, name=name: name if n.startswith("rows/") and r.random() < 0.5 else n)
        with zipfile.ZipFile(bad, "a") as z:
            link = zipfile.ZipInfo(name)
            link.external_attr = 0o120777 << 16
            z.writestr(link, "/etc/passwd")
        capsys.readouterr()
        status = main(["--home", str(tmp_path / "b" / "home"), "import", str(bad)])
        err = capsys.readouterr().err
        assert status == 1 and len(err.splitlines()) == 1 and "Traceback" not in err, (name, status, err)
    assert not list(tmp_path.rglob("*evil*")) and not Path("/tmp/creaseside-evil").exists() and not (tmp_path.parent / "evil").exists()
    with Logbook(Place(tmp_path / "b" / "home", quiet=True)) as log:
        assert log.sessions() == [] and log.players() == []
