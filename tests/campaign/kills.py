"""Real kills of real processes: `python -m tests.campaign.kills --kills 10 --workers 2`.

A run in its own process, on a simulated bench served by another process, meets a violent end:

- kill: kill -9 at a random moment, from its start-up to its end;
- order: kill -9 as soon as an order to switch on stands in the events, about when it is sent;
- stop: SIGSTOP, so that it hangs: the keeper ends it after 10 s without a beat;
- term, hup: SIGTERM, SIGHUP (the terminal was closed); int: Ctrl-C twice within 50 ms;
- keeper: the keeper is killed instead: the run says so, and goes on to its end.

Then: the output is off within 5 s (a hung one: 15 s), seen by reading the instrument back over a link
of our own; the folder reads; `resume` goes on to the cut-off; and the capacity is the
uninterrupted run's within the uncertainty that the resumed one states.

With `--faults N` instead: N kills -9 of a runner (tests/support/killed.py) whose instrument of foreign make has a fault
of the link at the same moment: mute, late by 15 s, garbled, not a number, its session held for up to 90 s (late comers
turned away, or left waiting), or several; over TCP in two styles, on a serial line, a load and a supply, with a dialect
that is named or found. Off is what the instrument itself says on its control port: within 2 s of the runner's death,
with a session held within 2 s of its end.
"""

import argparse
import collections
import contextlib
import json
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import psutil

from amphora.harness.archive.journal import RunFolder, read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import AmphoraError

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from foreign.asking import Foreign
from killed import Killed
from programs import Program, Served, wait_for

OFF_S = 5.0
HANG_S = 10.0
CURRENT_A = 0.4
SETTINGS = {  # how many times as fast the bench lives, and how full the cell is at first
    "usual": ("150", "0.4"),
    "stop": ("30", "0.25"),  # ten seconds without a beat are five minutes of the bench, not an hour
}
RECIPE = """
name = "kills"
summary = "A short night: a rest, a discharge to the cut-off, a rest."
attended = false

[parameters.current]
default = "0.8 It"  # 0.4 A
lowest = "0.05 It"
highest = "1 It"

[[step]]
kind = "rest"
name = "before"
duration = "2 min"

[[step]]
kind = "discharge"
name = "discharge"
current = { parameter = "current" }
at_most = "10 h"
until = { voltage_falls_to = "cut-off" }

[[step]]
kind = "rest"
name = "after"
duration = "5 min"
"""
OTHERS = ("stop", "term", "hup", "int", "keeper")
SIGNALS = {"term": signal.SIGTERM, "hup": signal.SIGHUP, "int": signal.SIGINT}


@dataclass
class Kill:
    """One violent end, and what should not have come of it."""

    seed: int
    way: str
    at_row: int = 0
    missed: bool = False  # it had ended before
    early: bool = False  # it had written nothing yet
    asked: bool = False  # resume asked whether it is the same cell: the voltage had fallen far in the gap
    off_s: float = 0.0
    capacity_Ah: float = 0.0
    capacity_U_Ah: float = 0.0
    whole_Ah: float = 0.0  # of the uninterrupted one
    whole_U_Ah: float = 0.0  # which was measured on a hurried bench, too
    wall_s: float = 0.0
    wrong: list[str] = field(default_factory=list)


