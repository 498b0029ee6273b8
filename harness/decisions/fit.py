"""Whether a tested cell can give what a device asks: run times with their doubts, the night against the day, refusals.

The one place where a duty and a cell meet. Nothing is taken from a table of typical cells, save how cold raises
resistance (marked so): that is not in a run at one temperature. Currents here are what the device draws, positive OUT
of the cell. V, A, Ah, ohm, h.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from amphora.harness.analysis.cell_model import CellModel, cell_model, running_total
from amphora.harness.analysis.own_warmth import rise
from amphora.harness.analysis.records import FloatArray
from amphora.harness.analysis.resistance_warmth import COLD_J_PER_MOL, COLD_U_J_PER_MOL, GAS_J_PER_MOL_K, ZERO_DEGC_K
from amphora.harness.archive.loading import load
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.cell_runs import read_runs
from amphora.harness.decisions.duty import AVERAGE, WEATHER, Duty, Mode, Panel, load_duty
from amphora.harness.decisions.fit_answer import CoursePoint, DayOfFit, Fit, FittedMode, FittedNight
from amphora.harness.decisions.grades import key_of
from amphora.harness.results.result import FULL_STARTS
from amphora.harness.results.rulings import NO_ACCOUNT, AccountOfCell

STILL_AIR_K_PER_W = (
    20.0  # how much a cell warms: 42 cm2 of an 18650 at 12 W/(m2 K), computed; still air, common practice
)
PASSES = 4  # of a run through its own warmth
WARM_U = 0.6  # k = 2, of the logarithm: how much less a warmer cell resists (activation energies, as COLD_U_J_PER_MOL)
# k = 2, from tests/campaign/rate_study: share of resistance at another current than the test's, and for each e-fold
# of it; and likewise of the run time itself.
RATE_OHM_U, RATE_OHM_EACH_U = 0.08, 0.08
RATE_TIME_U, RATE_TIME_EACH_U = 0.003, 0.006
RATE_MOST = 2.5  # so many e-folds: beyond it, at ever smaller currents, resistance and lead come to nothing
# Beyond five times, the largest load step of a test: the electrolyte's limits are in no test at a small current.
RATE_FAR, RATE_FAR_SQUARE_U = 1.6, 0.15
KNIFE_EDGE = 0.2  # of a run time: a doubt beyond it is no longer a slope, and all doubts are tried at once
USUAL_DEGC = 20.0  # of a test or a night that says nothing
CHARGE_RETURN = {"nimh": 0.8, "nicd": 0.8, "lead-acid": 0.9}  # share of the charge that comes back (common practice)
LITHIUM_RETURN = 0.99
VOLTAGE_U_V = 0.010  # what rail and curve may be off by together, k = 2, where nothing better is known
NO_SUN = "no sun"
RUN_TIME_AIM, CHARGE_STATE_AIM = 0.05, 0.03  # what an answer is wanted within
DOUBTS = {
    "capacity": "the capacity is too uncertain; test on a more accurate bench",
    "resistance": "the resistance is too uncertain; test with larger load steps",
    "voltage": "the curve is flat at the rail, and both are known only to 10 mV",
    "end": "the device runs below the voltage at which the test ended; test down to the device's own rail",
    "slow": "the voltage keeps falling for minutes under load; test at the device's own current",
    "rate": "the test ran at another current; test at the device's own current",
    "edge": "the curve is flat at the rail, so a small error counts; test at the device's own current",
    "ahead": "the cell may give less of its charge than in the test; test at the device's own current",
    "between": "the test has no load steps over much of the charge; test with the recipe 'load-steps'",
    "warming": "how much the cell warms itself was not measured; test at the device's own current",
    "cold": "this cell's resistance in the cold was not measured; test at that temperature",
}


@dataclass(frozen=True, slots=True)
class _ModeRun:
    """One mode from full until it no longer works; its course has shape (n,)."""

    hours: float
    end_Ah: float
    ends_by: str
    sag_V: float
    mean_A: float
    time_h: FloatArray
    given_Ah: FloatArray


def _colder_K(model: CellModel, duty: Duty) -> float:
    """Return how much colder the night is than the test was, K; 0 when it is warmer or not known."""
    measured = USUAL_DEGC if model.temperature_degC is None else model.temperature_degC
    return 0.0 if duty.night_degC is None else max(0.0, measured - duty.night_degC)


def _resistance_factor(at_K: float, known_K: float, more_J_per_mol: float = 0.0) -> float:
    """Return how many times its resistance at a known temperature a cell has at another.

    Source: Arrhenius' law with the activation energy of `COLD_J_PER_MOL`.
    """
    return math.exp((COLD_J_PER_MOL + more_J_per_mol) / GAS_J_PER_MOL_K * (1.0 / at_K - 1.0 / known_K))


def _cold(model: CellModel, duty: Duty, more_J_per_mol: float = 0.0) -> float:
    """Return how many times the test's resistance the night's is."""
    colder_K = _colder_K(model, duty)
    if duty.night_degC is None or not colder_K:
        return 1.0
    night_K = duty.night_degC + ZERO_DEGC_K
    return _resistance_factor(night_K, night_K + colder_K, more_J_per_mol)


def _crossing(given: FloatArray, volt: FloatArray, limit: float) -> float:
    """Return the charge given at which a falling voltage first meets a limit; the last charge when it never does."""
    low = np.flatnonzero(volt <= limit)
    if low.size == 0:
        return float(given[-1])
    k = int(low[0])
    if k == 0:
        return 0.0
    part = (volt[k - 1] - limit) / (volt[k - 1] - volt[k])
    return float(given[k - 1] + part * (given[k] - given[k - 1]))


def _run_mode(
    model: CellModel, duty: Duty, mode: Mode, rail_shift_V: float = 0.0, more_J_per_mol: float = 0.0
) -> _ModeRun:
    """Return how a mode runs from full until it no longer works, in the warmth that it makes itself."""

    def mean(on_A: FloatArray) -> FloatArray:
        return np.nan_to_num(on_A) * mode.share + duty.quiescent_A

    # In the on-time the fast part sees the full current, the slow part the mean.
    cold = _cold(model, duty, more_J_per_mol)
    fast, lasting = model.fast_ohm * cold, model.ohm * cold
    at_K = ZERO_DEGC_K + (duty.night_degC if duty.night_degC is not None else USUAL_DEGC)
    ocv, warm, missing = model.ocv_V, np.ones_like(fast), np.zeros_like(fast)
    for _ in range(PASSES if model.slow or model.ahead_h or model.warmth is not None else 1):
        ohm = np.maximum(fast + mode.share * (lasting - fast - cold * missing), fast) * warm
        on_A = mode.on_current(ocv, ohm)
        volt = np.where(np.isfinite(on_A), ocv - on_A * ohm, 0.0)
        flows_A = mean(on_A)
        passed_s = running_total(model.given_Ah, 1.0 / np.maximum(flows_A, 1e-9)) * 3600.0
        missing = sum((part * np.exp(-passed_s / tau_s) for part, tau_s in model.slow), np.zeros_like(ohm))
        in_test = model.ahead_Ah(model.test_A, model.given_Ah / max(model.test_A, 1e-9) * 3600.0)
        ocv = model.ocv_ahead(model.ahead_Ah(flows_A, passed_s) * cold * warm - in_test)
        if model.warmth is not None:
            rested = model.ocv_ahead(-in_test)
            heat_W = np.maximum(flows_A * (rested - np.maximum(volt, mode.lowest_rail_V)), 0.0)
            warmer_K = rise(passed_s, heat_W, model.warmth)
            warm = np.array([_resistance_factor(at_K + more_K, at_K, more_J_per_mol) for more_K in warmer_K.tolist()])
    ends = [(_crossing(model.given_Ah, volt, mode.lowest_rail_V + rail_shift_V), "regulator")]
    if duty.protection_low_V is not None:
        ends.append((_crossing(model.given_Ah, volt, duty.protection_low_V + rail_shift_V), "protection"))
    ends.append((float(model.given_Ah[-1]), "empty"))
    if mode.dimmest_A > 0:
        ends.append((_crossing(model.given_Ah, on_A, mode.dimmest_A), "too dim"))
    end, why = min(ends, key=lambda item: item[0])
    mean_A = mean(on_A)
    grid = np.linspace(0.0, end, 400) if end > 0 else np.zeros(2)
    time_h = running_total(grid, 1.0 / np.maximum(np.interp(grid, model.given_Ah, mean_A), 1e-9))
    hours = float(time_h[-1])
    sag_V = float(np.interp(end / 2, model.given_Ah, np.nan_to_num(on_A) * ohm))
    return _ModeRun(hours, end, why, sag_V, end / hours if hours > 0 else float(mean_A[0]), time_h, grid)


def _doubts(model: CellModel, duty: Duty, mode: Mode, run: _ModeRun) -> dict[str, tuple[float, float]]:
    """Return by cause what a run time (h) and the charge given at its end (Ah) may be off by, k = 2.

    The larger of up and down, where a cause has both; each is a run with that cause changed.
    """

    def off(*others: _ModeRun) -> tuple[float, float]:
        return max(abs(o.hours - run.hours) for o in others), max(abs(o.end_Ah - run.end_Ah) for o in others)

    def both(more: FloatArray | float, fast: bool) -> tuple[float, float]:
        return off(*(_run_mode(model.resisting(sign * more, fast), duty, mode) for sign in (1, -1)))

    more = 1 + model.capacity_U_Ah / model.capacity_Ah
    hours, _ = off(_run_mode(model.changed(capacity=more), duty, mode))
    away = math.log(max(run.mean_A, 1e-9) / model.test_A) if model.test_A > 0 else 0.0
    share = math.hypot(model.ohm_U_share, RATE_OHM_U + RATE_OHM_EACH_U * min(abs(away), RATE_MOST))
    found = {
        "rate": (_rate_U(away) * run.hours, RATE_TIME_U * model.capacity_Ah),
        "capacity": (hours, 0.0),  # shares of charge are shares of it
        "resistance": both(share * model.ohm, True),
        "voltage": off(*(_run_mode(model, duty, mode, sign * VOLTAGE_U_V) for sign in (1, -1))),
        "end": off(_run_mode(model.steeper(), duty, mode)),
        "slow": both(model.slower(), False),
        "between": both(model.between_ohm, True) if np.any(model.between_ohm) else (0.0, 0.0),
        "ahead": off(*(_run_mode(_further(model, sign), duty, mode) for sign in (1, -1))),
        "warming": off(*(_run_mode(one, duty, mode) for one in _warmer(model, duty, run))),
    }
    if math.hypot(*(hours for hours, _ in found.values())) > KNIFE_EDGE * run.hours:
        ohm = np.sqrt((2 * share * model.ohm) ** 2 + np.square(model.slower()) + np.square(model.between_ohm))
        warmer, colder = (_warmer(model, duty, run) * 2)[:2]
        found["edge"] = off(
            _run_mode(warmer.resisting(-ohm, True), duty, mode, -VOLTAGE_U_V),
            _run_mode(colder.resisting(ohm, True), duty, mode, VOLTAGE_U_V),
        )
    if _colder_K(model, duty):
        found["cold"] = off(*(_run_mode(model, duty, mode, more_J_per_mol=sign * COLD_U_J_PER_MOL) for sign in (1, -1)))
    return found


def _rate_U(away: float) -> float:
    """Return what a run time may be off by, k = 2, share, so many e-folds of current away from the test's."""
    return (
        RATE_TIME_U + RATE_TIME_EACH_U * min(abs(away), RATE_MOST) + RATE_FAR_SQUARE_U * max(0.0, away - RATE_FAR) ** 2
    )


