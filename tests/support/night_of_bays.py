"""A shelf in the middle of a night, written as runners leave it: bays at work, one dead, one that waits, one done."""

import contextlib
import json
import math
import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.common.locks import acquire_folder
from amphora.harness.plans.plan import CellLimits, End, Limits, Order, Plan, Segment, Step, plan_to_dict
from amphora.harness.results.kept import kept_text

CELL = CellLimits("li-ion", 2.5, 50.0, charge_limit_V=4.2)


def plan_of(cell: str) -> Plan:
    """Return a rest of 10 min and a discharge at 0.4 A, expected to take 6 h, 9 h at the latest."""
    rest = Step("rest", "rest", (Segment(Order("off"), 600.0),), (), 600.0, True, 5.0, Limits())
    limits = Limits(voltage_low_V=2.9, voltage_high_V=4.25, current_low_A=-0.5, charge_Ah=3.0)
    discharge = Step(
        "discharge to 3.00 V", "discharge", (Segment(Order("discharge", value=0.4), 32400.0),),
        (End("cutoff", "voltage_V", "<=", 3.0),), 32400.0, False, 5.0, limits, expected_duration_s=21600.0,
    )  # fmt: skip
    return Plan(
        "overnight", cell, "li-ion", (rest, discharge), 3.0, 2.4, "claim", "full", False, 40000.0,
        cell=CELL, max_gap_s=10.0,
    )  # fmt: skip


def received(cell: str, now: datetime) -> Cell:
    """Return a cell that was weighed, measured and looked at the day before."""
    seen = {"wrapper": "sound", "dents": "none", "rust": "none", "swelling": "none", "leak": "none", "smell": "none"}
    at = (now - timedelta(days=1)).astimezone(UTC).isoformat()
    about: dict[str, Any] = {"form": "18650", "chemistry": "li-ion", "source": "hall lights", "mass_g": 44.0}
    return Cell.from_dict({"id": cell, **about, "as_found_V": 3.6, "as_found_utc": at, "inspection": seen})


def write_bay(
    logs: Path, cell: str, bay: str, hours: float, now: datetime, gap: bool = False, drop: bool = False,
    events: tuple[dict[str, Any], ...] = (), result: dict[str, Any] | None = None,
) -> Path:  # fmt: skip
    """Write a run that began `hours` ago and was read every 20 s until now."""
    if not (logs / cell / "cell.json").exists():
        Shelf(logs).add(received(cell, now))
    began = now - timedelta(hours=hours)
    folder = logs / cell / f"{began:%Y%m%dT%H%M%SZ}-overnight"
    folder.mkdir(parents=True)
    run = {
        "format": "amphora-run/1", "run_id": f"{cell}/{folder.name}", "created_utc": began.isoformat(),
        "cell": {"id": cell}, "plan": plan_to_dict(plan_of(cell)), "profile": "overnight", "start": "full",
        "cutoff_V": 3.0, "bench": {"name": "hall", "file": f"/bench.toml#{bay}" if bay else "/bench.toml",
                                   "instruments": {}}, "measurement": {}, "software": {},
    }  # fmt: skip
    (folder / "run.json").write_text(json.dumps(run))
    lines = ["t_s,step,voltage_V,current_A,temperature_degC\n"]
    length_s = int(hours * 3600)
    for t in range(0, length_s, 20):
        if gap and 0.4 * length_s < t < 0.6 * length_s:
            continue
        on = t > 600
        share = max(0.0, (t - 600) / 23000)
        volts = 4.18 if not on else 4.05 - 0.75 * share - 0.35 * share**8 - 0.05 * math.exp(-share * 60)
        if drop and abs(t - 0.3 * length_s) < 20:
            volts = 3.1
        lines.append(f"{t},{int(on)},{volts:.4f},{-0.4 if on else 0},{20.5 + (3 * (1 - math.exp(-share * 8))):.2f}\n")
    (folder / "samples.csv").write_text("".join(lines))

    def utc(t_s: float) -> str:
        return (began + timedelta(seconds=t_s)).isoformat()

    told: list[dict[str, Any]] = [
        {"kind": "begin", "t_s": 0.0, "utc": utc(0)},
        {"kind": "step-begun", "t_s": 0.0, "utc": utc(0), "step": 0, "plan_step": 0, "name": "rest",
         "step_kind": "rest"},
        {"kind": "step-begun", "t_s": 600.0, "utc": utc(600), "step": 1, "plan_step": 1,
         "name": "discharge to 3.00 V", "step_kind": "discharge"},
        *({"t_s": float(length_s), "utc": utc(length_s), **event} for event in events),
    ]  # fmt: skip
    text = "".join(json.dumps({"after_row": 0, **event}) + "\n" for event in told)
    (folder / "events.jsonl").write_text(text)
    if result is not None:
        (folder / "result.json").write_text(kept_text(result, {"format": "amphora-result/1"}))
    stamp = now.timestamp()
    os.utime(folder / "samples.csv", (stamp, stamp))
    return folder


