"""A second process that switches the bench off when the program that runs it dies or hangs.

Started with each run that can let current flow: `python -m amphora.harness.running.watchdog`, told on its standard
input what the bench is; then the runner sends a beat a second, and a bye when it has made safe.

- The pipe closes without a bye, or the runner's process is gone: the keeper acts at once.
- No beat for 10 s: the runner is hung; it is ended first, so that two do not talk to one instrument.
- The bench's smoke or heat alarm sounds, and 5 s later the runner, which reads it too, has not said bye: the same.
- The runner could not switch everything off by itself: it gives its links back and says so, the
  keeper acts at once, and the runner waits for what it achieves.
- To act: OFF goes to each instrument, as the runner prepared it when it began (`running.switch_off`), blind and as
  the first bytes of a session that is opened again and again for as long as it takes, three minutes at most; then it
  is asked, and OFF goes out again where it does not say that it is off. All at the same time; a channel that another
  run has taken meanwhile is left alone. Orders first, then the record: a `killed` event
  (not when the runner asked: it lives) and a `made-safe` event in the run's events. No `stopped`:
  such a run can be resumed. Last the person: told by the runner, or by the bench file's alarms where
  no runner is left to tell.

The keeper echoes beats from the loop that acts, so that the runner sees within 10 s that it is stopped, hung or slow,
ends it and starts another.

It ignores what ends the runner (Ctrl-C, a closed terminal, the system's request to end): it ends when
the runner says bye, or when it has acted. What is left when the whole computer dies is what the
instruments were told beforehand.

Bytes on the pipe: one line of JSON, then `.` for each beat, `!` for the bye; `?` for "could not make
safe: you try", then `+` when the runner has written its own last event. Back come the line `ready`, a line `.` for
beats that came, and, once it acted, a line of JSON for each thing to tell: `off`, `text`, `final`.
"""

import contextlib
import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NamedTuple, Protocol

from amphora.harness.bench.alarm_input import alarm_input_of
from amphora.harness.bench.bench_file import BenchDescription
from amphora.harness.common.alarm import Alarm
from amphora.harness.common.as_json import from_json, to_json
from amphora.harness.common.errors import BenchError
from amphora.harness.common.locks import START_SLACK_S, process_start
from amphora.harness.control.events import MadeSafe, RunnerGone
from amphora.harness.running.alarm_watch import AlarmWatch
from amphora.harness.running.dead_run_record import DeadRunRecord

if TYPE_CHECKING:
    from amphora.drivers.off import OffOrder, Outlet
    from amphora.harness.running.switch_off import OffList, OffResult

BEAT_LIMIT_S = 10.0
GRACE_S = 5.0  # from the bench's smoke or heat alarm, for a runner that makes safe by itself
READY_LIMIT_S = 20.0
FIRST_RECORD_S = 5.0
TRY_FOR_S = 180.0  # an instrument that holds a dead session does so for a minute and more
STILL_S = 8.0  # the keeper's silence after which another is started: noticed within 10 s
LOOK_S = 0.2
SAY_LIMIT_S = 2.0
PAUSED_S = 3.0  # a look that took this long: the keeper itself stood still (a suspend)
BEAT, BYE, TRY, RECORDED = b".", b"!", b"?", b"+"
ECHO = b".\n"
WARNING = "AN OUTPUT MAY STILL BE ON: pull the leads at the cell now"


MAKING_SAFE_S = 60.0
LATE_S = 4.0


class Beating(Protocol):
    """Whoever can be told that the runner lives."""

    def beat(self) -> None:
        """Say it."""
        ...