def _further(model: CellModel, sign: int) -> CellModel:
    """Return the cell with a surface that runs further ahead, or less far, by what is not known of it."""
    return replace(model, ahead_h=max(0.0, model.ahead_h + sign * model.ahead_U_h))


def _warmer(model: CellModel, duty: Duty, run: _ModeRun) -> list[CellModel]:
    """Return the cell as it may be when it warms itself more, and less, than was taken."""
    if model.warmth is not None:
        U = math.exp(math.hypot(model.warmth.U_share, WARM_U))
        return [replace(model, warmth=model.warmth._replace(K_per_W=model.warmth.K_per_W * f)) for f in (U, 1 / U)]
    warmer_K = STILL_AIR_K_PER_W * run.mean_A * run.sag_V
    now_K = ZERO_DEGC_K + (duty.night_degC if duty.night_degC is not None else USUAL_DEGC)
    return [model.changed(ohm=_resistance_factor(now_K + warmer_K, now_K))]


def _fit_mode(model: CellModel, duty: Duty, mode: Mode) -> FittedMode:
    """Return a mode's run time with uncertainty, its sag, and where the device begins to re-trigger itself."""
    run = _run_mode(model, duty, mode)
    parts = _doubts(model, duty, mode, run)
    run_time_U_h = math.hypot(*(hours for hours, _ in parts.values()))
    end_U = math.hypot(*(given for _, given in parts.values())) / model.capacity_Ah
    back_V = duty.comes_back_V if mode.comes_back_V is None else mode.comes_back_V
    rest_Ah = _crossing(model.given_Ah, model.ocv_V, mode.lowest_rail_V + back_V)
    state = 1.0 - run.end_Ah / model.capacity_Ah
    sags = run.ends_by == "regulator"
    again = sags and rest_Ah > run.end_Ah and state > 0.0
    left_Ah = max(0.0, _crossing(model.given_Ah, model.ocv_V, mode.lowest_rail_V) - run.end_Ah) if sags else 0.0
    return FittedMode(
        name=mode.name,
        run_time_h=run.hours,
        run_time_U_h=run_time_U_h,
        run_time_within_5_percent=run_time_U_h <= RUN_TIME_AIM * run.hours,
        retrigger_charge_state=state if again else None,
        ends_charge_state=max(0.0, state),
        ends_charge_state_U=end_U,
        charge_state_within_3_percent=end_U <= CHARGE_STATE_AIM,
        doubts_h={name: hours for name, (hours, _) in parts.items()},
        doubt=max(parts, key=lambda name: parts[name][0]),
        ends_by=run.ends_by,
        sag_V=run.sag_V,
        mean_current_A=run.mean_A,
        delivered_Ah=run.end_Ah,
        unusable_Ah=left_Ah,
        unusable_Wh=left_Ah * mode.lowest_rail_V,
    )


