"""Units that nobody stated, found where only one reading of a table makes sense of a cell."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from amphora.harness.cells.forms import form_of
from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import ColumnSource
from amphora.harness.importing.header_words import CLOCK_UNITS, SHORT, unit_factor
from amphora.harness.importing.rows import Readings
from amphora.harness.importing.times import DAY_S
from amphora.harness.importing.told import Told

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]
    BoolArray = npt.NDArray[np.bool_]

MOST_AH = 8.0  # of a cell whose form nobody told, where a unit has to be found: common practice
LEAST_AH = 0.02
FULL_SWING_H = (0.13, 50.0)  # a cell emptied or filled within less or more is no test of this trade
SWING_V = (0.004, 1.6)  # resistance times capacity per hour: the step of the voltage at 1 h rate
DOUBT_AH = (0.002, 300.0)  # a full swing of a cell of any kind


class Swing(NamedTuple):
    """The largest charge or discharge of some readings, in their units; `full` where it emptied or filled the cell."""

    charge: float  # unit of current times unit of time
    length: float  # unit of time
    step_V: float  # of the voltage where the current steps; 0 where none was seen
    share: float  # of the cell's charge, at least
    full: bool


def swing_of(t: "FloatArray", voltage_V: "FloatArray", current: "FloatArray") -> Swing | None:
    """Return the largest charge or discharge; None where no current flows.

    Args:
        t: Time in any unit, shape (n,), oldest first.
        voltage_V: Voltage in volt, shape (n,).
        current: Current in any unit and sign, shape (n,).
    """
    import numpy as np

    if t.size < 8:
        return None
    span = np.diff(t)
    usual = float(np.median(span[span > 0])) if (span > 0).any() else 0.0
    span = np.where((span < 0) | (span > 200 * usual), 0.0, span)
    size = float(np.quantile(np.abs(current), 0.98))
    if size <= 0:
        return None
    best: tuple[float, int, int, float] | None = None
    for sign in (-1, 1):
        loaded = sign * current > 0.02 * size
        opposite = sign * current < -0.02 * size
        edges = np.flatnonzero(opposite)
        bounds = np.concatenate(([-1], edges, [t.size]))
        flow = np.where(loaded[:-1], np.abs(current[:-1]), 0.0) * span
        total = np.concatenate(([0.0], np.cumsum(flow)))
        for begin, end in zip(bounds[:-1] + 1, bounds[1:], strict=True):
            if end - begin < 4:
                continue
            charge = float(total[int(min(end, t.size)) - 1] - total[int(begin)])
            if best is None or charge > best[0]:
                best = (charge, int(begin), int(end), float(sign))
    if best is None or best[0] <= 0:
        return None
    charge, begin, end, way = best
    rows = np.flatnonzero(way * current[begin:end] > 0.02 * size) + begin
    if rows.size < 4:
        return None
    length = float(np.sum(span[rows[rows < span.size]]))
    inner = voltage_V[rows]
    calm = np.quantile(inner, (0.01, 0.05, 0.5, 0.95, 0.99))
    low, middle, high = float(calm[0]), float(calm[2]), float(calm[4])
    nickel = high < 1.9
    if nickel:
        full = low < 1.1 and high > 1.2
    elif middle < 3.4 and high < 3.72:
        full = low < 3.0 and high > 3.15
    else:
        full = low < 3.45 and high > 3.85
    share = min(1.0, (high - low) / (0.35 if nickel else 1.1))
    steps = np.flatnonzero(np.abs(np.diff(current)) > 0.5 * size)
    jumps = np.abs(voltage_V[steps + 1] - voltage_V[steps]) if steps.size else np.zeros(0)
    return Swing(charge, length, float(np.median(jumps)) if jumps.size else 0.0, max(share, 0.02), full)


def settle_units(
    file: Path, readings: Readings, sources: Mapping[str, ColumnSource], form: str, told: Told
) -> dict[str, ColumnSource]:
    """Return the sources with the units that nobody stated, where only one reading of them makes sense.

    Time, voltage and current are judged together: how long a full swing lasts, what charge it moves, what
    the voltage does where the current steps, and a counter of charge in the table itself. The limits are
    common practice for single cells.

    Args:
        file: As messages name it.
        readings: As they stand in the table.
        sources: Which column each channel comes from.
        form: The cell's form, as on the shelf; empty when not known.
        told: Is added to.

    Raises:
        InputError: several readings make sense, or none; the message names them and the option that decides.
    """
    out = dict(sources)
    v = readings.v
    if "v" in readings.unstated:
        factor = _volts(file, v, sources["v"], told)
        v = v * factor
        out["v"] = _stated(sources["v"], factor)
    if not readings.unstated & {"t", "i"}:
        return out
    swing = swing_of(readings.t, v, readings.i)
    times = {"": 1.0}
    if "t" in readings.unstated:
        times = (
            dict(CLOCK_UNITS) if readings.two_figures else {SHORT["t"][f]: f for f in (1.0, 60.0, 3600.0, DAY_S, 1e-3)}
        )
    currents = {"A": 1.0, "mA": 1e-3} if "i" in readings.unstated else {"": 1.0}
    plain = (next(iter(times)), next(iter(currents)))
    if swing is None:
        if not readings.two_figures and all(name in ("", "s", "A") for name in plain):
            told.warn(
                "scale-doubtful", "No unit is stated and too little current flows to prove one: s and A were taken."
            )
            return _with_choice(out, readings, "s" if "t" in readings.unstated else "", plain[1])
        raise InputError(
            f"{file}: the times in {sources['t'].shown} may be mm:ss or h:mm; state it, as --units t=mm:ss"
        )
    choice = _Choice(swing, times, currents, readings, sources, _counted(readings, swing))
    fits = choice.fits((LEAST_AH, most_Ah(form)))
    chosen = choice.decided(fits, told)
    if chosen is None:
        raise InputError(choice.refusal(file, fits))
    return _with_choice(out, readings, *chosen)


def _volts(file: Path, v: "FloatArray", source: ColumnSource, told: Told) -> float:
    """Return the factor to volt of voltages in no unit that is stated.

    Raises:
        InputError: no unit makes them a cell's.
    """
    import numpy as np

    middle = float(np.median(np.abs(v))) if v.size else 0.0
    factor = 1.0 if middle <= 60 else 1e-3 if 500 <= middle <= 60_000 else 1e-6 if 5e5 <= middle <= 6e6 else 0.0
    if factor == 0.0:
        raise InputError(
            f"{file}: voltages about {middle:.4g} in {source.shown}, in no unit that is stated; state it, as "
            "--units v=mV"
        )
    if factor != 1.0:
        told.note(f"v: {source.shown} states no unit; about {middle:.4g}: read as {SHORT['v'][factor]}")
    return factor


Units = tuple[str, str]  # of time and current; "" where it is stated


class _Choice(NamedTuple):
    """The units that the times and the current of a table may be in, and what they are judged by."""

    swing: Swing
    times: Mapping[str, float]
    currents: Mapping[str, float]
    readings: Readings
    sources: Mapping[str, ColumnSource]
    counted: float | None  # Ah, by a counter in the table itself

    @property
    def plain(self) -> Units:
        """Second and ampere, or what stands for them."""
        return next(iter(self.times)), next(iter(self.currents))

    def fits(self, limits_Ah: tuple[float, float]) -> list[Units]:
        """Return the units by which the swing is a cell's."""
        found = []
        for t_unit, t_factor in self.times.items():
            for i_unit, i_factor in self.currents.items():
                charge_Ah = self.swing.charge * t_factor * i_factor / 3600
                hours = self.swing.length * t_factor / 3600
                if self.counted is not None:
                    if abs(charge_Ah / self.counted - 1) < 0.1:
                        found.append((t_unit, i_unit))
                elif _makes_sense(charge_Ah, hours, self.swing, limits_Ah):
                    found.append((t_unit, i_unit))
        return found

    def decided(self, fits: list[Units], told: Told) -> Units | None:
        """Return the units to read by, told; None where somebody has to state them."""
        readings, plain = self.readings, self.plain
        guessed = any(self.sources[channel].guessed for channel in readings.unstated)
        if len(fits) > 1 and plain in fits and not guessed and not readings.two_figures:
            # The map names the column and no factor: that states second and ampere, and what speaks against it is told.
            other = next(one for one in fits if one != plain)
            told.warn(
                "scale-doubtful",
                f"The map gives no factor: read as {self.shown(plain)}; it could be {self.shown(other)}.",
            )
            return plain
        if len(fits) == 1:
            words = [
                f"{self.sources[channel].shown} in {unit}"
                for channel, unit in zip("ti", fits[0], strict=True)
                if channel in readings.unstated
            ]
            agrees = self.counted is not None
            by = "the table's own counter of charge agrees" if agrees else "only so a cell makes sense"
            told.note(f"no unit is stated: {' and '.join(words)}, as {by} (--units says otherwise)")
            return fits[0]
        charge_Ah, hours = self.swing.charge / 3600, self.swing.length / 3600
        any_cell = DOUBT_AH[0] <= charge_Ah <= DOUBT_AH[1] and 0.5 * FULL_SWING_H[0] <= hours <= 10 * FULL_SWING_H[1]
        if not fits and plain[0] in ("", "s") and plain[1] in ("", "A") and any_cell:
            told.warn(
                "scale-doubtful",
                f"No unit is stated, and none makes sense of this cell: read as {charge_Ah:.3g} Ah in {hours:.3g} h.",
            )
            return plain
        return None

    def shown(self, units: Units) -> str:
        """Return what the swing is by these units, in words."""
        return _reading_text(*units, self.swing, self.times, self.currents, self.readings)

    def refusal(self, file: Path, fits: list[Units]) -> str:
        """Return what has to be stated, and how."""
        unstated = self.readings.unstated
        shown = [self.shown(units) for units in (fits[:2] or [self.plain])]
        option = ",".join(
            f"{channel}={unit}" for channel, unit in zip("ti", fits[-1] if fits else ("min", "mA"), strict=True)
            if channel in unstated
        )  # fmt: skip
        columns = " and ".join(self.sources[channel].shown for channel in ("t", "i") if channel in unstated)
        if fits:
            return (
                f"{file}: no unit is stated for {columns}, and it may be {shown[0]} or {shown[1]}; state it, "
                f"as --units {option}"
            )
        return (
            f"{file}: no unit is stated for {columns}, and none makes sense of a cell ({shown[0]}); state it, as "
            f"--units {option}"
        )


