"""A cell as one discharge showed it: its curve, its resistance against charge, and what of that is open to doubt.

Knows a run's readings and figures; nothing of devices. All is taken from the cell's own run: an open-circuit-like curve
(voltage under the test's load plus current times resistance), its resistance against charge, its capacity; nothing from
a table of typical cells. V, A, Ah, ohm, s.

What a lasting load sees is the resistance of the load steps, the curve's own fall taken out, and what the rest after
the discharge shows of slow processes (minutes). That rest is at the empty end; what it tells of the rest of the charge
is doubted by a half and held against the load steps. Where there is no such rest, slow processes lie in the curve as
the test's current made them, and the uncertainty says so.

Caveats: the run's temperature and age are those of the day. What resistance does at currents far above the test's is
not in a run.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from amphora.harness.analysis.own_warmth import OwnWarmth, warmth_of
from amphora.harness.analysis.records import FloatArray
from amphora.harness.analysis.shown import ShownPhase, ShownResistance, ShownRun
from amphora.harness.common.errors import InputError

ONE_PLACE = 0.01  # of charge: load steps so near belong together
WIDE_GAP = 0.4  # of charge without a load step
# Of charge; over a wide gap resistance is flat down to it and rises below, as in the LMO cell of SLOW_SPREAD_U.
KNEE = 0.2
BETWEEN_U = 0.1  # k = 2, share of a resistance with no load step near, besides what lies between its neighbours
UNSEEN_RISE_U = 1.0  # k = 2, share of a resistance below the knee where nothing shows the empty end (common practice)
# k = 2: slow resistance at other charge states than where the rest showed it; one measured LMO cell (ORNL,
# doi 10.5281/zenodo.2580327) has it within a half of its mean from full to a tenth.
SLOW_SPREAD_U = 0.5
SLOW_SCALE, SLOW_SCALE_U = 0.2, 0.6  # and k = 2: of the same before the load steps are asked
# Where no rest after the discharge tells: what a lasting load sees in mid-charge, of what the longest pulse shows, and
# k = 2 as a share of it. One measured LCO pouch cell from 0.1 to 2 It (Ai et al. 2020, doi 10.1149/2.0122001JES) sees
# 1.2 to 1.6 times its 30 s value from full to a third, twice at a tenth.
UNTOLD_MORE, UNTOLD_U, UNTOLD_LOW_U, UNTOLD_LOW = 1.3, 0.4, 1.2, 0.5  # the third at the empty end, from the fourth on
MID_SHARE = 0.4  # most that slow resistance is expected to be, of what a load step shows (common practice)
SHORTEST_REST_S = 120.0  # of a rest that can tell of slow processes
NEARLY_FULL = 0.95  # of charge; above it the load is young and the curve falls by slow processes too
LOADED_BEFORE_S, FEWEST_RESTS = 600.0, 3  # of steady load before a rest that tells of slow processes; and of such rests
FALL_U = 0.25  # k = 2, share of the curve's fall in a load step
LONGEST_PULSE_S = 60.0
STEEP = 3.0  # the curve falls this many times faster than its median: there a load step tells the fall, not resistance
STILL_SHARE, STEADY_SHARE = 0.02, 0.1  # of the main current: below it nothing flows; nearer to it than this it flows
FEWEST_READINGS = 10  # of a discharge, and of its main current
CURVE_POINTS = 400
AHEAD_TIME = 0.74  # time constant of the surface's lead, as a share of the lead in hours: 15/20.2
# k = 2, share: one lead for all of the charge; and where no rest within the discharge tells resistance from it. From
# the building half of tests/campaign/rate_study.
AHEAD_U, AHEAD_UNTOLD_U = 0.6, 0.9
AHEAD_NO_REST_U_h = (
    0.05  # k = 2: where no rest tells; 0.02 h in the pouch cell of UNTOLD_MORE, more in thick electrodes
)
BEYOND_SHARE, BEYOND_POINTS = 0.02, 10  # of the charge: how far the curve is carried on past the test's end


@dataclass(frozen=True, slots=True)
class CellModel:
    """A cell as its run showed it. `given_Ah` rises from 0 (full); shapes (n,)."""

    given_Ah: FloatArray
    ocv_V: FloatArray
    ohm: FloatArray  # what a lasting load sees
    fast_ohm: FloatArray  # what the on-time of PWM sees
    capacity_Ah: float
    capacity_U_Ah: float
    ohm_U_share: float
    temperature_degC: float | None
    chemistry: str
    test_A: float = 0.0  # what the test drew
    slow: tuple[tuple[float, float], ...] = ()  # (ohm, time constant in s), part of `ohm`, from the rest afterwards
    slow_U_ohm: float | None = None  # k = 2; None: there was no rest to tell
    between_ohm: float | FloatArray = 0.0  # k = 2: what `ohm` may be off by far from any load step
    beyond: int = 0  # points of the curve beyond the test's end
    ahead_h: float = 0.0  # by how much charge the surface runs ahead under a lasting load, Ah for each ampere
    ahead_U_h: float = 0.0  # k = 2
    warmth: OwnWarmth | None = None  # None: nothing is taken off for it, and it is a doubt

    def ahead_Ah(self, amps: FloatArray | float, passed_s: FloatArray) -> FloatArray:
        """Return by how much charge the surface has run ahead so long into a steady load, shape (n,).

        Source: diffusion into a sphere: the surface's lead is R2/(15 D) of the flow, its slowest time constant
            R2/(20.2 D) (Crank, The Mathematics of Diffusion, 6.3; from memory).
        """
        if self.ahead_h <= 0:
            return np.zeros_like(passed_s)
        grown = -np.expm1(-passed_s / (AHEAD_TIME * self.ahead_h * 3600.0))
        return np.asarray(amps * self.ahead_h * grown, dtype=np.float64)

    def ocv_ahead(self, more_Ah: FloatArray) -> FloatArray:
        """Return the curve as it stands when the surface has run further ahead than in the test, shape (n,), V."""
        at = self.given_Ah + more_Ah
        last = float(self.given_Ah[-1])
        slope = (self.ocv_V[-1] - self.ocv_V[-2]) / (self.given_Ah[-1] - self.given_Ah[-2])
        ahead: FloatArray = np.interp(at, self.given_Ah, self.ocv_V) + np.maximum(at - last, 0.0) * slope
        return ahead

    def changed(self, capacity: float = 1.0, ohm: float = 1.0) -> "CellModel":
        """Return the cell with another capacity and resistance, as factors."""
        return replace(
            self, given_Ah=self.given_Ah * capacity, capacity_Ah=self.capacity_Ah * capacity, ohm=self.ohm * ohm,
            fast_ohm=self.fast_ohm * ohm, slow=tuple((part * ohm, tau_s) for part, tau_s in self.slow),
        )  # fmt: skip

    def resisting(self, more: FloatArray | float, fast: bool = False) -> "CellModel":
        """Return the cell with more resistance, ohm, whose test would have shown the same curve.

        Args:
            more: Added, shape (n,) or one number.
            fast: What PWM sees grows as well.
        """
        return replace(
            self, ohm=np.maximum(self.ohm + more, 1e-6), ocv_V=self.ocv_V + self.test_A * more,
            fast_ohm=np.maximum(self.fast_ohm + more, 1e-6) if fast else self.fast_ohm,
        )  # fmt: skip

    def slower(self) -> FloatArray | float:
        """Return what a lasting load may see beyond `ohm`, k = 2, ohm: by the rest's uncertainty.

        Without a rest that tells: once more of what resistance gains from the shortest pulse on, or `UNTOLD_U` of it
        all if that is more. What goes on beyond the longest pulse stands in the curve as the test's current made it.
        """
        if self.slow_U_ohm is None:
            state = np.clip(1.0 - self.given_Ah / self.capacity_Ah, 0.0, 1.0)
            share = np.interp(state, [0.0, UNTOLD_LOW], [UNTOLD_LOW_U, UNTOLD_U])
            return np.asarray(np.maximum(self.ohm - self.fast_ohm, share * self.ohm), dtype=np.float64)
        return self.slow_U_ohm

    def steeper(self) -> "CellModel":
        """Return the cell with a curve that falls twice as fast beyond the test's end."""
        if not self.beyond:
            return self
        curve = self.ocv_V.copy()
        curve[-self.beyond :] += curve[-self.beyond :] - curve[-self.beyond - 1]
        return replace(self, ocv_V=curve)