def refusals(chemistry: str, duty: Duty) -> list[str]:
    """Return why a device must not get a cell of this chemistry at all; empty when nothing is known against it."""
    found = []
    if chemistry == "auto":
        return ["the cell's chemistry is not known; identify it first: a device charges for one chemistry only"]
    if chemistry not in duty.chemistries:
        found.append(f"the device is made for {' or '.join(duty.chemistries)}, the cell is {chemistry}")
    charges = duty.charge_limit_V is not None or duty.panel is not None
    window = load_chemistry(chemistry)
    if charges and duty.charge_limited_by == "protection":
        found.append(
            "the device's only charge limit is its protection chip, about 4.25 V: that does not replace a charger "
            f"({window.name} is charged to {window.charge_limit_V:.2f} V)"
        )
    elif charges and (duty.charge_limited_by == "nothing" or duty.charge_limit_V is None):
        found.append("nothing in the device limits the charge voltage")
    elif duty.charge_limit_V is not None and duty.charge_limit_V > window.charge_limit_V + 1e-9:
        text = f"the device charges to {duty.charge_limit_V:.2f} V, {window.name} allows {window.charge_limit_V:.2f} V"
        if duty.charge_limit_V >= 4.25 - 1e-9 and chemistry.startswith("li-ion"):
            text += "; a limit of 4.25 V is a protection chip's, not a charger's"
        found.append(text)
    low = window.charge_low_degC
    if charges and duty.day_degC is not None and duty.day_degC < low and not duty.cold_charge_blocked:
        found.append(
            f"it would be charged at {duty.day_degC:g} °C and nothing blocks that: {window.name} is not charged below "
            f"{low:g} °C (lithium plates out)"
        )
    return found


