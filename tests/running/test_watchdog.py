import json
import os
import signal
import subprocess
import sys
import threading
import time
import types
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from programs import wait_for

import amphora.harness.running.watchdog as keeper_module
from amphora.drivers.errors import LinkError
from amphora.drivers.roles import SafeState
from amphora.drivers.simulated.scpi_server import ScpiServer
from amphora.harness.archive.journal import read_run
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.common.locks import process_start
from amphora.harness.control.events import MadeSafe
from amphora.harness.running.runner import Runner
from amphora.harness.running.switch_off import sheet_from_bench
from amphora.harness.running.watchdog import GRACE_S, HandedOver, Keeper, act, wait
from tests.support.simulation.ideal import IdealCell, IdealLoad

ROOT = str(Path(keeper_module.__file__).resolve().parent.parent.parent)

RUNNER = """
import json, sys, time
sys.path.insert(0, {root!r})
from pathlib import Path
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.running.switch_off import sheet_from_bench
from amphora.harness.running.watchdog import Keeper
bench = bench_from_dict(json.loads({bench!r}))
keeper = Keeper.start(bench, Path({folder!r}), sheet_from_bench(bench, {names!r}), beat_limit_s={limit!r})
print("running", keeper.pid, flush=True)
if {ask!r}:
    keeper.take_over()
    time.sleep(100)
while True:
    keeper.beat()
    time.sleep(0.1)
"""


@pytest.fixture(autouse=True)
def own_runtime(tmp_path, monkeypatch):
    monkeypatch.setenv("AMPHORA_RUNTIME", str(tmp_path / "runtime"))


@pytest.fixture
def load():
    """A load on a wire, switched on, drawing 0.5 A."""
    device = IdealLoad(IdealCell())
    device.set_discharge("current", 0.5)
    device.set_input(True)
    with ScpiServer(device, "load-function-input") as server:
        device.server = server
        yield device


def bench_of(device, **more):
    table = {"role": "load", "resource": device.server.resource, "dialect": "load-function-input", **more}
    return {"name": "test bench", "instruments": {"load": table}}


def started(device, folder):
    bench = bench_from_dict(bench_of(device))
    return Keeper.start(bench, folder, sheet_from_bench(bench, ["load"]))


@pytest.fixture
def folder(tmp_path):
    """A run folder as a runner leaves it behind."""
    path = tmp_path / "run"
    path.mkdir()
    (path / "run.json").write_text('{"format": "amphora-run/1"}', encoding="utf-8")
    (path / "samples.csv").write_text(
        "t_s,step,voltage_V,current_A,temperature_degC\n0.5,0,3.7,-0.5,\n1.5,0,3.7,-0.5,\n2.5,0,3.", encoding="utf-8"
    )
    (path / "events.jsonl").write_text(
        '{"kind":"run-begun","t_s":0.0,"utc":"2026-01-01T21:00:00.000Z","after_row":0}\n', encoding="utf-8"
    )
    return path


@pytest.fixture
def runner(folder):
    """A small process that starts a keeper and beats."""
    started = []

    def start(bench, names=("load",), limit=10.0, ask=False):
        code = RUNNER.format(
            root=ROOT, bench=json.dumps(bench), names=list(names), folder=str(folder), limit=limit, ask=ask
        )
        process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
        started.append(process)
        word, keeper_pid = process.stdout.readline().split()
        assert word == b"running"
        process.keeper_pid = int(keeper_pid)
        return process

    yield start
    for process in started:
        process.kill()
        process.wait()
        process.stdout.close()
        end_by(process.keeper_pid, 10.0)


BUSY = 12.0  # so many times as long as here may anything take beside busy neighbours


def end_by(pid, seconds):
    until = time.monotonic() + seconds * BUSY
    while process_start(pid) is not None and time.monotonic() < until:
        time.sleep(0.02)
    return process_start(pid) is None


def off_within(device, seconds):
    """Whether it went off; that this was at once, and not for want of a beat, is told by the record's words."""
    until = time.monotonic() + seconds * BUSY
    while device.on and time.monotonic() < until:
        time.sleep(0.01)
    return not device.on


def events(folder):
    return read_run(folder).events