def running_total(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the area under y over x from the first point on, by trapezoids, shape (n,).

    Source: the trapezoidal rule (any textbook of numerical analysis).
    """
    return np.concatenate(([0.0], np.cumsum(np.diff(x) * 0.5 * (y[1:] + y[:-1]))))


def cell_model(
    t_s: FloatArray, voltage_V: FloatArray, current_A: FloatArray, result: ShownRun,
    degC: FloatArray | None = None,
) -> CellModel:  # fmt: skip
    """Return what a discharge tells of a cell.

    Args:
        t_s, voltage_V, current_A: The run's readings, shape (n,); current positive into the cell.
        result: What `analyse` answers for them.
        degC: The cell's temperatures, shape (n,), where they were read: how it warms itself shows in them.

    Raises:
        InputError: no discharge, or too few readings in it, or no resistance.

    Source: this project's own account of a discharge; held against measured records and a physics model in
        tests/external (DEVELOPERS, what a duty's cell is made of).
    """
    capacity_Ah = result.capacity_Ah or 0.0
    phases = [phase for phase in result.phases if phase.kind == "discharge" and phase.capacity_Ah]
    if not capacity_Ah or not phases:
        raise InputError(f"{result.run}: there is no discharge to fit a duty to")
    phase = min(phases, key=lambda one: abs((one.capacity_Ah or 0.0) - capacity_Ah))
    resistances = result.resistances
    states, _, ohm_U = _resistance_by_state(resistances)
    if states.size == 0:
        raise InputError(
            f"{result.run}: no resistance was measured, so no sag is known; a run with load steps is accepted"
        )
    good = np.isfinite(t_s) & np.isfinite(voltage_V) & np.isfinite(current_A)
    t, v, i = t_s[good], voltage_V[good], -current_A[good]
    main_A = _main_A(phase)
    seen = _discharge(t, v, i, phase, capacity_Ah, result.run)
    slow = _slow(t, v, i, phase.end_s, main_A)
    steps = _lasting(resistances, seen.state[seen.steady], seen.voltage_V[seen.steady], capacity_Ah, slow, t, i,
                     _rests_within(t, v, i, phase))  # fmt: skip
    if not slow.told:
        steps = replace(steps, ohm=steps.ohm * UNTOLD_MORE)
    slow = replace(slow, pairs=tuple((part * steps.scale, tau_s) for part, tau_s in slow.pairs))
    grid_Ah, curve_V, ahead_Ah = _curve(seen, steps, slow, capacity_Ah)
    at = 1.0 - grid_Ah / capacity_Ah
    ohm = np.interp(at, steps.state, steps.ohm)
    quick_states, quick_ohms, _ = _resistance_by_state(resistances, shortest=True)
    if slow.all_ohm is not None and quick_states[0] > 0:  # the rest shows the empty end too
        soon_s = min(item.duration_s or LONGEST_PULSE_S for item in resistances)
        end_ohm = max(slow.all_ohm - slow.after(soon_s) / max(steps.scale, 1e-3), float(quick_ohms[0]))
        quick_states, quick_ohms = _kneed(np.append(0.0, quick_states), np.append(end_ohm, quick_ohms))
    doubt_h = 0.0 if slow.told else AHEAD_NO_REST_U_h
    if ahead_Ah > 0:
        slope = abs(float(np.interp(capacity_Ah, grid_Ah, np.gradient(curve_V, grid_Ah))))
        doubt_h = (
            math.hypot(
                (AHEAD_U if steps.by_rests else AHEAD_UNTOLD_U) * ahead_Ah, slow.U_ohm * main_A / max(slope, 1e-3)
            )
            / main_A
        )
    model = CellModel(
        given_Ah=grid_Ah,
        ocv_V=curve_V,
        ohm=ohm,
        fast_ohm=np.minimum(np.interp(at, quick_states, quick_ohms), ohm),
        capacity_Ah=capacity_Ah,
        capacity_U_Ah=result.capacity_U_Ah or 0.0,
        ohm_U_share=ohm_U,
        temperature_degC=result.temperature_degC,
        chemistry=result.chemistry or "auto",
        test_A=main_A,
        slow=slow.pairs,
        slow_U_ohm=None if not slow.told else math.hypot(slow.U_ohm, steps.slow_U_ohm),
        between_ohm=_between(at, steps.state, steps.ohm, slow.end_V is not None),
        beyond=BEYOND_POINTS,
        ahead_h=ahead_Ah / main_A,
        ahead_U_h=doubt_h,
    )
    heat = _test_heat(model, t, v, i, phase)
    warm = np.full(heat[0].size, np.nan) if degC is None else degC[good][heat[2]]
    return replace(model, warmth=warmth_of(heat[0], heat[1], warm, result.form, capacity_Ah, main_A))


def _test_heat(
    model: CellModel, t: FloatArray, v: FloatArray, i: FloatArray, phase: ShownPhase
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Return (time, power that resistance turned to heat, which rows) of a test from its rest before on, shape (m,)."""
    rows = (t <= phase.end_s) & (t >= phase.begin_s - 900.0)
    at, amps = t[rows], i[rows]
    given = running_total(at, amps) / 3600.0
    rested = np.interp(given - model.ahead_Ah(model.test_A, at - at[0]), model.given_Ah, model.ocv_V)
    return at, np.maximum(amps * (rested - v[rows]), 0.0), rows


def _main_A(phase: ShownPhase) -> float:
    """Return the main current of a phase, whichever way it flows."""
    return abs(phase.main_current_A or 0.0)


class _Pulse(NamedTuple):
    """One of a run's resistances, of a pulse of a minute at most."""

    state: float
    duration_s: float
    ohm: float
    item: ShownResistance


def _pulses(resistances: Sequence[ShownResistance]) -> Iterator[_Pulse]:
    """Give a run's resistances that are numbers; one without a charge state counts as half full."""
    for item in resistances:
        ohm, place = item.ohm, item.charge_state
        if ohm is None or not math.isfinite(ohm) or ohm <= 0 or item.duration_s > LONGEST_PULSE_S:
            continue
        yield _Pulse(0.5 if place is None else min(max(place, 0.0), 1.0), item.duration_s, ohm, item)


def _resistance_by_state(
    resistances: Sequence[ShownResistance], shortest: bool = False
) -> tuple[FloatArray, FloatArray, float]:
    """Return (charge state rising, ohm, share of expanded uncertainty) from a run's resistances.

    At each charge state the longest pulse counts: it holds most of what a lasting load sees; with `shortest` the
    shortest, which is what fast PWM sees.
    """
    best: dict[float, tuple[float, float, float]] = {}
    for pulse in _pulses(resistances):
        place, duration_s = round(pulse.state, 2), pulse.duration_s
        if place in best and (duration_s >= best[place][0] if shortest else duration_s <= best[place][0]):
            continue
        best[place] = (duration_s, pulse.ohm, (pulse.item.U_ohm or 0.0) / pulse.ohm)
    states = sorted(best)
    return (
        np.array(states, dtype=float),
        np.array([best[state][1] for state in states], dtype=float),
        max((best[state][2] for state in states), default=0.0),
    )


@dataclass(frozen=True, slots=True)
class _Discharge:
    """The readings of one discharge, shape (n,); current out of the cell."""

    t_s: FloatArray
    voltage_V: FloatArray
    current_A: FloatArray
    given_Ah: FloatArray
    state: FloatArray  # falling from 1
    steady: npt.NDArray[np.bool_]  # at the main current
    rested_V: float | None  # just before it


def _discharge(
    t: FloatArray, v: FloatArray, i: FloatArray, phase: ShownPhase, capacity_Ah: float, run: str
) -> _Discharge:
    """Return the readings of a phase out of a run's, shape (m,), current out of the cell."""
    main_A = _main_A(phase)
    inside = (t >= phase.begin_s) & (t <= phase.end_s)
    if int(inside.sum()) < FEWEST_READINGS:
        raise InputError(
            f"{run}: its discharge has {int(inside.sum())} readings; {FEWEST_READINGS} at least are accepted"
        )
    before = np.flatnonzero((t < phase.begin_s) & (np.abs(i) < STILL_SHARE * main_A))
    rested_V = float(v[before[-1]]) if before.size else None
    t, v, i = t[inside], v[inside], i[inside]
    given = running_total(t, i) / 3600.0
    given *= capacity_Ah / given[-1]
    steady = np.abs(i - main_A) < STEADY_SHARE * main_A
    steady[1:] &= steady[:-1]  # not the first reading after a step
    if int(steady.sum()) < FEWEST_READINGS:
        raise InputError(
            f"{run}: its discharge has {int(steady.sum())} readings at its main current; "
            f"{FEWEST_READINGS} at least are accepted"
        )
    return _Discharge(t, v, i, given, 1.0 - given / capacity_Ah, steady, rested_V)


def _curve(
    seen: _Discharge, steps: "_Lasting", slow: "_Slow", capacity_Ah: float
) -> tuple[FloatArray, FloatArray, float]:
    """Return a curve, and by how much charge the surface had run ahead of it at the test's end, Ah.

    The curve: charge given, Ah, rising; open-circuit-like voltage, V, falling, the last `BEYOND_POINTS` past the end.
    What the rest at the end recovers beyond resistance is charge that the surface had not: where the curve stood when
    it showed the voltage that the rest is heading for.

    Source: Ohm's law for what lies in the test's load steps, superposition for the slow pairs (see `_polarisation`).
    """
    steady = seen.steady
    pairs = slow.pairs
    late = _polarisation(seen.t_s, seen.current_A, pairs)[steady] if pairs else np.zeros(int(steady.sum()))
    instant = np.interp(seen.state[steady], steps.state, steps.ohm) - sum(part for part, _ in pairs)
    given, ocv = seen.given_Ah[steady], seen.voltage_V[steady] + seen.current_A[steady] * instant + late
    if seen.rested_V is not None and given[0] > 0:
        given, ocv = np.concatenate(([0.0], given)), np.concatenate(([max(seen.rested_V, ocv[0])], ocv))
    ocv = np.minimum.accumulate(ocv)
    grid = np.linspace(0.0, capacity_Ah, CURVE_POINTS)
    curve = np.interp(grid, given, ocv)
    # A smaller load goes on beyond the test's end: the last slope is carried on.
    tail = CURVE_POINTS // 50
    slope = (curve[-1] - curve[-1 - tail]) / (grid[-1] - grid[-1 - tail])
    ahead = 0.0
    if slow.end_V is not None and slow.end_V > curve[-1]:
        ahead = capacity_Ah - float(np.interp(-slow.end_V, -curve, grid))
    further = np.linspace(0.0, BEYOND_SHARE * capacity_Ah + ahead, BEYOND_POINTS + 1)[1:]
    beyond = curve[-1] + np.minimum(slope, -1e-6) * further
    return np.concatenate((grid, grid[-1] + further)), np.concatenate((curve, beyond)), ahead


@dataclass(frozen=True, slots=True)
class _Slow:
    """What the rest after a discharge tells: RC pairs (ohm, s), and what all of it was seen over."""

    told: bool
    pairs: tuple[tuple[float, float], ...] = ()
    U_ohm: float = 0.0  # k = 2, of where the rest was heading
    all_ohm: float | None = None  # from the loaded voltage at the end to where the rest was heading
    end_V: float | None = None  # where the rest was heading

    def after(self, duration_s: float) -> float:
        """Return what is still to come so long after a step, ohm."""
        return sum(part * math.exp(-duration_s / tau_s) for part, tau_s in self.pairs)


def _slow(t: FloatArray, v: FloatArray, i: FloatArray, end_s: float, main_A: float) -> _Slow:
    """Return what the rest after a discharge shows; nothing when there is none that tells.

    Source: a circuit of resistors and capacitors answers to a current switched off as it did to the same current
    switched on (linear superposition); that the charge state hardly matters is `SLOW_SPREAD_U`.
    """
    from amphora.harness.analysis.relaxation import extrapolate_rest
    from amphora.harness.common.errors import AnalysisError

    # The discharge's end is where the cut-off was crossed; the load may have gone off a reading later.
    still = np.flatnonzero((t > end_s) & (np.abs(i) <= STILL_SHARE * main_A))
    if not still.size or still[0] == 0:
        return _Slow(False)
    last = int(still[0]) - 1
    flowing = np.flatnonzero(np.abs(i[last + 1 :]) > STILL_SHARE * main_A)
    stop = last + 1 + (int(flowing[0]) if flowing.size else i.size - last - 1)
    off_s = 0.5 * (t[last] + t[last + 1])
    if off_s - end_s > LONGEST_PULSE_S:
        return _Slow(False)
    rest_s, rest_V = t[last + 1 : stop] - off_s, v[last + 1 : stop]
    rising = np.concatenate(([True], np.diff(rest_s) > 0)) & (rest_s > 0)
    rest_s, rest_V = rest_s[rising], rest_V[rising]
    if rest_s.size < 12 or rest_s[-1] - rest_s[0] < SHORTEST_REST_S:
        return _Slow(False)
    for terms in (None, 1):
        try:
            found = extrapolate_rest(rest_s, rest_V, terms)
        except AnalysisError:
            return _Slow(False)
        if min(found.amplitudes_V) >= 0:
            break
    else:
        return _Slow(False)
    steady = abs(float(i[last]) - main_A) < STEADY_SHARE * main_A
    pairs = tuple(
        (volts / main_A, tau_s) for volts, tau_s in zip(found.amplitudes_V, found.time_constants_s, strict=True)
    )
    # What lies before the first reading of the rest is not told from resistance; it is as `ohm` has it.
    first_s = float(rest_s[0])
    pairs = tuple((ohm, tau_s) for ohm, tau_s in pairs if tau_s > first_s)
    whole = (found.voltage_V - float(v[last])) / main_A
    told = steady and whole > 0
    return _Slow(True, pairs, 2 * found.u_V / main_A, whole if told else None, found.voltage_V if told else None)


def _polarisation(t: FloatArray, i: FloatArray, pairs: Sequence[tuple[float, float]]) -> FloatArray:
    """Return the voltage over RC pairs that were at rest at the first reading, shape (n,), V."""
    jumps = np.flatnonzero(np.abs(np.diff(i)) > 0.1 * float(np.median(np.abs(i)))) + 1
    if jumps.size > 20_000:  # PWM: its mean is what slow processes see
        jumps = np.empty(0, dtype=np.int64)
    first = np.concatenate(([0], jumps))
    level = np.add.reduceat(i, first) / np.diff(np.append(first, i.size))
    begin, piece = t[first], np.searchsorted(first, np.arange(i.size), side="right") - 1
    lengths = np.diff(np.append(begin, t[-1]))
    out = np.zeros_like(t)
    for ohm, tau_s in pairs:
        keep = np.exp(-lengths / tau_s)
        start = np.zeros(first.size)
        for k in range(1, first.size):
            start[k] = level[k - 1] * ohm + (start[k - 1] - level[k - 1] * ohm) * keep[k - 1]
        full = level[piece] * ohm
        out += full + (start[piece] - full) * np.exp(-(t - begin[piece]) / tau_s)
    return out


@dataclass(frozen=True, slots=True)
class _Lasting:
    """Resistance for a lasting load against charge state (rising), and how slow resistance compares."""

    state: FloatArray
    ohm: FloatArray
    scale: float  # slow resistance over the charge, as a share of what the rest at the end showed
    slow_U_ohm: float  # k = 2, what that leaves open
    by_rests: bool  # rests within the discharge told it


def _lasting(
    resistances: Sequence[ShownResistance], state: FloatArray, volt: FloatArray, capacity_Ah: float, slow: _Slow,
    t: FloatArray, i: FloatArray, rests: "Sequence[_Rest]",
) -> _Lasting:  # fmt: skip
    """Return what a lasting load sees: load steps less the curve's fall in them, plus what was still to come.

    Args:
        resistances: Of the run.
        state, volt: The discharge at its main current, shape (n,), state falling.
        capacity_Ah: Of it.
        slow: From the rest afterwards.
        t, i: The run's times and currents out of the cell, shape (m,).
        rests: Within the discharge.
    """
    # Over 4 % of the charge, from V at equal distances, so that the noise of two neighbours is no slope.
    at = np.linspace(0.0, 1.0, 101)
    fall = np.maximum(np.gradient(np.interp(at, state[::-1], volt[::-1]), at), 0.0) / capacity_Ah
    fall = np.convolve(np.pad(fall, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    steps = _load_steps(resistances, at, fall, t, i)
    steps = _not_steep(steps, at, fall)
    scale, open_ohm, seen = 1.0, 0.0, None
    if slow.pairs:
        seen = _of_rests(rests, slow)
        scale, doubt = _scale(steps, at, fall, slow) if seen is None else seen
        open_ohm = max(SLOW_SPREAD_U, doubt) * scale * slow.after(10.0)
    groups: dict[float, list[tuple[float, float]]] = {}
    places = _places(step.state for step in steps)
    for step in steps:
        group = groups.setdefault(places[step.state], [])
        group.append((step.ohm + scale * slow.after(step.duration_s), step.u_ohm))
    points = {place: float(np.average([o for o, _ in g], weights=[u**-2 for _, u in g])) for place, g in groups.items()}
    states = np.array(sorted(points))
    values = np.array([points[place] for place in states.tolist()])
    return _Lasting(*_kneed(states, values), scale, open_ohm, seen is not None)


class _Rest(NamedTuple):
    """A rest within a discharge: how far the voltage rose from one time after the load to another."""

    ohm: float
    from_s: float
    to_s: float


def _rests_within(t: FloatArray, v: FloatArray, i: FloatArray, phase: ShownPhase) -> list[_Rest]:
    """Return the rests of a discharge that tell of slow processes: long ones, after a long steady load."""
    main_A = _main_A(phase)
    still = np.abs(i) <= STILL_SHARE * main_A
    edges = np.flatnonzero(np.diff(np.concatenate(([0], still.astype(np.int8), [0]))))
    found = []
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if begin == 0 or t[begin] <= phase.begin_s or t[end - 1] >= phase.end_s:
            continue
        off_s = 0.5 * (t[begin - 1] + t[begin])
        loaded = (t < off_s) & (t > off_s - LOADED_BEFORE_S)
        first = begin + int(np.searchsorted(t[begin:end], off_s + 10.0))
        if first >= end - 8 or t[end - 1] - off_s < SHORTEST_REST_S:
            continue
        if np.any(np.abs(i[loaded] - main_A) > STEADY_SHARE * main_A):
            continue
        found.append(
            _Rest(float(np.mean(v[end - 3 : end]) - np.mean(v[first : first + 2])) / main_A, float(t[first] - off_s),
                  float(t[end - 1] - off_s))
        )  # fmt: skip
    return found


def _of_rests(rests: Sequence[_Rest], slow: _Slow) -> tuple[float, float] | None:
    """Return slow resistance over the charge against that at the end, and its doubt, k = 2, from rests within."""
    shares = [rest.ohm / gain for rest in rests if (gain := slow.after(rest.from_s) - slow.after(rest.to_s)) > 0]
    if len(shares) < FEWEST_RESTS:
        return None
    scale = float(np.clip(np.median(shares), 0.0, 2.0))
    return scale, float(np.median(np.abs(np.array(shares) - scale))) * 1.5 + 0.15 * scale


def _not_steep(steps: Sequence["_LoadStep"], at: FloatArray, fall: FloatArray) -> "list[_LoadStep]":
    """Return the load steps from where the curve does not plunge; all of them where it does so at nearly all.

    Where it plunges, what a step shows is how far the surface ran ahead; the rest at the end tells that.
    """
    usual = STEEP * float(np.median(fall))
    kept = [step for step in steps if step.state > 0.5 or float(np.interp(step.state, at, fall)) <= usual]
    return kept or list(steps)


class _LoadStep(NamedTuple):
    """A measured resistance less the curve's own fall in it."""

    state: float
    duration_s: float
    ohm: float
    u_ohm: float


def _load_steps(
    resistances: Sequence[ShownResistance], at: FloatArray, fall: FloatArray, t: FloatArray, i: FloatArray
) -> list[_LoadStep]:
    """Return the load steps that tell of a lasting load.

    Args:
        resistances: Of the run.
        at, fall: Charge states, rising, and the curve's fall there, V/Ah, shape (n,).
        t, i: The run's times and currents out of the cell, shape (m,).
    """
    steps_seen = any("step" in item.method for item in resistances)
    found = []
    for state, duration_s, ohm, item in _pulses(resistances):
        method, change_A, fallen = item.method, item.current_A, 0.0
        if "release" in method and state > 0.0 and steps_seen:
            continue  # the end of a pulse, whose slow part had not come to rest
        if "slope removed" not in method and change_A:
            k = int(np.searchsorted(t, item.t_s)) - 1
            flows_A = (float(i[k]) if k >= 0 else 0.0) - change_A  # after the step, out of the cell
            moved = float(np.interp(min(state, NEARLY_FULL), at, fall)) * flows_A * duration_s / 3600.0 / change_A
            ohm, fallen = ohm + moved, abs(moved)
        if ohm <= 0:
            continue
        u = math.hypot((item.U_ohm or 0.0) / 2, FALL_U * fallen / 2)
        found.append(_LoadStep(state, duration_s, ohm, max(u, 1e-6)))
    return found


def _places(states: Iterable[float]) -> dict[float, float]:
    """Return for each charge state the place that it belongs to: states within a hundredth are one, however they round.

    Steps of different currents at one place show different resistances; parted by rounding they would be a cliff.
    """
    found: dict[float, float] = {}
    first = -math.inf
    for state in sorted(set(states)):
        first = state if state - first > ONE_PLACE else first
        found[state] = first
    return found


def _kneed(states: FloatArray, ohms: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a resistance curve that rises from `KNEE` down where it has a wide gap from there up."""
    if states.size < 2 or states[0] >= KNEE or states[1] - states[0] <= WIDE_GAP:
        return states, ohms
    return np.insert(states, 1, KNEE), np.insert(ohms, 1, ohms[1])


def _scale(steps: Sequence[_LoadStep], at: FloatArray, fall: FloatArray, slow: _Slow) -> tuple[float, float]:
    """Return slow resistance over the charge against that of the rest at the end, and its doubt, k = 2, as shares.

    From how much load steps gain from their shortest reading to their longest, where the curve is not steep.

    Source: weighted mean of an expected and a measured value, JCGM 100:2008 (GUM), H.
    """
    measured = weight = 0.0
    usual = float(np.median(fall))
    places = _places(step.state for step in steps)
    for place in sorted(set(places.values())):
        here = sorted(step[1:] for step in steps if places[step.state] == place)
        (first_s, first_ohm, first_u), (last_s, last_ohm, last_u) = here[0], here[-1]
        gain = slow.after(first_s) - slow.after(last_s)
        if gain <= 0 or float(np.interp(place, at, fall)) > STEEP * usual:
            continue
        doubt = math.hypot(first_u, last_u) / gain
        measured += (last_ohm - first_ohm) / gain / doubt**2
        weight += doubt**-2
    # Where the rest at the end recovers a plunge, the same share of it is no resistance that a cell has in mid-charge.
    usual_ohm = float(np.median([step.ohm for step in steps])) if steps else math.inf
    share = min(1.0, MID_SHARE * usual_ohm / max(SLOW_SCALE * slow.after(10.0), 1e-9))
    expected = (share * SLOW_SCALE_U / 2) ** -2
    scale = (share * SLOW_SCALE * expected + measured) / (expected + weight)
    return float(np.clip(scale, 0.0, 2.0)), 2 * (expected + weight) ** -0.5


def _between(at: FloatArray, states: FloatArray, ohms: FloatArray, end_seen: bool) -> FloatArray:
    """Return what a resistance may be off by where no load step is near, k = 2, ohm, shape (n,).

    Below the knee anything between the neighbours; above it half of what they differ by.
    """
    out = np.zeros_like(at)
    now = np.interp(at, states, ohms)
    inner = states != KNEE
    edges = np.concatenate(([0.0], states[inner], [1.0]))
    values = np.concatenate((ohms[inner][:1], ohms[inner], ohms[inner][-1:]))
    low = at < KNEE
    for k in np.flatnonzero(np.diff(edges) > WIDE_GAP):
        here = (at > edges[k]) & (at < edges[k + 1])
        far = np.maximum(np.abs(now - values[k]), np.abs(now - values[k + 1]))
        away = np.where(low, far, 0.5 * abs(values[k + 1] - values[k]))
        out[here] = away[here] + BETWEEN_U * now[here]
    if states[0] > KNEE and not end_seen:
        out[low] = np.maximum(out[low], UNSEEN_RISE_U * now[low] * (KNEE - at[low]) / KNEE)
    return np.maximum(out, 0.0)