def _night(model: CellModel, duty: Duty) -> tuple[FittedNight, list[str], list[CoursePoint]]:
    """Return the night's budget, why it fails, and its course: charge given over time."""
    course: list[CoursePoint] = []
    reasons: list[str] = []
    hours = given = 0.0
    for name, length_h in duty.night:
        run = _run_mode(model, duty, duty.mode(name))
        begun_h = float(np.interp(given, run.given_Ah, run.time_h))
        last_h = min(begun_h + length_h, run.hours)
        if given > run.end_Ah or begun_h + length_h > run.hours + 1e-9:
            lasted = max(0.0, run.hours - begun_h) if given <= run.end_Ah else 0.0
            reasons.append(
                f"{name!r} lasts {lasted:.1f} of {length_h:g} h of the night from a full cell; ended by: {run.ends_by}"
            )
        if given <= run.end_Ah:
            for at in np.linspace(begun_h, last_h, 40):
                at_Ah = float(np.interp(at, run.time_h, run.given_Ah))
                course.append(CoursePoint(hours + float(at) - begun_h, at_Ah, name))
            given = float(np.interp(last_h, run.time_h, run.given_Ah))
        hours += length_h
    used = given + duty.quiescent_A * max(0.0, 24.0 - hours)
    usable = max((_run_mode(model, duty, duty.mode(name)).end_Ah for name, _ in duty.night), default=model.capacity_Ah)
    returned = _returned(model, duty)
    days = _days_until_empty(used, usable, returned)
    night = FittedNight(
        used_Ah=used if duty.night else None,
        returned_Ah=returned,
        days_until_empty=next(days[weather] for weather in ("poor", "average", NO_SUN) if weather in days)
        if duty.night
        else None,
        days_until_empty_by=days if duty.night else {},
        usable_Ah=usable,
        hours=hours,
    )
    return night, reasons, course