@contextlib.contextmanager
def beating(keeper: Beating | None, late: Callable[[], None], limit_s: float = MAKING_SAFE_S) -> Iterator[None]:
    """Beat from beside while the runner makes safe: instruments that are silent take all of its time.

    Args:
        keeper: Who is told; None: nothing is done.
        late: Called once, from a thread, when it takes longer than a few seconds.
        limit_s: How long at most; whoever needs more is hung, and ended like one.
    """
    if keeper is None:
        yield
        return
    done = threading.Event()

    def beat() -> None:
        began_s = time.monotonic()
        told = False
        while not done.wait(0.5):
            spent_s = time.monotonic() - began_s
            if spent_s > limit_s:
                return
            keeper.beat()
            if not told and spent_s > LATE_S:
                told = True
                late()

    thread = threading.Thread(target=beat, name="making-safe", daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join(5.0)


class Achieved(NamedTuple):
    """What the keeper achieved: whether all is off, read back; in words; whether it goes on trying."""

    off: bool
    text: str
    final: bool = True


@dataclass(frozen=True, slots=True)
class HandedOver:
    """What the runner hands over at the start, as JSON holds it.

    sheet: whom to switch off, and how (`OffList`); folder: of the run; pid, started: the runner, and when it began, in
    seconds since 1970; beat_limit_s: how long without a beat counts as hung; alarms, smoke_alarm: of the bench file.
    """

    sheet: Mapping[str, Any]
    folder: str
    pid: int
    started: float
    beat_limit_s: float = BEAT_LIMIT_S
    alarms: Mapping[str, Any] = field(default_factory=dict)
    smoke_alarm: Mapping[str, Any] | None = None

    @property
    def off_list(self) -> "OffList":
        """Whom to switch off, and how."""
        from amphora.harness.running.switch_off import OffList

        return OffList.from_dict(self.sheet)


class Keeper:
    """The runner's end of the pipe. Use `start`."""

    def __init__(self, process: "subprocess.Popen[bytes]") -> None:
        self._process = process
        self._pipe = process.stdin
        self._told: queue.Queue[bytes] | None = None
        self._unanswered_s: float | None = None  # when the first beat was given that has not been echoed
        self._beat_s = 0.0

    @classmethod
    def start(
        cls,
        bench: BenchDescription,
        run_folder: Path,
        sheet: "OffList",
        beat_limit_s: float = BEAT_LIMIT_S,
    ) -> "Keeper":
        """Start the process and wait until it listens.

        Args:
            bench: Whose alarms are raised and heeded.
            run_folder: Where the run's events are (or will be).
            sheet: What can let current flow, and what switches it off.
            beat_limit_s: How long without a beat counts as hung.

        Raises:
            BenchError: it did not start; nothing was switched on.
        """
        given = HandedOver(
            sheet=sheet.to_dict(),
            folder=str(run_folder.absolute()),
            pid=os.getpid(),
            started=process_start(os.getpid()) or 0.0,
            beat_limit_s=beat_limit_s,
            alarms=bench.alarms,
            smoke_alarm=bench.data.get("smoke_alarm"),
        )
        try:
            process = subprocess.Popen(
                [sys.executable, "-P", "-m", "amphora.harness.running.watchdog"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=os.name != "nt",
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
                bufsize=0,
            )
        except OSError as error:
            raise BenchError(f"the keeper process could not be started ({error}); nothing was switched on") from error
        keeper = cls(process)
        try:
            assert process.stdin is not None
            process.stdin.write(json.dumps(to_json(given), default=str).encode("utf-8") + b"\n")
            keeper._wait_ready()
            keeper._heard()
            if os.name != "nt":  # there a byte into a pipe that is read waits for nobody
                os.set_blocking(process.stdin.fileno(), False)
        except BaseException as error:
            process.kill()
            keeper._reap(5.0)
            if isinstance(error, OSError):
                raise BenchError(f"the keeper process ended at once ({error}); nothing was switched on") from error
            raise
        return keeper

    @property
    def pid(self) -> int:
        """The keeper's process id."""
        return self._process.pid

    def beat(self) -> None:
        """Say that the runner lives; never waits, never raises."""
        pipe = self._pipe
        if pipe is not None:
            now_s = time.monotonic()
            if now_s - self._beat_s > PAUSED_S:
                self._unanswered_s = None  # the runner itself stood still: the keeper gets its full time again
            self._beat_s = now_s
            if self._unanswered_s is None:
                self._unanswered_s = now_s
            with contextlib.suppress(OSError, ValueError):  # a full pipe holds thousands of beats already
                os.write(pipe.fileno(), BEAT)

    def bye(self) -> None:
        """Say that all is safe and the keeper may end. May be called twice."""
        self._say(BYE)
        self.abandon()
        self._reap(5.0)

    def take_over(self) -> None:
        """Say that not everything could be switched off: the keeper acts at once. Its links have been given back."""
        self._say(TRY)

    def achieved(self, given_up: Callable[[], bool] = lambda: False, limit_s: float = TRY_FOR_S + 10.0) -> Achieved:
        """Return what came of `take_over`; waits for it. The runner has written its last event before.

        Args:
            given_up: Asked all the while; True ends the wait, not the keeper.
            limit_s: The longest it waits.
        """
        self._say(RECORDED)
        told = self._heard()
        last = Achieved(False, "the keeper goes on trying", final=False)
        until_s = time.monotonic() + limit_s
        while not given_up():
            if time.monotonic() >= until_s:
                return Achieved(False, f"the keeper process gave no answer within {limit_s:g} s")
            try:
                line = told.get(timeout=LOOK_S)
            except queue.Empty:
                continue
            if not line:
                return Achieved(False, "the keeper process is gone") if not last.final else last
            with contextlib.suppress(ValueError, KeyError, TypeError):
                data = json.loads(line)
                last = Achieved(bool(data["off"]), str(data["text"]), bool(data["final"]))
                if last.final:
                    return last
        return last

    def _heard(self) -> "queue.Queue[bytes]":
        """Return the lines that come from the keeper; an empty one is the last."""
        if self._told is None:
            told: queue.Queue[bytes] = queue.Queue()
            self._told = told
            report = self._process.stdout

            def listen() -> None:
                line = b"?"
                while line:
                    try:
                        line = report.readline() if report is not None else b""
                    except (OSError, ValueError):
                        line = b""
                    if line == ECHO:
                        self._unanswered_s = None
                        continue
                    told.put(line)

            threading.Thread(target=listen, name="keeper-report", daemon=True).start()
        return self._told

    def abandon(self) -> None:
        """Leave without a bye: the keeper acts, or goes on acting, and tells by itself. Nothing after a bye."""
        pipe, self._pipe = self._pipe, None
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()

    def _say(self, word: bytes) -> None:
        """Hand over a word that has to get through; waits a moment where the pipe is full of beats."""
        pipe = self._pipe
        if pipe is None:
            return
        until_s = time.monotonic() + SAY_LIMIT_S
        while True:
            try:
                os.write(pipe.fileno(), word)
                return
            except BlockingIOError:
                if time.monotonic() >= until_s:
                    return
                time.sleep(0.02)
            except (OSError, ValueError):
                return

    def alive(self) -> bool:
        """Return whether the keeper's process runs and answers: not stopped, hung or very slow."""
        since_s = self._unanswered_s
        if since_s is not None and time.monotonic() - since_s > STILL_S:
            return False
        return self._process.poll() is None

    def end(self) -> None:
        """End it for good, stopped or hung as it may be: it must not wake up and act beside another."""
        self._say(BYE)
        self.abandon()
        with contextlib.suppress(OSError):
            self._process.kill()
        self._reap(5.0)

    def _wait_ready(self) -> None:
        """Wait for the line that says it listens; a thread, so that it works on every system."""
        output = self._process.stdout
        assert output is not None
        got: list[bytes] = []
        thread = threading.Thread(target=lambda: got.append(output.readline()), daemon=True)
        thread.start()
        thread.join(READY_LIMIT_S)
        if got and got[0].startswith(b"cannot: "):
            why = got[0].decode("utf-8", "replace").strip().removeprefix("cannot: ")
            raise BenchError(f"the keeper process could not do its work ({why}); nothing was switched on")
        if not got or got[0].strip() != b"ready":
            raise BenchError("the keeper process did not start in time; nothing was switched on")

    def _reap(self, limit_s: float) -> None:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(limit_s)
        for file in (self._process.stdin, self._process.stdout):
            if file is not None and not file.closed:
                with contextlib.suppress(OSError):
                    file.close()


# -- the keeper's own process ---------------------------------------------------------------------

Make = Callable[["OffOrder", dict[str, Any]], "Outlet"]


def main() -> int:
    """Listen on standard input; act when the runner is gone. Returns the exit code."""
    for name in ("SIGINT", "SIGHUP", "SIGTERM", "SIGQUIT", "SIGTSTP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None:
            with contextlib.suppress(OSError, ValueError):
                signal.signal(number, signal.SIG_IGN)
    inlet = sys.stdin.buffer
    given = from_json(HandedOver, json.loads(inlet.readline()))
    try:
        prepare(given)
    except Exception as error:  # noqa: BLE001  whatever it is: found now, and not at three in the morning
        sys.stdout.write(f"cannot: {type(error).__name__}: {error}".replace("\n", " ") + "\n")
        return 1
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    report = os.dup(1)
    if os.name != "nt":  # a runner that is stopped reads nothing, and must not stop the keeper
        os.set_blocking(report, False)
    null = os.open(os.devnull, os.O_RDWR)
    for descriptor in (1, 2):  # the terminal may go away at any time
        with contextlib.suppress(OSError):
            os.dup2(null, descriptor)
    cause = wait(inlet, given, lambda: _echo(report))
    if cause is None:
        return 0
    told = Telling(given, cause, report)
    act(given, cause.text, runner=cause.runner, tell=told)
    told.drain()
    return 0


class AskedBy(NamedTuple):
    """The runner that asked: set when it has written its own last event, and when it is gone."""

    recorded: threading.Event
    gone: threading.Event


class Cause(NamedTuple):
    """Why to act, in one sentence; and the runner, where it lives and waits for what comes of it."""

    text: str
    runner: AskedBy | None = None


class Telling:
    """Tells what came of it: the runner that waits, or the bench file's alarms where none is left."""

    def __init__(self, given: HandedOver, cause: Cause, report: int) -> None:
        self._given = given
        self._cause = cause
        self._report = report
        self._alarm: Any = None

    def __call__(self, achieved: Achieved) -> None:
        """Tell; never raises."""
        runner = self._cause.runner
        if runner is not None and not runner.gone.is_set():
            line = json.dumps(achieved._asdict(), ensure_ascii=False).encode("utf-8") + b"\n"
            with contextlib.suppress(OSError):
                os.write(self._report, line)
                return
        with contextlib.suppress(Exception):  # an alarm that fails must stop nothing
            if self._alarm is None:
                self._alarm = Alarm(self._given.alarms)
            run = "/".join(Path(self._given.folder).parts[-2:])
            text = f"{run}: {self._cause.text}; {achieved.text}"
            self._alarm.raise_("stop", text if achieved.off else f"{text}; {WARNING}")

    def drain(self) -> None:
        """Wait for the alarms that are under way, each within its limit."""
        if self._alarm is not None:
            self._alarm.drain(self._alarm.limit_s + 2.0)


def prepare(given: HandedOver) -> None:
    """Load all that acting needs: it has to be done within seconds, and also when the program is replaced meanwhile.

    Here and not above, so that what is missing is told in words before anything is switched on.
    """
    import encodings.idna  # noqa: F401  for an alarm's web address
    import urllib.request  # noqa: F401

    import psutil  # noqa: F401
    import serial  # noqa: F401

    import amphora.drivers.clock
    import amphora.drivers.links.visa
    from amphora.drivers.links import light
    from amphora.drivers.off import restore

    light.pyvisa().ResourceManager(amphora.drivers.links.visa.BACKEND)
    for entry in given.off_list.entries:
        restore(entry.order)


def _echo(report: int) -> None:
    with contextlib.suppress(OSError):
        os.write(report, ECHO)


def wait(inlet: IO[bytes], given: HandedOver, echo: Callable[[], None] = lambda: None) -> Cause | None:
    """Return why to act; None after a bye. `echo` is called for beats that came."""
    news: queue.Queue[bytes] = queue.Queue()
    runner = AskedBy(threading.Event(), threading.Event())

    def listen() -> None:
        while True:
            try:
                data = os.read(inlet.fileno(), 4096)
            except OSError:
                data = b""
            if RECORDED in data or not data:
                runner.recorded.set()
            if not data:
                runner.gone.set()
            news.put(data)
            if not data:
                return

    threading.Thread(target=listen, daemon=True).start()
    pid, started, limit_s = given.pid, given.started, given.beat_limit_s
    last_beat_s = looked_s = time.monotonic()
    alarm = _alarm_watch(given)
    while True:
        try:
            data: bytes | None = news.get(timeout=LOOK_S)
        except queue.Empty:
            data = None
        now_s = time.monotonic()
        if now_s - looked_s > PAUSED_S:
            last_beat_s = now_s  # the computer slept, the runner too: it gets its full time again
        looked_s = now_s
        if alarm is not None and alarm.why and BYE not in (data or b"") and now_s - alarm.since_s > GRACE_S:
            _end(pid, started)
            return Cause(f"{alarm.why}, and the runner (process {pid}) did not switch off within {GRACE_S:g} s")
        if data is not None:
            if BYE in data:
                return None
            if TRY in data:
                return Cause(f"the runner (process {pid}) could not switch everything off and asked the keeper", runner)
            if not data:
                return Cause(f"the runner (process {pid}) ended without a word")
            last_beat_s = now_s
            echo()
            continue
        if not _lives(pid, started):
            return Cause(f"the runner (process {pid}) is gone")
        if now_s - last_beat_s > limit_s:
            _end(pid, started)
            return Cause(f"the runner (process {pid}) gave no beat for {limit_s:g} s and was ended")


def _alarm_watch(given: HandedOver) -> AlarmWatch | None:
    """Return what reads the bench's smoke or heat alarm from here on; None where the bench has none."""
    source = alarm_input_of(given.smoke_alarm, "smoke_alarm")
    return None if source is None else AlarmWatch(source).start()


def _lives(pid: int, started: float) -> bool:
    actual = process_start(pid)
    return actual is not None and abs(actual - started) <= START_SLACK_S


def _end(pid: int, started: float) -> None:
    """End a hung runner, for good: half an order later would be worse than none."""
    import psutil

    if not _lives(pid, started):
        return
    with contextlib.suppress(psutil.Error, OSError):
        process = psutil.Process(pid)
        process.kill()
    until_s = time.monotonic() + 3.0  # a zombie is dead enough; a parent may be slow to notice
    while _lives(pid, started) and time.monotonic() < until_s:
        time.sleep(0.02)


def act(
    given: HandedOver,
    cause: str,
    make: Make | None = None,
    try_for_s: float = TRY_FOR_S,
    *,
    runner: AskedBy | None = None,
    tell: Callable[[Achieved], None] = lambda achieved: None,
) -> bool:
    """Make the run's instruments safe, record it and tell; return whether all are off.

    Args:
        given: What the runner handed over at the start.
        cause: Why, in one sentence.
        make: Makes what switches off of an order.
        try_for_s: How long to go on where an instrument does not go off.
        runner: The runner that lives and asked; None when it is dead.
        tell: Gets what was achieved, after the record.
    """
    began_s = time.monotonic()
    from amphora.drivers.off import restore
    from amphora.harness.running.switch_off import failed, switch_off

    sheet = given.off_list
    names = [*sheet.names, *sheet.unknown]
    results = {name: failed(why) for name, why in sheet.unknown.items()}
    threads = switch_off(
        sheet,
        began_s + try_for_s,
        "the keeper makes safe",
        own_pid=given.pid,
        results=results,
        make=make or restore,
    )
    asked = runner is not None
    if runner is not None:  # its last event first, so that two do not write to one file
        runner.recorded.wait(FIRST_RECORD_S)
    record = DeadRunRecord(Path(given.folder), sheet.speed_up)
    for thread in threads:
        thread.join(max(0.0, began_s + FIRST_RECORD_S - time.monotonic()))
    if not asked:
        record.append(RunnerGone("killed", cause, "keeper"))
    said = cause if asked else ""
    if any(thread.is_alive() for thread in threads):
        tell(_record_safe(record, names, results, "not yet; it is being tried", said, final=False))
        for thread in threads:
            thread.join(max(0.0, began_s + try_for_s + 5.0 - time.monotonic()))
    achieved = _record_safe(record, names, results, "no answer", said)
    tell(achieved)
    return achieved.off


def _record_safe(
    record: "DeadRunRecord",
    names: list[str],
    results: "Mapping[str, OffResult]",
    otherwise: str,
    cause: str,
    final: bool = True,
) -> Achieved:
    from amphora.harness.running.switch_off import failed, in_words

    instruments = {name: results.get(name, failed(otherwise)) for name in names}
    off = all(one.off for one in instruments.values())
    record.append(MadeSafe("keeper", off, to_json(instruments), cause or None))
    if off:
        which = " and ".join(names) or "what it reaches"
        return Achieved(True, f"the keeper switched off {which} and read it back", final)
    could = "could not switch off" if final else "has not yet switched off"
    return Achieved(False, f"the keeper {could} {in_words(instruments)}", final)


if __name__ == "__main__":
    code = main()
    sys.stdout.flush()
    os._exit(code)  # threads that still wait for an instrument must not keep the process
