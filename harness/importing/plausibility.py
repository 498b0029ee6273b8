"""Whether the readings of a table can be a cell's, and which sign of its current discharges.

Refuses what no cell does, flags what a cell should not do, and gives the current the sign of this house:
positive into the cell. Knows arrays and what they show; nothing of files but the name and the lines that a
message gives. The limits are common practice for single cells.
"""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from amphora.harness.cells.forms import forms
from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import ColumnSource
from amphora.harness.importing.rows import Rows
from amphora.harness.importing.table_file import Layout, lines_text
from amphora.harness.importing.told import Told
from amphora.harness.importing.unit_choice import DOUBT_AH, FULL_SWING_H, SWING_V, most_Ah, swing_of

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]
    BoolArray = npt.NDArray[np.bool_]

STRAY_ROWS = 5  # so many readings in a row may be strays
MOST_STRAYS = 0.02
Sign = Literal["negative", "positive"]

_STATES = (  # words for what a row does, as tables have them; the beginning of the word decides
    (re.compile(r"^(dis|dch|dc\b|d$|entlad)", re.I), -1.0),
    (re.compile(r"^(ch|cc|cv|c$|lad)", re.I), 1.0),
)


def states_of(layout: Layout, table: "pd.DataFrame", sources: Mapping[str, ColumnSource]) -> "FloatArray | None":
    """Return what a column of words says each row of the table does, shape (rows,); None without such a column.

    -1 is a discharge, 1 a charge, 0 neither.
    """
    import numpy as np

    main = {source.column for source in sources.values()}
    for column in range(layout.width):
        series = table[column]
        if column in main or series.dtype.kind in "fiub":
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


def doubt_scale(file: Path, rows: Rows, form: str, told: Told) -> None:
    """Warn where a swing lasts as no test does, moves what no cell holds, or differs from the table's counter."""
    import numpy as np

    swing = swing_of(rows.columns["t"], rows.columns["v"], rows.columns["i"])
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
        most = 1.5 * most_Ah(form)
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


def without_strays(file: Path, rows: Rows, told: Told) -> Rows:
    """Return the rows without readings that no cell gives in mid-run: 0 V between two good ones, or a million ampere.

    At most a few in a row and few in all; they are named. What stands at the end is kept: it may be the end.

    Raises:
        InputError: more than a few.
    """
    import numpy as np

    v, i = rows.columns["v"], rows.columns["i"]
    if v.size < 20:
        return rows
    middle_V = float(np.median(v))
    scale_A = float(np.quantile(np.abs(i), 0.98))
    wild = (np.abs(v) < 0.02 * middle_V) | (v > 2.5 * middle_V) | (v < -0.5 * middle_V)
    wild |= np.abs(i) > max(20 * scale_A, 1.0) if scale_A > 0 else np.abs(i) > 1e3
    if not wild.any():
        return rows
    edges = np.flatnonzero(np.diff(np.concatenate(([0], wild.astype(np.int8), [0]))))
    out = np.zeros(v.size, bool)
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        mid_run = begin > 0 and end < v.size
        if mid_run and end - begin <= STRAY_ROWS and abs(v[end] - v[begin - 1]) < 0.15 * middle_V:
            out[begin:end] = True
    # One reading of the current may be wild anywhere: the cell was not there.
    out |= (np.abs(i) > max(1000 * scale_A, 1e3)) & (np.abs(i) > 1e3)
    if not out.any():
        return rows
    if out.sum() > max(3, MOST_STRAYS * v.size):
        raise InputError(
            f"{file}, line {int(rows.lines[np.flatnonzero(out)[0]])}: {int(out.sum())} of {v.size} rows hold readings "
            "that no cell gives (0 V under way, or a current far beyond all others); a table with a few is accepted"
        )
    first = int(np.flatnonzero(out)[0])
    told.note(lines_text(rows.lines[out].tolist(), "a reading that no cell gives in mid-run; set aside"))
    told.warn(
        "stray-readings",
        f"{int(out.sum())} reading(s) that no cell gives in mid-run were set aside, first at line "
        f"{int(rows.lines[first])}: "
        f"{v[first]:.4g} V, {i[first]:.4g} A.",
    )
    keep = ~out
    before = np.cumsum(out)
    return Rows(
        {name: values[keep] for name, values in rows.columns.items()},
        {name: values[keep] for name, values in rows.extra.items()},
        rows.executed[keep],
        rows.lines[keep],
        [row - int(before[row - 1]) for row in rows.restarts if row < v.size],
        rows.first_utc,
    )


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

    current_A = np.abs(rows.columns["i"])
    scale_A = float(np.quantile(current_A, 0.99))  # a few wild readings do not set the scale
    middle_V = float(np.median(rows.columns["v"]))
    _refuse_wrong_scale(file, rows, middle_V, scale_A)
    idle = current_A < max(0.02, 0.01 * scale_A)
    _judge_jumps(file, rows, idle, scale_A, told)
    _flag(rows, int(np.count_nonzero(~idle)), middle_V, scale_A, told)


def _refuse_wrong_scale(file: Path, rows: Rows, middle_V: float, scale_A: float) -> None:
    if 1000 < middle_V < 5500:
        raise InputError(f"{file}: voltages about {middle_V:.0f} V; in mV? add a factor to the map, such as v=…*0.001")
    if middle_V > 60 or middle_V < -0.5:
        raise InputError(f"{file}: voltages about {middle_V:.3g} V are not a cell's; 0 V to 60 V is accepted")
    if scale_A > 2000:
        raise InputError(f"{file}: currents up to {scale_A:.0f} A; in mA? add a factor to the map, such as i=…*0.001")
    t, lines = rows.columns["t"], rows.lines
    if t[-1] <= t[0]:
        raise InputError(
            f"{file}: all {t.size} rows (lines {int(lines.min())} to {int(lines.max())}) have the same time; "
            "a table over time is accepted"
        )


def _judge_jumps(file: Path, rows: Rows, idle: "BoolArray", scale_A: float, told: Told) -> None:
    """Judge the voltage at rest: a cell's does not jump by half a volt from one reading to the next."""
    import numpy as np

    t, v, lines = rows.columns["t"], rows.columns["v"], rows.lines
    together = idle[1:] & idle[:-1] & (np.diff(t) < 60)
    jumps = np.flatnonzero(together & (np.abs(np.diff(v)) > 0.5))
    if not jumps.size:
        return
    row = int(jumps[0])
    if t.size < 20 or jumps.size > 0.1 * t.size or scale_A < 0.005:
        raise InputError(
            f"{file}: from line {int(lines[row])} to line {int(lines[row + 1])} the voltage goes from {v[row]:.3f} V "
            f"to {v[row + 1]:.3f} V with no current flowing, which no cell does; the record is nonsense and was not "
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

    v, i, lines = rows.columns["v"], rows.columns["i"], rows.lines
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
    votes = {"negative": 0.0, "positive": 0.0}
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
            who = "positive" if (change < 0) == (sign > 0) else "negative"
            votes[who] += abs(change) * float(end - begin)
    negative, positive = votes["negative"], votes["positive"]
    if negative == positive == 0:
        return None
    if negative > 3 * positive:
        return "negative"
    if positive > 3 * negative:
        return "positive"
    return None