def _returned(model: CellModel, duty: Duty) -> dict[str, float | None]:
    """Return what a day gives back by weather, Ah; None where the duty does not say."""
    returned: dict[str, float | None] = dict.fromkeys(WEATHER)
    if duty.panel is not None:
        back = CHARGE_RETURN.get(model.chemistry, LITHIUM_RETURN)
        for weather, sun_h in duty.panel.sun_h.items():
            returned[weather] = duty.panel.current_A * sun_h * duty.panel.share * back
    return returned


def _days_until_empty(
    used_Ah: float, usable_Ah: float, returned_Ah: Mapping[str, float | None]
) -> dict[str, float | None]:
    """Return the days from full to empty without sun and by each weather that is known; None: for ever."""
    known = {weather: value for weather, value in {NO_SUN: 0.0, **returned_Ah}.items() if value is not None}
    return {weather: usable_Ah / (used_Ah - value) if used_Ah - value > 0 else None for weather, value in known.items()}


def fit(model: CellModel, duty: Duty, cell: str = "", run: str = "", start: str = "full") -> Fit:
    """Return whether a cell fits a duty, and how.

    Args:
        model: From `cell_model`.
        duty: From `load_duty`.
        cell, run: Names, for the answer.
        start: How the run began; what is not known to have been full is a lower bound.
    """
    refused = refusals(model.chemistry, duty)
    modes = [_fit_mode(model, duty, mode) for mode in duty.modes]
    night, reasons, course = _night(model, duty)
    run_time_h = {found.name: found.run_time_h for found in modes}
    reasons += [f"{name!r} does not work even from a full cell" for name, _ in duty.night if run_time_h[name] <= 0]
    average, used_Ah = night.returned_Ah[AVERAGE], night.used_Ah
    if duty.panel is not None and used_Ah is not None and average is not None and average < used_Ah:
        reasons.append(f"an average day returns {average * 1000:.0f} mAh, the night takes {used_Ah * 1000:.0f} mAh")
    notes = [note for found, mode in zip(modes, duty.modes, strict=True) for note in _mode_notes(found, mode)]
    notes += _panel_notes(model, duty)
    if start not in FULL_STARTS:
        notes.append("the run did not start known to be full: run times are what was left, a lower bound")
    if duty.night_degC is not None and _cold(model, duty) > 1.02:
        notes.append(
            f"at {duty.night_degC:g} °C the resistance is taken {_cold(model, duty):.2f} times that of the test "
            "(by the electrolyte's conductivity, not measured)"
        )
    return Fit(
        fits=not refused and not reasons,
        cell=cell,
        run=run,
        duty=duty.name,
        refusals=tuple(refused),
        reasons=tuple(dict.fromkeys(reasons)),
        modes=tuple(modes),
        night=night,
        notes=tuple(notes),
        course=tuple(course),
        capacity_Ah=model.capacity_Ah,
    )


