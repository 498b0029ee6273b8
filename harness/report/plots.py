"""Pictures of runs: voltage and current, voltage over charge, resistance, incremental capacity, temperature, device.

Made with matplotlib's Figure alone, so nothing needs a screen, and without dates, so that the same run gives the
same bytes. Each axis names its quantity and unit; current is positive INTO the cell. Long records are thinned
to the lowest and highest reading of each stretch, which keeps every spike visible.
"""

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from amphora.harness.account.answer import analyse_run
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import Phase, at_main_current, find_phases
from amphora.harness.analysis.records import FloatArray, Record, RunInfo
from amphora.harness.archive.loading import load
from amphora.harness.archive.run_folder import is_simulated
from amphora.harness.common.errors import AnalysisError, InputError
from amphora.harness.common.fields import unknown
from amphora.harness.report import plot_style as look
from amphora.harness.results.analyse import SURVEY_STEPS
from amphora.harness.results.preparation import prepared
from amphora.harness.results.result import ResistanceValue, Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

KINDS = ("time", "charge", "resistance", "incremental", "temperature", "device")
OF_A_CELL = ("charge", "resistance", "incremental")  # a survey of a device has none of these
SUFFIXES = (".png", ".svg", ".pdf")


@dataclass(frozen=True)
class Stretch:
    """One charge or discharge as it is drawn: rows first..last, its main current and the charge along it."""

    discharge: bool
    first: int
    last: int
    main_A: float
    moved_Ah: FloatArray  # from the first row, positive, shape (last - first + 1,)


def plot_run(folder: Path, out: Path, kinds: Sequence[str] | None = None) -> list[Path]:
    """Draw pictures of one run folder; return the files written.

    Args:
        folder: Run folder.
        out: Picture to write, ending in .png, .svg or .pdf. With more than one kind the kind is put into
            each name: `night.png` becomes `night-time.png` and so on.
        kinds: Some of `KINDS`; None draws each kind the run has data for.

    Raises:
        InputError: an unknown kind or ending, or a kind the run has no data for.
    """
    _check(out, kinds)
    record, info = load(folder)
    return draw_run(record, info, analyse_run(folder), out, kinds)


def draw_run(
    record: Record, info: RunInfo, result: Result, out: Path, kinds: Sequence[str] | None = None
) -> list[Path]:
    """Draw pictures of one loaded run; as `plot_run`, with its result given."""
    wanted = _check(out, kinds)
    record = _prepared(record, info)
    made: list[tuple[str, Figure]] = []
    missing: list[str] = []
    with look.style():
        for kind in wanted:
            none = kind in OF_A_CELL and _is_survey(info)
            figure = None if none else _MAKERS[kind](record, info, result)
            if figure is None:
                missing.append(kind)
            else:
                made.append((kind, figure))
        if kinds is not None and missing:
            raise InputError(f"{info.run_id}: no data for the picture '{missing[0]}'; nothing was written")
        if not made:
            raise InputError(f"{info.run_id}: no readings to draw; nothing was written")
        out.parent.mkdir(parents=True, exist_ok=True)
        files = []
        for kind, figure in made:
            path = out if kinds is not None and len(kinds) == 1 else out.with_name(f"{out.stem}-{kind}{out.suffix}")
            path.write_bytes(_render(figure, out.suffix.lower(), f"{info.run_id}: {kind}"))
            files.append(path)
    return files


def plot_overlay(folders: Sequence[Path], out: Path) -> Path:
    """Draw the discharge curves of several runs over each other; return the file written.

    Args:
        folders: Run folders.
        out: Picture to write, ending in .png, .svg or .pdf.

    Raises:
        InputError: an unknown ending, no folder, or no run with a discharge.
    """
    _check(out, None)
    runs = []
    for folder in folders:
        record, info = load(folder)
        runs.append((record, info, analyse_run(folder)))
    return draw_overlay(runs, out)