def test_a_killed_runner_leaves_the_load_off_within_five_seconds_and_a_record(load, folder, runner):
    process = runner(bench_of(load))
    time.sleep(0.3)
    assert load.on
    os.kill(process.pid, signal.SIGKILL)
    assert off_within(load, 5.0)
    assert end_by(process.keeper_pid, 10.0)
    run = read_run(folder)
    kinds = [event["kind"] for event in run.events]
    assert kinds == ["run-begun", "killed", "made-safe"]
    killed, safe = run.events[1:]
    assert killed["reason"] == "killed" and killed["after_row"] == 2
    assert "ended without a word" in killed["text"]  # at once: not after the ten seconds without a beat
    assert safe["by"] == "keeper" and safe["off"] is True
    assert safe["instruments"]["load"]["off"] is True
    assert safe["t_s"] >= 1.5
    assert run.stopped is None  # it can be resumed


def test_a_hung_runner_is_ended_first_and_then_the_load_goes_off(load, folder, runner):
    process = runner(bench_of(load), limit=1.0)
    os.kill(process.pid, signal.SIGSTOP)
    assert load.on
    assert off_within(load, 6.0)
    process.wait(60)
    assert process.returncode == -signal.SIGKILL
    assert end_by(process.keeper_pid, 10.0)
    assert "gave no beat for 1 s" in events(folder)[1]["text"]


def test_the_smoke_alarm_ends_a_runner_that_does_not_switch_off_by_itself(load, folder, runner):
    """It beats on and on: nothing else would ever end it."""
    smoke = folder / "smoke"
    smoke.write_text("0\n")
    process = runner(bench_of(load) | {"smoke_alarm": {"file": str(smoke), "alarm_when": "1"}})
    time.sleep(0.3)
    assert load.on
    smoke.write_text("1\n")
    assert off_within(load, GRACE_S + 3.0)
    process.wait(60)
    assert process.returncode == -signal.SIGKILL and end_by(process.keeper_pid, 10.0)
    said = events(folder)[1]["text"]
    assert "the smoke or heat alarm says '1'" in said and "did not switch off within 5 s" in said
    assert GRACE_S == 5.0  # within seconds, and long enough for a runner that makes safe by itself


def test_a_runner_that_says_bye_is_left_alone(load, folder):
    keeper = started(load, folder)
    assert keeper.alive()
    keeper.beat()
    keeper.bye()
    keeper.bye()
    assert not keeper.alive()
    keeper.beat()
    assert load.on
    assert [event["kind"] for event in events(folder)] == ["run-begun"]


def test_a_runner_that_could_not_make_safe_leaves_it_to_the_keeper(load, folder):
    keeper = started(load, folder)
    keeper.abandon()
    assert off_within(load, 5.0)
    keeper.bye()
    assert not keeper.alive()
    assert events(folder)[-1]["off"] is True


def test_a_runner_that_asks_hears_what_came_of_it_and_nobody_was_killed(load, folder):
    keeper = started(load, folder)
    keeper.beat()
    keeper.take_over()
    assert off_within(load, 5.0)
    time.sleep(0.3)
    assert [event["kind"] for event in events(folder)] == ["run-begun"]  # not while the runner may be writing
    achieved = keeper.achieved()
    assert achieved == (True, "the keeper switched off load and read it back", True)
    keeper.bye()
    assert not keeper.alive()
    _, safe = events(folder)
    assert safe["kind"] == "made-safe" and safe["by"] == "keeper" and safe["off"] is True
    assert safe["text"] == f"the runner (process {os.getpid()}) could not switch everything off and asked the keeper"


def test_a_runner_that_asks_and_is_killed_before_it_wrote_its_last_event_is_recorded_all_the_same(load, folder, runner):
    process = runner(bench_of(load), ask=True)
    assert off_within(load, 5.0)
    os.kill(process.pid, signal.SIGKILL)
    assert end_by(process.keeper_pid, 10.0)
    assert [event["kind"] for event in events(folder)] == ["run-begun", "made-safe"]