def _mode_notes(found: FittedMode, mode: Mode) -> list[str]:
    """Return in words where a mode re-triggers, and when its answer is not within what is wanted and why not."""
    notes = []
    if found.retrigger_charge_state is not None:
        notes.append(
            f"{mode.name}: below {100 * found.retrigger_charge_state:.0f} % of charge the rail sags under "
            f"{mode.lowest_rail_V:.2f} V, recovers when off, and the device starts again and "
            f"again; {found.unusable_Ah * 1000:.0f} mAh stay unusable because of it"
        )
    hours, U_h, U = found.run_time_h, found.run_time_U_h, found.ends_charge_state_U
    said = []
    if not found.run_time_within_5_percent:
        said.append(
            f"the run time is not within the {100 * RUN_TIME_AIM:.0f} %: {max(0.0, hours - U_h):.2g} to "
            f"{hours + U_h:.2g} h"
        )
    if not found.charge_state_within_3_percent:
        state = found.ends_charge_state
        said.append(
            f"where it ends is not within {100 * CHARGE_STATE_AIM:.0f} % of charge: at "
            f"{100 * max(0.0, state - U):.0f} to {100 * min(1.0, state + U):.0f} %"
        )
    if said:
        notes.append(f"{mode.name}: {'; '.join(said)}; {DOUBTS[found.doubt]}")
    return notes


def _panel_notes(model: CellModel, duty: Duty) -> list[str]:
    panel, notes = duty.panel, []
    if panel is None:
        return []
    full = duty.charge_limit_V or float(model.ocv_V[0])
    if panel.voltage_V is not None and panel.voltage_V - panel.diode_drop_V < full:
        notes.append(
            f"the panel's {panel.voltage_V:.2f} V less the diode's {panel.diode_drop_V:.2f} V does not reach "
            f"{full:.2f} V: its current falls before the cell is full"
        )
    lost = panel.diode_drop_V / (float(np.median(model.ocv_V)) + panel.diode_drop_V)
    notes.append(f"the panel's diode takes {100 * lost:.1f} % of the power, none of the charge below the panel's knee")
    if any(hours > 0 for hours in panel.sun_h.values()) and panel.current_A > 0.5 * model.capacity_Ah:
        notes.append(f"the panel gives {panel.current_A / model.capacity_Ah:.2g} It: more than a used cell should get")
    return notes


def fit_run(folder: Path, duty_name: str | Path, what_if: Sequence[str] = ()) -> Fit:
    """Return the fit of a run folder; with changes, also `what_if`: the same answer for the changed device.

    Raises:
        InputError: the run or the duty cannot be read, or the run holds no complete discharge with resistances.
    """
    runs, damaged = read_runs([folder])
    if damaged:
        raise InputError(damaged[0].text)
    result, cell = runs[0].result, runs[0].cell
    if not result.reached_cutoff:
        raise InputError(
            f"{folder}: holds no discharge that reached its cut-off; a complete one with load steps is accepted"
        )
    record, _ = load(folder)
    result = replace(result, chemistry=key_of(result, cell))
    model = cell_model(record.t_s, record.voltage_V, record.current_A, result, record.temperature_degC)
    account = result.account or NO_ACCOUNT

    def answer(changes: Sequence[str]) -> Fit:
        duty = _draining(load_duty(duty_name, changes), account, model)
        return _with_the_account(fit(model, duty, result.cell, str(folder), result.start), account, model)

    found = answer(())
    return replace(found, what_if=replace(answer(what_if), changes=tuple(what_if))) if what_if else found