def draw_overlay(runs: Sequence[tuple[Record, RunInfo, Result]], out: Path) -> Path:
    """Draw the discharge curves of several loaded runs over each other; return the file written."""
    _check(out, None)
    with look.style():
        figure = _figure()
        axes = figure.subplots()
        drawn = 0
        places = look.places_of([info.cell_id or info.run_id for _, info, _ in runs])
        for place, (raw, info, result) in zip(places, runs, strict=True):
            record = _prepared(raw, info)
            stretch = _main(record, discharge=True)
            if stretch is None:
                continue
            x, y = _curve(record, stretch)
            x, y = _thin(x * 1000, y)
            name = info.cell_id or info.run_id
            capacity = result.capacity_Ah
            label = f"{name}  {_held(info, result, capacity)}" if capacity is not None else name
            seen = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
            axes.plot(
                x, y, label=label, **look.of_cell(place), marker=look.mark_of(place), markersize=5,
                markevery=[int(seen[-1])],
            )  # fmt: skip
            drawn += 1
        if not drawn:
            raise InputError("no discharge in any of the runs: there is nothing to lay over each other")
        axes.set_title("Discharge curves compared" + when_made([info for _, info, _ in runs]))
        axes.set_xlabel("charge taken out / mAh")
        axes.set_ylabel("voltage / V")
        axes.set_xlim(left=0)
        figure.legend(loc="outside lower center", ncols=min(drawn, 3))  # beside the curves, never over them
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_bytes(_render(figure, out.suffix.lower(), "discharge curves"))
    return out


# --- the pictures ------------------------------------------------------------------------------------------


def _over_time(record: Record, info: RunInfo, result: Result) -> "Figure | None":
    good = np.isfinite(record.t_s)
    if np.count_nonzero(good & np.isfinite(record.voltage_V)) < 2:
        return None
    hours, unit = _hours(record.t_s)
    survey = _is_survey(info)
    figure = _figure((look.WIDTH_IN, look.HEIGHT_IN + 0.8))
    upper, lower = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": [3, 2]})
    for axes, values, index, name in (
        (upper, record.voltage_V, 0, "voltage / V"),
        (lower, record.current_A, 1, f"current / A\n(positive into the {'device' if survey else 'cell'})"),
    ):
        x, y = _thin(*_broken(hours, values, record))
        # A current holds from one reading to the next: a step is no ramp, however sparse the readings.
        drawing = "steps-pre" if index else "default"
        colour = look.INK if index else _colour(info)
        axes.plot(x, y, color=colour, linewidth=1.2, linestyle="-", drawstyle=drawing)
        axes.set_ylabel(name)
    for gap in record.gaps:
        scale = 3600.0 if unit == "h" else 60.0
        for axes in (upper, lower):
            axes.axvspan(
                gap.from_s / scale, gap.to_s / scale, facecolor=look.GRID, edgecolor=look.FAINT, hatch="///", lw=0
            )
    cutoff = info.cutoff_V
    if cutoff is not None and not survey and np.nanmin(record.voltage_V) < cutoff + 0.5:
        _mark_cutoff(upper, cutoff)
    lower.axhline(0.0, color=look.FAINT, linewidth=0.8)
    lower.set_xlabel(f"time / {unit}")
    lower.margins(x=0.01)
    upper.set_title(_title(info, "voltage and current"))
    figure.align_ylabels()
    return figure


def _over_charge(record: Record, info: RunInfo, result: Result) -> "Figure | None":
    stretches = [s for s in split(record) if s.moved_Ah[-1] >= 0.0005 and abs(s.main_A) >= 0.0005]  # 0 mA, 0 mAh: none
    if not stretches:
        return None
    figure = _figure()
    axes = figure.subplots()
    largest = max(float(s.moved_Ah[-1]) for s in stretches)
    shown = [s for s in stretches if s.moved_Ah[-1] > 0.05 * largest][:6]
    shown.sort(key=lambda s: not s.discharge)  # a discharge is drawn alike in every picture
    main = max((s for s in shown if s.discharge), key=lambda s: float(s.moved_Ah[-1]), default=None)
    for index, stretch in enumerate(shown):
        x, y = _thin(*_curve(record, stretch))
        name = "discharge" if stretch.discharge else "charge"
        moved = float(stretch.moved_Ah[-1])
        said = _held(info, result, moved) if stretch is main else f"{moved * 1000:.0f} mAh"
        axes.plot(
            x * 1000, y, label=f"{name}, {abs(stretch.main_A) * 1000:.0f} mA, {said}",
            **{**look.series(index), "color": _colour(info)},
        )  # fmt: skip
    if info.cutoff_V is not None and any(s.discharge for s in shown):
        _mark_cutoff(axes, info.cutoff_V)
    axes.set_xlabel("charge moved / mAh")
    axes.set_ylabel("voltage / V")
    axes.set_xlim(left=0)
    figure.legend(loc="outside lower center", ncols=min(len(shown), 2))
    axes.set_title(_title(info, "voltage over charge"))
    return figure


