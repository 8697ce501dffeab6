"""Homes for the review pages to read, and a reader of pages that sees what a browser would."""
from __future__ import annotations

import threading
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path
from typing import Iterator

import waitress
from flask import Flask
from waitress import wasyncore

from creaseside.ball import QUANTITIES, Ball, Value
from creaseside.stamps import NS, Stamp, to_ns
from kiosk import clips
from kiosk.logbook import Logbook
from kiosk.place import Place
from tests.creaseside.film import EPOCH_S, Film
from tests.creaseside.puppet import bowler
from tests.kiosk.bowled import agreed_player, home, some_frames
from tests.kiosk.handclock import HandClock

AHEAD = '<b>Mo</b> "O\'Dell" =2+5 آرش 👩🏽‍🚀'


class Page(HTMLParser):
    """A page as a browser reads it: its words, its elements with their attributes, its links."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words, self.elements = "", []
        self.feed(html)
        self.links = [a["href"] for tag, a in self.elements if tag == "a" and a.get("href")]

    def handle_starttag(self, tag: str, attributes: list) -> None:
        self.elements.append((tag, dict(attributes)))

    def handle_data(self, data: str) -> None:
        self.words += data

    def count(self, tag: str, class_: str | None = None) -> int:
        return sum(t == tag and (class_ is None or class_ in (a.get("class") or "").split()) for t, a in self.elements)


def ball(verdict: str | None = "hit", flags: tuple[str, ...] = (), **values: float) -> Ball:
    """A ball of which these are measured, with an sd of 1 (of 0.02 for what is no angle)."""
    seen = {n: Value(v, 1.0 if n.endswith("deg") else 0.02) for n, v in values.items()}
    return Ball("right", {q.name: seen.get(q.name, Value.missing("hidden by a pole")) for q in QUANTITIES}, None, 0.9,
                flags,
                verdict, {"front_leg_action": "hidden by a pole"})


def filmed(folder: Path) -> tuple[Place, str]:
    """A home with one ball of a puppet, with its traces and a clip of 40 frames; the session's id."""
    place, clock = home(folder), HandClock(to_ns(EPOCH_S))
    film = Film(bowler())
    with Logbook(place, clock) as log:
        player = agreed_player(log, AHEAD, arm="right")
        session = log.start_session(player)
        release_ns = to_ns(EPOCH_S + 0.11)
        first_ns = release_ns - to_ns(0.25)
        times = {"bfc_s": -0.04, "ffc_s": 0.14, "br_s": 0.25}
        id = log.add_ball(session, ball(None, front_knee_ffc_deg=165.0, **times), thrown_ns=release_ns,
                          poses=film.poses(-1.0, 0.25))
        clips.keep(log, id, [(Stamp(i, first_ns + i * NS // 120), jpeg) for i, (_, jpeg) in enumerate(some_frames(40))])
    return place, session


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """The pages on a port of this machine, as `creaseside review` serves them."""
    server = waitress.create_server(app, host="127.0.0.1", port=0, threads=4, ident=None)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        server.trigger.pull_trigger(lambda: wasyncore.close_all(server._map))      # its loop ends with its last socket
        thread.join(10)
        server.task_dispatcher.shutdown()
