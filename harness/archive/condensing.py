"""A very long record in bounded memory: where nothing steps, a few rows in a row become their mean.

Only for records beyond `MOST_ROWS`. Around each step of current or voltage, each new step number, each odd interval and
each gap all rows stay as they were written, long enough for a resistance of a minute; so what is integrated there, and
what is read there, is the same to the bit. Elsewhere a mean of a few rows loses nothing that a trapezoid sees.
"""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

MOST_ROWS = 4_000_000  # of the arrays that analysis works on
AIM_ROWS = 2_500_000
STEP_SHARE = 0.03  # of the largest current so far, as edges are looked for
STEP_V = 0.02
ODD_INTERVAL = 5.0  # times the middle one
BEFORE_S, AFTER_S = 20.0, 120.0
BUFFER_ROWS = 1 << 18


class Condenser:
    """Takes columns in parts, in order, and gives them back condensed.

    Args:
        rows: How many rows there will be, about.
        gap_rows: Rows that a gap in the record came before; they are kept.
    """

    def __init__(self, rows: int, gap_rows: Sequence[int] = ()) -> None:
        """Choose how many rows become one; 1: nothing is condensed."""
        self.every = max(1, math.ceil(rows / AIM_ROWS)) if rows > MOST_ROWS else 1
        self.rows_in = 0
        self.rows_out = 0
        self.place_of: dict[int, int] = {}  # a gap's row in what was written -> in what is given back
        self._gaps = sorted(gap_rows)
        self._held: list[dict[str, Any]] = []
        self._held_rows = 0
        self._first = 0  # row number of the first one held
        self._busy_until_s = -math.inf
        self._scale_A = 0.0

    def take(self, part: dict[str, Any]) -> dict[str, Any] | None:
        """Return what can be given back after this part, shape (m,) each; None: nothing yet."""
        size = int(part["t_s"].size)
        self.rows_in += size
        self._held.append({name: np.array(values) for name, values in part.items()})
        self._held_rows += size
        return self._give(last=False) if self._held_rows >= BUFFER_ROWS else None

    def rest(self) -> dict[str, Any] | None:
        """Return what is still held."""
        return self._give(last=True) if self._held_rows else None

    def _give(self, last: bool) -> dict[str, Any] | None:
        held = {name: np.concatenate([part[name] for part in self._held]) for name in self._held[0]}
        t = held["t_s"]
        size = int(t.size)
        upto = size if last else max(0, min(int(np.searchsorted(t, t[-1] - BEFORE_S)), size - 2 * self.every))
        upto -= 0 if last else upto % self.every
        if upto <= 0:
            self._held = [held]
            return None
        keep = self._kept(held, upto)
        blocks = upto // self.every
        whole = np.zeros(upto, bool)  # rows that go into a mean
        mean = ~keep[: blocks * self.every].reshape(blocks, self.every).any(axis=1)
        whole[: blocks * self.every] = np.repeat(mean, self.every)
        first = np.zeros(upto, bool)
        first[: blocks * self.every : self.every] = mean
        out = {}
        for name, values in held.items():
            values = values[:upto]
            made = values.copy()
            if name != "step":
                made[first] = values[: blocks * self.every].reshape(blocks, self.every)[mean].mean(axis=1)
            out[name] = made[first | ~whole]
        places = self.rows_out + np.cumsum(first | ~whole) - 1
        for row in self._gaps:
            if self._first <= row < self._first + upto:
                self.place_of[row] = int(places[row - self._first])
        self.rows_out += int(out["t_s"].size)
        self._first += upto
        self._held = [] if upto == size else [{name: values[upto:] for name, values in held.items()}]
        self._held_rows = size - upto
        return out

    def _kept(self, held: dict[str, Any], upto: int) -> Any:
        """Return which rows stay as they are, shape (upto,): those near anything that steps."""
        t, amps, volts, step = held["t_s"], held["current_A"], held["voltage_V"], held["step"]
        with np.errstate(invalid="ignore"):
            self._scale_A = max(self._scale_A, float(np.nanmax(np.abs(amps), initial=0.0)))
            dt = np.diff(t)
            usual = float(np.median(dt)) if dt.size else 0.0
            steady = (
                (np.abs(np.diff(amps)) <= STEP_SHARE * self._scale_A)
                & (np.abs(np.diff(volts)) <= STEP_V)
                & (np.diff(step) == 0)
                & (dt > 0)
                & (dt <= ODD_INTERVAL * max(usual, 1e-9))
            )
        odd = np.flatnonzero(~steady)
        keep = np.zeros(t.size, bool)
        keep[: max(1, int(np.searchsorted(t, self._busy_until_s, side="right")))] = True
        if self._first == 0:
            odd = np.append(odd, 0)
        near = [row - self._first for row in self._gaps if 0 <= row - self._first < t.size]
        edge = np.zeros(t.size + 1, np.int64)
        for row in [*odd.tolist(), *near]:
            low = min(row, int(np.searchsorted(t, t[row] - BEFORE_S)))
            until = float(t[min(row + 1, t.size - 1)]) + AFTER_S
            high = max(row + 2, int(np.searchsorted(t, until, side="right")))
            edge[low] += 1
            edge[min(high, t.size)] -= 1
            if row < upto:
                self._busy_until_s = max(self._busy_until_s, until)
        keep |= np.cumsum(edge[:-1]) > 0
        return keep[:upto]
