"""Whether the readings of a table can be a cell's, and which sign of its current discharges.

Refuses what no cell does, flags what a cell should not do, and gives the current the sign of this house:
positive into the cell. Knows arrays and what they show; nothing of files but the name and the lines that a
message gives. The limits are common practice for single cells.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

from amphora.harness.cells.forms import form_of, forms
from amphora.harness.common.errors import InputError
from amphora.harness.importing.column_values import Told
from amphora.harness.importing.columns import bare, unit_factor
from amphora.harness.importing.header_words import CLOCK_UNITS, SHORT
from amphora.harness.importing.rows import Readings, Rows
from amphora.harness.importing.sources import Source, Sources
from amphora.harness.importing.strays import silent_ammeter
from amphora.harness.importing.table_file import Layout
from amphora.harness.importing.table_times import DAY_S

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]
    BoolArray = npt.NDArray[np.bool_]

MOST_AH = 8.0  # of a cell whose form nobody told, where a unit has to be found: common practice
LEAST_AH = 0.02
FULL_SWING_H = (0.13, 50.0)  # a cell emptied or filled within less or more is no test of this trade
SWING_V = (0.004, 1.6)  # resistance times capacity per hour: the step of the voltage at 1 h rate
DOUBT_AH = (0.002, 300.0)  # a full swing of a cell of any kind
Sign = Literal["negative", "positive"]

_STATES = (  # words for what a row does, as tables have them; the beginning of the word decides
    (re.compile(r"^(dis|dch|dc\b|d$|entlad)", re.I), -1.0),
    (re.compile(r"^(ch|cc|cv|c$|lad)", re.I), 1.0),
)


def states_of(layout: Layout, table: "pd.DataFrame", sources: Sources) -> "FloatArray | None":
    """Return what a column of words says each row of the table does, shape (rows,); None without such a column.

    -1 is a discharge, 1 a charge, 0 neither.
    """
    import numpy as np

    for column in range(layout.width):
        series = table[column]
        if column in sources.columns or series.dtype.kind in "fiub":
            continue
        kinds = [str(kind).strip() for kind in series.dropna().unique()[:50]]
        signs = {kind: next((sign for word, sign in _STATES if word.match(kind)), 0.0) for kind in kinds}
        if {1.0, -1.0} <= set(signs.values()):
            plain = series.astype("string").str.strip()
            said: FloatArray = np.nan_to_num(plain.map(signs).to_numpy(dtype=np.float64, na_value=np.nan))
            return said
    return None


def current_into_cell(
    file: Path,
    voltage_V: "FloatArray",
    current_A: "FloatArray",
    discharge_sign: Sign | None,
    told: Told,
    states: "FloatArray | None",
    discharges: bool = False,
) -> "FloatArray":
    """Return the current as positive into the cell, in ampere, shape (n,).

    Args:
        file: As messages name it.
        voltage_V: Voltage in volt, shape (n,).
        current_A: Current in ampere as the table has it, shape (n,).
        discharge_sign: The sign that discharges; None: told from the data where that is clear, else negative.
        told: Is added to.
        states: What the table's own words say of each row, as `states_of` returns, shape (n,), or None.
        discharges: The header calls it a discharge current.

    Raises:
        InputError: the current is a magnitude, and nothing says which rows discharge.
    """
    import numpy as np

    if _has_no_sign(voltage_V, current_A):
        if states is None or not ((states < 0) & (current_A != 0)).any():
            raise InputError(
                f"{file}: the current has one sign while the voltage both rises and falls under it, so charge and "
                "discharge cannot be separated; a current with a sign, or a column that says charge or discharge, is "
                "accepted"
            )
        told.note("the current has no sign; it was given the sign that the column of words says (discharge negative)")
        return np.where(states < 0, -np.abs(current_A), np.abs(current_A))
    seen = _seen_sign(voltage_V, current_A)
    if discharge_sign is None:
        chosen = seen or "negative"
        if seen is None:
            chosen = "positive" if discharges and float(np.median(current_A)) >= 0 else "negative"
            told.note(
                f"the data do not tell which sign discharges; {chosen} was assumed (--discharge-sign says otherwise)"
            )
        elif seen == "positive":
            told.note("the voltage falls while the current is positive: positive was taken to discharge")
    else:
        chosen = discharge_sign
        if seen is not None and seen != chosen:
            told.warn(
                "sign-doubtful",
                f"The voltage moves as if {seen} current discharged the cell, against --discharge-sign {chosen}: "
                "check the sign.",
            )
    return -current_A if chosen == "positive" else current_A


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


SHORT_OF_TIME, SHORT_OF_VOLTAGE, SHORT_OF_CURRENT = SHORT["t"], SHORT["v"], SHORT["i"]


@dataclass(frozen=True)
class _Scales:
    """In which units time and current may be, by what a swing of the readings would then be."""

    readings: Readings
    sources: Sources
    swing: Swing
    times: Mapping[str, float]  # unit -> factor to second; "" where the unit is known
    currents: Mapping[str, float]  # unit -> factor to ampere

    @property
    def plain(self) -> tuple[str, str]:
        """Return second and ampere, as far as they are not known."""
        return next(iter(self.times)), next(iter(self.currents))

    @property
    def shown(self) -> str:
        """Return the columns whose unit nobody stated."""
        unstated = [source for name, source in self._both if name in self.readings.unstated]
        return " and ".join(source.shown for source in unstated)

    @property
    def _both(self) -> tuple[tuple[str, Source], tuple[str, Source]]:
        return ("t", self.sources.t), ("i", self.sources.i)

    def swing_in(self, t: str, i: str) -> tuple[float, float]:
        """Return the charge of the swing in Ah and its length in hours, read in these units."""
        return self.swing.charge * self.times[t] * self.currents[i] / 3600, self.swing.length * self.times[t] / 3600

    def text(self, t: str, i: str) -> str:
        """Return what the readings would be in these units, in words."""
        charge_Ah, hours = self.swing_in(t, i)
        return f"{' and '.join(name for name in (t, i) if name)}: {charge_Ah:.3g} Ah in {hours:.3g} h"

    def fits(self, form: str, counted_Ah: float | None) -> list[tuple[str, str]]:
        """Return the units in which the readings are those of a cell, or agree with the table's own counter."""
        limits = (LEAST_AH, _most_Ah(form))
        found = []
        for t in self.times:
            for i in self.currents:
                charge_Ah, hours = self.swing_in(t, i)
                if counted_Ah is not None:
                    fits = abs(charge_Ah / counted_Ah - 1) < 0.1
                else:
                    fits = _makes_sense(charge_Ah, hours, self.swing, limits)
                found += [(t, i)] if fits else []
        return found

    def option(self, t: str, i: str) -> str:
        """Return what `--units` would say."""
        return ",".join(f"{name}={unit}" for name, unit in (("t", t), ("i", i)) if name in self.readings.unstated)

    def words(self, t: str, i: str) -> str:
        """Return which columns are read in which unit."""
        pairs = zip(self._both, (t, i), strict=True)
        return " and ".join(f"{one.shown} in {u}" for (name, one), u in pairs if name in self.readings.unstated)


