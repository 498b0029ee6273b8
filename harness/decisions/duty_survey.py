"""A duty file out of a survey of the device itself: sweeps of its supply, and of its panel.

Knows sweeps and the words of a duty file; nothing of cells, nor of what a duty is asked for afterwards. Currents are
what the device draws or its panel gives, whatever sign a run counts them with. V, A, ohm, s.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from amphora.harness.analysis.records import FloatArray
from amphora.harness.common.errors import InputError

if TYPE_CHECKING:
    from amphora.harness.analysis.records import Record, RunInfo

BoolArray = npt.NDArray[np.bool_]
Sweep = tuple[FloatArray, FloatArray, FloatArray]  # (t_s, voltage_V, current_A), each shape (n,)
LINE_WITHIN_A = 5e-4  # points of a load line nearer than this to their neighbours are noise


def load_line(voltage_V: FloatArray, current_A: FloatArray) -> dict[str, float]:
    """Return how a lamp draws: a constant current, or a resistor and LED; from a sweep of its supply.

    Args:
        voltage_V, current_A: Readings, shape (n,); current drawn, positive.

    Returns:
        `current_A`, or `resistor_ohm` and `led_V`; `lowest_V`, where it still drew: half of its usual current, of a
        resistor a fifth.

    Raises:
        InputError: it drew nothing.
    """
    good = np.isfinite(voltage_V) & np.isfinite(current_A)
    v, i = voltage_V[good], np.abs(current_A[good])
    if v.size < 5 or float(i.max(initial=0.0)) <= 1e-4:
        raise InputError("the lamp drew nothing in the sweep; check that its mode was on")
    usual = float(np.median(i[i > 0.2 * i.max()]))
    on = i > 0.5 * usual
    lowest = float(v[on].min())
    # Above the middle of where it works a regulated lamp is flat; below it may already follow the cell.
    top = on & (v >= 0.5 * (float(v[on].max()) + lowest))
    flat_A = float(np.median(i[top]))
    slope = float(np.polyfit(v[top], i[top], 1)[0]) if int(top.sum()) >= 3 and float(np.ptp(v[top])) > 0 else 0.0
    if slope * float(np.ptp(v[top])) < 0.15 * flat_A:
        return {"current_A": flat_A, "lowest_V": float(v[i > 0.5 * flat_A].min())}
    work = i > 0.2 * usual
    slope, intercept = np.polyfit(v[work], i[work], 1)
    return {"resistor_ohm": float(1.0 / slope), "led_V": float(-intercept / slope), "lowest_V": float(v[work].min())}


@dataclass(frozen=True, slots=True)
class SurveyedMode:
    """What a survey found of one of a lamp's modes. V, A, ohm; None: not seen.

    `line` is that of `load_line`; `steady_from_V` the lowest voltage from which up it stays on; `off_V` the highest at
    which it stays off on the way down, `back_V` the lowest at which it is on again on the way up; between `blinks_V` it
    goes off and on by itself.
    """

    line: Mapping[str, float]
    steady_from_V: float
    off_V: float | None
    back_V: float | None
    blinks_V: tuple[float, float] | None
    curve: tuple[tuple[float, float], ...] = ()  # (V, A) where it stays on, voltage rising

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            **self.line, "steady_from_V": self.steady_from_V, "off_V": self.off_V, "back_V": self.back_V,
            "blinks_V": None if self.blinks_V is None else list(self.blinks_V),
            "curve": [list(point) for point in self.curve],
        }  # fmt: skip


class _Plateau(NamedTuple):
    """One voltage set: what it was, whether the lamp was on at each reading, and the current."""

    voltage_V: float
    on: BoolArray
    current_A: float


def _plateaus(sweep: Sweep, on_A: float, switches_s: FloatArray) -> list[_Plateau]:
    """Return the voltages set in a sweep; without orders each reading is one."""
    good = np.isfinite(sweep[1]) & np.isfinite(sweep[2])
    t_s, voltage_V, current_A = (part[good] for part in sweep)
    current_A = np.abs(current_A)
    number = np.searchsorted(switches_s, t_s) if switches_s.size else np.arange(t_s.size)
    found = []
    for k in np.unique(number).tolist():
        rows = number == k
        # The supply may still have been on its way in the first reading of several.
        amps = current_A[rows][1:] if int(rows.sum()) > 2 else current_A[rows]
        found.append(_Plateau(float(np.median(voltage_V[rows])), amps > on_A, float(np.median(amps))))
    return found


def survey_mode(down: Sweep, up: Sweep | None, switches_s: FloatArray) -> SurveyedMode:
    """Return what sweeps of a lamp's supply, down and up again, tell of a mode.

    Args:
        down, up: (t_s, voltage_V, current_A) of the readings, each shape (n,); current drawn, either sign.
        switches_s: When another voltage was ordered, shape (m,).

    Raises:
        InputError: it drew nothing.
    """
    line = load_line(down[1], down[2])
    usual = line.get("current_A")
    if usual is None:
        top_V = float(np.nanmax(down[1]))
        usual = 0.4 * max(top_V - line["led_V"], 0.0) / line["resistor_ohm"]  # a resistor dims, it does not shut off
    falling = _plateaus(down, 0.5 * usual, switches_s)
    rising = [] if up is None else _plateaus(up, 0.5 * usual, switches_s)
    steady_V, curve, goes_off = _steady(falling)
    off_V = back_V = None
    if goes_off:
        lowest_on_V = min(plateau.voltage_V for plateau in falling if plateau.on.any())
        below = [p.voltage_V for p in falling if not p.on.any() and p.voltage_V < lowest_on_V]
        off_V = max(below) if below else None
    if off_V is not None:
        back_V = min((plateau.voltage_V for plateau in rising if plateau.on.any()), default=None)
    blinking = [
        plateau.voltage_V
        for plateau in (*falling, *rising)
        if plateau.on.size > 2 and int(np.count_nonzero(plateau.on[1:] != plateau.on[:-1])) >= 2
    ]
    blinks_V = (min(blinking), max(blinking)) if blinking else None
    if steady_V is None or "current_A" not in line:
        steady_V = line["lowest_V"]
    return SurveyedMode(line, steady_V, off_V, back_V, blinks_V, tuple(curve))


def _steady(falling: Sequence[_Plateau]) -> tuple[float | None, list[tuple[float, float]], bool]:
    """Return from which voltage up a lamp stays on, (V, A) there with the voltage rising, and whether it goes off."""
    curve: list[tuple[float, float]] = []
    for plateau in sorted(falling, key=lambda item: -item.voltage_V):
        if plateau.on.all():
            curve.insert(0, (plateau.voltage_V, plateau.current_A))
        elif curve:  # switching it on takes a while: not before it has been on throughout
            return curve[0][0], curve, True
    return (curve[0][0] if curve else None), curve, False


def panel_points(voltage_V: FloatArray, current_A: FloatArray) -> dict[str, float]:
    """Return a panel's open-circuit voltage, short-circuit current and maximum power point from a sweep.

    Raises:
        InputError: it gave nothing.
    """
    good = np.isfinite(voltage_V) & np.isfinite(current_A)
    v, i = voltage_V[good], np.abs(current_A[good])
    if v.size < 3 or float((v * i).max(initial=0.0)) <= 0:
        raise InputError("the panel gave nothing in the sweep; is it dark, or reversed?")
    k = int(np.argmax(v * i))
    return {
        "open_circuit_V": float(v.max()), "short_circuit_A": float(i.max()), "voltage_V": float(v[k]),
        "current_A": float(i[k]),
        "power_W": float(v[k] * i[k]),
    }  # fmt: skip


def _sweeps(
    step: npt.NDArray[np.int64], voltage_V: FloatArray, kinds: Sequence[str]
) -> list[tuple[BoolArray, BoolArray | None]]:
    """Return (rows of a sweep down, rows of the sweep up that follows it, if any) of a lamp's survey."""
    found: list[tuple[BoolArray, BoolArray | None]] = []
    before_sweep = False
    for k in np.unique(step[step >= 0]).tolist():
        kind = kinds[k] if k < len(kinds) else ""
        rows = step == k
        if kind != "sweep" or int(rows.sum()) < 5:
            before_sweep = False
            continue
        volt = voltage_V[rows]
        volt = volt[np.isfinite(volt)]
        rising = volt.size > 0 and volt[-1] > volt[0]
        if rising and before_sweep and found[-1][1] is None:
            found[-1] = (found[-1][0], rows)
        else:
            found.append((rows, None))
        before_sweep = True
    return found


