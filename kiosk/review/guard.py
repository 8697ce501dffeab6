"""Guard: who may see the pages, and what a browser may do with them.

Loopback without a PIN; shared with the local network only behind the coach's. A page from elsewhere can neither reach
the pages under a name of its own (the host is checked) nor load, frame or post to them. This room knows no page.
"""
from __future__ import annotations

import ipaddress
import secrets
import socket
from datetime import timedelta
from hmac import compare_digest

from flask import Flask, Response, abort, redirect, request, session

from kiosk.pin import Pin

OPEN = ("pin", "style", "keys", "icon", "face")            # what somebody without the PIN may see
LOOPBACK = ("127.0.0.1", "localhost", "::1")
STAYS = timedelta(hours=8)                         # a log-in: a day at the ground
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; font-src "
                               "'self'; "
                               "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "X-Frame-Options": "DENY",
    "Cross-Origin-Resource-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()"}


def put_on(app: Flask, pin: Pin | None) -> None:
    """pin: asked for before anything is shown; None: loopback alone, nobody is asked."""
    app.secret_key = secrets.token_bytes(32)       # of this run: every restart asks again
    app.config.update(SESSION_COOKIE_HTTPONLY=True, SESSION_COOKIE_SAMESITE="Strict", SESSION_COOKIE_NAME="creaseside",
                      PERMANENT_SESSION_LIFETIME=STAYS, MAX_CONTENT_LENGTH=4096)

    @app.before_request
    def check() -> Response | None:
        if not _own(request.host, pin is not None):
            abort(400, "this address is not the kiosk's own")
        if request.method not in ("GET", "HEAD") and not _token_fits():
            abort(400, "the form is too old: go back, load the page again and send it once more")
        if pin is not None and not session.get("in") and request.endpoint not in OPEN:
            if request.endpoint == "frame":
                abort(403)
            session["to"] = request.full_path.rstrip("?") if request.method == "GET" else "/"
            return redirect("/pin")
        return None

    @app.after_request
    def close_up(answer: Response) -> Response:
        for name, value in HEADERS.items():
            answer.headers.setdefault(name, value)
        return answer


def token() -> str:
    """What a form must bring back."""
    if "token" not in session:
        session["token"] = secrets.token_urlsafe(24)
    return session["token"]


def let_in() -> str:
    """The PIN was right: where they wanted to go. A new token, so that nothing from before counts on."""
    to = session.get("to", "/")
    session.clear()
    session["in"], session.permanent = True, True
    return to


def _token_fits() -> bool:
    given = request.form.get("token", "")
    return bool(session.get("token")) and compare_digest(given.encode(), session["token"].encode())


def _own(host: str, shared: bool) -> bool:
    """Whether the name in the address is this machine's: another one would be a foreign page's, which points here.

    Shared, any bare address will do: a browser is led astray by names alone.
    """
    name = host.rpartition(":")[0] if not host.endswith("]") and ":" in host else host
    name = name.strip("[]").lower()
    if name in LOOPBACK:
        return True
    if not shared:
        return False
    try:
        ipaddress.ip_address(name)
        return True
    except ValueError:
        own = socket.gethostname().lower()
        return name in (own, f"{own.partition('.')[0]}.local")