def test_a_keeper_that_is_gone_is_told_at_once(load, folder):
    keeper = started(load, folder)
    os.kill(keeper.pid, signal.SIGKILL)
    keeper.take_over()
    assert keeper.achieved() == (False, "the keeper process is gone", True)  # and not: no answer within so long
    assert load.on
    keeper.bye()


def test_whoever_waits_for_the_keeper_may_give_up_and_what_it_could_not_do_is_told_by_name(load, folder):
    load.server.inject("ignore-off", count=100_000)
    keeper = started(load, folder)
    keeper.take_over()
    assert keeper.achieved(lambda: True) == (False, "the keeper goes on trying", False)
    told = None
    while told is None or told.text == "the keeper goes on trying":  # after five seconds it says more
        until = time.monotonic() + 0.5
        told = keeper.achieved(lambda until=until: time.monotonic() > until)
    assert load.server.fired and load.on
    assert not told.off and not told.final
    assert told.text.startswith("the keeper has not yet switched off load: still on, read back after 3 orders")
    os.kill(keeper.pid, signal.SIGKILL)
    keeper.bye()


def test_no_word_is_lost_in_a_pipe_that_is_full_of_beats(load, folder, monkeypatch):
    monkeypatch.setattr(keeper_module, "SAY_LIMIT_S", 60.0)
    keeper = started(load, folder)
    os.kill(keeper.pid, signal.SIGSTOP)
    for _ in range(70_000):
        keeper.beat()
    threading.Timer(0.5, os.kill, (keeper.pid, signal.SIGCONT)).start()
    keeper.take_over()
    assert keeper.achieved().off and not load.on
    keeper.bye()


def test_what_ends_a_terminal_does_not_end_the_keeper(load, folder, runner):
    process = runner(bench_of(load))
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM):
        os.kill(process.keeper_pid, number)
    time.sleep(0.1)
    assert process_start(process.keeper_pid) is not None
    assert os.getsid(process.keeper_pid) == process.keeper_pid  # a session of its own
    os.kill(process.pid, signal.SIGKILL)
    assert off_within(load, 5.0)


def test_a_beat_costs_nothing_even_when_the_keeper_stands_still(load, folder):
    keeper = started(load, folder)
    os.kill(keeper.pid, signal.SIGSTOP)
    try:
        began = time.perf_counter()
        for _ in range(70_000):  # more than a pipe holds
            keeper.beat()
        assert (time.perf_counter() - began) / 70_000 < 1e-3
    finally:
        os.kill(keeper.pid, signal.SIGCONT)
    keeper.bye()
    assert not keeper.alive()


def test_half_a_command_of_the_dead_runner_does_no_harm(load, folder, runner):
    import socket

    process = runner(bench_of(load))
    host, port = load.server.resource.split("::")[1:3]
    with socket.create_connection((host, int(port))) as half:
        half.sendall(b"CURR 9")
        os.kill(process.pid, signal.SIGKILL)
        assert off_within(load, 5.0)
    assert load.level == 0.5


@pytest.mark.parametrize("dialect", ["load-simple", "load-function-input"])
def test_a_serial_load_with_half_a_command_in_its_buffer_goes_off(folder, runner, dialect):
    device = IdealLoad(IdealCell())
    device.set_discharge("current", 0.5)
    device.set_input(True)
    with ScpiServer(device, dialect, transport="pty") as server:
        device.server = server
        bench = bench_of(device)
        bench["instruments"]["load"]["dialect"] = dialect
        process = runner(bench)
        terminal = os.open(server.resource.removeprefix("ASRL").removesuffix("::INSTR"), os.O_RDWR | os.O_NOCTTY)
        os.write(terminal, b"CURR 9")
        os.close(terminal)
        os.kill(process.pid, signal.SIGKILL)
        assert off_within(device, 5.0)
        assert device.level == 0.5
        assert end_by(process.keeper_pid, 20.0)
    assert events(folder)[-1]["off"] is True


def test_a_load_that_takes_one_client_is_reached_when_the_runner_is_dead(folder, runner):
    import socket

    device = IdealLoad(IdealCell())
    device.set_discharge("current", 0.5)
    device.set_input(True)
    with ScpiServer(device, "load-function-input", quirks={"clients": 1}) as server:
        device.server = server
        process = runner(bench_of(device))
        host, port = server.resource.split("::")[1:3]
        with socket.create_connection((host, int(port))):  # another client holds it for a while
            time.sleep(0.2)
            os.kill(process.pid, signal.SIGKILL)
            time.sleep(1.0)
            assert device.on
        assert off_within(device, 5.0)
        assert end_by(process.keeper_pid, 10.0)


