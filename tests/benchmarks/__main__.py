"""Speed and memory as ratios to a named floor in one run. `make benchmarks`; results: docs/benchmarks.md.

Each floor is measured beside its candidate, turn by turn, in the same process or the same kind of
process, because machines are noisy: ratios count, single times do not.
"""

import argparse
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROUNDS = 5
READINGS = 4000
BARE_TYPER = """
import typer
from rich.console import Console
app = typer.Typer()
@app.command()
def one(name: str = typer.Option("x", help="a name")) -> None:
    "Say a name."
    Console().print(name)
@app.command()
def two() -> None:
    "Say two."
app()
"""


def turn_by_turn(first: Callable[[], float], second: Callable[[], float], rounds: int = ROUNDS) -> dict[str, float]:
    """Measure two things in turns; return the medians and the median of the ratios first/second."""
    pairs = [(first(), second()) for _ in range(rounds)]
    return {
        "ours": statistics.median(a for a, _ in pairs),
        "floor": statistics.median(b for _, b in pairs),
        "ratio": statistics.median(a / b for a, b in pairs),
    }


def process_s(*words: str) -> float:
    """Return the wall time of a whole process."""
    begin = time.perf_counter()
    subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - begin


def reading_over_tcp() -> dict[str, float]:
    """One reading through the whole runner loop against a bare pyvisa loop asking the same two quantities.

    Timed from the first reading with current ordered to the last: guard, stepping, rows and their syncing are in
    it; opening a run, its checks and its end (some 15 syncs of events, once a night) are not.
    """
    import dataclasses

    import pyvisa

    from amphora.drivers.clock import RealClock
    from amphora.drivers.opening import open_instrument
    from amphora.harness.archive.run_folder import run_header
    from amphora.harness.bench.bench_file import bench_from_dict, load_bench
    from amphora.harness.bench.opened import Rig
    from amphora.harness.bench.operator import ObligingPerson
    from amphora.harness.plans.plan import End, Limits, Order, Plan, Segment, Step, plan_to_dict
    from amphora.harness.running.runner import Runner, Stop

    folder = Path(tempfile.mkdtemp())
    server = subprocess.Popen(
        [sys.executable, "-m", "amphora.harness", "bench", "simulate", "--bench-out", str(folder / "b.toml")],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert server.stdout is not None and server.stdout.readline().strip() == "ready"
    data = dict(load_bench(folder / "b.toml").data)
    data["instruments"] = {"load": data["instruments"]["load"]}
    data["cell"] = {"voltage": "load", "current": "load"}
    bench = bench_from_dict(data)
    count = [0]
    stamps = [0.0, 0.0]

    class Eager(RealClock):
        virtual = True  # no slices

        def sleep(self, seconds: float) -> None:
            """The benchmark never waits: the loop reads as fast as it can."""

    class Counting(Rig):
        def read(self, energised: bool) -> Any:
            if energised and count[0] == 0:
                stamps[0] = time.perf_counter()
            count[0] += energised
            if count[0] > READINGS:
                stamps[1] = time.perf_counter()
                raise Stop("person", "enough")
            return super().read(energised)

    limits = Limits(2.0, 4.3, -2.0, 2.0)
    order = Order("discharge", value=0.2)
    step = Step(
        "d", "discharge", (Segment(order, 1e6),), (End("cutoff", "voltage_V", "<=", 3.0),), 1e6, False, 0.0, limits
    )
    plan = Plan("b", "c", "li-ion", (step,), 3.0, 1.0, "x", "full", False, 1e6, as_found_high_V=4.3)

    def ours() -> float:
        count[0] = 0
        clock = Eager()
        rig = Counting(bench, {"load": open_instrument("load", bench.instruments["load"], clock)})
        run = folder / f"r{time.monotonic_ns()}"
        header = run_header(plan_to_dict(plan), {"id": "c"}, bench, run, "full", 3.0, "b", clock.utc())
        runner = Runner(dataclasses.replace(plan), rig, clock, run, header, ObligingPerson(), take_signals=False)
        runner.run()
        rig.close()
        return (stamps[1] - stamps[0]) / READINGS

    def floor() -> float:
        manager = pyvisa.ResourceManager("@py")
        link: Any = manager.open_resource(
            bench.instruments["load"]["resource"], read_termination="\n", write_termination="\n"
        )
        ask = _question(bench)
        link.query("*IDN?")
        begin = time.perf_counter()
        for _ in range(READINGS):
            for one in ask:
                link.query(one)
        spent = time.perf_counter() - begin
        link.close()
        return spent / READINGS

    try:
        return turn_by_turn(ours, floor)
    finally:
        server.terminate()
        server.wait()


def _question(bench: Any) -> list[str]:
    """Return what the driver itself sends for a reading, so that the floor asks the very same."""
    from amphora.drivers.clock import RealClock
    from amphora.drivers.opening import open_instrument

    instrument: Any = open_instrument("load", bench.instruments["load"], RealClock())
    sent: list[str] = []
    link = instrument.link if hasattr(instrument, "link") else instrument._link
    real = link.query

    def query(text: str, *rest: Any, **more: Any) -> Any:
        sent.append(text)
        return real(text, *rest, **more)

    try:
        link.query = query
        instrument.read()
    finally:
        instrument.close()
    return sent


def night() -> dict[str, float]:
    """A simulated ten-hour night at 1 Hz, whole process: seconds, and rows."""
    times, rows = [], 0
    for number in range(3):
        folder = Path(tempfile.mkdtemp())
        environment = {**os.environ, "AMPHORA_LOGS": str(folder)}
        add = ["cell", "add", "n", "--form", "18650", "--chemistry", "li-ion"]
        subprocess.run(
            [sys.executable, "-m", "amphora.harness", *add], check=True, env=environment, capture_output=True
        )
        words = ["run", "--cell", "n", "--profile", "overnight", "--bench", "simulated", "--start", "declared-full"]
        words += ["--simulated-cell", "li-ion-good", "--current", "0.195 A", "--seed", str(number + 1), "--json"]
        begin = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "amphora.harness", *words],
            check=True,
            env=environment,
            capture_output=True,
            text=True,
        )
        times.append(time.perf_counter() - begin)
        rows = json.loads(done.stdout)["rows"]
    return {"seconds": statistics.median(times), "rows": rows}


