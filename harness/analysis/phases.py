"""Charges and discharges in a record.

A phase is a charge or discharge with the rests and pulses inside it; opposite charge above 1 % of
it ends it. Its main current is the one it mostly ran at; a reading below the cut-off in a pulse
of more current is not its end. Units: s, A, V, Ah; current positive into the cell.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from amphora.harness.analysis.integration import Totals, largest_current_A
from amphora.harness.analysis.records import FloatArray, IntArray, Record, blocks

OPPOSITE_SHARE = 0.01
DEADBAND_SHARE = 0.005
TRANSIENT_SHARE = 0.002  # switching on may kick the other way for a reading; that belongs to the phase
STEADY_SHARE = 0.01  # a current that varies by no more is one current
NOISE_A = 0.02  # less than any test draws; readings up to it that jump about zero are those of no current
NOISE_ROWS = 10  # fewer readings do not show whether they jump about
REST_AGREES_V = 0.003  # of two rests about a gap; on a flat curve more may hide a fifth of the charge


@dataclass(frozen=True)
class Phase:
    """One charge or discharge: rows `first_row` to `last_row`, both included.

    `first_row` is the last row before it began (or the record's first), `last_row` the first row
    after it ended (or the record's last). `begin_Ah`, `end_Ah`: running charge at both ends.
    """

    kind: Literal["charge", "discharge"]
    first_row: int
    last_row: int
    begin_Ah: float
    end_Ah: float
    main_current_A: float  # signed
    cut_by_gap: bool = False


def find_phases(record: Record, totals: Totals) -> tuple[Phase, ...]:
    """Return the phases of a record in order.

    Args:
        record: Readings, shape (n,) each.
        totals: The running totals of the same record.

    Source: the words of this project (design, section 7): opposite charge above 1 % ends a phase.
    """
    current_A = record.current_A
    scale_A = largest_current_A(current_A)
    if scale_A <= 0 or only_noise(current_A):
        return ()
    sign = np.zeros(current_A.size, np.int8)
    dead_A = DEADBAND_SHARE * scale_A
    sign[current_A > dead_A] = 1
    sign[current_A < -dead_A] = -1
    breaks = _breaking_gaps(record, dead_A)
    phases: list[Phase] = []
    begin = 0
    for end in [*breaks, current_A.size]:
        cut = end != current_A.size
        found = _between(record, totals, sign, begin, end)
        if found and cut:
            last = found[-1]
            if last.last_row >= end - 1 and sign[end - 1] != 0:
                found[-1] = Phase(
                    last.kind, last.first_row, last.last_row, last.begin_Ah, last.end_Ah, last.main_current_A, True
                )
        phases.extend(found)
        begin = end
    largest = max((abs(phase.end_Ah - phase.begin_Ah) for phase in phases), default=0.0)
    return tuple(phase for phase in phases if abs(phase.end_Ah - phase.begin_Ah) > OPPOSITE_SHARE * largest)


def only_noise(current_A: FloatArray) -> bool:
    """Tell whether readings are those of no current: small, and none is like the one before it.

    A small current that flows, or an offset, is like the one before; white noise is not.

    Args:
        current_A: Shape (n,), finite.

    Source: lag-one autocorrelation about zero, below a half; common practice for telling noise from a signal.
    """
    if current_A.size < NOISE_ROWS or largest_current_A(current_A) > NOISE_A:
        return False
    return float(np.dot(current_A[1:], current_A[:-1])) < 0.5 * float(np.dot(current_A, current_A))


def _breaking_gaps(record: Record, dead_A: float) -> list[int]:
    """Return the rows after gaps of unknown charge that cannot have been a plain rest."""
    rows = []
    for gap in record.gaps:
        if gap.charge_low_Ah is not None and gap.charge_high_Ah is not None:
            continue
        row = gap.after_row
        if not 0 < row < record.t_s.size:
            continue
        at_rest = bool((np.abs(record.current_A[row - 1 : row + 1]) <= dead_A).all())
        if at_rest and abs(record.voltage_V[row] - record.voltage_V[row - 1]) < REST_AGREES_V:
            continue
        rows.append(row)
    return sorted(set(rows))


def _between(record: Record, totals: Totals, sign: np.ndarray, begin: int, end: int) -> list[Phase]:
    """Find the phases among rows [begin, end)."""
    part = sign[begin:end]
    change = np.flatnonzero(np.diff(part)) + 1
    starts = np.concatenate(([0], change))
    stops = np.concatenate((change, [part.size]))  # exclusive
    loaded = [
        (int(a) + begin, int(b) - 1 + begin, int(part[a])) for a, b in zip(starts, stops, strict=True) if part[a] != 0
    ]
    if not loaded:
        return []
    pieces = [(first, last, way, _charge_of(record, totals, first, last, begin, end)) for first, last, way in loaded]
    threshold = 0.0
    turns: list[tuple[int, int, int, float]] = []
    largest = max(abs(piece[3]) for piece in pieces)
    for _ in range(4):
        threshold = OPPOSITE_SHARE * largest
        turns = _zigzag(pieces, threshold)
        found = max((abs(turn[3]) for turn in turns), default=largest)
        if found <= largest * (1 + 1e-9):
            break
        largest = found
    phases = []
    for begun, last, way, total in turns:
        first = _switched_on(pieces, begun, abs(total))
        low, high = max(begin, first - 1), min(end - 1, last + 1)
        begin_Ah, end_Ah = _ends(record, totals, first, last, begin, end)
        phases.append(
            Phase(
                "charge" if way > 0 else "discharge",
                low,
                high,
                begin_Ah,
                end_Ah,
                _main_current_A(record, low, high, way, sign),
            )
        )
    return phases


def _switched_on(pieces: list[tuple[int, int, int, float]], first: int, total_Ah: float) -> int:
    """Return where a phase begins when a transient of the other sign runs straight into it."""
    for piece, following in pairwise(pieces):
        if following[0] == first and piece[1] == first - 1 and abs(piece[3]) < TRANSIENT_SHARE * total_Ah:
            return piece[0]
    return first


def _ends(record: Record, totals: Totals, first: int, last: int, begin: int, end: int) -> tuple[float, float]:
    """Return the running charge where the loaded rows [first, last] begin and end."""
    charge = totals.charge_Ah
    begin_Ah = float(charge[first])
    if first > begin:
        begin_Ah = _at_step(record, totals, first - 1, same_sign_after=True)
    end_Ah = float(charge[last])
    if last + 1 < end:
        end_Ah = _at_step(record, totals, last, same_sign_after=False)
    return begin_Ah, end_Ah


def _at_step(record: Record, totals: Totals, row: int, same_sign_after: bool) -> float:
    """Return the running charge that parts a phase from what is beyond the interval after `row`."""
    charge = totals.charge_Ah
    here_A, next_A = float(record.current_A[row]), float(record.current_A[row + 1])
    outer_A = here_A if same_sign_after else next_A
    inner_A = next_A if same_sign_after else here_A
    if outer_A * inner_A >= 0 or abs(outer_A) < 0.02 * abs(inner_A):
        return float(charge[row] if same_sign_after else charge[row + 1])
    at = np.flatnonzero(totals.edges.row == row)
    dt = float(record.t_s[row + 1] - record.t_s[row])
    held = float(totals.edges.at_s[at[0]] - record.t_s[row]) if at.size else dt * abs(here_A) / abs(next_A - here_A)
    share = here_A * held if at.size else 0.5 * here_A * held
    return float(charge[row]) + share / 3600.0


def _charge_of(record: Record, totals: Totals, first: int, last: int, begin: int, end: int) -> float:
    low, high = _ends(record, totals, first, last, begin, end)
    return high - low


def _zigzag(pieces: list[tuple[int, int, int, float]], threshold: float) -> list[tuple[int, int, int, float]]:
    """Join loaded stretches into phases: opposite charge up to `threshold` does not end one."""
    out: list[tuple[int, int, int, float]] = []
    index = 0
    while index < len(pieces):
        first, last, way, charge = pieces[index]
        total, best, best_last, best_next = charge, abs(charge), last, index + 1
        look = index + 1
        while look < len(pieces):
            total += pieces[look][3]
            if way * total >= best:
                best, best_last, best_next = way * total, pieces[look][1], look + 1
            if best - way * total > threshold:
                break
            look += 1
        if best > threshold or not out:
            out.append((first, best_last, way, way * best))
        index = best_next
    return [turn for turn in out if abs(turn[3]) > threshold] or out


def _main_current_A(record: Record, low: int, high: int, way: int, sign: np.ndarray) -> float:
    """Return the current, weighted by charge, that a phase mostly ran at: its weighted median."""
    stride = max(1, (high - low) // 50_000)
    rows = np.arange(low, high + 1, stride)
    rows = rows[sign[rows] == way]
    if rows.size == 0:
        rows = np.arange(low, high + 1)[sign[low : high + 1] == way]
    if rows.size == 0:
        return 0.0
    current_A = record.current_A[rows]
    if float(np.ptp(current_A)) <= STEADY_SHARE * abs(float(current_A[0])):
        return float(np.median(current_A[:: max(1, current_A.size // 2000)]))
    after = np.minimum(rows + 1, record.t_s.size - 1)
    before = np.maximum(rows - 1, 0)
    weight = np.abs(current_A) * (record.t_s[after] - record.t_s[before])
    order = np.argsort(current_A)
    cumulative = np.cumsum(weight[order])
    if cumulative[-1] <= 0:
        return float(np.median(current_A))
    return float(current_A[order][np.searchsorted(cumulative, 0.5 * cumulative[-1])])


def at_main_current(record: Record, phase: Phase) -> IntArray:
    """Return the rows of a phase that are at its main current, as indices, shape (m,).

    The main current may drift (a resistor, constant power): it is followed as the running median
    of the loaded readings; a reading is at it between 0.7 and 1.4 times.

    Source: the words of this project (design, section 7): a sag in a pulse is no crossing.
    """
    low, high = phase.first_row, phase.last_row
    current_A = record.current_A[low : high + 1]
    way = 1.0 if phase.kind == "charge" else -1.0
    main_A = abs(phase.main_current_A)
    at_main, flat, loaded = np.empty(current_A.size, bool), 0.0, 0.0
    for first, last in blocks(current_A.size):
        part = way * current_A[first:last]
        near, flowing = (part > 0.9 * main_A) & (part < 1.1 * main_A), part > 0.05 * main_A
        if phase.kind == "discharge":  # by charge: a coarse meter shows a step through hours of rest
            flat += float(part[near].sum())
            loaded += float(part[flowing].sum())
        else:
            flat += float(np.count_nonzero(near))
            loaded += float(np.count_nonzero(flowing))
        np.logical_and(part > 0.7 * main_A, part < 1.4 * main_A, out=at_main[first:last])
    if flat > 0.9 * loaded > 0.0:
        return _rows(at_main, low)
    ratio: FloatArray = way * current_A
    t_s = record.t_s[low : high + 1]
    bins = 64
    edges = np.searchsorted(t_s, np.linspace(t_s[0], t_s[-1], bins + 1))
    levels = np.full(bins, np.nan)
    for index in range(bins):
        a, b = int(edges[index]), max(int(edges[index]) + 1, int(edges[index + 1]))
        stride = max(1, (b - a) // 2000)
        part = ratio[a:b:stride]
        part = part[part > 0.05 * main_A]
        if part.size:
            levels[index] = np.median(part)
    good = np.flatnonzero(np.isfinite(levels))
    if good.size == 0:
        return np.empty(0, np.int64)
    filled = np.interp(np.arange(bins), good, levels[good])
    smooth = np.array([np.median(filled[max(0, i - 3) : i + 4]) for i in range(bins)])
    begin_s, span_s = float(t_s[0]), float(t_s[-1] - t_s[0])
    centres = begin_s + (np.arange(bins) + 0.5) / bins * span_s
    local = np.interp(t_s, centres, smooth)
    return _rows((ratio > 0.7 * local) & (ratio < 1.4 * local), low)


def _rows(where: npt.NDArray[np.bool_], low: int) -> IntArray:
    rows = np.flatnonzero(where).astype(np.int64, copy=False)
    rows += low
    return rows