def kill(folder: Path) -> None:
    """Leave the lock of a runner that is gone."""
    with acquire_folder(folder) as lock:
        name = json.loads(lock.path.read_text())
    lock.path.write_text(json.dumps({**name, "started": 1.0}))


@contextlib.contextmanager
def night_of_bays(logs: Path, now: datetime | None = None) -> Iterator[dict[str, Path]]:
    """Yield a shelf's runs by bay, those at work held by this process."""
    now = now or datetime.fromtimestamp(time.time(), UTC)
    stop = {"kind": "stopped", "reason": "cutoff", "text": "all steps are done", "final": True}
    off = {"kind": "made-safe", "off": True, "instruments": {}}
    done = {"capacity_Ah": 1.912, "capacity_U_Ah": 0.021, "reached_cutoff": True, "start": "full"}
    hot = {
        "kind": "stopped",
        "reason": "guard:temperature-high",
        "text": "50.3 \u00b0C is above 50.0 \u00b0C",
        "final": True,
    }
    made = {
        "a": write_bay(logs, "A07", "a", 4.0, now),
        "b": write_bay(logs, "A08", "b", 3.5, now),
        "c": write_bay(logs, "A09", "c", 5.0, now, gap=True, drop=True),
        "d": write_bay(logs, "A10", "d", 4.4, now, events=(off, stop), result=done),
        "e": write_bay(logs, "B01", "e", 2.0, now, events=({"kind": "waiting", "why": "for the attended hours"},)),
        "f": write_bay(logs, "B02", "f", 2.6, now, events=(off, hot)),
    }
    kill(made["b"])
    with contextlib.ExitStack() as held:
        for bay in ("a", "c", "e"):
            held.enter_context(acquire_folder(made[bay]))
        yield made


BENCH = """name = "bench in the hall"
[attended]
hours = "{hours}"
"""
BAY = """
[bays.{bay}]
fuse = "2 A"
place = "tile {bay}"
leads = "by hand"
[bays.{bay}.instruments.load]
role = "load"
resource = "TCPIP::192.0.2.{number}::5025::SOCKET"
[bays.{bay}.instruments.supply]
role = "supply"
resource = "TCPIP::192.0.2.{number}::5026::SOCKET"
[bays.{bay}.instruments.thermometer]
role = "logger"
port = "/dev/ttyUSB{number}"
format = "plain"
[bays.{bay}.cell]
voltage = "load"
current = "load"
temperature = "thermometer"
"""


def write_queue(logs: Path, bays: str, now: datetime, hours: str = "18:00-23:00") -> Path:
    """Write a queue that began the runs of `night_of_bays`, with cells that wait; return the bench file."""
    bench = logs / "bench.toml"
    waiting = ("B03", "B04")
    bench.write_text(
        BENCH.format(hours=hours) + "".join(BAY.format(bay=bay, number=k) for k, bay in enumerate(bays, 1))
    )
    (logs / ".queue").mkdir()
    (logs / ".queue" / "bench").write_text(f"{bench}\n")
    for cell in waiting:
        Shelf(logs).add(received(cell, now))
    runs = dict(zip("abcdef", ("A07", "A08", "A09", "A10", "B01", "B02"), strict=True))

    def utc(hours: float) -> str:
        return (now - timedelta(hours=hours)).astimezone(UTC).isoformat(timespec="milliseconds")

    ended = {"exit_code": 0, "final": True, "safe": True, "run": "", "text": "all steps are done"}
    events: list[dict[str, Any]] = []
    for cell in (*runs.values(), *waiting):
        events.append({"kind": "added", "cell": cell, "course": "one-night", "utc": utc(8.0)})
    for bay, cell in runs.items():
        at_it = {"cell": cell, "bay": bay}
        events += [
            {"kind": "assigned", **at_it, "utc": utc(7.9)},
            {"kind": "hands", **at_it, "what": "in", "utc": utc(7.8)},
            {"kind": "began", **at_it, "stage": 0, "utc": utc(7.8)},
            {"kind": "ended", **at_it, "stage": 0, "reason": "taper", **ended, "utc": utc(6.0)},
            {"kind": "began", **at_it, "stage": 1, "utc": utc(5.0 if bay == "c" else 4.0)},
        ]
    done = {"cell": "A10", "bay": "d", "stage": 1, "reason": "cutoff", **ended, "utc": utc(0.1)}
    hot = {"cell": "B02", "bay": "f", "stage": 1, "reason": "guard:temperature-high", **ended, "utc": utc(0.1)}
    events += [
        {"kind": "ended", **done},
        {"kind": "ended", **hot, "exit_code": 3, "text": "50.3 degC is above 50.0 degC"},
    ]
    (logs / "queue.jsonl").write_text("".join(json.dumps(event) + "\n" for event in events))
    return bench