class Instrument:
    """An instrument whose first tries fail."""

    def __init__(self, failures=0, off=True, current_A=0.0, hang_s=0.0):
        self.failures, self.off, self.current_A, self.hang_s = failures, off, current_A, hang_s
        self.tries = self.closed = self.sent = 0

    def send_off(self):
        self.sent += 1
        return True

    def make_safe(self):
        self.tries += 1
        time.sleep(self.hang_s)
        if self.tries <= self.failures:
            raise OSError("no answer")
        return SafeState(self.off, self.current_A, "off, read back" if self.off else "still on")

    def read(self):
        return {"current_A": self.current_A}

    def close(self):
        self.closed += 1


def document(folder, **instruments):
    tables = {
        name: {"role": "load", "resource": f"TCPIP::192.0.2.1::{n}::SOCKET"} for n, name in enumerate(instruments)
    }
    tables = {name: {"dialect": "load-function-input", **table} for name, table in tables.items()}
    bench = bench_from_dict({"instruments": tables})
    return HandedOver(sheet_from_bench(bench).to_dict(), str(folder), pid=999_999_999, started=1.0)


def acted(folder, try_for_s=3.0, **instruments):
    return act(document(folder, **instruments), "gone", lambda order, links: instruments[order.name], try_for_s)


def test_one_instrument_that_fails_does_not_delay_the_others(folder):
    bad, good = Instrument(failures=2), Instrument()
    assert acted(folder, bad=bad, good=good)
    assert good.tries == 1 and bad.tries == 3
    assert good.closed == 1 and bad.closed == 1
    assert good.sent == 1 and bad.sent == 3
    assert events(folder)[-1]["instruments"]["bad"]["tries"] == 3


def test_an_instrument_that_stays_on_is_told_as_such(folder):
    assert not acted(folder, try_for_s=0.3, load=Instrument(off=False))
    last = events(folder)[-1]
    assert last["off"] is False and "still on" in last["instruments"]["load"]["text"]


def test_off_with_a_current_that_flows_is_not_safe(folder):
    assert not acted(folder, try_for_s=0.1, load=Instrument(current_A=-0.5))
    assert "0.5 A still flows" in events(folder)[-1]["instruments"]["load"]["text"]


def test_what_is_not_done_in_five_seconds_is_recorded_as_such_and_then_again(folder, monkeypatch):
    monkeypatch.setattr(keeper_module, "FIRST_RECORD_S", 0.1)
    assert acted(folder, load=Instrument(hang_s=0.4))
    first, second = (event for event in events(folder) if event["kind"] == "made-safe")
    assert first["off"] is False and second["off"] is True


def test_a_channel_that_another_run_has_taken_is_left_alone(folder):
    from amphora.harness.common.locks import acquire_channel

    load = Instrument()
    paper = document(folder, load=load)
    with acquire_channel("load", paper.off_list.entries[0].order.table, "the next run"):
        assert not act(paper, "gone", lambda order, links: load, 2.0)
    assert load.tries == load.sent == 0
    assert "left alone" in events(folder)[-1]["instruments"]["load"]["text"]


def test_a_logger_and_a_held_relay_need_nothing(folder):
    paper = document(folder, load=Instrument())
    relay = {"role": "switch", "port": "/dev/x", "hold": {"discharge": "text d"}}
    bench = bench_from_dict({"instruments": {"relay": relay, "logger": {"role": "logger", "port": "/dev/y"}}})
    paper = replace(paper, sheet=sheet_from_bench(bench).to_dict())
    assert act(paper, "gone", lambda order, links: pytest.fail("was opened"), 1.0)


def test_a_torn_event_stays_recognisable(folder):
    with (folder / "events.jsonl").open("ab") as file:
        file.write(b'{"kind":"ordered","t_s":1.')
    assert acted(folder, load=Instrument())
    run = read_run(folder)
    assert [event["kind"] for event in run.events] == ["run-begun", "killed", "made-safe"]
    assert any("torn event" in notice for notice in run.notices)