def settle_units(file: Path, readings: Readings, sources: Sources, form: str, told: Told) -> Sources:
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
    v, out = readings.v, sources
    if "v" in readings.unstated:
        factor = _factor_of_voltage(file, readings, sources, told)
        v, out = v * factor, sources.changed(v=sources.v.in_unit(factor))
    if not readings.unstated & {"t", "i"}:
        return out
    _refuse_unknown_unit(file, readings, sources)
    times, currents = {"": 1.0}, {"": 1.0}
    if "t" in readings.unstated:
        plain = {SHORT_OF_TIME[f]: f for f in (1.0, 60.0, 3600.0, DAY_S, 1e-3)}
        times = dict(CLOCK_UNITS) if readings.two_figures else plain
    if "i" in readings.unstated:
        currents = {SHORT_OF_CURRENT[f]: f for f in (1.0, 1e-3)}
    swing = swing_of(readings.t, v, readings.i)
    if swing is not None:
        return _chosen(file, _Scales(readings, sources, swing, times, currents), out, form, told)
    if readings.two_figures:
        raise InputError(f"{file}: the times in {sources.t.shown} may be mm:ss or h:mm; state it, as --units t=mm:ss")
    told.warn("scale-doubtful", "No unit is stated and too little current flows to prove one: s and A were taken.")
    return _with_choice(out, readings, next(iter(times)), next(iter(currents)))