@dataclass
class Scene:
    """A served bench, a shelf and a started run."""

    folder: Path
    served: Served
    amphora: Program

    def words(self) -> list[str]:
        """Return the command of the run."""
        recipe = self.folder / "kills.toml"
        recipe.write_text(RECIPE, encoding="utf-8")
        bench = ["--bench", str(self.served.bench)]
        return [
            "run",
            "--cell",
            "k",
            "--profile",
            str(recipe),
            "--capacity",
            "0.5 Ah",
            *bench,
        ]

    def run_folder(self) -> Path | None:
        """Return the run's folder, once it is there."""
        return next(iter((self.amphora.logs / "k").glob("*-kills")), None)

    def run(self) -> RunFolder | None:
        """Read the run's folder, once it can be read."""
        path = self.run_folder()
        with contextlib.suppress(AmphoraError, OSError):
            return None if path is None else read_run(path)
        return None

    def rows(self) -> int:
        """Return how many rows there are, cheaply."""
        path = self.run_folder()
        with contextlib.suppress(OSError):
            return 0 if path is None else max((path / "samples.csv").read_bytes().count(b"\n") - 1, 0)
        return 0

    def events(self) -> bytes:
        """Return the events as they stand."""
        path = self.run_folder()
        with contextlib.suppress(OSError):
            return b"" if path is None else (path / "events.jsonl").read_bytes()
        return b""

    def is_off(self) -> bool:
        """Ask the load itself, over a link of our own."""
        from amphora.drivers.clock import RealClock
        from amphora.drivers.opening import open_instrument

        table = tomllib.loads(self.served.bench.read_text(encoding="utf-8"))["instruments"]["load"]
        load = open_instrument("load", table, RealClock())
        try:
            return load.read_setup().get("on") is False
        finally:
            load.close()


@contextlib.contextmanager
def scene(setting: str) -> Any:
    """Serve a bench, with a shelf beside it."""
    speed_up, soc = SETTINGS[setting]
    with tempfile.TemporaryDirectory(prefix="amphora-kill-") as name:
        folder = Path(name)
        served = Served(folder, "--cell", "worn-out", "--speed-up", speed_up, "--start-soc", soc)
        amphora = Program(folder)
        try:
            cell = {
                "id": "k",
                "form": "18650",
                "chemistry": "li-ion",
                "as_found_V": 4.18,
                "declared_rechargeable": True,
            }
            Shelf(amphora.logs).add(Cell.from_dict(cell))
            yield Scene(folder, served, amphora)
        finally:
            served.end()


def uninterrupted(setting: str) -> tuple[float, float, int]:
    """Return the capacity, how far it may be off, and the rows of a run that nobody disturbs."""
    with scene(setting) as place:
        done = place.amphora.json(*place.words())
        late_Ah = CURRENT_A * _late_s(place.run_folder()) / 3600.0
        return float(done["capacity_Ah"]), float(done["capacity_U_Ah"]) + late_Ah, place.rows()


def one(task: tuple[int, str, float, float, int]) -> Kill:
    """End one run in the given way; see what comes of it."""
    seed, way, whole_Ah, whole_U_Ah, rows = task
    kill = Kill(seed, way, whole_Ah=whole_Ah, whole_U_Ah=whole_U_Ah)
    rng = random.Random(seed)
    begin = time.monotonic()
    with scene(_setting(way)) as place:
        try:
            _one(kill, rng, place, rows)
        except (AssertionError, AmphoraError, OSError, ValueError, KeyError) as error:
            kill.wrong.append(f"{type(error).__name__}: {error}")
    kill.wall_s = round(time.monotonic() - begin, 2)
    return kill


def _one(kill: Kill, rng: random.Random, place: Scene, rows: int) -> None:
    process = place.amphora.start(*place.words())
    try:
        kill.at_row = _wait(kill, rng, place, process, rows)
        if process.poll() is not None:
            kill.missed = True
            return
        began_s = _strike(kill, place, process)
        if kill.way == "keeper":
            _without_keeper(kill, place, process)
            return
        _see_safe(kill, place, began_s)
        _codes(kill, process)
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()
    if not place.is_off():
        kill.wrong.append("the load is still on")
    _go_on(kill, place)


def _wait(kill: Kill, rng: random.Random, place: Scene, process: Any, rows: int) -> int:
    """Wait for the moment that was drawn; return the row."""

    def over() -> bool:
        return process.poll() is not None

    if kill.way == "order":
        end_s = time.monotonic() + 30.0
        while b'"ordered","' not in place.events().replace(b'"order":{"kind":"off"', b"") and not over():
            if b'"kind":"discharge"' in place.events() or time.monotonic() > end_s:
                break
        return place.rows()
    at = rng.randint(0, int(0.7 * rows)) if kill.way == "kill" else rng.randint(30, int(0.6 * rows))
    if at < 5:
        time.sleep(rng.uniform(0.2, 2.5))  # while it starts
        return place.rows()
    wait_for(lambda: place.rows() >= at or over(), 60.0)
    if kill.way == "stop":  # before the first order nothing is on, and nothing to see
        wait_for(lambda: b'"order":{"kind":"discharge"' in place.events() or over(), 60.0)
    return at