def test_a_run_that_never_began_to_write_gets_no_files(tmp_path):
    assert acted(tmp_path / "nowhere", load=Instrument())
    assert not (tmp_path / "nowhere").exists()


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(samples=st.binary(max_size=60), tail=st.binary(max_size=40))
def test_a_damaged_folder_does_not_stop_the_record(folder, samples, tail):
    (folder / "samples.csv").write_bytes(b"t_s,step\n" + samples)
    (folder / "events.jsonl").write_bytes(tail)
    keeper_module.DeadRunRecord(folder).append(MadeSafe("keeper", True, {}))
    last = (folder / "events.jsonl").read_bytes().splitlines()[-1]
    assert json.loads(last)["kind"] == "made-safe"


def test_nothing_follows_the_last_event_of_a_run_that_ended(folder):
    line = '{"kind":"stopped","t_s":3.0,"utc":"x","after_row":2,"reason":"guard:voltage","final":true}\n'
    with (folder / "events.jsonl").open("a") as file:
        file.write(line)
    assert acted(folder, load=Instrument())
    assert (folder / "events.jsonl").read_text().endswith(line)
    beside = [json.loads(one) for one in (folder / "keeper.jsonl").read_text().splitlines()]
    assert [event["kind"] for event in beside] == ["killed", "made-safe"]


def test_the_time_of_the_record_goes_on_from_the_last_reading(folder):
    os.utime(folder / "samples.csv", (time.time() - 4.0,) * 2)
    os.utime(folder / "events.jsonl", (time.time() - 90.0,) * 2)
    acted(folder, load=Instrument())
    assert events(folder)[-1]["t_s"] == pytest.approx(1.5 + 4.0 + 30.0, abs=30.5)  # of the readings, not of the events


def test_an_instrument_is_made_safe_before_anything_is_recorded(folder, monkeypatch):
    order = []
    load = Instrument()
    monkeypatch.setattr(keeper_module.DeadRunRecord, "append", lambda self, event: order.append(event.kind))
    original = load.make_safe
    load.send_off = lambda: order.append("off")
    load.make_safe = lambda: (order.append("asked"), original())[1]
    acted(folder, load=load)
    assert order == ["off", "asked", "killed", "made-safe"]


def waiting(limit_s=10.0, pid=None, started=None):
    """A keeper's loop on a pipe of our own."""
    out, into = os.pipe()
    inlet = os.fdopen(out, "rb", buffering=0)
    pid = os.getpid() if pid is None else pid
    paper = HandedOver({}, "", pid, process_start(pid) if started is None else started, limit_s)
    answers = []
    thread = threading.Thread(target=lambda: answers.append(wait(inlet, paper)), daemon=True)
    thread.start()
    return into, inlet, thread, answers


def test_a_pipe_that_closes_without_a_bye_means_act():
    into, inlet, thread, answers = waiting()
    os.write(into, b"...")
    os.close(into)
    thread.join(60)
    assert "without a word" in answers[0].text
    inlet.close()


def test_a_bye_in_the_same_bytes_as_the_end_means_do_nothing():
    into, inlet, thread, answers = waiting()
    os.write(into, b"..!")
    os.close(into)
    thread.join(60)
    assert answers == [None]
    inlet.close()


def test_a_computer_that_slept_gives_the_runner_its_full_time_again(monkeypatch):
    ended, ahead, looks = [], [0.0], [0]
    monkeypatch.setattr(keeper_module, "_end", lambda pid, started: ended.append(pid))

    def monotonic():
        looks[0] += 1
        return began + ahead[0]  # time passes only where this test says so

    def looked(times=3):
        """Wait until the keeper has looked at its clock again."""
        until = looks[0] + times
        wait_for(lambda: looks[0] >= until or bool(answers))

    began = time.monotonic()
    clock = types.SimpleNamespace(monotonic=monotonic, sleep=time.sleep, time=time.time)
    monkeypatch.setattr(keeper_module, "time", clock)
    monkeypatch.setattr(keeper_module, "LOOK_S", 0.02)
    into, inlet, thread, answers = waiting(limit_s=10.0)
    looked()
    ahead[0] += 3600.0  # both slept; nobody beats yet
    looked()
    assert answers == [] and ended == []
    while not answers and ahead[0] < 3640.0:  # awake, and still no beat: hung
        ahead[0] += 2.0
        looked()
    thread.join(60)
    assert "gave no beat" in answers[0].text and ended == [os.getpid()]
    assert ahead[0] - 3600.0 >= 8.0
    os.close(into)
    time.sleep(0.05)
    inlet.close()


