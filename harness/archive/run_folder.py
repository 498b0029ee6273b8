"""A run's folder from outside: its name, what it holds before the first order, whether its run can go on."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from amphora.harness.archive.journal import RunFolder, read_run, utc_text
from amphora.harness.bench.bench_file import BenchDescription
from amphora.harness.common.errors import InputError, JournalDamaged
from amphora.harness.plans.plan import Plan, plan_from_dict

NO_GOING_ON = "it cannot go on; an output may still be on: 'amphora bench off' switches the bench off"


def run_header(
    plan: dict[str, Any] | None,
    cell: Mapping[str, Any],
    bench: BenchDescription,
    folder: Path,
    start: str,
    cutoff_V: float | None,
    profile: str,
    now: datetime,
) -> dict[str, Any]:
    """Return what run.json holds: all that is known before the first order."""
    import amphora.harness

    instruments = {
        name: {key: table[key] for key in ("role", "resource", "port", "dialect", "format", "shunt") if key in table}
        for name, table in bench.instruments.items()
    }
    return {
        "format": "amphora-run/1",
        "run_id": f"{cell['id']}/{folder.name}",
        "created_utc": utc_text(now),
        "cell": dict(cell),
        "plan": plan,
        "profile": profile,
        "start": start,
        "cutoff_V": cutoff_V,
        "bench": {
            "name": bench.name,
            "simulated": bench.simulated or bench.where == "simulated",
            "file": bench.where if bench.where == "simulated" else str(Path(bench.where).absolute()),
            "leads": bench.leads,
            "sensed_at": bench.data.get("sensed_at"),
            "instruments": instruments,
            **(
                {"calibration": {name: dict(one) for name, one in bench.calibration.items()}}
                if bench.calibration
                else {}
            ),
            "cell": {
                "voltage": bench.cell_voltage,
                "current": list(bench.cell_current),
                "temperature": bench.cell_temperature,
                "room_temperature": bench.room_temperature,
                "voltage_when_off": bench.cell_voltage_when_off,
            },
        },
        "measurement": bench.measurement(),
        "software": {"name": "amphora", "version": amphora.harness.__version__},
    }


def run_folder(logs: Path, cell_id: str, profile: str, now: datetime) -> Path:
    """Return a folder name that is not taken: `<logs>/<cell>/<UTC stamp>-<profile>`."""
    stamp = now.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    folder = logs / cell_id / f"{stamp}-{profile}"
    count = 1
    while folder.exists():
        count += 1
        folder = logs / cell_id / f"{stamp}-{profile}-{count}"
    return folder


def resumable(folder: Path) -> tuple[RunFolder, Plan]:
    """Read a run that was cut short.

    Raises:
        InputError: it ended for good, it had not begun, or it was imported and has no plan.
        JournalDamaged: it cannot be read, or rows are gone that its steps were decided by.
    """
    try:
        before = read_run(folder)
    except JournalDamaged as damage:
        raise JournalDamaged(f"{damage}; {NO_GOING_ON}") from damage
    if before.stopped is not None:
        raise InputError(f"{folder}: ended ({before.stopped['reason']}); a finished run cannot be resumed")
    if not before.run.get("plan"):
        raise InputError(f"{folder}: has no plan (was it imported?); only a run of ours can be resumed")
    if not any(event["kind"] == "begin" for event in before.events):
        raise InputError(f"{folder}: was cut short before its first step, nothing was switched on; run it anew")
    if before.lost:
        raise JournalDamaged(f"{folder}: {before.lost}; {NO_GOING_ON} (its figures up to there stand)")
    return before, plan_from_dict(before.run["plan"])