def _resistance(record: Record, info: RunInfo, result: Result) -> "Figure | None":
    values = result.resistances
    if not values:
        return None
    figure = _figure()
    axes = figure.subplots()
    _resistances_into(axes, values)
    axes.set_title(_title(info, "resistance"))
    return figure


def _resistances_into(axes: "Axes", values: Sequence[ResistanceValue]) -> None:
    """Draw over charge where the run shows resistance at several places of it, else over the time after the step."""
    over, far_apart = _over(values)
    groups: dict[str, list[tuple[float, float, float]]] = {}
    for value in values:
        at = value.duration_s if over is None else over.place(value)
        if at is None or value.ohm is None:
            continue
        name = value.method if over is None else _kind_of(value)
        if far_apart and over is None and value.charge_state is not None:
            name += f", cell at {round(value.charge_state, 1) * 100:.0f} %"
        x = at if over is None else at * over.scale
        groups.setdefault(name, []).append((x, value.ohm * 1000, (value.U_ohm or 0.0) * 1000))
    largest = sorted(groups.items(), key=lambda item: (-len(item[1]), item[0]))[:6]
    for index, (name, points) in enumerate(largest):  # the most points in the darkest ink
        points.sort()
        x_all, y_all, bars = (list(column) for column in zip(*points, strict=True))
        line = look.series(index)
        if over is None:  # side by side, so that none hides another
            x_all = [x * (1 + 0.05 * (index - (len(largest) - 1) / 2)) for x in x_all]
        axes.errorbar(
            x_all, y_all, yerr=bars, label=name, marker=look.MARKERS[index % len(look.MARKERS)], markersize=4.5,
            markerfacecolor=look.PAPER if index % 2 else line["color"], elinewidth=0.9, capsize=2.5,
            color=line["color"], linestyle="none" if over is None else line["linestyle"], linewidth=1.0,
        )  # fmt: skip
    axes.set_ylabel("resistance / mΩ  (bars: U, k = 2)")
    _resistance_axis(axes, over)
    low, high = axes.get_ylim()
    axes.set_ylim(max(0.0, low - 0.1 * (high - low)), high + 0.1 * (high - low))
    if groups:
        axes.figure.legend(loc="outside lower center", ncols=min(len(largest), 2))


def _resistance_axis(axes: "Axes", over: "_Over | None") -> None:
    if over is not None:
        axes.set_xlabel(over.label)
        if over is OVER_CHARGE:
            axes.set_xlim(104, -4)
        return
    axes.set_xlabel("time after the step / s")
    axes.set_xscale("log")
    marks = [0.1, 1.0, 10.0, 30.0]
    axes.set_xticks(marks, [f"{mark:g}" for mark in marks])
    axes.minorticks_off()
    axes.set_xlim(0.08, 40.0)


def _over(values: Sequence[ResistanceValue]) -> "tuple[_Over | None, bool]":
    """Return what resistances are drawn over, None for the time after the step; and whether charge states lie apart."""
    states: dict[str, set[float]] = {}
    for value in values:
        if value.charge_state is not None:
            states.setdefault(_kind_of(value), set()).add(round(value.charge_state, 2))
    every = [state for some in states.values() for state in some]
    if every:
        by_state = any(len(some) >= 3 and max(some) - min(some) > 0.15 for some in states.values())
        return OVER_CHARGE if by_state else None, max(every) - min(every) > 0.15
    for over in OVER_OTHERS:  # pulses alone: over the charge moved, or over the voltage at rest where gaps hide that
        places = {at for value in values if value.ohm is not None and (at := over.place(value)) is not None}
        if len(places) >= 4 and max(places) - min(places) > 0.05:  # in either unit
            return over, False
    return None, False


def _charge_state(value: ResistanceValue) -> float | None:
    return value.charge_state


def _charge_moved(value: ResistanceValue) -> float | None:
    return value.moved_Ah


def _rested_voltage(value: ResistanceValue) -> float | None:
    """Return the voltage before a step; only at rest does it tell the charge."""
    return value.before_V if abs(value.before_A or 0.0) < 0.05 * abs(value.current_A) else None


class _Over(NamedTuple):
    """What resistances are drawn over: where each stands, by what that is multiplied, and the words of the axis."""

    place: Callable[[ResistanceValue], float | None]
    scale: float
    label: str


