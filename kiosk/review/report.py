"""Report: a session's or a player's page as one self-contained file; the same views, without links and pictures."""
from __future__ import annotations

from types import ModuleType

from kiosk import clock as clock_room
from kiosk.place import Place
from kiosk.review import player_page, render, session_page
from kiosk.review.asking import Asker, Filter
from kiosk.review.look import Links


def html(place: Place, session: str | None, player: str | None, measure: str | None = None,
         clock: ModuleType = clock_room) -> tuple[str, str | None]:
    """The file's text, of a session (of one player in it, where one is named), else of a player; and the id of whom it
    shows. Fault where there is none of that name."""
    with Asker(place, clock) as log:
        links, wanted = Links(live=False), Filter()
        if session:
            name, view = "session.html", session_page.view(log, session, player, measure, wanted, links)
        else:
            name, view = "player.html", player_page.view(log, player, measure or player_page.ALL, wanted, links)
        said = [log.notice] if log.notice else []
        text = render.alone(name, **view, said=said, wanted=wanted, path="", kept={}, links=links, shared=False,
                            token="")
        return text, view["player"] and view["player"]["id"]
