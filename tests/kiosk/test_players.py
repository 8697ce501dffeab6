"""The commands players, sessions and backup, through the command line as people call it."""
from __future__ import annotations

import json
import sqlite3
from contextlib import closing

import pytest

from kiosk.__main__ import main
from kiosk.logbook import Logbook
from kiosk.place import Place
from tests.kiosk.bowled import agreed_player, some_ball


@pytest.fixture
def run(tmp_path, capsys):
    """Run a command in a home of its own; its status, output and what it said to people."""
    def run(*args: str) -> tuple[int, str, str]:
        status = main(["--home", str(tmp_path / "home"), *args])
        return status, *capsys.readouterr()
    return run


@pytest.fixture
def session(tmp_path):
    """A session of three balls of a player."""
    with Logbook(Place(tmp_path / "home")) as log:
        session = log.start_session(agreed_player(log, "Ben"), venue="net 2")
        for n in range(3):
            log.add_ball(session, some_ball(n))
    return session


def said(ran):
    status, out, _ = ran
    assert status == 0
    return json.loads(out)


def test_players_are_added_and_listed_newest_first(run):
    for name in ("Zoë <b>", "عمر 🏏"):
        status, out, err = run("players", "add", name, "--arm", "left", "--birth-year", "2012", "--height", "1.52")
        assert status == 0 and "no picture" in err
    players = said(run("players", "list", "--json"))
    assert [p["shown_name"] for p in players] == ["عمر 🏏", "Zoë <b>"]
    assert players[0]["id"] == out.strip() and players[0]["under_18"] is True and players[0]["may_keep"] == "numbers"
    assert "عمر 🏏" in run("players", "list")[1]


def test_an_empty_log_lists_nothing(run):
    assert said(run("players", "list", "--json")) == said(run("sessions", "list", "--json")) == []


def test_consent_is_written_down_and_withdrawn(run):
    id = run("players", "add", "Sam", "--age-group", "u13")[1].strip()
    status, out, err = run("players", "consent", id, "--keep", "clips", "--by", "Sam")
    assert status == 1 and "parent" in err and len(err.splitlines()) == 1
    agreed = said(run("players", "consent", id, "--keep", "clips", "--by", "Kim", "--as", "parent", "--json"))
    assert agreed["may_keep"] == "clips"
    assert run("players", "consent", id, "--keep", "none", "--by", "Sam")[1] == f"{id}: none\n"
    assert [c["may_keep"] for c in said(run("players", "show", id, "--json"))["consents"]] == ["clips", "none"]


def test_a_session_is_shown_with_its_balls(run, session):
    assert [s["id"] for s in said(run("sessions", "list", "--json"))] == [session]
    shown = said(run("sessions", "show", session, "--json"))
    assert [b["ball"] for b in shown["balls"]] == [1, 2, 3] and shown["venue"] == "net 2"
    assert len(run("sessions", "show", session)[1].splitlines()) == 4
    player = shown["player"]
    assert [s["id"] for s in said(run("sessions", "list", "--player", player, "--json"))] == [session]
    assert session in run("players", "show", player)[1]


def test_erasing_a_player_needs_no_terminal(run, session):
    player = said(run("sessions", "list", "--json"))[0]["player"]
    status, out, err = run("players", "erase", player)
    assert status == 0 and "1 sessions, 3 balls" in out and "backup" in err
    assert said(run("players", "list", "--json")) == said(run("sessions", "list", "--json")) == []


def test_erasing_a_session(run, session):
    assert said(run("sessions", "erase", session, "--json"))["balls"] == 3
    assert len(said(run("players", "list", "--json"))) == 1


def test_backup_is_a_log_that_opens(run, session, tmp_path):
    made = said(run("backup", str(tmp_path / "copy.db"), "--json"))
    assert made["balls"] == 3 and made["bytes"] == (tmp_path / "copy.db").stat().st_size
    with closing(sqlite3.connect(tmp_path / "copy.db")) as db:
        assert db.execute("select count(*) from balls").fetchone()[0] == 3


@pytest.mark.parametrize("args", [("players", "show", "p-none"), ("players", "erase", "p-none"),
                                  ("sessions", "show", "s-none"), ("sessions", "list", "--player", "p-none"),
                                  ("players", "add", " "), ("players", "add", "Sam", "--height", "17"),
                                  ("players", "add", "Sam", "--age-group", "old"), ("backup", "/nowhere/at/all.db")])
def test_what_cannot_be_is_one_line(run, session, args):
    status, out, err = run(*args)
    assert (status, out, len(err.splitlines())) == (1, "", 1)
