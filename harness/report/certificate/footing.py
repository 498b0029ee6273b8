"""What a certificate's figures stand on beside the run itself: calibrations, the charge before, the state at hand-over.

After ISO/IEC 17025:2017, 7.8.2.1 (condition of the item), 7.8.3.1 and 7.8.4.1 c (metrological traceability), clause
6.5; the contents of the clauses are from memory. What rests on other folders than the run's own is not recomputed by
`verify`.
"""

import datetime
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from amphora.harness.account.asking import standing_beside
from amphora.harness.archive.run_folder import runs_in
from amphora.harness.common.errors import AmphoraError
from amphora.harness.results.figures import figures_of
from amphora.harness.results.result import ChargeCourse, PhaseResult, Result

CHANNELS = ("voltage", "current", "temperature", "time")


def traceability(run: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return for voltage, current, temperature and time what its U rests on, by the run's own record.

    Returns:
        `{channel, instrument, basis, number, date, due, by, traceable}`; `basis`: `calibration`, `calibration overdue`,
        `maker's sheet` (as entered in the bench file), `assumed`, or `the file's own` for imported readings.
    """
    bench = run.get("bench") or {}
    wired = bench.get("cell") or {}
    register = bench.get("calibration") or {}
    day = str(run.get("created_utc") or "")[:10]
    found = []
    for channel in CHANNELS:
        specification = (run.get("measurement") or {}).get(channel)
        if not isinstance(specification, Mapping):
            continue
        named = wired.get(channel if channel != "time" else "voltage")
        name = str((named[0] if named else "") if isinstance(named, list) else named or "")
        if not name and len(bench.get("instruments") or {}) == 1:
            name = str(next(iter(bench["instruments"])))
        entry = register.get(name) or {}
        if channel not in (entry.get("channels") or []):
            entry = {}
        due = str(entry.get("due") or "")
        if specification.get("assumed"):
            basis = "assumed"
        elif entry:
            basis = "calibration overdue" if due and day and day > due else "calibration"
        else:
            basis = "maker's sheet"
        found.append(
            {
                "channel": channel,
                "instrument": name,
                "basis": basis,
                **{key: str(entry.get(key) or "") for key in ("number", "date", "due", "by")},
                "traceable": basis == "calibration",
            }
        )
    return found


def traceable_words(entries: list[dict[str, Any]]) -> list[str]:
    """Return in words what U rests on, a line for each kind of footing, what is not traceable first."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for item in entries:
        kind: tuple[str, ...] = (
            item["basis"],
            item["instrument"],
            item["number"],
            item["date"],
            item["due"],
            item["by"],
        )
        groups.setdefault(kind if item["number"] else (item["basis"],), []).append(item["channel"])
    said = []
    for kind, channels in sorted(groups.items(), key=lambda pair: pair[0][0].startswith("calibration")):
        what = _list(channels)
        if kind[0] == "assumed":
            said.append(f"Not traceable: U of {what} is assumed; no sheet and no calibration was entered for it.")
        elif kind[0] == "maker's sheet":
            said.append(
                f"Not traceable: U of {what} is what the bench file states, as from a maker's sheet, "
                "without a calibration."
            )
        else:
            _, name, number, date, due, by = kind
            cited = f"calibration {number} of {date}" + (f" by {by}" if by else "")
            until = f", due {due}" if due else ", no due date stated"
            if kind[0] == "calibration overdue":
                said.append(f"Calibration overdue: {what} of {name} by {cited}, was due {due}, before this test.")
            else:
                said.append(f"U of {what} rests on {name}: {cited}{until}.")
    return said


def _list(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]


def charge_before(folder: Path, run: Mapping[str, Any], result: Result) -> dict[str, Any] | None:
    """Return the charge that came before a run's discharge: in the same run, else the last one of the cell's shelf.

    Returns:
        `{run, current_A, end_current_A, held_V, tapered, ended_utc, rest_h}`; None where none was seen.
    """
    own = _last_charge(result, before=_begin_of(result))
    began = _moment(run.get("created_utc"))
    if own is not None:
        return _stated(own, began, result)
    if began is None:
        return None
    best: tuple[datetime.datetime, Path, PhaseResult] | None = None
    here = folder.resolve()
    for other in runs_in(here.parent):
        if other == here:
            continue
        try:
            figures = figures_of(other)
        except (AmphoraError, OSError, ValueError):
            continue
        made = _moment(figures.created_utc)
        phase = _last_charge(figures, before=math.inf)
        if made is None or phase is None:
            continue
        if any(p.kind == "discharge" and p.begin_s > phase.end_s for p in figures.phases):
            continue
        ended = made + datetime.timedelta(seconds=phase.end_s)
        if ended <= began and (best is None or ended > best[0]):
            best = (ended, other, phase)
    if best is None:
        return None
    ended, place, phase = best
    rest_h = ((began - ended).total_seconds() + (_begin_of(result) or 0.0)) / 3600.0
    return {
        **_figures(phase),
        "run": place.name,
        "ended_utc": ended.isoformat(timespec="seconds"),
        "rest_h": _number(rest_h),
    }


def _stated(phase: PhaseResult, began: datetime.datetime | None, result: Result) -> dict[str, Any]:
    ended = None if began is None else began + datetime.timedelta(seconds=phase.end_s)
    begin = _begin_of(result)
    rest_h = None if begin is None else (begin - phase.end_s) / 3600.0
    return {
        **_figures(phase),
        "run": "",
        "ended_utc": "" if ended is None else ended.isoformat(timespec="seconds"),
        "rest_h": _number(rest_h),
    }


def _figures(phase: PhaseResult) -> dict[str, Any]:
    course = phase.charge_metrics or ChargeCourse()
    return {
        "current_A": _number(phase.main_current_A),
        "end_current_A": _number(course.end_current_A),
        "held_V": _number(course.held_voltage_V),
        "tapered": course.tapered,
    }


def _last_charge(result: Result, before: float | None) -> PhaseResult | None:
    if before is None:
        return None
    return next((p for p in reversed(result.phases) if p.kind == "charge" and p.end_s <= before), None)


def _begin_of(result: Result) -> float | None:
    """Return when the discharge that the figures are of began, in the run's own seconds."""
    return None if result.headline is None else result.phases[result.headline].begin_s


def charge_words(before: Mapping[str, Any] | None) -> str:
    """Return the charge before in words; empty where none was seen."""
    if before is None:
        return ""
    parts = [f"at {abs(before['current_A']):.3f} A" if before["current_A"] else "at a current not known"]
    if before["held_V"]:
        parts.append(f"held at {before['held_V']:.3f} V")
    if before["tapered"] and before["end_current_A"] is not None:
        parts.append(f"until the current had fallen to {abs(before['end_current_A']):.3f} A")
    elif before["end_current_A"] is not None:
        parts.append(f"last current {abs(before['end_current_A']):.3f} A, no taper seen")
    rest = before["rest_h"]
    if rest is not None:
        parts.append(
            f"rest before the discharge {60 * rest:.0f} min" if rest < 2 else f"rest before the discharge {rest:.1f} h"
        )
    return ", ".join(parts)


def hand_over(folder: Path) -> dict[str, Any] | None:
    """Return how the cell stands at issue, by its account: voltage at rest, charge, keeping; None on no shelf."""
    beside = standing_beside(folder)
    if beside is None:
        return None
    standing = beside[1]
    held = standing.capacity_Ah
    low, high = standing.charge_low_Ah, standing.charge_high_Ah
    return {
        "voltage_V": _number(standing.last_V),
        "voltage_utc": "" if standing.last_V_at is None else standing.last_V_at.isoformat(timespec="minutes"),
        "charge_low": _number(low / held) if held and low is not None else None,
        "charge_high": _number(min(high / held, 1.0)) if held and high is not None else None,
        "self_discharge_percent_per_month": _number(standing.self_discharge_percent_per_month),
        "self_discharge_U": _number(standing.self_discharge_U),
        "leak_high_percent_per_day": _number(100 * standing.leak.high),
    }


def hand_over_words(state: Mapping[str, Any] | None) -> list[list[str]]:
    """Return rows: voltage and charge at hand-over, and how the cell keeps its charge."""
    if state is None:
        return [["At hand-over", "not known: the run is on no shelf; measure the voltage before use"]]
    volt = (
        f"{state['voltage_V']:.3f} V at rest, last read {state['voltage_utc'][:16].replace('T', ' ')} UTC"
        if state["voltage_V"] is not None
        else "voltage not read since"
    )
    low, high = state["charge_low"], state["charge_high"]
    if low is None or high is None:
        charge = "charge not known"
    else:
        charge = f"charge {100 * low:.0f} to {100 * high:.0f} % of what it holds"
    month, U = state["self_discharge_percent_per_month"], state["self_discharge_U"]
    keeps = "not measured"
    if month is not None:
        keeps = f"{month:.2g}" + (f" ± {U:.2g}" if U is not None else "") + " % a month"
    return [["At hand-over", f"{volt}; {charge}"], ["Self-discharge", keeps]]


def cycle_of(result: Result) -> dict[str, Any] | None:
    """Return the share of charge and of energy that came back in a whole cycle of the run; None without one."""
    cycle = result.cycle
    if cycle is None:
        return None
    return {
        "coulombic_efficiency": _number(cycle.coulombic_efficiency),
        "coulombic_efficiency_U": _number(cycle.coulombic_efficiency_U),
        "energy_efficiency": _number(cycle.energy_efficiency),
    }


def cycle_words(cycle: Mapping[str, Any] | None) -> str:
    """Return the round trip in words; empty without one."""
    if not cycle or cycle.get("coulombic_efficiency") is None:
        return ""
    U = cycle.get("coulombic_efficiency_U")
    text = f"{100 * cycle['coulombic_efficiency']:.1f}" + (f" ± {100 * U:.1f}" if U else "") + " % of the charge"
    if cycle.get("energy_efficiency") is not None:
        text += f", {100 * cycle['energy_efficiency']:.1f} % of the energy"
    return text + " came back in a whole cycle"


def _number(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(f"{value:.9g}")


def _moment(text: Any) -> datetime.datetime | None:
    try:
        found = datetime.datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return found if found.tzinfo else found.replace(tzinfo=datetime.UTC)
