"""App: addresses to pages. Every request opens the log anew, read-only, and notes what was looked at.

Faults become one plain line on a page, never a traceback; the full story of an unexpected one is in the home's file.
"""
from __future__ import annotations

from dataclasses import fields
from types import ModuleType
from typing import Any, Callable, Sequence
from urllib.parse import urlencode

from flask import Flask, Response, abort, g, redirect, request
from werkzeug.exceptions import HTTPException

from kiosk import clock as clock_room
from kiosk import details
from kiosk.drawing.letters import FACE
from kiosk.faults import Fault
from kiosk.logbook import accesses
from kiosk.pin import Pin
from kiosk.place import Place
from kiosk.review import ball_page, guard, player_page, render, session_page, squad_page
from kiosk.review.asking import Asker, Filter
from kiosk.review.look import Links

A_PAGE = 50                    # sessions in a list
AGAIN_NS = 10 * 60 * clock_room.NS   # the same look by the same person within this long is one look
USUAL = {404: "There is no such page.", 405: "That is not done here."}
FILES = {"style": ("style.css", "text/css"), "keys": ("keys.js", "text/javascript"),
         "icon": ("icon.svg", "image/svg+xml")}


def make(place: Place, clock: ModuleType = clock_room, pin: Pin | None = None) -> Flask:
    """The pages of a home. pin: they are shared, and asked for it first."""
    app = Flask("creaseside review", static_folder=None, template_folder=None)
    guard.put_on(app, pin)
    _files(app)
    shown = _Shown(_Looks(place, clock, pin is not None))
    _views(app, shown)
    _more_views(app, shown)
    _faults(app, place)
    if pin is not None:
        _door(app, pin)

    held = _Held(place, clock)

    @app.before_request
    def open_log() -> None:
        if request.endpoint not in guard.OPEN:
            g.log = held.open()

    @app.teardown_request
    def close_log(_: BaseException | None) -> None:
        if "log" in g:
            held.close(g.pop("log"))

    return app


class _Held:
    """A log for each request. What was read out of a damaged one took long, so it is kept until the file changes."""

    def __init__(self, place: Place, clock: ModuleType) -> None:
        self._place, self._clock = place, clock
        self._kept: tuple[Asker, tuple[int, int]] | None = None

    def open(self) -> Asker:
        if self._kept is not None and self._kept[1] == self._file():
            return self._kept[0]
        return Asker(self._place, self._clock)

    def close(self, log: Asker) -> None:
        if log.notice is None:
            log.close()
        elif self._kept is None or self._kept[0] is not log:
            self._kept = log, self._file()      # another request may still read the one before: it goes when that ends

    def _file(self) -> tuple[int, int]:
        found = self._place.log.stat()
        return found.st_mtime_ns, found.st_size


class _Looks:
    """Who looked at what, into the log; the same look again within some minutes is no new row."""

    def __init__(self, place: Place, clock: ModuleType, shared: bool) -> None:
        self._place, self._clock, self.shared = place, clock, shared
        self._latest_ns: dict[tuple[str, str], int] = {}

    def __call__(self, what: str, player: str | None = None) -> str | None:
        """Note it; a line for the page where that could not be. A damaged log is left as it is."""
        if g.log.notice is not None:
            return None
        who = f"with the PIN, from {request.remote_addr}" if self.shared else "on this machine"
        now_ns = self._clock.now_ns()
        if now_ns - self._latest_ns.get((who, what), -AGAIN_NS) < AGAIN_NS:
            return None
        try:
            accesses.note(self._place, self._clock, who, what, player)
        except Fault as e:
            return f"This look could not be noted in the log: {e.found}."
        if len(self._latest_ns) > 10_000:
            self._latest_ns.clear()
        self._latest_ns[who, what] = now_ns
        return None


class _Shown:
    """A view as a page, once the look at it is noted."""

    def __init__(self, looked: _Looks) -> None:
        self.looked, self.links = looked, Links()

    def __call__(self, template: str, what: str, player: str | None, view: dict[str, Any], wanted: Filter = Filter(),
                 wrong: Sequence[str] = ()) -> str:
        said = [*wrong, self.looked(what, player)]
        said = [f"{s[0].upper()}{s[1:]}." for s in [g.log.notice] if s] + [s for s in said if s]
        shared = self.looked.shared
        return render.page(template, **view, said=said, wanted=wanted, path=request.path, kept=_kept(), links=self.links,
                           shared=shared, token=guard.token() if shared else "")