def _strike(kill: Kill, place: Scene, process: Any) -> float:
    if kill.way in ("kill", "order"):
        process.kill()
    elif kill.way == "stop":
        process.send_signal(signal.SIGSTOP)
    elif kill.way == "keeper":
        keepers = [
            child
            for child in psutil.Process(process.pid).children()
            if "amphora.harness.running.watchdog" in " ".join(child.cmdline())
        ]
        assert len(keepers) == 1, "no keeper was found beside the run"
        keepers[0].kill()
    else:
        process.send_signal(SIGNALS[kill.way])
        if kill.way == "int":
            time.sleep(0.05)
            with contextlib.suppress(ProcessLookupError):
                process.send_signal(signal.SIGINT)
    return time.monotonic()


def _see_safe(kill: Kill, place: Scene, began_s: float) -> None:
    """Wait until the run's events say that all is off; note how long that took."""
    by = b'"by":"keeper"' if kill.way in ("kill", "order", "stop") else b'"by":"runner"'
    if b'"ordered"' not in place.events():
        kill.early = True  # nothing was ever switched on
        return

    def safe() -> bool:
        lines = place.events().split(b"\n")
        return any(b'"made-safe"' in line and by in line and b'"off":true' in line for line in lines)

    limit_s = OFF_S + (HANG_S if kill.way == "stop" else 0.0)
    while not safe():
        if time.monotonic() - began_s > limit_s:
            kill.wrong.append(f"not made safe within {limit_s:g} s")
            break
        time.sleep(0.01)
    kill.off_s = round(time.monotonic() - began_s, 3)


def _codes(kill: Kill, process: Any) -> None:
    # A second Ctrl-C may come when all is written and the program is leaving: the system then says -2 for 130.
    wanted = {"term": (143,), "hup": (130,), "int": (130, -2)}.get(kill.way, (-9,))
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(20.0)
    if process.returncode not in wanted:
        kill.wrong.append(f"ended with code {process.returncode}, not {wanted[0]}")


def _without_keeper(kill: Kill, place: Scene, process: Any) -> None:
    process.communicate(timeout=60.0)
    if process.returncode != 0:
        kill.wrong.append(f"ended with code {process.returncode} after its keeper was killed")
    if b"keeper process is gone" not in place.events():
        kill.wrong.append("does not say that the keeper is gone")
    if not place.is_off():
        kill.wrong.append("the load is still on")


def _go_on(kill: Kill, place: Scene) -> None:
    if place.run_folder() is None:
        kill.early = True
        return
    run = place.run()
    if run is None:
        if kill.early:
            return  # between two files, before anything was on
        kill.wrong.append("the folder cannot be read")
        return
    words = ["resume", str(run.folder), "--bench", str(place.served.bench)]
    _wait_for_keeper(place)
    if kill.way == "stop":
        kill.asked = _asks(place, words)
        if kill.asked:
            words.append("--same-cell")
    again = place.amphora.json(*words)
    if again["stop"] != "cutoff":
        kill.wrong.append(f"the resumed run ended with {again['stop']}")
    kill.capacity_Ah = float(again["capacity_Ah"] or 0.0)
    kill.capacity_U_Ah = float(again["capacity_U_Ah"] or 0.0)
    late_Ah = CURRENT_A * _late_s(run.folder) / 3600.0
    if abs(kill.capacity_Ah - kill.whole_Ah) > kill.capacity_U_Ah + late_Ah + kill.whole_U_Ah:
        kill.wrong.append(
            f"{kill.capacity_Ah:.4f} Ah resumed, U {kill.capacity_U_Ah:.4f} Ah ({late_Ah:.4f} Ah of the hurried bench "
            f"allowed), {kill.whole_Ah:.4f} Ah uninterrupted, known to {kill.whole_U_Ah:.4f} Ah"
        )
    place.amphora.call(*words, code=2)