OVER_CHARGE = _Over(_charge_state, 100.0, "charge still in the cell / %")
OVER_OTHERS = (
    _Over(_charge_moved, 1.0, "charge moved since the first reading / Ah"),
    _Over(_rested_voltage, 1.0, "voltage at rest before the step / V"),
)


def _kind_of(value: ResistanceValue) -> str:
    return f"{value.method}, {_seconds(value.duration_s)}"


def _incremental(record: Record, info: RunInfo, result: Result) -> "Figure | None":
    from amphora.harness.analysis.incremental import incremental_capacity

    figure = _figure()
    axes = figure.subplots()
    drawn = 0
    for discharge in (True, False):
        stretch = _main(record, discharge)
        if stretch is None:
            continue
        x, y = _curve(record, stretch)
        if not np.isfinite(y).any():  # pulses and rests alone
            continue
        if not discharge:  # the constant-current part alone: at constant voltage the slope has no meaning
            steady = np.abs(record.current_A[stretch.first : stretch.last + 1] - stretch.main_A)
            keep = (steady < 0.05 * abs(stretch.main_A)) & (y < np.nanmax(y) - 0.005)
            x, y = x[keep], y[keep]
        try:
            curve = incremental_capacity(x, y)
        except AnalysisError:
            continue
        axes.plot(
            curve.voltage_V,
            curve.slope_Ah_per_V,
            label="discharge" if discharge else "charge",
            **{**look.series(drawn), "color": _colour(info)},
        )
        drawn += 1
    if not drawn:
        return None
    axes.set_xlabel("voltage / V")
    axes.set_ylabel("incremental capacity / Ah/V")
    axes.set_ylim(bottom=0)
    if drawn > 1:
        figure.legend(loc="outside lower center", ncols=2)
    axes.set_title(_title(info, "incremental capacity"))
    return figure


def _temperature(record: Record, info: RunInfo, result: Result) -> "Figure | None":
    if np.count_nonzero(np.isfinite(record.temperature_degC)) < 2:
        return None
    hours, unit = _hours(record.t_s)
    figure = _figure((look.WIDTH_IN, 3.4))
    axes = figure.subplots()
    x, y = _thin(*_broken(hours, record.temperature_degC, record))
    axes.plot(x, y, color=look.FAINT, linewidth=0.6, label="readings")
    axes.plot(
        *_broken(hours, _running_mean(record.temperature_degC), record), color=_colour(info), linewidth=1.3,
        label="mean of the readings around",
    )  # fmt: skip
    figure.legend(loc="outside lower center", ncols=2)
    low, high = float(np.nanmin(record.temperature_degC)), float(np.nanmax(record.temperature_degC))
    middle, half = (low + high) / 2, max(1.5, (high - low) * 0.6)
    axes.set_ylim(middle - half, middle + half)
    rise = result.temperature_rise_K
    note = f"temperature, rise {rise:.1f} K" if rise is not None else "temperature"
    axes.set_xlabel(f"time / {unit}")
    axes.set_ylabel("temperature / °C")
    axes.margins(x=0.01)
    axes.set_title(_title(info, note))
    return figure


