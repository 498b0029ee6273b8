import http.server
import io
import json
import os
import sys
import threading

import pytest

from amphora.harness.common.alarm import Alarm
from amphora.harness.common.errors import InputError

QUIET = {"bell": False, "desktop": False}


class Hook:
    """A web address on this computer that keeps what it is told."""

    def __init__(self, held=False, status=200):
        got = self.got = []
        let_go = self.let_go = threading.Event()
        if not held:
            let_go.set()

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self):
                let_go.wait(60.0)
                got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
                self.send_response(status)
                self.end_headers()

            def log_message(self, *_):
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}/alarm"
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.01,), daemon=True)
        self.thread.start()

    def close(self):
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


@pytest.fixture
def hooks():
    made = []

    def make(**options):
        made.append(Hook(**options))
        return made[-1]

    yield make
    for hook in made:
        hook.close()


def test_a_webhook_gets_kind_text_and_time(hooks):
    hook = hooks()
    alarm = Alarm({**QUIET, "webhook": hook.url})
    alarm.raise_("stop", "L3-a: 4.262 V is above 4.250 V")
    assert alarm.drain(60.0)
    (told,) = hook.got
    assert told["kind"] == "stop" and told["text"] == "L3-a: 4.262 V is above 4.250 V" and told["utc"].endswith("Z")
    assert alarm.failures == []


def test_raising_returns_at_once_however_slow_the_way(hooks, tmp_path):
    hook = hooks(held=True)
    gate = tmp_path / "gate"
    os.mkfifo(gate)
    alarm = Alarm({**QUIET, "webhook": hook.url, "command": ["/bin/sh", "-c", f"read x < {gate}"], "limit": "60 s"})
    alarm.raise_("end", "done")
    assert not alarm.drain(0.05)  # neither way can be done before it is let go
    gate.write_text("go\n")
    hook.let_go.set()
    assert alarm.drain(60.0) and alarm.failures == []


def test_a_command_is_ended_when_its_time_is_over():
    alarm = Alarm({**QUIET, "command": [sys.executable, "-c", "import time; time.sleep(60)"], "limit": 0.2})
    alarm.raise_("person", "move the leads")
    assert alarm.drain(60.0)
    assert "TimeoutExpired" in alarm.failures[0]


def test_a_command_gets_the_text_as_one_word_and_no_shell(tmp_path):
    out = tmp_path / "out"
    text = 'two; touch "$HOME" `x` {kind}'
    script = f"import sys; open({str(out)!r}, 'w').write('|'.join(sys.argv[1:]))"
    alarm = Alarm({**QUIET, "command": [sys.executable, "-c", script, "{kind}", "{text}"]})
    alarm.raise_("stop", text)
    assert alarm.drain(60.0)
    kind, _, told = out.read_text().partition("|")
    assert kind == "stop" and told == text


@pytest.mark.parametrize(
    "config",
    [
        {"command": ["/nonexistent/program"]},
        {"command": [sys.executable, "-c", "raise SystemExit(3)"]},
        {"webhook": "http://127.0.0.1:9/"},
    ],
)
def test_what_fails_is_kept_and_nothing_is_raised(config):
    alarm = Alarm({**QUIET, **config})
    alarm.raise_("stop", "text")
    assert alarm.drain(60.0)
    assert len(alarm.failures) == 1


def test_an_error_of_the_web_server_is_kept(hooks):
    alarm = Alarm({**QUIET, "webhook": hooks(status=500).url})
    alarm.raise_("stop", "text")
    assert alarm.drain(60.0)
    assert "500" in alarm.failures[0]


def test_only_the_kinds_that_are_wanted_call(hooks):
    hook = hooks()
    alarm = Alarm({**QUIET, "webhook": hook.url, "kinds": ["person"]})
    alarm.raise_("end", "x")
    alarm.raise_("person", "y")
    assert alarm.drain(60.0)
    assert [told["kind"] for told in hook.got] == ["person"]


def test_the_bell_rings_on_a_terminal_only(monkeypatch):
    class Screen(io.StringIO):
        def __init__(self, terminal):
            super().__init__()
            self.terminal = terminal

        def isatty(self):
            return self.terminal

    for terminal, expected in ((True, "\a"), (False, "")):
        screen = Screen(terminal)
        monkeypatch.setattr(sys, "stderr", screen)
        alarm = Alarm({"desktop": False})
        alarm.raise_("stop", "x")
        assert alarm.drain(60.0)
        assert screen.getvalue() == expected


def test_a_desktop_is_told_through_its_own_program(tmp_path, monkeypatch):
    out = tmp_path / "out"
    program = tmp_path / "notify-send"
    program.write_text(f'#!/bin/sh\nprintf "%s|" "$@" > {out}\n')
    program.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(sys, "platform", "linux")
    alarm = Alarm({"bell": False})
    alarm.raise_("person", "--move the leads")
    assert alarm.drain(60.0)
    assert alarm.failures == []
    assert out.read_text().endswith("--|Amphora: a person is needed|--move the leads|")


def test_without_a_desktop_nothing_is_missing(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    alarm = Alarm({"bell": False})
    alarm.raise_("end", "x")
    assert alarm.drain(60.0) and alarm.failures == []


def test_a_flood_of_alarms_makes_no_flood_of_threads():
    alarm = Alarm({**QUIET, "command": [sys.executable, "-c", "import time; time.sleep(5)"], "limit": 1})
    for _ in range(40):
        alarm.raise_("person", "x")
    assert len(alarm.failures) >= 20
    assert alarm.drain(60.0)


@pytest.mark.parametrize(
    ("config", "words"),
    [
        ({"horn": True}, "'horn' is not known"),
        ({"bell": "yes"}, "true or false"),
        ({"command": "say hello"}, "list of words"),
        ({"command": []}, "list of words"),
        ({"webhook": "file:///etc/passwd"}, "http"),
        ({"kinds": ["fire"]}, "stop, end, person"),
        ({"limit": "2 h"}, "60 s"),
        ({"limit": "3 V"}, "limit"),
        ({"limit": True}, "60 s"),
    ],
)
def test_a_wrong_table_is_refused_naming_the_field(config, words):
    with pytest.raises(InputError) as caught:
        Alarm(config, "bench.toml: alarms")
    assert words in str(caught.value) and "bench.toml" in str(caught.value)


def test_a_limit_with_a_unit_is_read():
    assert Alarm({"limit": "5 s"}).limit_s == 5.0