def _wait_for_keeper(place: Scene) -> None:
    """Wait until the keeper has given the channels back; who resumes before is told to wait for it."""
    from amphora.harness.common.errors import BenchError
    from amphora.harness.common.locks import acquire_channel

    tables = tomllib.loads(place.served.bench.read_text(encoding="utf-8"))["instruments"]
    before = os.environ.get("XDG_RUNTIME_DIR")
    os.environ["XDG_RUNTIME_DIR"] = str(place.folder)

    def free() -> bool:
        try:
            for name, table in tables.items():
                acquire_channel(name, table).release()
        except BenchError:
            return False
        return True

    try:
        wait_for(free, 10.0)
    finally:
        del os.environ["XDG_RUNTIME_DIR"]
        if before is not None:
            os.environ["XDG_RUNTIME_DIR"] = before


def _asks(place: Scene, words: list[str]) -> bool:
    """Whether resume asks if it is the same cell, whose voltage fell far while nobody looked; else it has gone on."""
    from amphora.drivers.clock import RealClock
    from amphora.drivers.opening import open_instrument

    table = tomllib.loads(place.served.bench.read_text(encoding="utf-8"))["instruments"]["load"]
    load = open_instrument("load", table, RealClock())
    try:
        volts = load.read()["voltage_V"]
    finally:
        load.close()
    run = place.run()
    assert run is not None
    last_V = next(row[2] for row in reversed(list(run.iter_rows())) if row[2] is not None)
    if abs(volts - last_V) < 0.35:
        return False
    asked = place.amphora.call(*words, code=1)
    assert "is it the same cell" in asked.stderr
    return True


def _late_s(folder: Path) -> float:
    """Return how long after its (resumed) order the first reading came: on a bench that lives faster a long time."""
    run = read_run(folder)
    resumed = next((index for index, event in enumerate(run.events) if event["kind"] == "resumed"), 0)
    orders = [event for event in run.events[resumed:] if event["kind"] == "ordered"]
    if not orders:
        return 0.0
    times = [row[0] for row in run.iter_rows()]
    rows = int(orders[0]["after_row"])
    return max(times[rows] - float(orders[0]["t_s"]), 0.0) if rows < len(times) else 0.0


def _setting(way: str) -> str:
    return "stop" if way == "stop" else "usual"


LINK_FAULTS: tuple[dict[str, Any], ...] = (
    {"mute": True}, {"late": 15.0}, {"garbled": True}, {"not-a-number": True}, {"noise": 0.5}, {},
    {"session": 20.0}, {"session": 8.0, "mute": True}, {"queue": 8.0, "late": 15.0}, {"session": 5.0, "garbled": True},
)  # fmt: skip
ARRIVES_S = 2.0


def with_fault(seed: int) -> Kill:
    """Kill one runner whose instrument has a fault of the link at the same moment; see when it is off."""
    rng = random.Random(seed)
    faults = dict(LINK_FAULTS[seed % len(LINK_FAULTS)])
    if "session" in faults and seed % 60 == 6:
        faults["session"] = 90.0
    wire = "serial" if not {"session", "queue"} & set(faults) and rng.random() < 0.4 else "tcp"
    name, style, found = (
        rng.choice(["load", "load", "supply"]),
        rng.choice(["generic", "otherwise"]),
        rng.random() < 0.4,
    )
    dialects = {name: "auto"} if found and style == "generic" else {}  # the other style is none that ships
    kill = Kill(seed, f"{' and '.join(faults) or 'none'}, {name} {style} {wire}{' found' if dialects else ''}")
    begin = time.monotonic()
    held = {key: value for key, value in faults.items() if key in ("session", "queue")}
    held_s = float(next(iter(held.values()), 0.0))
    with tempfile.TemporaryDirectory(prefix="amphora-fault-") as place:
        folder = Path(place)
        environment = {**os.environ, "AMPHORA_RUNTIME": str(folder / "runtime")}
        with Foreign(**{name: {"style": style, "wire": wire, "faults": held}}) as foreign:
            runner = Killed(foreign, folder, environment, dialects=dialects)
            try:
                time.sleep(rng.uniform(0.0, 1.0))
                assert foreign.truth()[name]["on"]
                for fault, value in faults.items():
                    if fault not in held:
                        foreign.fault(name, fault, value)
                time.sleep(rng.uniform(0.0, 0.2))
                at_s = runner.kill()
                kill.off_s = round(foreign.off_after_s(name, at_s, held_s + 30.0) - held_s, 3)
                if kill.off_s > ARRIVES_S:
                    kill.wrong.append(f"off {kill.off_s + held_s:.2f} s after the kill")
            except (AssertionError, OSError) as error:
                kill.wrong.append(f"{type(error).__name__}: {error}")
            finally:
                runner.end()
    kill.wall_s = round(time.monotonic() - begin, 2)
    return kill