def memory() -> dict[str, float]:
    """Resident memory of the runner at hour 1 and at hour 100 of one run, in a process of its own."""
    code = r"""
import sys, tempfile, pathlib, psutil, json
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.plans.plan import Limits, Order, Plan, Segment, Step, plan_to_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.archive.run_folder import run_header
from amphora.harness.running.runner import Runner
bench = SimulatedBench("li-ion-good", 1)
limits = Limits(1.0, 4.4, -2.0, 2.0)
step = Step("d", "discharge", (Segment(Order("discharge", value=0.01), 360000.0),), (), 360000.0, True, 1.0, limits)
plan = Plan("b", "c", "li-ion", (step,), 3.0, 10.0, "x", "full", False, 1e6, as_found_high_V=4.4)
described = bench_from_dict(bench.description)
folder = pathlib.Path(tempfile.mkdtemp()) / "r"
header = run_header(plan_to_dict(plan), {"id": "c"}, described, folder, "full", 3.0, "b", bench.clock.utc())
process, seen = psutil.Process(), {}
real = bench.clock.sleep
def sleep(seconds):
    real(seconds)
    hour = int(bench.clock.now_s() // 3600)
    if hour in (1, 10, 50, 99) and hour not in seen:
        seen[hour] = process.memory_info().rss / 1e6
bench.clock.sleep = sleep
Runner(plan, Rig(described, bench.instruments), bench.clock, folder, header, ObligingPerson(), take_signals=False).run()
print(json.dumps(seen))
"""
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    return {f"hour {hour} (MB)": value for hour, value in json.loads(done.stdout.splitlines()[-1]).items()}