def _views(app: Flask, shown: _Shown) -> None:
    links = shown.links

    @app.get("/")
    def squad() -> str:
        wanted, wrong = Filter.of(request.args)
        return shown("squad.html", "the squad", None, squad_page.view(g.log, wanted, links), wanted, wrong)

    @app.get("/players/<player>")
    def player(player: str) -> str:
        wanted, wrong = Filter.of(request.args)
        view = player_page.view(g.log, player, request.args.get("measure"), wanted, links)
        return shown("player.html", f"the page of {player}", player, view, wanted, wrong)

    @app.get("/sessions")
    def sessions() -> str:
        wanted, wrong = Filter.of(request.args)
        first = min(max(request.args.get("after", 0, int), 0), 10**9)
        found = g.log.sessions_page(wanted, None, A_PAGE + 1, first)
        names = {p["id"]: p["shown_name"] for p in g.log.players()}
        view = {"list": found[:A_PAGE], "names": names,
                "here": lambda **more: f"/sessions?{urlencode(request.args.to_dict() | more)}",
                "next": first + A_PAGE if len(found) > A_PAGE else None,
                "before": max(first - A_PAGE, 0) if first else None}
        return shown("sessions.html", "the list of sessions", None, view, wanted, wrong)

    @app.get("/sessions/<session>")
    def session(session: str) -> str:
        wanted, wrong = Filter.of(request.args)
        view = session_page.view(g.log, session, request.args.get("player"), request.args.get("measure"), wanted, links)
        who = view["player"] and view["player"]["id"]
        return shown("session.html", f"the session {session}", who, view, wanted, wrong)


def _more_views(app: Flask, shown: _Shown) -> None:
    @app.get("/sessions/<session>/balls/<int(max=999999999):number>")
    def ball(session: str, number: int) -> str:
        frame = request.args.get("frame", None, int)
        view = ball_page.view(g.log, session, number, frame, shown.links, shown.looked.shared)
        with_it = " with its pictures" if view["picture"] else ""
        return shown("ball.html", f"ball {number} of the session {session}{with_it}", view["ball"]["player"], view)

    @app.get("/sessions/<session>/balls/<int(max=999999999):number>/frames/<int(max=999999999):frame>.jpg")
    def frame(session: str, number: int, frame: int) -> Response:
        found = g.log.numbered(session, number)
        clip, _ = ball_page.pictures(g.log, found, shown.looked.shared) if found else (None, "")
        jpeg = clip.frame(frame) if clip else None
        if jpeg is None:
            abort(404, "no such picture is kept")
        shown.looked(f"ball {number} of the session {session} with its pictures", found["player"])
        return Response(jpeg, mimetype="image/jpeg")

    @app.get("/access")
    def access() -> str:
        names = {p["id"]: p["shown_name"] for p in g.log.players()}
        who = request.args.get("player") or None
        return shown("access.html", "who looked", None, {"looks": g.log.accesses(who), "names": names, "who": who,
                                                         "shift": g.log.shift}, Filter(), [])


def _kept() -> dict[str, str]:
    """What of an address a filter form keeps."""
    filters = {f.name for f in fields(Filter)}
    return {k: v for k, v in request.args.items() if k not in filters and k not in ("after", "frame")}


def _files(app: Flask) -> None:
    def file(name: str, kind: str) -> Callable[[], Response]:
        return lambda: Response((render.STATIC / name).read_bytes(), mimetype=kind)
    for endpoint, (name, kind) in FILES.items():
        app.add_url_rule(f"/{name}", endpoint, file(name, kind))
    app.add_url_rule("/face.ttf", "face", lambda: Response(FACE.read_bytes(), mimetype="font/ttf",
                                                           headers={"Cache-Control": "max-age=86400"}))


def _door(app: Flask, pin: Pin) -> None:
    """The PIN, asked once a log-in; wrong ones cost time (kiosk/pin.py)."""

    def asked(line: str = "") -> str:
        return render.page("pin.html", token=guard.token(), line=line, wait_s=pin.wait_s)

    @app.route("/pin", methods=["GET", "POST"], endpoint="pin")
    def pin_page() -> Response | str | tuple[str, int]:
        if request.method == "GET":
            return asked()
        if pin.check(request.form.get("pin", "")[:32]):
            return redirect(guard.let_in(), 303)
        return asked("That is not the PIN."), 403

    @app.post("/leave")
    def leave() -> Response:
        from flask import session
        session.clear()
        return redirect("/pin", 303)


def _faults(app: Flask, place: Place) -> None:
    def told(line: str, status: int) -> tuple[str, int]:
        return render.page("trouble.html", line=line), status

    @app.errorhandler(Fault)
    def fault(e: Fault) -> tuple[str, int]:
        missing = e.found == "none" or e.found.startswith("no such")
        return told(f"Asked for {e.asked}; found {e.found}; {e.do}.", 404 if missing else 503)

    @app.errorhandler(HTTPException)
    def wrong(e: HTTPException) -> tuple[str, int]:
        ours = e.description != type(e).description
        return told(f"{e.description}"[:200] if ours else USUAL.get(e.code, e.name), e.code or 500)

    @app.errorhandler(Exception)
    def unexpected(e: Exception) -> tuple[str, int]:
        return told(f"An unexpected fault; the details are in {details.keep(place, 'review ' + request.path)}.", 500)
