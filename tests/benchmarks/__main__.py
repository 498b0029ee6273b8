"""Speed and memory as ratios to a named floor in one run. `make benchmarks`; results: docs/benchmarks.md.

Each floor is measured beside its candidate, turn by turn, in the same process or the same kind of
process, because machines are noisy: ratios count, single times do not.
"""

import argparse
import json
import os
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
    """One reading through the whole runner loop against a bare pyvisa loop asking the same two quantities."""
    import dataclasses

    import pyvisa

    from drivers.clock import RealClock
    from drivers.opening import open_instrument
    from harness.bench import bench_from_dict, load_bench
    from harness.persons import ObligingPerson
    from harness.plan import End, Limits, Order, Plan, Segment, Step, plan_to_dict
    from harness.runner import Rig, Runner, Stop, run_header

    folder = Path(tempfile.mkdtemp())
    server = subprocess.Popen(
        [sys.executable, "-m", "harness", "bench", "simulate", "--bench-out", str(folder / "b.toml")],
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

    class Eager(RealClock):
        virtual = True  # no slices

        def sleep(self, seconds: float) -> None:
            """The benchmark never waits: the loop reads as fast as it can."""

    class Counting(Rig):
        def read(self, energised: bool) -> Any:
            count[0] += 1
            if count[0] > READINGS:
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
        begin = time.perf_counter()
        runner.run()
        spent = time.perf_counter() - begin
        rig.close()
        return spent / READINGS

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
    from drivers.clock import RealClock
    from drivers.opening import open_instrument

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
        subprocess.run([sys.executable, "-m", "harness", *add], check=True, env=environment, capture_output=True)
        words = ["run", "--cell", "n", "--profile", "overnight", "--bench", "simulated", "--start", "declared-full"]
        words += ["--simulated-cell", "li-ion-good", "--current", "0.195 A", "--seed", str(number + 1), "--json"]
        begin = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "harness", *words], check=True, env=environment, capture_output=True, text=True
        )
        times.append(time.perf_counter() - begin)
        rows = json.loads(done.stdout)["rows"]
    return {"seconds": statistics.median(times), "rows": rows}


def memory() -> dict[str, float]:
    """Resident memory of the runner at hour 1 and at hour 100 of one run, in a process of its own."""
    code = r"""
import sys, tempfile, pathlib, psutil, json
from drivers.simulated.bench import SimulatedBench
from harness.bench import bench_from_dict
from harness.persons import ObligingPerson
from harness.plan import Limits, Order, Plan, Segment, Step, plan_to_dict
from harness.runner import Rig, Runner, run_header
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


def help_page() -> dict[str, float]:
    """`amphora --help` against a bare Typer + Rich program's."""
    return turn_by_turn(
        lambda: process_s("-m", "harness", "--help"), lambda: process_s("-c", BARE_TYPER, "--help"), rounds=9
    )


BENCHMARKS: dict[str, tuple[Callable[[], dict[str, float]], str]] = {
    "reading-over-tcp": (reading_over_tcp, "ratio at most 1.5"),
    "night": (night, "at most 3 s"),
    "memory": (memory, "flat"),
    "help": (help_page, "ratio at most 1.3"),
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