def bay_memory() -> dict[str, float]:
    """PSS of a bay's runner and watchdog in a night over the wire, from the kernel's own sums; two bays at work."""
    import psutil

    sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
    from programs import Program, Served, rows_in, wait_for

    home = Path(tempfile.mkdtemp())
    served, figures = [], {}
    try:
        program, runs = Program(home), []
        for name in ("a", "b"):
            (home / name).mkdir()
            served.append(Served(home / name, "--seed", "3", "--speed-up", "60"))
            program.call("cell", "add", name, "--form", "18650", "--chemistry", "li-ion", "--inspection", "sound")
            words = ["run", "--cell", name, "--profile", "overnight", "--bench", str(served[-1].bench)]
            runs.append(program.start(*words, "--start", "declared-full", "--current", "0.4 A", "--json"))
            folder = program.logs / name
            wait_for(lambda at=folder: any(rows_in(run) > 600 for run in at.glob("*Z-*")))  # past the load steps
        for name, run in zip(("a", "b"), runs, strict=True):
            each = [pss_MB(run.pid), *(pss_MB(one.pid) for one in psutil.Process(run.pid).children(recursive=True))]
            figures |= {f"{name} together (MB)": sum(each), f"{name} runner (MB)": each[0]}
            figures[f"{name} processes"] = len(each)
        for run in runs:
            run.terminate()
            run.communicate()
        return figures
    finally:
        for one in served:
            one.end()
        shutil.rmtree(home)


def pss_MB(pid: int) -> float:
    """Return a process's share of memory: what it has alone, and its part of what it shares."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return sum(float(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024.0


def help_page() -> dict[str, float]:
    """`amphora --help` against a bare Typer + Rich program's."""
    return turn_by_turn(
        lambda: process_s("-m", "amphora.harness", "--help"), lambda: process_s("-c", BARE_TYPER, "--help"), rounds=9
    )


BARE_READ = """
import sys
import numpy as np
import pandas as pd
table = pd.read_csv(sys.argv[1], usecols=["t_s", "voltage_V", "current_A"])
t, v, i = (table[name].to_numpy() for name in ("t_s", "voltage_V", "current_A"))
print(np.trapezoid(i, t) / 3600, np.trapezoid(i * v, t) / 3600)
"""


def child(*words: str, environment: dict[str, str] | None = None) -> tuple[float, float]:
    """Return the wall time in s and the peak resident memory in MB of a whole process that must end well.

    The kernel counts this process's own size as the least a child can have; it is small beside what is measured.
    """
    begin = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment
    )
    _, status, usage = os.wait4(process.pid, 0)
    spent = time.perf_counter() - begin
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, (words, process.returncode)
    return spent, usage.ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def write_imported(logs: Path, rows: int, part_s: int) -> Path:
    """Write a run folder as of an import, at 1 Hz: `part_s` of discharge, as long a charge, rests between."""
    from tests.support.paper_runs import write_run

    folder = write_run(logs, rows=2, start="full", imported={"file": "cycles.csv"}, profile="imported")
    rest_s = 900
    cycle_s = 2 * (part_s + rest_s)
    with (folder / "samples.csv").open("w", encoding="utf-8", newline="\n") as file:
        file.write("t_s,step,voltage_V,current_A,temperature_degC\n")
        for t in range(rows):
            cycle, at = divmod(t, cycle_s)
            second, at = divmod(at, part_s + rest_s)
            on, share = at < part_s, min(at / part_s, 1.0)
            step = 4 * cycle + 2 * second + (not on)
            amps = (0.5 if second else -0.5) if on else 0.0
            volt = (3.0 + 1.15 * share if second else 4.1 - 1.11 * share) + 0.06 * amps + 1e-4 * (t % 7)
            file.write(f"{t},{step},{volt:.4f},{amps:.3f},{22 + 0.1 * (t % 5):.1f}\n")
    events = [json.loads(line) for line in (folder / "events.jsonl").read_text(encoding="utf-8").splitlines()]
    events[-1] = {**events[-1], "t_s": float(rows - 1), "after_row": rows, "rows": rows, "reason": "imported"}
    (folder / "events.jsonl").write_text("".join(json.dumps(one) + "\n" for one in events), encoding="utf-8")
    return folder