def test_a_process_number_that_now_belongs_to_another_is_gone():
    into, inlet, thread, answers = waiting(started=1.0)
    thread.join(60)
    assert "is gone" in answers[0].text
    os.close(into)
    time.sleep(0.05)
    inlet.close()


class Relay:
    """A relay whose contact is as given; None: its port is gone."""

    def __init__(self, opens):
        self.opens = opens

    def make_safe(self):
        if self.opens is None:
            raise LinkError("the port is gone")
        return SafeState(self.opens, None, "")


@pytest.mark.parametrize(
    ("achieved", "relay", "safe"),
    [
        (keeper_module.Achieved(True, "the keeper did"), None, True),
        (keeper_module.Achieved(True, "the keeper did"), Relay(True), True),
        (keeper_module.Achieved(True, "the keeper did"), Relay(False), False),
        (keeper_module.Achieved(True, "the keeper did"), Relay(None), False),
        (keeper_module.Achieved(False, "the keeper could not"), Relay(True), False),
        (keeper_module.Achieved(False, "the keeper goes on", final=False), None, False),
    ],
)
def test_a_run_ends_as_safe_only_with_all_that_the_keeper_reaches_off_and_the_relay_open(achieved, relay, safe):
    said, called = [], []
    runner = Runner(
        plan=None, rig=types.SimpleNamespace(switch=relay), clock=None, folder=Path(), header={}, person=None,
        keeper=types.SimpleNamespace(achieved=lambda given_up: achieved), tell=said.append,
        alarm=lambda kind, text: called.append((kind, text)),
    )  # fmt: skip
    text, found = runner.heartbeat.by_the_keeper("interrupted", "SIGINT in step 2", runner.signals)
    assert found is safe
    assert achieved.text in text and (keeper_module.WARNING in text) is not safe
    assert len(said) == len(called) == 1 and keeper_module.WARNING in said[0] and called[0][0] == "stop"


@pytest.mark.parametrize("module", ["pyvisa", "psutil", "serial"])
def test_a_keeper_that_lacks_a_module_is_an_error_before_anything_is_on(load, folder, tmp_path, monkeypatch, module):
    from amphora.harness.common.errors import BenchError

    (tmp_path / "first").mkdir()
    (tmp_path / "first" / f"{module}.py").write_text("raise ImportError('gone')")
    path = os.environ.get("PYTHONPATH", "")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, (str(tmp_path / "first"), path))))
    with pytest.raises(BenchError, match=r"could not do its work \(ImportError: gone\); nothing was switched on"):
        started(load, folder)


def test_a_dialect_of_ones_own_that_goes_away_during_the_run_is_still_known_to_the_keeper(
    load, folder, runner, tmp_path
):
    from amphora.drivers.scpi import dialect

    shipped = Path(dialect.__file__).parent / "dialects" / "load-function-input.toml"
    own = tmp_path / "own.toml"
    own.write_text(shipped.read_text())
    process = runner(bench_of(load, dialect=str(own)))
    own.unlink()
    os.kill(process.pid, signal.SIGKILL)
    assert off_within(load, 5.0)


def test_a_keeper_that_does_not_start_is_an_error_before_anything_is_on(load, folder, monkeypatch):
    from amphora.harness.common.errors import BenchError

    monkeypatch.setattr(sys, "executable", "/nonexistent/python")
    with pytest.raises(BenchError, match="nothing was switched on"):
        started(load, folder)
    monkeypatch.setattr(sys, "executable", "/bin/true")
    with pytest.raises(BenchError, match="nothing was switched on"):
        started(load, folder)