USUAL_LOSS_PERCENT = {"nimh": 20.0, "nicd": 20.0, "lead-acid": 5.0}  # a month (common practice); lithium 3
USUAL_LOSS_LITHIUM_PERCENT = 3.0
MONTH_H = 30.4375 * 24


def _loss_A(account: AccountOfCell, model: CellModel) -> tuple[float, str]:
    """Return what the cell loses by itself as a current, and where that is from."""
    percent = account.self_discharge_percent_per_month
    leak = account.leak.low * MONTH_H / 24
    usual = USUAL_LOSS_PERCENT.get(model.chemistry, USUAL_LOSS_LITHIUM_PERCENT)
    loss, text = usual, f"{usual:g} % a month, usual for its chemistry and not measured"
    if percent is not None:
        loss, text = max(0.0, percent), f"{percent:.2g} % a month, measured"
    if leak > loss:
        loss, text = leak, f"{leak / 30.4375:.2g} % a day at least, by its account"
    return loss / 100 * model.capacity_Ah / MONTH_H, text


def _draining(duty: Duty, account: AccountOfCell, model: CellModel) -> Duty:
    """Return a duty that also draws what the cell loses by itself."""
    return replace(duty, quiescent_A=duty.quiescent_A + _loss_A(account, model)[0])


def _with_the_account(found: Fit, account: AccountOfCell, model: CellModel) -> Fit:
    """Return a fit with what the account of the cell says."""
    loss_A, text = _loss_A(account, model)
    notes = [*found.notes, f"self-discharge is counted in: {text} ({1e6 * loss_A:.0f} µA)"]
    notes += [item.text for item in account.findings if item.code.startswith("same-")]
    ruling = account.ruling("fit")
    against = () if ruling.verdict == "yes" else (f"the cell may not be used: {ruling.why}",)
    reasons = (*found.reasons, *against)
    return replace(found, fits=found.fits and not reasons, reasons=reasons, notes=tuple(notes))


def day_of(found: Fit, duty: Duty) -> DayOfFit:
    """Return an average day from dusk, from what `fit` answered."""
    t_h = [point.t_h for point in found.course]
    given = [point.given_Ah for point in found.course]
    current: list[float] = []
    for k in range(len(t_h)):
        # The first point of a mode has the pace of what follows it, not of the mode before.
        fresh = k == 0 or t_h[k] - t_h[k - 1] <= 1e-9
        low, high = (k, k + 1) if fresh and k + 1 < len(t_h) else (k - 1, k)
        step = t_h[high] - t_h[low] if low >= 0 else 0.0
        current.append(-(given[high] - given[low]) / step if step > 1e-9 else 0.0)
    if duty.panel is not None and AVERAGE in duty.panel.sun_h:
        night_h = found.night.hours
        at, flow = _from_panel(duty.panel, duty.panel.sun_h[AVERAGE], 24.0 - night_h)
        back = (given[-1] if given else 0.0) - running_total(at, flow)
        flow[back <= 0] = 0.0  # full again
        t_h += [night_h + float(x) for x in at]
        current += [float(x) for x in flow]
        given += [max(0.0, float(x)) for x in back]
    return DayOfFit(tuple(t_h), tuple(current), tuple(given))


def _from_panel(panel: Panel, sun_h: float, day_h: float) -> tuple[FloatArray, FloatArray]:
    """Return (hours since dawn, current from a panel, A): a half sine worth `sun_h` of full sun, never above it."""
    at = np.linspace(0.0, day_h, 61)
    shape = np.sin(np.pi * at / day_h) if day_h > 0 else np.zeros_like(at)
    peak = min(1.0, sun_h * np.pi / (2 * day_h)) if day_h > 0 else 0.0
    return at, panel.current_A * panel.share * peak * shape