def _large(part_of: Callable[[int], int]) -> dict[str, float]:
    """Measure `amphora analyse` in turns with a bare read, at 0.9 M and at 3.6 M rows; parts of `part_of(rows)` s."""
    figures: dict[str, float] = {}
    for rows in (900_000, 3_600_000):
        logs = Path(tempfile.mkdtemp())
        try:
            folder = write_imported(logs, rows, part_of(rows))

            def once(folder: Path = folder) -> tuple[float, float]:
                (folder / "result.json").unlink(missing_ok=True)
                return child("-m", "amphora.harness", "analyse", str(folder))

            pairs = [(once(), child("-c", BARE_READ, str(folder / "samples.csv"))) for _ in range(3)]
        finally:
            shutil.rmtree(logs)
        million = f"{rows / 1e6:g} M"
        figures[f"{million} time ratio"] = statistics.median(a[0] / b[0] for a, b in pairs)
        figures[f"{million} memory ratio"] = statistics.median(a[1] / b[1] for a, b in pairs)
        for place, unit in enumerate(("s", "MB")):
            figures[f"{million} ours {unit}"] = statistics.median(a[place] for a, _ in pairs)
            figures[f"{million} bare {unit}"] = statistics.median(b[place] for _, b in pairs)
    figures["growth of time for 4 times the rows"] = figures["3.6 M ours s"] / figures["0.9 M ours s"]
    figures["growth of memory"] = figures["3.6 M ours MB"] / figures["0.9 M ours MB"]
    return figures


def analyse_large() -> dict[str, float]:
    """One long discharge against a bare pandas read of three columns and a trapezoid."""
    return _large(lambda rows: rows - 1800)


def analyse_cycles() -> dict[str, float]:
    """The same rows as cycles of 8.5 h: 236 charges and discharges in 3.6 M rows, each with figures of its own."""
    return _large(lambda rows: 14_400)


def analyse_very_large() -> dict[str, float]:
    """Ten million rows, one discharge: peak memory and time of `amphora analyse` against a bare pandas read."""
    rows = 10_000_000
    logs = Path(tempfile.mkdtemp())
    try:
        folder = write_imported(logs, rows, rows - 1800)
        pairs = []
        for _ in range(3):
            (folder / "result.json").unlink(missing_ok=True)
            ours = child("-m", "amphora.harness", "analyse", str(folder))
            pairs.append((ours, child("-c", BARE_READ, str(folder / "samples.csv"))))
    finally:
        shutil.rmtree(logs)
    return {
        "time ratio": statistics.median(a[0] / b[0] for a, b in pairs),
        "memory ratio": statistics.median(a[1] / b[1] for a, b in pairs),
        "ours MB": max(a[1] for a, _ in pairs),
        "bare MB": statistics.median(b[1] for _, b in pairs),
        "ours s": statistics.median(a[0] for a, _ in pairs),
        "bare s": statistics.median(b[0] for _, b in pairs),
    }


def import_very_large() -> dict[str, float]:
    """Ten million rows and a quarter of them: peak memory and time of `amphora import` against a bare pandas read."""
    figures: dict[str, float] = {}
    for rows in (2_500_000, 10_000_000):
        home = Path(tempfile.mkdtemp())
        try:
            samples = write_imported(home / "made", rows, rows - 1800) / "samples.csv"
            words = ("import", str(samples), "--cell", "L3-a", "--logs", str(home / "logs"))
            ours, bare = child("-m", "amphora.harness", *words), child("-c", BARE_READ, str(samples))
        finally:
            shutil.rmtree(home)
        million = f"{rows / 1e6:g} M"
        figures[f"{million} time ratio"], figures[f"{million} memory ratio"] = ours[0] / bare[0], ours[1] / bare[1]
        figures[f"{million} ours s"], figures[f"{million} ours MB"] = ours
        figures[f"{million} bare s"], figures[f"{million} bare MB"] = bare
    figures["growth of memory for 4 times the rows"] = figures["10 M ours MB"] / figures["2.5 M ours MB"]
    return figures


def shelf_environment(folder: Path) -> dict[str, str]:
    """Return an environment in which the program keeps its shelf and its key in this folder."""
    return {**os.environ, "AMPHORA_LOGS": str(folder / "logs"), "XDG_CONFIG_HOME": str(folder), "HOME": str(folder)}


def certify() -> dict[str, float]:
    """`amphora certify` of a night of 36,000 rows, whole process, nothing worked out beforehand."""
    from tests.support.paper_runs import write_run

    home = Path(tempfile.mkdtemp())
    try:
        folder = write_run(home / "logs", rows=36_000)
        words = ["certify", str(folder), "--out", str(home / "c.pdf"), "--operator", "A. Tester"]
        times = []
        for _ in range(ROUNDS):
            (folder / "result.json").unlink(missing_ok=True)
            (home / "c.pdf").unlink(missing_ok=True)
            times.append(child("-m", "amphora.harness", *words, environment=shelf_environment(home))[0])
        return {"seconds": statistics.median(times)}
    finally:
        shutil.rmtree(home)