def _alike(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    """Tell whether two load lines are the same mode: within 3 %."""
    return one.keys() == other.keys() and all(
        math.isclose(one[key], other[key], rel_tol=0.03, abs_tol=0.02 if key.endswith("_V") else 0.0) for key in one
    )


def _above_nothing(record: "Record", info: "RunInfo") -> FloatArray:
    """Return the current of a survey less what the bench shows in its rests, where nothing flows, shape (n,)."""
    still = np.isin(record.step, [k for k, kind in enumerate(info.step_kinds) if kind == "rest"])
    still &= np.isfinite(record.current_A)
    zero_A = float(np.median(record.current_A[still])) if still.any() else 0.0
    return np.asarray(record.current_A - zero_A, dtype=float)


def modes_in(record: "Record", info: "RunInfo", folder: Path) -> list[SurveyedMode]:
    """Return the modes that a run of the recipe `lamp` found, each once.

    Raises:
        InputError: no device drew current in it.
    """
    current_A = _above_nothing(record, info)

    def sweep(rows: BoolArray) -> Sweep:
        return record.t_s[rows], record.voltage_V[rows], current_A[rows]

    modes: list[SurveyedMode] = []
    for down, up in _sweeps(record.step, record.voltage_V, info.step_kinds):
        try:
            mode = survey_mode(sweep(down), None if up is None else sweep(up), record.switches_s)
        except InputError:
            continue  # a mode that is off
        if not any(_alike(mode.line, other.line) for other in modes):  # else the lamp was left in its mode
            modes.append(mode)
    if not modes:
        raise InputError(
            f"{folder}: no sweep in which a device drew current; a run of the recipe lamp or panel is accepted"
        )
    return modes


def _panel_text(record: "Record", info: "RunInfo") -> str:
    """Return the table [panel] of a run of the recipe `panel`."""
    found = panel_points(record.voltage_V, _above_nothing(record, info))
    return (
        f"# From {info.run_id}: open circuit {found['open_circuit_V']:.3f} V, short circuit "
        f"{found['short_circuit_A'] * 1000:.1f} mA, most power {found['power_W']:.3f} W,\n"
        "# at the light of the moment: scale the current to full sun, and set the hours by your place and season.\n"
        f'[panel]\ncurrent = "{found["current_A"] * 1000:.1f} mA"\nvoltage = "{found["voltage_V"]:.3f} V"\n'
        'diode_drop = "0.3 V"\nshare = "80 %"\n[panel.sun]\ngood = "6 h"\naverage = "4 h"\npoor = "1 h"\n'
    )


def _fewer(points: Sequence[tuple[float, float]], within: float) -> list[tuple[float, float]]:
    """Return as few of the points as lie, joined by straight lines, within a distance in current of all of them."""
    if len(points) < 3:
        return list(points)
    (v0, i0), (v1, i1) = points[0], points[-1]
    off = [abs(amps - (i0 + (i1 - i0) * (volts - v0) / (v1 - v0))) for volts, amps in points]
    k = int(np.argmax(off))
    if off[k] <= within:
        return [points[0], points[-1]]
    return [*_fewer(points[: k + 1], within)[:-1], *_fewer(points[k:], within)]


def _mode_text(mode: SurveyedMode, number: int) -> str:
    """Return the table [[modes]] of a mode."""
    seen = [f"steady from {mode.steady_from_V:.2f} V up"]
    if mode.off_V is not None:
        seen.append(f"shuts off at {mode.off_V:.2f} V")
    if mode.back_V is not None:
        seen.append(f"comes back at {mode.back_V:.2f} V")
    if mode.blinks_V is not None:
        seen.append(f"goes off and on by itself at {mode.blinks_V[0]:.2f} to {mode.blinks_V[1]:.2f} V")
    text = f'[[modes]]\nname = "mode {number}"  # {", ".join(seen)}\n'
    line = mode.line
    if "current_A" in line:
        points = _fewer(mode.curve, max(0.01 * line["current_A"], LINE_WITHIN_A))
        if len(points) > 1 and min(amps for _, amps in points) < 0.97 * line["current_A"]:
            pairs = ", ".join(f'["{volts:.3f} V", "{amps * 1000:.2f} mA"]' for volts, amps in points)
            text += f"line = [{pairs}]\n"
        else:
            text += f'current = "{line["current_A"] * 1000:.2f} mA"\n'
    else:
        text += f'resistor = "{line["resistor_ohm"]:.2f} ohm"\nled = "{max(0.0, line["led_V"]):.3f} V"\n'
    text += f'lowest_rail = "{mode.steady_from_V:.3f} V"\n'
    if mode.back_V is not None:
        text += f'comes_back = "{1000 * max(0.0, mode.back_V - mode.steady_from_V):.0f} mV"\n'
    return text


def duty_from_run(folder: Path, name: str, chemistry: str = "li-ion", panel: Path | None = None) -> str:
    """Return the text of a duty file from a survey's run: recipe `lamp` (with `panel`: and of its panel) or `panel`.

    A panel's run alone gives the table [panel], to be put into a duty file.

    Raises:
        InputError: a run cannot be read or is no survey.
    """
    from amphora.harness.archive.loading import load

    record, info = load(folder)
    if info.profile == "panel":
        return _panel_text(record, info)
    of_panel = None if panel is None else load(panel)
    if of_panel is not None and of_panel[1].profile != "panel":
        raise InputError(f"{panel}: is no run of the recipe panel; one is accepted")
    modes = modes_in(record, info, folder)
    title = name.replace("\\", "\\\\").replace('"', '\\"')
    lowest = min(mode.steady_from_V for mode in modes)
    return (
        f"# From {info.run_id}. Set the chemistry and the night by what the device is. With a panel it needs a\n"
        "# charge limit: measure that, with a cell or a capacitor in it and the panel in full sun.\n"
        f'name = "{title}"\nchemistry = ["{chemistry}"]\nlowest_rail = "{lowest:.3f} V"\n'
        '# charge_limit = "4.20 V"\nquiescent = "0 A"  # not measured by the sweep\n\n'
        + "\n".join(_mode_text(mode, number) for number, mode in enumerate(modes, 1))
        + '\n# [[night]]\n# mode = "mode 1"\n# for = "2 h"\n'
        + ("" if of_panel is None else "\n" + _panel_text(*of_panel))
    )