def _device(record: Record, info: RunInfo, result: Result) -> "Figure | None":
    """Current and power over the voltage at the device, each sweep on its own: falling solid, rising dashed."""
    if not _is_survey(info):
        return None
    rests = np.isin(record.step, [k for k, kind in enumerate(info.step_kinds) if kind == "rest"])
    zero_A = float(np.nanmedian(record.current_A[rests])) if np.isfinite(record.current_A[rests]).any() else 0.0
    current_A = record.current_A - zero_A
    good = np.isfinite(record.voltage_V) & np.isfinite(current_A)
    sweeps = []
    for k, kind in enumerate(info.step_kinds):
        rows = np.flatnonzero((record.step == k) & good)
        if kind == "sweep" and rows.size >= 5:
            sweeps.append((rows, bool(record.voltage_V[rows[-1]] > record.voltage_V[rows[0]])))
    if not sweeps:
        return None
    figure = _figure((look.WIDTH_IN, look.HEIGHT_IN + 1.4))
    upper, lower = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": [3, 2]})
    pair = -1
    for index, (rows, rising) in enumerate(sweeps):
        if not rising or index == 0 or sweeps[index - 1][1]:
            pair += 1
        volts, amps = record.voltage_V[rows], np.abs(current_A[rows])
        line = {
            "color": look.COLOURS[pair % len(look.COLOURS)],
            "linestyle": look.DASHES[1 if rising else 0],
            "linewidth": 1.0,
            "marker": look.MARKERS[pair % len(look.MARKERS)],
            "markersize": 3.5,
            "markevery": max(1, rows.size // 20),
            "markerfacecolor": look.PAPER if rising else None,
        }
        name = f"sweep {pair + 1}, {'rising' if rising else 'falling'}"
        upper.plot(volts, amps, label=name, **line)
        lower.plot(volts, volts * amps, **line)
    into = float(np.nansum(current_A[np.concatenate([rows for rows, _ in sweeps])])) >= 0
    way = "into the device" if into else "out of the device"
    upper.set_ylabel(f"current / A\n({way})")
    lower.set_ylabel(f"power / W\n({way})")
    lower.set_xlabel("voltage at the device / V")
    for axes in (upper, lower):
        axes.set_ylim(bottom=0)
    figure.legend(loc="outside lower center", ncols=min(len(sweeps), 3))
    upper.set_title(_title(info, "the device: current and power over voltage"))
    figure.align_ylabels()
    return figure


def _is_survey(info: RunInfo) -> bool:
    """Tell whether a run looked at a device instead of a cell, by the same rule as the analysis."""
    return info.profile != "import" and "sweep" in info.step_kinds and set(info.step_kinds) <= {*SURVEY_STEPS, ""}


def _mark_cutoff(axes: "Axes", cutoff_V: float) -> None:
    """Draw the cut-off, and its words outside the axes, where no curve and no legend can be."""
    axes.axhline(cutoff_V, color=look.FAINT, linewidth=0.8, linestyle=look.DASHES[2])
    axes.annotate(
        f"cut-off\n{cutoff_V:.2f} V", (1.0, cutoff_V), xycoords=("axes fraction", "data"),
        xytext=(4, 0), textcoords="offset points", ha="left", va="center", fontsize=8, color=look.INK,
    )  # fmt: skip


_MAKERS = {
    "time": _over_time,
    "charge": _over_charge,
    "resistance": _resistance,
    "incremental": _incremental,
    "temperature": _temperature,
    "device": _device,
}


# --- what they are made from -------------------------------------------------------------------------------


def split(record: Record) -> list[Stretch]:
    """Split a record into its charges and discharges, as the analysis does, with the charge along each."""
    if record.t_s.size < 3:
        return []
    try:
        totals = accumulate(record)
        phases = find_phases(record, totals)
    except AnalysisError:
        return []  # junk has no charges and discharges; its readings are still drawn over time
    found = []
    for phase in phases:
        rows = slice(phase.first_row, phase.last_row + 1)
        way = 1.0 if phase.kind == "charge" else -1.0
        moved = np.maximum.accumulate(np.maximum(0.0, way * (totals.charge_Ah[rows] - phase.begin_Ah)))
        found.append(Stretch(phase.kind == "discharge", phase.first_row, phase.last_row, phase.main_current_A, moved))
    return found


def _main(record: Record, discharge: bool) -> Stretch | None:
    some = [s for s in split(record) if s.discharge == discharge and s.moved_Ah[-1] > 0]
    return max(some, key=lambda s: float(s.moved_Ah[-1])) if some else None


def _curve(record: Record, stretch: Stretch) -> tuple[FloatArray, FloatArray]:
    """Charge and voltage along a stretch; rests, and a discharge's pulses, are left out as NaN."""
    rows = slice(stretch.first, stretch.last + 1)
    volts = record.voltage_V[rows].copy()
    if stretch.discharge:
        phase = Phase("discharge", stretch.first, stretch.last, 0.0, 0.0, stretch.main_A)
        steady = np.zeros(volts.size, dtype=bool)
        steady[at_main_current(record, phase) - stretch.first] = True
    else:
        steady = record.current_A[rows] > 0.02 * stretch.main_A
    volts[~steady] = np.nan
    # A short step at the very current of the discharge, before it, is a pulse as well: no stub at the left edge.
    ends = np.flatnonzero(np.diff(np.concatenate(([0], steady.astype(np.int8), [0]))))
    for first, after in zip(ends[::2], ends[1::2], strict=True):
        if stretch.moved_Ah[after - 1] - stretch.moved_Ah[first] >= 0.005 * stretch.moved_Ah[-1]:
            volts[:first] = np.nan
            break
    return stretch.moved_Ah, volts


def _prepared(record: Record, info: RunInfo) -> Record:
    return prepared(record, own=info.profile != "import", info=info)


def _broken(x: FloatArray, y: FloatArray, record: Record) -> tuple[FloatArray, FloatArray]:
    """Break the line at each gap with a NaN: nothing is drawn where nothing was read."""
    at = [gap.after_row for gap in record.gaps if 0 < gap.after_row < x.size]
    return np.insert(x, at, x[at] if at else []), np.insert(y, at, np.nan)


def _thin(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Keep the lowest and highest reading of each stretch of rows, in their order."""
    n = x.size
    if n <= look.MOST_POINTS:
        return x, y
    per = int(np.ceil(n / (look.MOST_POINTS // 2)))
    whole = n // per * per
    blocks = y[:whole].reshape(-1, per)
    low = np.argmin(np.where(np.isnan(blocks), np.inf, blocks), axis=1)
    high = np.argmax(np.where(np.isnan(blocks), -np.inf, blocks), axis=1)
    base = np.arange(0, whole, per)
    kept = np.unique(np.concatenate((base + low, base + high, np.arange(whole, n), [0, n - 1])))
    return x[kept], y[kept]


def _running_mean(values: FloatArray, share: float = 0.01) -> FloatArray:
    """Mean of the readings around each, over a share of the record and at least five; NaN stay out, shape (n,)."""
    half = max(2, round(share * values.size / 2))
    good = np.isfinite(values)
    total = np.concatenate(([0.0], np.cumsum(np.where(good, values, 0.0))))
    count = np.concatenate(([0], np.cumsum(good)))
    at = np.arange(values.size)
    low, high = np.maximum(0, at - half), np.minimum(values.size, at + half + 1)
    some = count[high] - count[low]
    mean = (total[high] - total[low]) / np.maximum(some, 1)
    return np.where(good & (some > 0), mean, np.nan)


def _hours(t_s: FloatArray) -> tuple[FloatArray, str]:
    span = float(np.nanmax(t_s) - np.nanmin(t_s)) if t_s.size else 0.0
    return (t_s / 3600.0, "h") if span > 2 * 3600 else (t_s / 60.0, "min")


def _seconds(duration_s: float) -> str:
    return f"{duration_s:.2g} s" if duration_s < 10 else f"{duration_s:.0f} s"


def _title(info: RunInfo, what: str) -> str:
    return f"{info.cell_id or info.run_id} · {what}{when_made([info])}"


def when_made(infos: Sequence[RunInfo]) -> str:
    """Return what a picture's title ends with: the day or days of its runs, and whether no real cell was tested."""
    days = sorted({info.created_utc[:10] for info in infos if info.created_utc})
    simulated = [is_simulated({"bench": info.bench}) for info in infos]
    said = " · " + (days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}") if days else ""
    if any(simulated):
        said += " · SIMULATED, no real cell" if all(simulated) else f" · {sum(simulated)} of {len(infos)} SIMULATED"
    return said


def _held(info: RunInfo, result: Result, charge_Ah: float) -> str:
    """Return a discharge's charge with what it is: a capacity, at least that, or only what was left in the cell."""
    least = "" if result.reached_cutoff else "at least "
    left = " left in it" if info.start == "unknown" else ""
    return f"{least}{charge_Ah * 1000:.0f} mAh{left}"


def _colour(info: RunInfo) -> str:
    """Return the colour of the run's cell, the same in every picture."""
    return str(look.of_cell(look.place_of(info.cell_id or info.run_id))["color"])


def _figure(size_in: tuple[float, float] = (look.WIDTH_IN, look.HEIGHT_IN)) -> "Figure":
    from matplotlib.figure import Figure

    return Figure(figsize=size_in, layout="constrained")


def _render(figure: "Figure", suffix: str, title: str) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format=suffix[1:], dpi=150, metadata=look.metadata(suffix, title))
    return buffer.getvalue()


def _check(out: Path, kinds: Sequence[str] | None) -> Sequence[str]:
    if out.suffix.lower() not in SUFFIXES:
        raise InputError(f"{out}: a picture ends in .png, .svg or .pdf; nothing was written")
    for kind in kinds or ():
        if kind not in KINDS:
            raise InputError(unknown("picture", kind, KINDS))
    if kinds is not None and not kinds:
        raise InputError(f"no kind of picture asked for; accepted: {', '.join(KINDS)}")
    return KINDS if kinds is None else kinds