def labels() -> dict[str, float]:
    """`amphora label` of a sheet of 24, whole process: nights not yet worked out, and again when they are."""
    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.cells.cell import Cell
    from tests.support.paper_runs import cell_record, write_run

    home = Path(tempfile.mkdtemp())
    try:
        names = [f"hall-{number + 1}" for number in range(24)]
        for name in names:
            Shelf(home / "logs").add(Cell.from_dict(cell_record(id=name)))
            write_run(home / "logs", cell=cell_record(id=name))
        words = ["-m", "amphora.harness", "label", *names, "--sheet", "3x8", "--out", str(home / "labels.pdf")]
        first, *again = [child(*words, environment=shelf_environment(home))[0] for _ in range(1 + ROUNDS)]
        return {"seconds at first": first, "seconds again": statistics.median(again)}
    finally:
        shutil.rmtree(home)


def shelf() -> dict[str, float]:
    """A shelf of 1000 cells with 10 runs each: the list, and entering one more run, against a shelf of 10 runs."""
    from amphora.harness.account.answer import analyse_run
    from amphora.harness.archive.shelf import Shelf
    from amphora.harness.cells.cell import Cell
    from tests.support.paper_runs import cell_record, write_run

    home = Path(tempfile.mkdtemp())
    try:
        model = write_run(home / "model")
        analyse_run(model)

        def put(logs: Path, name: str, number: int) -> Path:
            return shutil.copytree(model, logs / name / f"202611{number + 1:02d}T210000Z-overnight")

        shelves = {}
        for label, cells in (("10 runs", 1), ("10000 runs", 1000)):
            shelves[label] = Shelf(home / label)
            for number in range(cells):
                shelves[label].add(Cell.from_dict(cell_record(id=f"hall-{number + 1}")))
                for run in range(10):
                    put(home / label, f"hall-{number + 1}", run)
            shelves[label].rebuild()

        def entering(label: str, number: int) -> float:
            folder = put(home / label, "hall-1", 10 + number)
            begin = time.perf_counter()
            shelves[label].note_run(folder)
            return time.perf_counter() - begin

        numbers = iter(range(0, 18))
        pairs = [(entering("10000 runs", number), entering("10 runs", number)) for number in numbers]
        shelves["10000 runs"].list_cells()
        inside = []
        for _ in range(ROUNDS):
            begin = time.perf_counter()
            assert len(shelves["10000 runs"].list_cells()) == 1000
            inside.append(time.perf_counter() - begin)
        environment = {**shelf_environment(home), "AMPHORA_LOGS": str(home / "10000 runs")}
        return {
            "entering a run, ratio 10000 to 10 runs": statistics.median(a / b for a, b in pairs),
            "entering at 10000 (ms)": 1e3 * statistics.median(a for a, _ in pairs),
            "entering at 10 (ms)": 1e3 * statistics.median(b for _, b in pairs),
            "list (s)": statistics.median(inside),
            "list, whole process (s)": statistics.median(
                child("-m", "amphora.harness", "cell", "list", environment=environment)[0] for _ in range(ROUNDS)
            ),
        }
    finally:
        shutil.rmtree(home)


def match() -> dict[str, float]:
    """`amphora match` of 500 tested cells into sets of 4, whole process: nights not yet worked out, and again."""
    from amphora.drivers.simulated.cell import SimulatedCell, random_cell
    from tests.support.duty_runs import write_test

    home = Path(tempfile.mkdtemp())
    try:
        rng = random.Random(1)
        for number in range(500):
            cell = SimulatedCell(random_cell("li-ion", rng).spec, soc=1.0, ambient_degC=20.0)
            write_test(home / "logs", cell, f"hall-{number + 1}", current_A=0.5)
        words = [
            "-m",
            "amphora.harness",
            "match",
            "--size",
            "4",
            "--wiring",
            "parallel",
            "--oldest",
            "3650 d",
            "--json",
        ]
        times, sets, within = [], 0, None
        for _ in range(3):
            begin = time.perf_counter()
            done = subprocess.run(
                [sys.executable, *words], check=True, capture_output=True, text=True, env=shelf_environment(home)
            )
            times.append(time.perf_counter() - begin)
            sets = len(json.loads(done.stdout)["sets"])
            within = json.loads(done.stdout)["within"]
        return {
            "seconds at first": times[0], "seconds again": statistics.median(times[1:]), "sets": sets,
            "at most above the best": within,
        }  # fmt: skip
    finally:
        shutil.rmtree(home)


