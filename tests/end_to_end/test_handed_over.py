"""An output that will not go off at a run's end: warned at once, handed to the keeper, and told what came of it.

The bench's servers are in this process, so that the fault can be put in and seen to fire; the program and its keeper
are processes of their own. Nothing here asks how fast anybody is: what comes first is made to come first, and what has
to happen is waited for.
"""

import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from programs import Inside, events_in, wait_for

from amphora.drivers.simulated.servers import ServedBench
from amphora.harness.archive.journal import read_run
from amphora.harness.running.watchdog import WARNING

NIGHT = ("--profile", "overnight", "--start", "declared-full", "--current", "0.1 A")  # long: it is to be cut short
SILENT = 8  # questions
RUNNERS_OFFS = 15  # orders: five tries of three


class Place:
    """A bench whose load can be made to disobey, and a run at work on it."""

    def __init__(self, folder: Path, amphora: Any, served: ServedBench) -> None:
        self.folder, self.amphora, self.served = folder, amphora, served
        self.calls = folder / "calls.txt"
        script = folder / "call.py"
        script.write_text(f"import sys\nopen({str(self.calls)!r}, 'a').write(' '.join(sys.argv[1:]) + '\\n')\n")
        self.bench = folder / "bench.toml"
        command = json.dumps([sys.executable, str(script), "{kind}", "{text}"])
        self.bench.write_text(served.bench_file() + f"\n[alarms]\ndesktop = false\ncommand = {command}\n")
        Inside(amphora.folder).call(
            "cell", "add", "L3-a", "--form", "18650", "--chemistry", "li-ion", "--as-found", "4.18 V"
        )
        self.process = amphora.start("run", "--cell", "L3-a", "--bench", str(self.bench), *NIGHT, "--json")
        wait_for(self.discharges)
        wait_for(lambda: served.bench.load.on)

    @property
    def run(self) -> Path:
        (folder,) = [path for path in (self.amphora.logs / "L3-a").iterdir() if path.is_dir()]
        return folder

    def discharges(self) -> bool:
        """Whether the long discharge is under way."""
        try:
            events = events_in(self.run)
        except (ValueError, OSError):  # not there yet
            return False
        begun = [number for number, event in enumerate(events) if event["kind"] == "step-begun"]
        if not begun or events[begun[-1]]["step_kind"] != "discharge":
            return False
        return any(event["kind"] == "ordered" for event in events[begun[-1] :])

    def resumed(self) -> bool:
        return any(event["kind"] == "resumed" for event in events_in(self.run))

    def called(self) -> list[str]:
        return self.calls.read_text(encoding="utf-8").splitlines() if self.calls.is_file() else []

    def silent_from_the_first_off_order(self, count: int) -> None:
        """Let every instrument leave `count` questions unanswered, from the first order that switches anything off.

        The run has ended by then, for whatever reason it had: silence is not what ends it.
        """
        begun = threading.Lock()
        for server in self.served.scpi.values():

            def program(message: str, responder: Any = server.responder, meant: Any = server.responder.program) -> Any:
                what = meant(message)
                if responder.carries_out(what, "ignore-off") and begun.acquire(blocking=False):
                    for one in self.served.scpi.values():
                        one.inject("silence", count=count)
                return what

            server.responder.program = program  # type: ignore[method-assign]

    def off_orders_ignored(self) -> int:
        return [kind for _, kind in self.served.scpi["load"].fired].count("ignore-off")


@pytest.fixture
def at_work(tmp_path: Path, amphora: Any) -> Iterator[Callable[..., Place]]:
    places: list[Place] = []

    def begin() -> Place:
        served = ServedBench("worn-out", 1, speed_up=300.0)
        served.scpi["load"]._clients = 1  # whoever holds the link keeps the other out
        served.start()
        try:
            places.append(Place(tmp_path, amphora, served))
        except BaseException:
            served.stop()
            raise
        return places[-1]

    yield begin
    for place in places:
        if place.process.poll() is None:
            place.process.kill()
        place.process.communicate()
        place.served.stop()


def kinds_after_stop(folder: Path) -> list[tuple[str, Any, Any]]:
    events = events_in(folder)
    at = next((number for number, event in enumerate(events) if event["kind"] == "stopped"), len(events))
    return [(event["kind"], event.get("by"), event.get("off")) for event in events[at:]]