LIES: tuple[dict[str, Any], ...] = (
    {"crc": True}, {"echo": True}, {"reboots": True}, {"resets": True}, {"swapped": True}, {"half": True},
    {"late": 3.0}, {"brown-out": 2.0}, {"drift": 0.02}, {"mute": True},
)  # fmt: skip
TOLD_S = 20.0  # so long the keeper may take until it has met each lie
DRIFTED_S = 10.0  # where the very bytes of OFF may be turned over on the way: sent again until it is read back


def with_lie(seed: int) -> Kill:
    """Kill one runner whose load or supply is described and lies at that moment; see when it is off.

    The lie has to have been told: by the device's own count.
    """
    rng = random.Random(seed)
    lie = dict(LIES[seed % len(LIES)])
    (what, value), style = next(iter(lie.items())), ("polled", "framed", "registers")[seed // len(LIES) % 3]
    if what in ("crc", "swapped") and style == "polled":
        style = "framed"  # lines have neither
    wire = "serial" if what != "reboots" and rng.random() < 0.5 else "tcp"
    name = rng.choice(["load", "load", "supply"])
    kill = Kill(seed, f"{what}, {name} {style} {wire}")
    begin = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="amphora-lie-") as place:
        folder = Path(place)
        environment = {**os.environ, "AMPHORA_RUNTIME": str(folder / "runtime")}
        with Foreign(**{name: {"style": style, "wire": wire}}) as foreign:
            runner = Killed(foreign, folder, environment)
            try:
                time.sleep(rng.uniform(0.0, 1.0))
                assert foreign.truth()[name]["on"]
                foreign.fault(name, what, value)
                time.sleep(rng.uniform(0.0, 0.2))
                at_s = runner.kill()
                kill.off_s = round(foreign.off_after_s(name, at_s), 3)
                foreign.wait(lambda truth: bool(truth[name]["fired"].get(what)), TOLD_S)
                if kill.off_s > (DRIFTED_S if what == "drift" else ARRIVES_S):
                    kill.wrong.append(f"off {kill.off_s:.2f} s after the kill")
                if foreign.truth()[name]["on"]:
                    kill.wrong.append("is on again")
            except (AssertionError, OSError) as error:
                kill.wrong.append(f"{type(error).__name__}: {error}")
            finally:
                runner.end()
    kill.wall_s = round(time.monotonic() - begin, 2)
    return kill


def faults_campaign(
    first: int, many: int, workers: int, out: Path | None, spent: Callable[[int], Kill] = with_fault
) -> int:
    """Kill that many with faults; exit 1 when one was not off in time."""
    begin = time.monotonic()
    with multiprocessing.Pool(workers) as pool:
        done = []
        for kill in pool.imap_unordered(spent, range(first, first + many)):
            done.append(kill)
            if kill.wrong:
                print(f"seed {kill.seed} ({kill.way}): {'; '.join(kill.wrong)}", flush=True)
    kinds: dict[str, list[Kill]] = collections.defaultdict(list)
    for kill in done:
        kinds[kill.way.split(",")[0]].append(kill)
    for kind, those in sorted(kinds.items()):
        late_s = max(k.off_s for k in those)
        print(
            f"{kind:22} {len(those):4d}, off at the latest {late_s:6.2f} s, broken {sum(bool(k.wrong) for k in those)}"
        )
    broken = sum(bool(kill.wrong) for kill in done)
    print(f"{len(done)} kills with faults, {broken} broken promises, {time.monotonic() - begin:.0f} s")
    if out is not None:
        with out.open("a", encoding="utf-8") as file:
            file.writelines(json.dumps(asdict(kill)) + "\n" for kill in done)
    return 1 if broken else 0