def _factor_of_voltage(file: Path, readings: Readings, sources: Sources, told: Told) -> float:
    """Return the factor to volt of voltages in a unit that nobody stated.

    Raises:
        InputError: no unit makes them those of a cell.
    """
    import numpy as np

    middle = float(np.median(np.abs(readings.v))) if readings.v.size else 0.0
    factor = 1.0 if middle <= 60 else 1e-3 if 500 <= middle <= 60_000 else 1e-6 if 5e5 <= middle <= 6e6 else 0.0
    if factor == 0.0:
        raise InputError(
            f"{file}: voltages about {middle:.4g} in {sources.v.shown}, in no unit that is stated; state it, as "
            "--units v=mV"
        )
    if factor != 1.0:
        unit = SHORT_OF_VOLTAGE[factor]
        told.note(f"v: {sources.v.shown} states no unit; about {middle:.4g}: read as {unit}")
    return factor


def _chosen(file: Path, scales: _Scales, out: Sources, form: str, told: Told) -> Sources:
    """Return the sources in the only units that fit a cell, or in those that the map states; errors as above."""
    readings, plain = scales.readings, scales.plain
    counted_Ah = _counted(readings)
    fits = scales.fits(form, counted_Ah)
    guessed = any(scales.sources.by_channel[name].guessed for name in readings.unstated)
    if len(fits) > 1 and plain in fits and not guessed and not readings.two_figures:
        # The map names the column and no factor: that states second and ampere, and what speaks against it is told.
        other = next(one for one in fits if one != plain)
        told.warn(
            "scale-doubtful",
            f"The map gives no factor: read as {scales.text(*plain)}; it could be {scales.text(*other)}.",
        )
        return _with_choice(out, readings, *plain)
    if len(fits) == 1:
        by = "the table's own counter of charge agrees" if counted_Ah is not None else "only this fits a cell"
        told.note(f"no unit is stated: {scales.words(*fits[0])}, as {by} (--units says otherwise)")
        return _with_choice(out, readings, *fits[0])
    if not fits and plain[0] in ("", "s") and plain[1] in ("", "A"):
        charge_Ah, hours = scales.swing.charge / 3600, scales.swing.length / 3600
        if DOUBT_AH[0] <= charge_Ah <= DOUBT_AH[1] and 0.5 * FULL_SWING_H[0] <= hours <= 10 * FULL_SWING_H[1]:
            told.warn(
                "scale-doubtful",
                f"No unit is stated, and none fits this cell: read as {charge_Ah:.3g} Ah in {hours:.3g} h.",
            )
            return _with_choice(out, readings, *plain)
    option = scales.option(*(fits[-1] if fits else ("min", "mA")))
    if fits:
        raise InputError(
            f"{file}: no unit is stated for {scales.shown}, and it may be {scales.text(*fits[0])} or "
            f"{scales.text(*fits[1])}; state it, as --units {option}"
        )
    raise InputError(
        f"{file}: no unit is stated for {scales.shown}, and none fits a cell ({scales.text(*plain)}); state it, as "
        f"--units {option}"
    )


def _refuse_unknown_unit(file: Path, readings: Readings, sources: Sources) -> None:
    """Refuse a time that counts in a unit which its header names and nobody here knows: it is not to be guessed.

    Raises:
        InputError: as said.
    """
    unit = bare(sources.t.shown)[1] if sources.t.guessed else ""
    if "t" not in readings.unstated or readings.two_figures or not unit or unit_factor("t", unit) is not None:
        return
    if re.search(r"[:]|^(utc|gmt|cet|cest|local|iso.*|hms|dd|mm|yy|yyyy|excel|unix|epoch|elapsed)", unit, re.I):
        return
    raise InputError(
        f"{file}: the times in {sources.t.shown!r} are in {unit[:20]!r}, which is no unit of time known here; state "
        f"one of {', '.join(SHORT_OF_TIME.values())}, as --units t=min"
    )


def _with_choice(out: Sources, readings: Readings, t_unit: str, i_unit: str) -> Sources:
    if "t" in readings.unstated and readings.two_figures:
        out = out.changed(t=replace(out.t, clock=t_unit))
    elif "t" in readings.unstated:
        out = out.changed(t=out.t.in_unit(unit_factor("t", t_unit) or 1.0))
    if "i" in readings.unstated:
        out = out.changed(i=out.i.in_unit(unit_factor("i", i_unit) or 1.0))
    return out


def _most_Ah(form: str) -> float:
    found = form_of(form)
    return MOST_AH if found is None else 1.3 * max(found.most(nickel=False), found.most(nickel=True))