def test_what_the_program_could_not_switch_off_the_keeper_does_and_the_end_says_so(at_work: Any) -> None:
    place = at_work()
    place.served.scpi["load"].inject("ignore-off", count=RUNNERS_OFFS + 4)
    place.process.send_signal(signal.SIGINT)
    out, err = place.process.communicate(timeout=180)
    assert place.off_orders_ignored() == RUNNERS_OFFS + 4
    assert not place.served.bench.load.on
    answer = json.loads(out)
    assert place.process.returncode == 4 and answer["stop"] == "interrupted" and answer["safe"]
    assert "the keeper switched off load and supply and read it back" in answer["text"]
    assert "MAY STILL BE ON" not in answer["text"]  # at the end it is not true any more
    assert "AN OUTPUT MAY STILL BE ON: pull the leads at the cell now; it is being tried again" in err  # at once
    stopped, safe = kinds_after_stop(place.run)
    assert stopped[0] == "stopped" and safe == ("made-safe", "keeper", True)
    assert not any(event["kind"] == "killed" for event in read_run(place.run).events)  # nobody was
    # Each call is a process of its own: which of the two writes first is not said.
    first, second = sorted(place.called(), key=lambda call: "MAY STILL" not in call)
    assert first.startswith("stop ") and "MAY STILL BE ON" in first
    assert second.startswith("stop ") and "switched off load" in second and "MAY STILL" not in second
    again = place.amphora.start("resume", str(place.run), "--bench", str(place.bench), "--json")
    wait_for(lambda: place.resumed() and place.served.bench.load.on)
    again.send_signal(signal.SIGINT)
    out, _ = again.communicate(timeout=180)
    assert again.returncode == 130 and json.loads(out)["safe"] and not place.served.bench.load.on


def test_a_person_who_does_not_wait_is_warned_and_the_keeper_goes_on_and_calls(at_work: Any) -> None:
    place = at_work()
    load = place.served.scpi["load"]
    load.inject("ignore-off", count=100_000)
    place.process.send_signal(signal.SIGTERM)
    wait_for(lambda: len(place.called()) == 1)
    # What the keeper has not done in five seconds it records, after the runner's word that it listens.
    wait_for(lambda: kinds_after_stop(place.run)[-1:] == [("made-safe", "keeper", False)])
    place.process.send_signal(signal.SIGINT)  # enough of waiting
    out, err = place.process.communicate(timeout=180)
    answer = json.loads(out)
    assert place.process.returncode == 4 and not answer["safe"] and "Traceback" not in err
    assert answer["text"].endswith(f"; {WARNING}")  # and before it, as far as the keeper's word has come:
    assert "the keeper goes on trying" in answer["text"] or "the keeper has not yet switched off load" in answer["text"]
    assert place.served.bench.load.on and place.off_orders_ignored() > RUNNERS_OFFS
    load._faults.clear()  # it obeys now
    wait_for(lambda: not place.served.bench.load.on)
    wait_for(lambda: len(place.called()) >= 3)  # the warning, the end, and now the keeper itself
    last = place.called()[-1]
    assert "asked the keeper" in last and "the keeper switched off load and supply" in last
    assert kinds_after_stop(place.run)[-1] == ("made-safe", "keeper", True)


def test_a_killed_run_calls_by_the_bench_files_alarms(at_work: Any) -> None:
    place = at_work()
    os.kill(place.process.pid, signal.SIGKILL)
    wait_for(lambda: not place.served.bench.load.on)
    wait_for(lambda: bool(place.called()))
    (call,) = place.called()
    begun = f"stop L3-a/{place.run.name}: the runner (process {place.process.pid}) "
    assert call.startswith(
        (f"{begun}ended without a word", f"{begun}is gone")
    )  # by its pipe or its process: the first seen
    assert call.endswith("the keeper switched off load and supply and read it back")


def test_instruments_that_are_silent_for_longer_than_a_beat_may_fail_are_waited_for_and_warned_of(at_work: Any) -> None:
    place = at_work()
    place.silent_from_the_first_off_order(count=SILENT)  # two seconds each question, on all at the same time
    began_s = time.monotonic()
    place.process.send_signal(signal.SIGINT)
    out, err = place.process.communicate(timeout=180)
    assert time.monotonic() - began_s > 12.0  # longer than the ten seconds after which a runner counts as hung
    for server in place.served.scpi.values():
        assert [kind for _, kind in server.fired].count("silence") == SILENT
    answer = json.loads(out)
    assert answer["stop"] == "interrupted" and answer["safe"] and not place.served.bench.load.on
    assert "AN OUTPUT MAY STILL BE ON" in err  # told while it was tried
    assert not any(event["kind"] == "killed" for event in read_run(place.run).events)