def tasks(
    first: int, kills: int, others: int, references: dict[str, tuple[float, float, int]]
) -> list[tuple[int, str, float, float, int]]:
    """Return what is done: every fifth kill at an order, the other ways in turn."""
    ways = ["order" if number % 5 == 4 else "kill" for number in range(kills)]
    ways += [OTHERS[number % len(OTHERS)] for number in range(others)]
    return [(first + number, way, *references[_setting(way)]) for number, way in enumerate(ways)]


def main() -> int:
    """Run the kills; exit 1 when a promise was broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.kills", description=__doc__)
    parser.add_argument("--kills", type=int, default=10, help="how often kill -9")
    parser.add_argument("--others", type=int, help="how many other ends; default: a third of the kills")
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--out", type=Path, help="a line of JSON for each, the summary last")
    parser.add_argument("--faults", type=int, help="kills with a fault of the link at the same time, and no others")
    parser.add_argument("--lies", type=int, help="kills of described devices that lie, and no others")
    options = parser.parse_args()
    if options.lies is not None:
        return faults_campaign(options.first, options.lies, options.workers, options.out, with_lie)
    if options.faults is not None:
        return faults_campaign(options.first, options.faults, options.workers, options.out)
    begin = time.monotonic()
    others = options.kills // 3 if options.others is None else options.others
    done: list[Kill] = []
    out = options.out.open("a", encoding="utf-8") if options.out else None
    with multiprocessing.Pool(options.workers) as pool:
        settings = list(SETTINGS) if others else ["usual"]
        references = dict(zip(settings, pool.map(uninterrupted, settings), strict=True))
        for name, (whole_Ah, whole_U_Ah, rows) in references.items():
            print(f"uninterrupted, {name}: {whole_Ah:.4f} Ah, known to {whole_U_Ah:.4f} Ah, in {rows} rows", flush=True)
        work = tasks(options.first, options.kills, others, references)
        for kill in pool.imap_unordered(one, work):
            done.append(kill)
            if out is not None:
                out.write(json.dumps(asdict(kill)) + "\n")
                out.flush()
            if kill.wrong:
                print(f"seed {kill.seed} ({kill.way} at row {kill.at_row}): {'; '.join(kill.wrong)}", flush=True)
    for way in ("kill", "order", *OTHERS):
        those = [kill for kill in done if kill.way == way]
        struck = [kill for kill in those if not kill.missed]
        if those:
            print(
                f"{way:7} {len(those):4d}, struck {len(struck):4d}, "
                f"before the first order {sum(k.early for k in struck)}, "
                f"off within {max((k.off_s for k in struck), default=0.0):.2f} s, "
                f"broken {sum(bool(k.wrong) for k in those)}"
            )
    off = [abs(k.capacity_Ah - k.whole_Ah) / k.capacity_U_Ah for k in done if k.capacity_U_Ah]
    broken = sum(bool(kill.wrong) for kill in done)
    told = (
        f"{len(done)} ends, {sum(not k.missed for k in done)} struck, {broken} broken promises, "
        f"resumed capacity at most {max(off, default=0.0):.2f} U from the uninterrupted one, "
        f"{time.monotonic() - begin:.0f} s"
    )
    print(told)
    if out is not None:
        counts = collections.Counter(kill.way for kill in done if not kill.missed)
        out.write(json.dumps({"summary": told, "struck": dict(counts)}) + "\n")
        out.close()
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
