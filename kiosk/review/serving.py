"""Serving: the pages on a port, until somebody ends it."""
from __future__ import annotations

import errno
import socket
import threading
import webbrowser
from typing import Callable

import waitress
from flask import Flask

from kiosk.faults import Fault

LOOPBACK, EVERYWHERE = "127.0.0.1", "0.0.0.0"
THREADS = 4


def serve(app: Flask, port: int, shared: bool, open_: bool, ready: Callable[[str, int], None]) -> None:
    """ready: told the address and the port once they answer. Ends with KeyboardInterrupt or SystemExit."""
    try:
        server = waitress.create_server(app, host=EVERYWHERE if shared else LOOPBACK, port=port, threads=THREADS,
                                        ident=None, max_request_body_size=4096)
    except OSError as e:
        busy = e.errno in (errno.EADDRINUSE, errno.EACCES)
        raise Fault(f"port {port} for the review pages", "a port that is taken" if busy else e.strerror or str(e),
                    "give another with --port, or --port 0 for any") from e
    here = int(server.effective_port)
    ready(f"http://{_name() if shared else LOOPBACK}:{here}/", here)
    if open_:      # a browser in a terminal comes back only when it is closed
        threading.Thread(target=webbrowser.open, args=[f"http://{LOOPBACK}:{here}/"], daemon=True).start()
    try:
        server.run()
    finally:
        server.close()


def _name() -> str:
    """The address by which others on this network reach this machine; no packet is sent for it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        try:
            s.connect(("192.0.2.1", 9))     # an address of documentation (RFC 5737): it only picks the way out
            return s.getsockname()[0]
        except OSError:
            return LOOPBACK