def _stated(source: ColumnSource, factor: float) -> ColumnSource:
    return replace(source, factor=factor, stated=True)


def _with_choice(out: dict[str, ColumnSource], readings: Readings, t_unit: str, i_unit: str) -> dict[str, ColumnSource]:
    if "t" in readings.unstated:
        if readings.two_figures:
            out["t"] = replace(out["t"], clock=t_unit)
        else:
            out["t"] = _stated(out["t"], unit_factor("t", t_unit) or 1.0)
    if "i" in readings.unstated:
        out["i"] = _stated(out["i"], unit_factor("i", i_unit) or 1.0)
    return out


def _reading_text(
    t: str, i: str, swing: Swing, times: Mapping[str, float], currents: Mapping[str, float], readings: Readings
) -> str:
    charge_Ah = swing.charge * times[t] * currents[i] / 3600
    names = " and ".join(name for name in (t, i) if name)
    return f"{names}: {charge_Ah:.3g} Ah in {swing.length * times[t] / 3600:.3g} h"


def most_Ah(form: str) -> float:
    """Return the most that a cell of a form may be taken to hold; what a form not known may."""
    found = form_of(form)
    return MOST_AH if found is None else 1.3 * max(found.most(nickel=False), found.most(nickel=True))


def _makes_sense(charge_Ah: float, hours: float, swing: Swing, limits: tuple[float, float]) -> bool:
    """Tell whether a swing of that charge and length can be a test of a cell."""
    least_Ah, most_Ah = limits
    shortest, longest = FULL_SWING_H
    if swing.full:
        steps_ok = swing.step_V <= 0 or SWING_V[0] <= swing.step_V * hours <= SWING_V[1]
        return least_Ah <= charge_Ah <= most_Ah and shortest <= hours <= longest and steps_ok
    # A part of a swing: the whole lasts at least as long, and at most as the voltage's share tells, with room.
    whole = 4.0 / swing.share
    steps_ok = swing.step_V <= 0 or (SWING_V[0] <= swing.step_V * hours * whole and swing.step_V * hours <= SWING_V[1])
    return (
        charge_Ah <= most_Ah
        and charge_Ah * whole >= least_Ah
        and hours <= longest
        and hours * whole >= shortest
        and steps_ok
    )


def _counted(readings: Readings, swing: Swing) -> float | None:
    """Return what a counter of charge in the table counted, in Ah; None for none, or for one that is reset."""
    import numpy as np

    best = None
    for values in readings.counters.values():
        good = values[np.isfinite(values)]
        if good.size < 8:
            continue
        moved = np.diff(good)
        way = float(np.abs(moved).sum())
        if way > 0 and abs(float(moved.sum())) > 0.98 * way:  # counts one way
            best = max(best or 0.0, way)
    return best