def cell_fits(swing: Swing, t_by: float, i_by: float, form: str) -> bool:
    """Tell whether a swing, in second and ampere, can be a usual cell's once its times and currents are multiplied."""
    charge_Ah, hours = swing.charge / 3600 * t_by * i_by, swing.length / 3600 * t_by
    return _makes_sense(charge_Ah, hours, swing, (LEAST_AH, _most_Ah(form)))


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


def _counted(readings: Readings) -> float | None:
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


def doubt_scale(file: Path, rows: Rows, form: str, told: Told) -> None:
    """Warn where a swing lasts as no test does, moves what no cell holds, or differs from the table's counter."""
    import numpy as np

    swing = swing_of(rows.columns.t, rows.columns.v, rows.columns.i)
    if swing is None:
        return
    charge_Ah, hours = swing.charge / 3600, swing.length / 3600
    text = f"{charge_Ah:.3g} Ah moved in {hours:.3g} h"
    for name in ("counter_Ah", "counter_discharge_Ah", "counter_charge_Ah"):
        held = rows.extra.get(name)
        if held is None:
            continue
        good = held[np.isfinite(held)]
        way = float(np.abs(np.diff(good)).sum()) if good.size > 8 else 0.0
        one_way = way > 0 and abs(float(np.diff(good).sum())) > 0.98 * way
        if one_way and way > 1e-4 and max(way / charge_Ah, charge_Ah / way) > 3:
            told.warn(
                "scale-doubtful",
                f"{text} by time and current, {way:.3g} Ah by the table's own counter: look for a wrong unit.",
            )
            return
    least, most = DOUBT_AH
    if form.strip().lower() in _forms():
        most = 1.5 * _most_Ah(form)
    if charge_Ah > most or (
        swing.full
        and (
            charge_Ah < least
            or not 0.5 * FULL_SWING_H[0] <= hours <= 10 * FULL_SWING_H[1]
            or (swing.step_V > 0 and swing.step_V * hours > 4 * SWING_V[1])
        )
    ):
        told.warn(
            "scale-doubtful",
            f"{text} from one end of the voltage to the other: look for a wrong unit of time or current.",
        )


def _forms() -> frozenset[str]:
    return frozenset(name.lower() for name in forms() if len(name) > 1)  # not C and D: letters say other things, too


def judge(file: Path, rows: Rows, told: Told) -> None:
    """Refuse or flag what no cell does.

    Args:
        file: As messages name it.
        rows: The rows, current positive into the cell; a message names the line of a row.
        told: Warnings are added.

    Raises:
        InputError: voltages or currents that are no cell's, no time that passes, a voltage that jumps at rest.
    """
    import numpy as np

    current_A = np.abs(rows.columns.i)
    scale_A = float(np.quantile(current_A, 0.99))  # a few wild readings do not set the scale
    middle_V = float(np.median(rows.columns.v))
    _refuse_wrong_scale(file, rows, middle_V, scale_A)
    idle = current_A < max(0.02, 0.01 * scale_A)
    _judge_jumps(file, rows, idle, scale_A, told)
    silent_ammeter(rows, idle, told)
    _flag(rows, int(np.count_nonzero(~idle)), middle_V, scale_A, told)


def _refuse_wrong_scale(file: Path, rows: Rows, middle_V: float, scale_A: float) -> None:
    if 1000 < middle_V < 5500:
        raise InputError(f"{file}: voltages about {middle_V:.0f} V; in mV? add a factor to the map, such as v=…*0.001")
    if middle_V > 60 or middle_V < -0.5:
        raise InputError(f"{file}: voltages about {middle_V:.3g} V are not a cell's; 0 V to 60 V is accepted")
    if scale_A > 2000:
        raise InputError(f"{file}: currents up to {scale_A:.0f} A; in mA? add a factor to the map, such as i=…*0.001")
    t, lines = rows.columns.t, rows.lines
    if t[-1] <= t[0]:
        raise InputError(
            f"{file}: all {t.size} rows (lines {int(lines.min())} to {int(lines.max())}) have the same time; "
            "a table over time is accepted"
        )


