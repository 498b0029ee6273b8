"""How far a fit is off when a cell was tested at a fifth of It and is asked at another rate.

Not collected by a plain test run. `python -m tests.campaign.rate_study` prints, for the half of the cells that was used
while building and for the other, how often U holds the truth, how many answers that say "within 5 %" are not, how
many say so, and the median of U. The cells are a physics library's (`rate_cells`), simulated once and kept in a folder;
the extra `outside` installs it. What lasts less than 3 minutes is left out: no share of nothing.
"""

import argparse
import itertools
import json
import random
import tempfile
from collections.abc import Sequence
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from amphora.harness.account.answer import analyse_run
from amphora.harness.analysis.cell_model import cell_model
from amphora.harness.archive.loading import load
from amphora.harness.decisions.duty import read_duty
from amphora.harness.decisions.fit import fit
from tests.campaign.rate_cells import POSITIVE, Draw, cell_in, draws
from tests.support.duty_runs import _channel

GAIN_V, OFFSET_V, NOISE_V = 5e-4, 2e-3, 2e-4
GAIN_A, OFFSET_A = 1e-3, 5e-4
SHORTEST_H = 0.05


def run_of(logs: Path, draw: Draw, held: dict[str, Any], test: str, stamp: str) -> Path:
    """Write a test as a run folder, read by a bench that is off within its specification."""
    rng = random.Random(f"{draw.name}:{test}")
    noise = np.random.default_rng(rng.randrange(2**31))
    part = lambda limit: rng.uniform(-limit, limit)  # noqa: E731
    t, volt, amps, degC = held[test]
    orders = held[f"{test} orders"]
    last = int(np.flatnonzero(amps)[-1])
    volt = volt * (1 + part(GAIN_V)) + part(OFFSET_V) + noise.normal(0.0, NOISE_V, volt.size)
    cutoff_V = round(float(volt[last]) + 1e-5, 5)  # what this bench showed at the end, within a few millivolt
    amps = np.where(amps != 0, amps * (1 + part(GAIN_A)) + part(OFFSET_A), 0.0)
    step = np.searchsorted(orders, t, side="left") - 1
    folder = logs / draw.name / f"{stamp}-{test}"
    folder.mkdir(parents=True)
    cell = {"id": draw.name, "form": "", "chemistry": draw.chemistry, "source": "path light 3", "claim_Ah": None}
    run = {
        "format": "amphora-run/1", "run_id": f"{draw.name}/{folder.name}", "created_utc": "2026-11-24T21:00:00Z",
        "cell": {"format": "amphora-cell/1", **cell}, "plan": None, "profile": test, "start": "full",
        "cutoff_V": cutoff_V, "bench": {"name": "kitchen bench", "instruments": {}, "cell": {}},
        "measurement": {
            "voltage": _channel(GAIN_V, OFFSET_V), "current": _channel(GAIN_A, OFFSET_A),
            "temperature": _channel(0.0, 0.5), "time": _channel(5e-5, 0.0),
        },
        "software": {"name": "amphora", "version": "0"},
    }  # fmt: skip
    (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    rows = [f"{a:.2f},{s},{v:.5f},{-i:.5f},{d:.2f}" for a, s, v, i, d in zip(t, step, volt, amps, degC, strict=True)]
    head = "t_s,step,voltage_V,current_A,temperature_degC\n"
    (folder / "samples.csv").write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
    events: list[dict[str, Any]] = [{"kind": "run-begun", "t_s": 0.0, "utc": "2026-11-24T21:00:00Z", "after_row": 0}]
    for number, at in enumerate(orders):
        after = int(np.searchsorted(t, at, side="right"))
        same = {"t_s": float(at), "utc": "", "after_row": after}
        events += [{"kind": "ordered", **same, "order": {}}] if number else []
        kind = "discharge" if amps[min(after, amps.size - 1)] else "rest"
        events.append(
            {"kind": "step-begun", **same, "step": number, "plan_step": number, "step_kind": kind, "name": kind}
        )
    end = {"kind": "stopped", "t_s": float(t[-1]), "utc": "", "after_row": t.size, "reason": "cutoff", "rows": t.size}
    (folder / "events.jsonl").write_text("".join(json.dumps(e) + "\n" for e in [*events, end]), encoding="utf-8")
    if not (folder.parent / "cell.json").exists():
        (folder.parent / "cell.json").write_text(json.dumps({"format": "amphora-cell/1", **cell}), encoding="utf-8")
    return folder


def true_hours(course: np.ndarray, rail_V: float) -> float:
    """Return when a voltage, shape (4, n) as `rate_cells` has it, first meets a rail, h."""
    t, volt = course[0], course[1]
    low = np.flatnonzero(volt <= rail_V)
    if not low.size or low[0] == 0:
        return 0.0
    k = int(low[0])
    part = (volt[k - 1] - rail_V) / (volt[k - 1] - volt[k])
    return float(t[k - 1] + part * (t[k] - t[k - 1])) / 3600.0


def of_cell(draw: Draw, held: dict[str, Any], tests: Sequence[str], logs: Path) -> list[dict[str, Any]]:
    """Return one row for each test and rate: truth, answer, U."""
    rows: list[dict[str, Any]] = []
    nominal_Ah = float(held["nominal_Ah"])
    for number, test in enumerate(tests):
        folder = run_of(logs, draw, held, test, f"2026112{4 + number}T210000Z")
        record, _ = load(folder)
        result = analyse_run(folder)
        model = cell_model(record.t_s, record.voltage_V, record.current_A, result, record.temperature_degC)
        for rate, rail_V in zip(draw.rates_It, draw.rails_V, strict=True):
            truth_h = true_hours(held[str(rate)], rail_V)
            if truth_h < SHORTEST_H:
                continue
            duty = read_duty(
                f'name="d"\nchemistry=["{draw.chemistry}"]\nlowest_rail="{rail_V} V"\n'
                f'night_temperature="{draw.room_K - 273.15:.1f} degC"\n'
                f'[[modes]]\nname="m"\ncurrent="{rate * nominal_Ah * 1000:.6f} mA"\nduty_cycle="1"\n',
                "study",
            )
            mode = fit(model, duty).modes[0]
            rows.append(
                {"cell": draw.name, "kind": POSITIVE[draw.parameters], "test": test, "rate": rate, "rail": rail_V,
                 "truth": truth_h, "said": mode.run_time_h, "U": mode.run_time_U_h,
                 "within": mode.run_time_within_5_percent, "doubt": mode.doubt, "parts": mode.doubts_h}
            )  # fmt: skip
    return rows


def shown(r: dict[str, Any]) -> str:
    """Return one answer in words."""
    off, U = r["said"] / r["truth"] - 1, r["U"] / max(r["said"], 1e-9)
    verdict = "WRONG" if r["within"] and abs(off) > 0.05 else "within" if r["within"] else ""
    parts = " ".join(f"{name}={100 * h / max(r['said'], 1e-9):.1f}" for name, h in r["parts"].items())
    return (
        f"{r['cell']} {r['test']} {r['rate']} It, rail {r['rail']} V: truth {r['truth']:.3f} h, said {r['said']:.3f}, "
        f"off {100 * off:+.1f} %, U {100 * U:.1f} % {verdict} {'OUT' if abs(r['said'] - r['truth']) > r['U'] else ''}"
        f" {parts}"
    )


def line(name: str, rows: Sequence[dict[str, Any]]) -> str:
    """Return what a set of answers is worth, as a row of a table."""
    off = [abs(r["said"] / r["truth"] - 1) for r in rows]
    held = sum(abs(r["said"] - r["truth"]) <= r["U"] for r in rows)
    said = [k for k, r in enumerate(rows) if r["within"]]
    wrong = sum(off[k] > 0.05 for k in said)
    share_U = median(r["U"] / max(r["said"], 1e-9) for r in rows)
    return (
        f"| {name} | {len(rows)} | {100 * median(off):.1f} % | {100 * sorted(off)[int(0.95 * (len(off) - 1))]:.1f} % | "
        f"{100 * held / len(rows):.1f} % | {100 * len(said) / len(rows):.0f} % | {wrong} | {100 * share_U:.1f} % |"
    )


def main() -> None:
    """Print how often the answers hold."""
    parser = argparse.ArgumentParser(description="How far a fit is off at another rate than the test's.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--half", default="building", help="building, judging, both, or any name: drawn otherwise")
    parser.add_argument("--cells", type=Path, default=Path(".cells"), help="folder of the simulated cells")
    parser.add_argument("--test", action="append", choices=("load-steps", "overnight"))
    parser.add_argument("--rows", action="store_true", help="each answer")
    wanted = parser.parse_args()
    tests = wanted.test or ["load-steps", "overnight"]
    print("| cells | answers | off, median | 95 in 100 | inside U | say 'within 5 %' | and are not | U, median |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for half in ("building", "judging") if wanted.half == "both" else (wanted.half,):
        rows: list[dict[str, Any]] = []
        for draw in draws(wanted.seed, half):
            held = cell_in(wanted.cells, draw)
            with tempfile.TemporaryDirectory() as folder:
                rows += of_cell(draw, held, tests, Path(folder))
        if wanted.rows:
            for r in rows:
                print(shown(r))
        for test in tests:
            print(line(f"{half}: {test}", [r for r in rows if r["test"] == test]))
        for kind in sorted({r["kind"] for r in rows}):
            print(line(f"{half}: {kind}", [r for r in rows if r["kind"] == kind]))
        for low, high in itertools.pairwise((0.0, 0.2, 0.45, 0.6, 0.85, 1.2, 1.7, 3.0)):
            some = [r for r in rows if low < r["rate"] <= high]
            if some:
                print(line(f"{half}: {low} to {high} It", some))
        print(line(half, rows))


if __name__ == "__main__":
    main()
