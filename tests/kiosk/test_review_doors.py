"""`creaseside review` and `creaseside report` as somebody types them."""
from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import psutil
import pytest

from kiosk.__main__ import main
from kiosk.logbook import Logbook, Reader
from tests.kiosk.bowled import home, some_ball
from tests.kiosk.reviewed import AHEAD, Page, filmed

ROOT = Path(__file__).parents[2]


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_the_pages_are_served_until_they_are_ended(tmp_path):
    place, session = filmed(tmp_path)
    env = os.environ | {"PYTHONPATH": f"{ROOT / 'src'}:{ROOT}"}
    running = subprocess.Popen([sys.executable, "-m", "kiosk", "--home", str(place.folder), "--json", "review",
                                "--port", "0"],
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env)
    try:
        said = json.loads(running.stdout.readline())
        assert said["url"] == f"http://127.0.0.1:{said['port']}/"
        heard = [c.laddr for c in psutil.Process(running.pid).net_connections() if c.status == psutil.CONN_LISTEN]
        assert [tuple(a) for a in heard] == [("127.0.0.1", said["port"])]      # whatever the address says: no other machine
        with urllib.request.urlopen(f"{said['url']}sessions/{session}") as answer:
            assert AHEAD in Page(answer.read().decode()).words and "Server" not in answer.headers
        with Logbook(place) as log:                        # a kiosk may log meanwhile
            log.add_ball(session, some_ball(1))
        with urllib.request.urlopen(f"{said['url']}sessions/{session}/balls/2") as answer:
            assert answer.status == 200
    finally:
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=30)
    assert (running.returncode, out) == (0, "") and "Traceback" not in err


def test_a_port_that_is_taken_is_one_plain_line(tmp_path, capsys):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert main(["--home", str(tmp_path / "home"), "review", "--port", str(taken.getsockname()[1])]) == 1
    said = capsys.readouterr().err
    assert "a port that is taken" in said and said.count("\n") == 1


def test_nothing_is_shared_without_a_pin(tmp_path, capsys):
    assert main(["--home", str(tmp_path / "home"), "review", "--share"]) == 1
    assert "set one with creaseside pin" in capsys.readouterr().err


@pytest.mark.parametrize("command", [["review"], ["report", "s-1a2b"]])
@pytest.mark.parametrize("bytes_", [b"not a log at all, and long enough to be looked at" * 9, None])
def test_a_log_that_cannot_be_opened_is_one_plain_line(tmp_path, capsys, command, bytes_):
    place = home(tmp_path)
    place.log.mkdir() if bytes_ is None else place.log.write_bytes(bytes_)
    assert main(["--home", str(place.folder), *command]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "the log" in said


def test_a_report_is_one_file_with_a_policy_that_lets_in_its_own_style_alone(tmp_path, capsys, monkeypatch):
    place, session = filmed(tmp_path)
    monkeypatch.chdir(tmp_path)
    assert main(["--home", str(place.folder), "report", session]) == 0
    assert capsys.readouterr().out == f"{session}.html\n"
    with Reader(place) as log:
        assert [(a["what"], a["player"]) for a in log.accesses()] == [(f"a report of {session}", log.players()[0]["id"])]
    text = Path(f"{session}.html").read_text("utf-8")
    style, = re.findall(r"<style>(.*?)</style>", text, flags=re.S)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = next(a["content"] for t, a in Page(text).elements if a.get("http-equiv"))
    assert f"style-src 'sha256-{digest}'" in policy and "default-src 'none'" in policy
    there = Page(text)
    assert not there.links and AHEAD in there.words
    assert there.count("script") == there.count("img") == there.count("form") == 0
    assert not re.findall(r'(?:src|href|action)="?(?!data:)', text.replace(style, ""))


def test_a_players_report_goes_where_it_is_told_and_is_noted(tmp_path, capsys):
    place, session = filmed(tmp_path)
    with Reader(place) as log:
        player = log.players()[0]["id"]
    out = tmp_path / "own page.html"
    assert main(["--home", str(place.folder), "report", "--player", player, "-o", str(out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"report": str(out), "bytes": out.stat().st_size}
    assert Page(out.read_text("utf-8")).count("section", "figure") > 17
    with Reader(place) as log:
        assert [(a["what"], a["player"]) for a in log.accesses()] == [(f"a report of {player}", player)]


@pytest.mark.parametrize("words, status, line", [
    ([], 2, "name a session"), (["s-none"], 1, "no such session"), (["--player", "p-none"], 1, "no such player"),
    (["SESSION", "--measure", "pace"], 2, "is no measure"),
    (["SESSION", "-o", "/nowhere/at/all.html"], 1, "give a file that may be written"),
    (["SESSION", "--player", "p-none"], 1, "choose who bowled in it")])
def test_a_report_that_cannot_be_made_says_so_in_one_line(tmp_path, capsys, words, status, line):
    place, session = filmed(tmp_path)
    assert main(["--home", str(place.folder), "report", *(session if w == "SESSION" else w for w in words)]) == status
    said = capsys.readouterr().err
    assert line in said and said.count("\n") == 1