def _judge_jumps(file: Path, rows: Rows, idle: "BoolArray", scale_A: float, told: Told) -> None:
    """Judge the voltage at rest: a cell's does not jump by half a volt from one reading to the next."""
    import numpy as np

    t, v, lines = rows.columns.t, rows.columns.v, rows.lines
    together = idle[1:] & idle[:-1] & (np.diff(t) < 60)
    jumps = np.flatnonzero(together & (np.abs(np.diff(v)) > 0.5))
    if not jumps.size:
        return
    row = int(jumps[0])
    if t.size < 20 or jumps.size > 0.1 * t.size or scale_A < 0.005:
        raise InputError(
            f"{file}: from line {int(lines[row])} to line {int(lines[row + 1])} the voltage goes from {v[row]:.3f} V "
            f"to {v[row + 1]:.3f} V with no current flowing, which no cell does; the record is wrong and was not "
            "imported"
        )
    told.warn(
        "voltage-jumps",
        f"The voltage jumps by more than 0.5 V with no current {jumps.size} time(s), first at line "
        f"{int(lines[row + 1])}: a loose wire?",
    )


def _flag(rows: Rows, loaded: int, middle_V: float, scale_A: float, told: Told) -> None:
    """Warn of what a cell should not show; `loaded` is the number of rows with current."""
    import numpy as np

    v, i, lines = rows.columns.v, rows.columns.i, rows.lines
    if scale_A == 0 or loaded == 0:
        told.warn("no-load", "No current flows in this record: it says nothing about capacity.")
    elif v.size < 10 or loaded < 5:
        told.warn("few-rows", f"Only {v.size} rows, {loaded} with current: too few for figures to be trusted.")
    if middle_V > 5.0:
        told.warn("not-one-cell", f"Voltages about {middle_V:.1f} V: more than one cell, or a wrong scale.")
    if (v < -0.1).any():
        told.warn(
            "reversed",
            f"The voltage falls to {float(v.min()):.2f} V (line {int(lines[int(np.argmin(v))])}): "
            "a cell driven into reversal is scrap.",
        )
    spikes = np.flatnonzero(np.abs(i) > 100)
    if spikes.size and scale_A < 1:
        told.warn(
            "current-spikes",
            f"{spikes.size} reading(s) of the current are far beyond the rest, first at line {int(lines[spikes[0]])}: "
            f"{float(i[spikes[0]]):.4g} A.",
        )


def _has_no_sign(voltage_V: "FloatArray", current_A: "FloatArray") -> bool:
    """Tell whether the current is a magnitude: one sign throughout, and the voltage both rises and falls under it."""
    import numpy as np

    scale = float(np.quantile(np.abs(current_A), 0.99))
    if scale <= 0 or (float(current_A.min()) < -0.02 * scale and float(current_A.max()) > 0.02 * scale):
        return False
    # Stretches of steady current: where it steps, a voltage that recovers is no charge.
    steady = (np.abs(current_A) > 0.02 * scale) & (np.abs(np.diff(current_A, prepend=current_A[0])) < 0.2 * scale)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], steady.astype(np.int8), [0]))))
    risen = fallen = False
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin < 12:
            continue
        inner = voltage_V[begin + 1 : end : max(1, (end - begin) // 20_000)]
        calm = np.median(np.lib.stride_tricks.sliding_window_view(inner, 5), axis=-1) if inner.size >= 10 else inner
        room = 0.05 * abs(float(np.median(calm)))
        risen |= bool((calm - np.minimum.accumulate(calm)).max() > room)
        fallen |= bool((np.maximum.accumulate(calm) - calm).max() > room)
    return risen and fallen


def _seen_sign(voltage_V: "FloatArray", current_A: "FloatArray") -> Sign | None:
    """Tell the sign that discharges from how voltage moves under the largest stretch of load.

    Positive current over which the voltage falls by more than 5 % discharges, and the like.
    """
    import numpy as np

    scale = float(np.quantile(np.abs(current_A), 0.99))
    if scale <= 0:
        return None
    negative = positive = 0.0
    for sign in (1, -1):
        loaded = sign * current_A > 0.3 * scale
        edges = np.flatnonzero(np.diff(np.concatenate(([0], loaded.astype(np.int8), [0]))))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            if end - begin < 8:
                continue
            inner = voltage_V[begin + 1 : end]
            change = float(inner[-1] - inner[0])
            if abs(change) < 0.02 * abs(float(np.median(inner))):
                continue
            vote = abs(change) * float(end - begin)
            if (change < 0) == (sign > 0):
                positive += vote
            else:
                negative += vote
    if negative == positive == 0:
        return None
    if negative > 3 * positive:
        return "negative"
    if positive > 3 * negative:
        return "positive"
    return None
