"""What a cell loses in a month, by days of rest or by two dated voltages. Pure; V, percent of what it holds."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

from amphora.harness.account import findings as f
from amphora.harness.account.standing import RunSeen, Standing
from amphora.harness.account.state import FoldState
from amphora.harness.results.rulings import Finding

WHEN = "two voltages at rest, the first 24 h or more after the last current (LFP 48 h), days apart"


def self_discharge(standing: Standing, state: FoldState, runs: Sequence[RunSeen], key: str) -> Standing:
    """Return the standing with the loss of a month, by days of rest or by two dated voltages."""
    nickel = key not in f.LITHIUM
    if key in f.MAY_LOSE and state.losses:
        loss = state.losses[-1]
        against = f.loss_finding(loss, key)
        percent, U_percent = f.loss_of_month(loss, key)
        return replace(
            standing,
            self_discharge_percent_per_month=percent,
            self_discharge_U=U_percent,
            findings=(*standing.findings, *([against] if against else [])),
        )
    kept = [run for run in runs if run.retention_mV_per_day is not None and run.retention_V is not None]
    found = _by_voltages(standing, state, kept, key)
    if found is None:
        return replace(standing, self_discharge_when=WHEN)
    value, U = found
    if U > 15.0 and value - U < 15.0:
        return replace(
            standing,
            self_discharge_when=f"not measurable by voltage (U {U:.0f} % a month): a discharge after 28 days "
            "settles it (IEC 61960-3, 7.4)",
        )
    findings = list(standing.findings)
    limit = 40.0 if nickel else 15.0
    if value - U > limit:
        runs_of = tuple(run.run for run in kept[-1:])
        findings.append(
            Finding(
                "soft-short", "established" if value - U > 2 * limit else "suspected", "cell",
                f"It loses {min(100.0, value):.0f} % a month at rest, and at least {min(100.0, value - U):.0f} % "
                f"(limit {limit:g} %): a soft short.", runs_of,
                "a discharge after 28 days of rest (IEC 61960-3, 7.4)",
            )
        )  # fmt: skip
    return replace(
        standing,
        self_discharge_percent_per_month=min(100.0, value),  # no cell loses more than it holds
        self_discharge_U=U,
        findings=tuple(findings),
    )


def _by_voltages(standing: Standing, state: FoldState, kept: Sequence[RunSeen], key: str) -> tuple[float, float] | None:
    """Return the loss of a month with U, by dated voltages, else by a run of days of rest; None where nothing tells."""
    wait_h = 48.0 if key == "lfp" else 24.0
    dated = [item for item in state.dated if item[3] >= wait_h]
    if len(dated) >= 2 and dated[-1][0] > dated[0][0]:
        days = (dated[-1][0] - dated[0][0]).total_seconds() / 86400
        fall, U = dated[0][1] - dated[-1][1], math.hypot(dated[0][2], dated[-1][2])
        return _loss(fall / days, U / days, dated[-1][1], dated[0][1], standing, key) if days >= 1 else None
    if not kept:
        return None
    run = kept[-1]
    fall, U = float(run.retention_mV_per_day or 0.0) / 1000, float(run.retention_U_mV_per_day or 0.0) / 1000
    return _loss(fall, U, float(run.retention_V or 0.0), float(run.retention_V or 0.0), standing, key)


def _loss(
    fall_V_per_day: float, U_V_per_day: float, low_V: float, high_V: float, standing: Standing, key: str
) -> tuple[float, float] | None:
    """Return the loss of a month in percent with U, through the slope of the curve there."""
    slope = _slope(standing, key, 0.5 * (low_V + high_V))
    if slope is None:
        return None
    middle, share_U = slope
    value = 100 * f.MONTH_DAYS * fall_V_per_day / middle
    U = math.hypot(100 * f.MONTH_DAYS * U_V_per_day / middle, share_U * abs(value))
    return value, min(1e6, U)


def _slope(standing: Standing, key: str, volt: float) -> tuple[float, float] | None:
    """Return the slope of the voltage at rest, V per unit of charge, and its relative U."""
    curve = standing.curve
    if len(curve) >= 4 and curve[-1][0] < volt <= curve[0][0] + 0.02:
        above = max(volt - 0.02, curve[-1][0]), min(volt + 0.02, curve[0][0])
        q = [_at(curve, v) for v in above]
        if q[0] > q[1]:
            return (above[1] - above[0]) / (q[0] - q[1]), 0.5
    if key not in f.SLOPES:
        return None
    least, most = f.slopes_at(key, volt)
    middle = math.sqrt(least * most)
    return middle, math.log(most / least) / 2


def _at(curve: Sequence[tuple[float, float]], volt: float) -> float:
    """Return the share of charge at a voltage at rest; the curve falls from full."""
    for (v1, q1), (v0, q0) in itertools.pairwise(curve):
        if v0 <= volt <= v1 and v1 > v0:
            return q0 + (q1 - q0) * (volt - v0) / (v1 - v0)
    return curve[0][1] if volt > curve[0][0] else curve[-1][1]
