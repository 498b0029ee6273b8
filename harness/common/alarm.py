"""Calls a person: terminal bell, desktop notification, a command, a web address.

`Alarm(config).raise_(kind, text)` returns at once; each way runs in a thread of its own with a time
limit, and none can delay or break a run. What failed is kept in `failures`.

The bench file's [alarms] table: `bell` (true), `desktop` (true), `command` (a list of words: the
program and its arguments, in which {kind} and {text} are filled in; no shell), `webhook` (an http or
https address that gets a POST of {"kind", "text", "utc"}), `kinds` (which of stop, end, person),
`limit` ("10 s").
"""

import contextlib
import json
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import as_written, shown

KINDS = ("stop", "end", "person")
TITLES = {"stop": "stopped", "end": "done", "person": "a person is needed"}
LIMIT_S = 10.0
MOST_AT_ONCE = 20


@dataclass(frozen=True)
class AlarmsTable:
    """The keys of [alarms], as they are written."""

    bell: Any = True
    desktop: Any = True
    command: Any = None
    webhook: Any = None
    kinds: Any = KINDS
    limit: Any = LIMIT_S


class Alarm:
    """See the module.

    Args:
        config: The bench file's [alarms] table; empty: bell and desktop.
        where: The file, for messages.

    Raises:
        InputError: a key or value is not accepted.
    """

    def __init__(self, config: Mapping[str, Any], where: str = "bench: alarms") -> None:
        table = as_written(AlarmsTable, config, where)
        self.bell = _flag(table.bell, f"{where}.bell")
        self.desktop = _flag(table.desktop, f"{where}.desktop")
        self.command = table.command
        if self.command is not None and not (
            isinstance(self.command, list) and self.command and all(isinstance(word, str) for word in self.command)
        ):
            raise InputError(f"{where}.command: {shown(self.command)} is not accepted; a list of words is")
        self.webhook = table.webhook
        if self.webhook is not None and not (
            isinstance(self.webhook, str) and re.fullmatch(r"https?://[^\s/]+\S*", self.webhook)
        ):
            raise InputError(
                f"{where}.webhook: {shown(self.webhook)} is not accepted; an http:// or https:// address is"
            )
        kinds = table.kinds
        if not isinstance(kinds, list | tuple) or any(kind not in KINDS for kind in kinds):
            raise InputError(f"{where}.kinds: {shown(kinds)} is not accepted; a list of {', '.join(KINDS)} is")
        self.kinds = tuple(kinds)
        self.limit_s = _seconds(table.limit, f"{where}.limit")
        self.failures: list[str] = []
        self._threads: list[threading.Thread] = []

    def raise_(self, kind: str, text: str) -> None:
        """Call by every way that is set; returns at once and never raises."""
        if kind not in self.kinds:
            return
        ways: list[tuple[str, Callable[[str, str], None]]] = []
        if self.bell:
            ways.append(("bell", _ring))
        if self.desktop:
            ways.append(("desktop", self._notify))
        if self.command is not None:
            ways.append(("command", self._run))
        if self.webhook is not None:
            ways.append(("webhook", self._post))
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        for name, way in ways:
            if len(self._threads) >= MOST_AT_ONCE:
                self.failures.append(f"{name}: {MOST_AT_ONCE} alarms are still under way; left out")
                continue
            thread = threading.Thread(target=self._try, args=(name, way, kind, text), name=f"alarm-{name}", daemon=True)
            try:
                thread.start()
            except RuntimeError as error:  # no more threads
                self.failures.append(f"{name}: {error}")
                continue
            self._threads.append(thread)

    def drain(self, timeout_s: float) -> bool:
        """Wait for what is under way, at most that long; return whether all is done."""
        until_s = time.monotonic() + timeout_s
        for thread in self._threads:
            thread.join(max(0.0, until_s - time.monotonic()))
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        return not self._threads

    def _try(self, name: str, way: Callable[[str, str], None], kind: str, text: str) -> None:
        try:
            way(kind, text)
        except Exception as error:  # noqa: BLE001  an alarm that fails must stop nothing
            self.failures.append(f"{name}: {type(error).__name__}: {error}")

    def _notify(self, kind: str, text: str) -> None:
        title = f"Amphora: {TITLES[kind]}"
        if sys.platform == "darwin" and shutil.which("osascript"):
            script = "on run argv\ndisplay notification (item 2 of argv) with title (item 1 of argv)\nend run"
            self._call(["osascript", "-e", script, title, text])
        elif shutil.which("notify-send"):
            self._call(["notify-send", "--app-name=Amphora", "--", title, text])

    def _run(self, kind: str, text: str) -> None:
        assert self.command is not None
        self._call([word.replace("{kind}", kind).replace("{text}", text) for word in self.command])

    def _call(self, words: list[str]) -> None:
        """Run a program; it is ended when the limit is over."""
        done = subprocess.run(
            [word.replace("\0", " ") for word in words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=self.limit_s,
            check=False,
            start_new_session=True,
        )
        if done.returncode != 0:
            raise OSError(f"{words[0]} ended with code {done.returncode}")

    def _post(self, kind: str, text: str) -> None:
        import urllib.request

        utc = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        body = json.dumps({"kind": kind, "text": text, "utc": utc}, ensure_ascii=False).encode("utf-8")
        request = urllib.request.Request(
            str(self.webhook), data=body, headers={"Content-Type": "application/json"}, method="POST"
        )
        with urllib.request.urlopen(request, timeout=self.limit_s) as answer:
            answer.read(1)


def _ring(kind: str, text: str) -> None:
    """Ring the terminal, where there is one."""
    stream = sys.stderr
    if stream is not None and stream.isatty():
        with contextlib.suppress(OSError, ValueError):
            stream.write("\a")
            stream.flush()


def _flag(value: object, where: str) -> bool:
    if not isinstance(value, bool):
        raise InputError(f"{where}: {shown(value)} is not accepted; true or false is")
    return value


def _seconds(value: Any, where: str) -> float:
    from amphora.harness.common.errors import QuantityError
    from amphora.harness.common.quantities import parse

    seconds: Any = value
    if isinstance(value, str):
        try:
            seconds = parse(value, "duration", where)
        except QuantityError as error:
            raise InputError(str(error)) from error
    if isinstance(seconds, bool) or not isinstance(seconds, int | float) or not 0 < seconds <= 60:
        raise InputError(f"{where}: {shown(value)} is not accepted; up to 60 s is")
    return float(seconds)
