"""A page that shows a run as it goes: read only, from a second process, the folder being all it knows.

It serves on loopback unless sharing is asked for; then on the local network, and only below a random
token in the address. Three answers exist: the page, its data, and "not here"; nothing on the disk can
be named by a request. A row counts only when it ends in a newline and has all its fields.
"""

import datetime
import http.server
import json
import math
import secrets
import socket
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from amphora.harness.archive.run_folder import EVENTS, SAMPLES, new_lines, read_header
from amphora.harness.common.errors import InputError
from amphora.harness.report.certificate.issue import is_simulated
from amphora.harness.report.certificate.page import TEMPLATES
from amphora.harness.report.comparison_page import content_policy
from amphora.harness.running.whereabouts import whereabouts

CURVE_POINTS = 400
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
    "pulse-skipped": "a pulse was left out",
}


def _float(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


class RunReader:
    """Reads what was added to a run's folder since the last look. One look at a time."""

    def __init__(self, folder: Path, now: Callable[[], float] = time.time):
        self.folder = folder
        self.run = read_header(folder)
        self.now = now
        self._lock = threading.Lock()
        self._begin_again()

    def _begin_again(self) -> None:
        self._offset = 0
        self._columns = 0
        self._points: list[tuple[float, float | None, float | None, float | None]] = []
        self._stride = 1
        self._count = 0
        self._last: tuple[float, str, float | None, float | None, float | None] | None = None
        self._previous: tuple[float, float] | None = None
        self._step = ""
        self._charge_Ah = 0.0
        self._events: list[dict[str, Any]] = []
        self._events_offset = 0

    def _take_row(self, line: bytes) -> None:
        parts = line.decode("utf-8", "replace").split(",")
        if self._columns == 0:
            self._columns = len(parts)
            return
        t = _float(parts[0])
        if len(parts) != self._columns or len(parts) < 5 or t is None:
            return
        voltage, current, temperature = _float(parts[2]), _float(parts[3]), _float(parts[4])
        if parts[1] != self._step:
            self._step, self._charge_Ah, self._previous = parts[1], 0.0, None
        if current is not None:
            if self._previous is not None:
                self._charge_Ah += (current + self._previous[1]) / 2 * (t - self._previous[0]) / 3600
            self._previous = (t, current)
        self._last = (t, parts[1], voltage, current, temperature)
        if self._count % self._stride == 0:
            self._points.append((t, voltage, current, temperature))
            if len(self._points) > 2 * CURVE_POINTS:
                self._points = self._points[::2]
                self._stride *= 2
        self._count += 1

    def look(self) -> dict[str, Any]:
        """Return how the run stands, ready for JSON: finite numbers, or None."""
        with self._lock:
            return self._look()

    def _look(self) -> dict[str, Any]:
        samples = self.folder / SAMPLES
        lines, offset = new_lines(samples, self._offset)
        if offset < 0:  # another file than before
            self._begin_again()
            lines, offset = new_lines(samples, 0)
        self._offset = max(offset, 0)
        for line in lines:
            self._take_row(line)
        lines, offset = new_lines(self.folder / EVENTS, self._events_offset)
        self._events_offset = max(offset, 0)
        for line in lines:
            try:
                event = json.loads(line)
            except ValueError:
                continue
            if isinstance(event, dict):
                self._events.append(event)
        return self._state()

    def _state(self) -> dict[str, Any]:
        cell = self.run.get("cell") or {}
        last = self._last
        begun = next((e for e in reversed(self._events) if e.get("kind") == "step-begun"), None)
        at = whereabouts(self.folder, self.run, self._events, last[0] if last else None, self.now())
        final = self._events[-1] if self._events and self._events[-1].get("kind") == "stopped" else None
        reason = str(final.get("reason", "")) if final else ""
        bad = at.state in ("dead", "silent") or reason.startswith(("guard", "instrument", "killed", "interrupted"))
        state = "no reading yet" if at.state == "running" and last is None else at.text
        expected, latest = (None, None) if final or at.state == "dead" else self._ends(begun)
        return {
            "cell": str(cell.get("id") or ""),
            "profile": str(self.run.get("profile") or "readings"),
            "run": self.folder.name,
            "state": state[:300],
            "bad": bad,
            "simulated": is_simulated(self.run),
            "finished": final is not None,
            "step_name": str((begun or {}).get("name") or (begun or {}).get("step_kind") or "")[:120],
            "t_s": last[0] if last else None,
            "voltage_V": last[2] if last else None,
            "current_A": last[3] if last else None,
            "temperature_degC": last[4] if last else None,
            "charge_Ah": self._charge_Ah if last else None,
            "expected_utc": expected,
            "latest_utc": latest,
            "age_s": at.age_s if last else None,
            "rows": self._count,
            "curve": self._curve(),
            "events": [self._said(e) for e in self._events if e.get("kind") in _SAID][-MAX_EVENTS:],
        }

    def _curve(self) -> list[list[float | None]]:
        points: list[list[float | None]] = [list(point) for point in self._points]
        if self._last is not None and (not points or points[-1][0] != self._last[0]):
            points.append([self._last[0], *self._last[2:]])
        return points

    def _said(self, event: dict[str, Any]) -> str:
        what = _SAID[str(event["kind"])]
        detail = event.get("text") or event.get("reason") or event.get("act") or ""
        return f"{str(event.get('utc', ''))[:19].replace('T', ' ')} {what}{f': {detail}' if detail else ''}"[:300]

    def _ends(self, begun: dict[str, Any] | None) -> tuple[str | None, str | None]:
        """Return when the whole plan is expected to end, and when at the latest, as UTC."""
        steps = (self.run.get("plan") or {}).get("steps") or []
        if begun is None or not steps or not isinstance(begun.get("utc"), str):
            return None, None
        try:
            began = datetime.datetime.fromisoformat(begun["utc"])
            at = int(begun.get("plan_step", begun.get("step", 0)))
            latest = sum(float(step["max_duration_s"]) for step in steps[at:])
            expected = sum(
                float(
                    step["max_duration_s"] if step.get("expected_duration_s") is None else step["expected_duration_s"]
                )
                for step in steps[at:]
            )
            return (
                (began + datetime.timedelta(seconds=expected)).isoformat(),
                (began + datetime.timedelta(seconds=latest)).isoformat(),
            )
        except (ValueError, TypeError, KeyError, OverflowError):
            return None, None


def live_html() -> tuple[str, str]:
    """Return the page and its content policy."""
    style = (TEMPLATES / "live.css").read_text(encoding="utf-8")
    script = (TEMPLATES / "live.js").read_text(encoding="utf-8")

    def box(name: str, key: str, unit: str) -> str:
        return (
            f'<div><dt>{name}</dt><dd><span id="{key}">–</span>{f" <small>{unit}</small>" if unit else ""}</dd></div>'
        )

    boxes = "".join(
        box(*item)
        for item in (
            ("Voltage", "voltage", "V"),
            ("Current into the cell", "current", "A"),
            ("Temperature", "temperature", "°C"),
            ("Charge in this step", "charge", "mAh"),
            ("Running for", "elapsed", ""),
            ("Done at about", "expected", ""),
            ("At the latest", "latest", ""),
        )
    )
    page = (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><title>A run on the bench</title>'
        f'<style>{style}</style></head><body><main><h1><span id="cell">…</span></h1>'
        '<p class="quiet" id="run"></p><p id="state" role="status">asking…</p>'
        f'<p>Step: <strong id="step">–</strong></p><dl>{boxes}</dl><p class="quiet" id="age"></p>'
        '<h2>Voltage</h2><svg id="curve" viewBox="0 0 640 300" role="img" aria-label="Voltage over time"></svg>'
        '<h2>What happened (UTC)</h2><ul id="events"></ul>'
        '<p class="quiet">Read-only page: it cannot change the run. Somebody should be in reach of a bench that '
        "charges.</p>"
        f"</main><script>{script}</script></body></html>\n"
    )
    policy = content_policy(script, style) + "; connect-src 'self'; frame-ancestors 'none'"
    return page, policy


class LiveServer(http.server.ThreadingHTTPServer):
    """Serves one run. `url` is the address to open."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, folder: Path, host: str = "127.0.0.1", port: int = 0, token: str | None = None):
        self.reader = RunReader(folder)
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
            data = json.dumps(self.server.reader.look(), ensure_ascii=False, allow_nan=False)
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
    folder: Path, host: str = "127.0.0.1", port: int = 0, token: str | None = None, share: bool = False
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
    server = LiveServer(folder, host, port, token)
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True).start()
    return server


def serve(
    run_folder: Path, host: str = "127.0.0.1", port: int = 0, token: str | None = None, share: bool = False
) -> None:
    """Serve the page until Ctrl-C; the address goes to standard error.

    Raises:
        InputError: as `start`.
    """
    server = start(run_folder, host, port, token, share)
    try:
        print(f"open {server.url}  (Ctrl-C ends the page, not the run)", file=sys.stderr, flush=True)
        if share:
            print("anybody on this network who has the address can look", file=sys.stderr, flush=True)
        while True:
            time.sleep(3600)
    except KeyboardInterrupt:
        pass
    finally:
        server.shutdown()
        server.server_close()
