"""Real kills of real processes: `python -m tests.campaign.kills --kills 10`.

A run in its own process on a simulated bench in another one is ended with kill -9 at a random
moment. Then: the load is off within 5 s, the folder reads, `resume` goes on to the cut-off, and
the capacity is the uninterrupted one's within what is stated.
"""

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from harness.errors import AmphoraError
from harness.journal import RunFolder, read_run

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from programs import Program, Served, wait_for

OFF_S = 5.0
SPEED_UP = 600
NIGHT = ("--profile", "overnight", "--start", "declared-full", "--current", "0.4 A")
START_UP_ROWS = 20


def _folder(amphora: Program) -> RunFolder | None:
    for path in (amphora.logs / "k").glob("*-overnight"):
        try:
            return read_run(path)
        except (AmphoraError, OSError, ValueError):
            return None
    return None


def _rows(amphora: Program) -> int:
    run = _folder(amphora)
    return 0 if run is None else run.rows


def one(seed: int, whole_Ah: float | None) -> tuple[float, float, list[str]]:
    """Kill one run (or none, with `whole_Ah` None); return capacity, time until off, broken promises."""
    rng = random.Random(seed)
    wrong: list[str] = []
    off_s = 0.0
    with tempfile.TemporaryDirectory(prefix="amphora-kill-") as name:
        folder = Path(name)
        served = Served(folder, "--cell", "worn-out", "--speed-up", str(SPEED_UP))
        amphora = Program(folder)
        try:
            amphora.call("cell", "add", "k", "--form", "18650", "--chemistry", "li-ion", "--as-found", "4.18 V")
            if whole_Ah is None:
                done = amphora.json("run", "--cell", "k", "--bench", str(served.bench), *NIGHT)
                return done["capacity_Ah"], 0.0, wrong
            process = amphora.start("run", "--cell", "k", "--bench", str(served.bench), *NIGHT)
            at = rng.randint(START_UP_ROWS, 1200)
            wait_for(lambda: _rows(amphora) >= at, 60.0)
            process.kill()
            begin = time.monotonic()
            process.communicate()

            def safe() -> bool:
                run = _folder(amphora)
                return run is not None and any(
                    event["kind"] == "made-safe" and event["by"] == "keeper" and event["off"] for event in run.events
                )

            try:
                wait_for(safe, OFF_S)
            except AssertionError:
                wrong.append(f"not made safe within {OFF_S:g} s")
            off_s = time.monotonic() - begin
            check = amphora.json("bench", "check", "--bench", str(served.bench))
            if check["instruments"]["load"]["setup"]["on"] is not False:
                wrong.append("the load is still on")
            run = _folder(amphora)
            if run is None:
                return 0.0, off_s, [*wrong, "the folder cannot be read"]
            again = amphora.json("resume", str(run.folder), "--bench", str(served.bench))
            if again["stop"] != "cutoff":
                wrong.append(f"the resumed run ended with {again['stop']}")
            capacity_Ah = float(again["capacity_Ah"] or 0.0)
            if abs(capacity_Ah - whole_Ah) > 2.0 * float(again["capacity_U_Ah"] or 0.0) + 0.002:
                wrong.append(f"{capacity_Ah:.4f} Ah resumed, {whole_Ah:.4f} Ah uninterrupted")
            return capacity_Ah, off_s, wrong
        finally:
            served.end()


def main() -> int:
    """Run the kills; exit 1 when a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=10)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    options = parser.parse_args()
    whole_Ah, _, _ = one(0, None)
    broken, slowest_s = 0, 0.0
    for seed in range(options.first, options.first + options.kills):
        _, off_s, wrong = one(seed, whole_Ah)
        slowest_s = max(slowest_s, off_s)
        if wrong:
            broken += 1
            print(f"seed {seed}: {'; '.join(wrong)}", flush=True)
    print(f"{options.kills} kills, {broken} broken promises, off within {slowest_s:.2f} s at the slowest")
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