def compare_many() -> dict[str, float]:
    """`amphora compare --all` of 1,000 and of 10,000 runs of as many cells, whole process, all worked out before.

    Processor time, and wall time: the second depends on what else runs.
    """
    import resource

    from tests.support.paper_runs import cell_record, write_run

    home = Path(tempfile.mkdtemp())
    figures: dict[str, float] = {}
    try:
        for cells in (1000, 10_000):
            logs = home / str(cells)
            rng = random.Random(1)
            for number in range(cells):
                record = cell_record(id=f"hall-{number + 1}")
                folder = write_run(logs, rows=120, cell=record)
                (folder.parent / "cell.json").write_text(json.dumps(record), encoding="utf-8")
                amps = f",-{rng.uniform(0.4, 0.6):.4f}"  # each cell holds something else
                text = (folder / "samples.csv").read_text(encoding="utf-8")
                (folder / "samples.csv").write_text(text.replace(",-0.5", amps), encoding="utf-8")
                for name in ("run.json", "samples.csv", "events.jsonl"):
                    os.utime(folder / name, (1.7e9, 1.7e9))
            words = ["-m", "amphora.harness", "compare", "--all", "--json"]
            environment = {**shelf_environment(home), "AMPHORA_LOGS": str(logs)}
            walls, spent = [], []
            for _ in range(2 + ROUNDS):
                before = resource.getrusage(resource.RUSAGE_CHILDREN)
                walls.append(child(*words, environment=environment)[0])
                after = resource.getrusage(resource.RUSAGE_CHILDREN)
                spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
            figures[f"{cells} warm (s)"] = statistics.median(walls[2:])
            figures[f"{cells} warm, processor (s)"] = statistics.median(spent[2:])
            figures[f"{cells} at first (s)"] = walls[0]
        figures["growth for 10 times the runs"] = (
            figures["10000 warm, processor (s)"] / figures["1000 warm, processor (s)"]
        )
        return figures
    finally:
        shutil.rmtree(home)


BENCHMARKS: dict[str, tuple[Callable[[], dict[str, float]], str]] = {
    "reading-over-tcp": (reading_over_tcp, "ratio at most 1.5"),
    "night": (night, "at most 3 s"),
    "memory": (memory, "flat"),
    "bay-memory": (bay_memory, "at most 60 MB for runner and watchdog together"),
    "help": (help_page, "ratio at most 1.3"),
    "analyse-large": (analyse_large, "time ratio at most 2.0, memory ratio at most 1.5, growth at most 4"),
    "analyse-cycles": (analyse_cycles, "as analyse-large; the floor finds no phases"),
    "analyse-very-large": (analyse_very_large, "at most 400 MB, memory ratio below 1"),
    "import-very-large": (import_very_large, "at most 400 MB, memory ratio below 1, growth at most 1.2"),
    "certify": (certify, "at most 2.5 s"),
    "labels": (labels, "below 3 s"),
    "shelf": (shelf, "list below 0.3 s, entering a run no slower on a large shelf"),
    "match": (match, "below 10 s"),
    "compare": (compare_many, "1,000 warm below 1 s, 10,000 below 5 s, growth at most 10"),
}


def main() -> None:
    """Run what is asked for and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help=f"{', '.join(BENCHMARKS)}; all when none is given")
    chosen = parser.parse_args().names or list(BENCHMARKS)
    for name in chosen:
        measure, aim = BENCHMARKS[name]
        figures = "  ".join(f"{key} {value:.4g}" for key, value in measure().items())
        print(f"{name:18} {figures}   (aim: {aim})", flush=True)


if __name__ == "__main__":
    main()
