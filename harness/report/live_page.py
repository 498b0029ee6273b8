"""A page that shows a run, or all bays of a shelf, as they go: read only, from a second process.

It serves on loopback unless sharing is asked for; then on the local network, and only below a random
token in the address. Three answers exist: the page, its data, and "not here"; nothing on the disk can
be named by a request. A row counts only when it ends in a newline and has all its fields.
"""

import datetime
import http.server
import json
import secrets
import socket
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from amphora.harness.common.errors import InputError
from amphora.harness.control.events import Event
from amphora.harness.report import html
from amphora.harness.report.plot_style import place_of, svg_look
from amphora.harness.report.queue_along import QueueAlong
from amphora.harness.running.along import Along, RunsAlong
from amphora.harness.running.view import View

MAX_EVENTS = 12
REQUEST_TIMEOUT_S = 5.0
_SAID = {
    "gap": "a gap in the readings",
    "resumed": "resumed",
    "person": "a person acted",
    "instrument-error": "an instrument failed",
    "guard": "the guard stopped the run",
    "made-safe": "outputs off, verified",
    "stopped": "stopped",
    "voltage-fell": "the voltage fell in the charge; outputs off for 10 min of rest",
    "too-warm": "too warm to be charged; outputs off until the cell is cooler",
    "continued": "the step went on",
    "pulse-skipped": "a pulse was left out",
}


Found = tuple[Along, View]


def document(found: Sequence[Found], now: datetime.datetime, every: bool, queue: Any = None) -> dict[str, Any]:
    """Return what the page shows, ready for JSON: finite numbers, or None.

    Args:
        found: Each run that is shown, and how it stands.
        now: The clock of the computer that reads.
        every: All bays, not one run.
        queue: What is expected of the queue, as `queue_along.planned` gives it; None: none is at work.
    """
    return {
        "now_utc": now.isoformat(),
        "every": every,
        "queue": queue,
        "runs": [
            {
                **view.to_dict(), "run": along.folder.name, "rows": along.rows, "curve": along.curve.points(),
                "colour": svg_look(place_of(view.seen.cell))[0],  # of the cell, as in every picture
                "events": [_said(event) for event in along.events if event.kind in _SAID][-MAX_EVENTS:],
            }
            for along, view in found
        ],
    }  # fmt: skip


def _said(event: Event) -> list[str | None]:
    what = _SAID[event.kind]
    detail = next((said for key in ("text", "reason", "act") if (said := getattr(event, key, ""))), "")
    return [event.utc[:40] or None, f"{what}{f': {detail}' if detail else ''}"[:300]]


def live_html() -> tuple[str, str]:
    """Return the page and its content policy."""
    style, script = html.own_text("live.css"), html.own_text("live.js")
    policy = html.content_policy(script, style) + "; connect-src 'self'; frame-ancestors 'none'"
    return html.page("live.html", style=style, script=script), policy


class LiveServer(http.server.ThreadingHTTPServer):
    """Serves one run, or all of a shelf. `url` is the address to open."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(
        self, folder: Path, host: str = "127.0.0.1", port: int = 0, token: str | None = None, every: bool = False
    ):
        self.every = every
        self._shelf = RunsAlong(folder) if every else None
        self._along = None if every else Along(folder)
        self._queue = QueueAlong(folder) if every else None
        self._one_at_a_time = threading.Lock()
        self.token = token
        page, self.policy = live_html()
        self.page = page.encode("utf-8")
        try:
            super().__init__((host, port), _Handler)
        except OSError as error:
            raise InputError(f"live page: cannot serve at {host}, port {port}: {error.strerror}") from error
        shown = own_address() if host in ("0.0.0.0", "::") else host
        self.names = {shown, host, *(("localhost", "127.0.0.1") if token is None else ())}
        self.url = f"http://{shown}:{self.server_address[1]}/{f'{token}/' if token else ''}"

    def look(self) -> dict[str, Any]:
        """Return what the page shows now."""
        with self._one_at_a_time:
            found = self._shelf.look() if self._shelf is not None else []
            if self._along is not None:
                found = [(self._along, self._along.look())]
            queue = self._queue.look() if self._queue is not None else None
            return document(found, datetime.datetime.now(datetime.UTC), self.every, queue)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that hangs up is no news."""


class _Handler(http.server.BaseHTTPRequestHandler):
    server: LiveServer
    server_version = "amphora"
    sys_version = ""
    timeout = REQUEST_TIMEOUT_S

    def _answer(self, status: int, kind: str, body: bytes) -> None:
        self.send_response(status)
        for name, value in (
            ("Content-Type", kind),
            ("Content-Length", str(len(body))),
            ("Content-Security-Policy", self.server.policy),
            ("X-Content-Type-Options", "nosniff"),
            ("Referrer-Policy", "no-referrer"),
            ("Cache-Control", "no-store"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
            ("Connection", "close"),
        ):
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def _allowed(self) -> str | None:
        """Return what was asked for, below the token; None: not here."""
        server = self.server
        if server.token is None:
            # a page elsewhere could have its own name resolve to this computer: only our names are answered
            name = self.headers.get("Host", "").rsplit(":", 1)[0].strip("[]")
            return self.path if name in server.names else None
        given, _, rest = self.path.removeprefix("/").partition("/")
        if not secrets.compare_digest(given.encode("utf-8", "replace"), server.token.encode()):
            return None
        return "/" + rest

    def do_GET(self) -> None:
        asked = self._allowed()
        if asked == "/":
            self._answer(200, "text/html; charset=utf-8", self.server.page)
        elif asked == "/data":
            data = json.dumps(self.server.look(), ensure_ascii=False, allow_nan=False)
            self._answer(200, "application/json; charset=utf-8", data.encode("utf-8"))
        else:
            self._answer(404, "text/plain; charset=utf-8", b"not here\n")

    do_HEAD = do_GET

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing: the address holds a token."""


def own_address() -> str:
    """Return this computer's address on the local network, without sending anything."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation; UDP connect sends nothing
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def start(
    folder: Path,
    host: str = "127.0.0.1",
    port: int = 0,
    token: str | None = None,
    share: bool = False,
    every: bool = False,
) -> LiveServer:
    """Start serving in a thread of its own and return the server; end it with `shutdown()` and `server_close()`.

    Raises:
        InputError: no run's folder, or the port is taken, or sharing was asked for by address without a token.
    """
    if share:
        host, token = "0.0.0.0", token or secrets.token_urlsafe(24)
    elif host not in ("127.0.0.1", "::1", "localhost") and not token:
        raise InputError(
            f"live page: {host} is not this computer alone; beyond it a token is needed (--share makes one)"
        )
    server = LiveServer(folder, host, port, token, every)
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True).start()
    return server


def serve(
    folder: Path,
    host: str = "127.0.0.1",
    port: int = 0,
    token: str | None = None,
    share: bool = False,
    every: bool = False,
) -> None:
    """Serve the page until Ctrl-C; the address goes to standard error.

    Args:
        folder: A run's; with `every` a shelf's.
        host, port, token, share: Where it listens, and to whom.
        every: All bays.

    Raises:
        InputError: as `start`.
    """
    server = start(folder, host, port, token, share, every)
    try:
        print(f"open {server.url}  (Ctrl-C ends the page, not a run)", file=sys.stderr, flush=True)
        if share:
            print("anybody on this network who has the address can look", file=sys.stderr, flush=True)
        while True:
            time.sleep(3600)
    except KeyboardInterrupt:
        pass
    finally:
        server.shutdown()
        server.server_close()
