"""What the voltage says of the current beside it: it is this cell's, has this sign, flows all the time and no more.

Each function adds to the doubts what speaks against it, in words. Limits are common practice for single cells.
"""

from typing import TYPE_CHECKING

import numpy as np

from amphora.harness.importing.what_was_read import Read, charge_Ah

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

STEP_V = 0.002  # of the voltage; less is no step that has to be explained
AT_REST = 0.006  # and at rest, where a contact may be touched
GAP = 0.003  # of the charge may lie in a span without a reading
REFILLED = 0.12  # of the voltage, from one row at rest to the next; a recovery from 1 It is 5 %
AGAINST = 0.1  # of the charge may flow against the voltage's way


def no_answer(read: Read, doubts: list[str]) -> None:
    """Doubt where the voltage does not answer the steps of the current, as that of the same cell does."""
    v, i = read.rows.columns.v, read.rows.columns.i
    size = float(np.quantile(np.abs(i), 0.98))
    if size <= 0:
        return
    steps = [k for k in np.flatnonzero(np.abs(np.diff(i)) > 0.5 * size).tolist() if 3 <= k < i.size - 4][:400]
    noise = 3 * float(np.median(np.abs(np.diff(v)))) + 2e-4
    right = wrong = 0
    for k in steps:
        before, after = i[k - 2 : k + 1], i[k + 1 : k + 4]
        if np.ptp(before) > 0.1 * size or np.ptp(after) > 0.1 * size:
            continue
        step = float(np.median(v[k + 1 : k + 4]) - np.median(v[k - 2 : k + 1]))
        way = float(i[k + 1] - i[k])
        right += step * way > 0 and abs(step) > noise
        wrong += step * way < 0 and abs(step) > noise
        wrong += abs(step) <= noise and abs(step) < 1e-3
    if wrong > right:
        doubts.append(
            f"the voltage does not answer the current at {wrong} of {wrong + right} steps: they may be of two cells, "
            "or not read together (--map decides)"
        )


def like_a_counter(read: Read, doubts: list[str]) -> None:
    """Doubt a current that grows as steadily as a counter of charge, and a voltage that never moves."""
    t, v, i = read.rows.columns.t, read.rows.columns.v, read.rows.columns.i
    size = np.abs(i)
    most = float(size.max())
    on = size > 0.02 * most
    if most > 0 and on.sum() > 20:
        grown, hours = np.diff(size[on]), t[on]
        rising = float(np.mean(grown >= -1e-3 * most)), float(np.mean(grown <= 1e-3 * most))
        steady = abs(float(np.corrcoef(hours, size[on])[0, 1])) if np.ptp(size[on]) > 0.5 * most else 0.0
        if max(rising) > 0.99 and steady > 0.97:
            doubts.append(
                f"{read.sources.i.shown!r} grows or falls as steadily as a counter of charge does: is it a current? "
                "(--map i= decides)"
            )
    if float(np.ptp(v)) < 5e-4 * abs(float(np.median(v))) and charge_Ah(t, i) > 0.05:
        doubts.append(f"{read.sources.v.shown!r} never moves while charge flows: is it a set value? (--map v= decides)")


def against_its_sign(read: Read, doubts: list[str]) -> None:
    """Doubt the sign where much of the charge flows against the way that the voltage goes."""
    t, v, i = read.rows.columns.t, read.rows.columns.v, read.rows.columns.i
    size = float(np.quantile(np.abs(i), 0.98))
    right = wrong = 0.0
    for sign in (1, -1):
        on = sign * i > 0.1 * size
        edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8), [0]))))
        for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if end - begin < 12:
                continue
            inner = v[begin + 2 : end]
            change = float(np.median(inner[-3:]) - np.median(inner[:3]))
            if abs(change) < 0.03 * abs(float(np.median(inner))):
                continue
            charge = charge_Ah(t[begin:end], i[begin:end])
            right, wrong = (right + charge, wrong) if (change > 0) == (sign > 0) else (right, wrong + charge)
    if wrong > AGAINST * (right + wrong) and wrong > 0:
        doubts.append(
            f"the voltage goes against the current's sign for {wrong:.3g} of {right + wrong:.3g} Ah: charge and "
            "discharge may be mixed up (--discharge-sign decides, or a column that says which)"
        )


def gaps(read: Read, doubts: list[str]) -> None:
    """Doubt the charge where a regular record has a few long spans without a reading, with current on both sides."""
    t, i = read.rows.columns.t, read.rows.columns.i
    span, size = np.diff(t), float(np.quantile(np.abs(i), 0.98))
    on = (np.abs(i[1:]) > 0.1 * size) & (np.abs(i[:-1]) > 0.1 * size) & (span > 0)
    if size <= 0 or on.sum() < 20:
        return
    long = np.flatnonzero(on & (span > 10 * float(np.median(span[on]))))
    unseen = float(np.sum(span[long] * np.abs(i[long]))) / 3600
    if 1 <= long.size <= 5 and unseen > GAP * charge_Ah(t, i):
        line = int(read.rows.lines[long[0]])
        doubts.append(
            f"{span[long[0]]:.0f} s pass from line {line} to the next, far more than between others, while current "
            f"flows: a gap, or a clock that was set; {unseen:.3g} Ah were counted there as if it went on"
        )


def _steady(i: "npt.NDArray[np.float64]", size: float) -> bool:
    """Tell whether a few rows show one current: also the end of a small one is a change."""
    change, most = float(np.ptp(i)), float(np.max(np.abs(i)))
    return change < 0.05 * size and (change < 0.2 * most or most < 0.005 * size)


def unexplained_steps(read: Read, doubts: list[str]) -> None:
    """Doubt where the voltage steps and the current does not: it is frozen, late, another's, or rows are not there."""
    t, v, i = read.rows.columns.t, read.rows.columns.v, read.rows.columns.i
    size = float(np.quantile(np.abs(i), 0.98))
    if size <= 0 or v.size < 40:
        return
    moved, wide = np.diff(v), 6
    jump = np.abs(moved)
    least = max(STEP_V * float(np.median(np.abs(v))), 20 * float(np.median(np.abs(np.diff(moved)))))
    for k in np.flatnonzero(jump > least).tolist():
        if k < wide or k + wide + 1 >= v.size:
            continue
        if t[k + 1] - t[k] > 1.5 * float(np.median(np.diff(t[k - wide : k + wide + 1]))):
            continue  # more time passed than between others: something may have happened
        if abs(float(i[k])) < 0.02 * size and jump[k] < AT_REST * float(np.median(np.abs(v))):
            continue
        about = np.concatenate((moved[k - wide : k], moved[k + 1 : k + wide + 1])) * np.sign(moved[k])
        if jump[k] > 5 * max(float(about.max()), 0.0) and _steady(i[k - 2 : k + 4], size):
            doubts.append(
                f"at line {int(read.rows.lines[k + 1])} the voltage steps by {1e3 * jump[k]:.0f} mV and the current "
                "does not: it may be frozen, late or another cell's, or rows are missing (--map decides)"
            )
            return


def another_pace(read: Read, doubts: list[str]) -> None:
    """Doubt a clock whose pace changes under load while the voltage falls on at the same rate from row to row."""
    t, v, i = read.rows.columns.t, read.rows.columns.v, read.rows.columns.i
    span, wide = np.diff(t), 24
    for k in np.flatnonzero((span[1:] > 2.5 * span[:-1]) | (2.5 * span[1:] < span[:-1]))[:200].tolist():
        if k < wide or k + wide + 2 >= v.size:
            continue
        near = slice(k - wide, k + wide + 2)
        if float(np.ptp(i[near])) > 0.05 * abs(float(np.median(i[near]))) or not float(np.median(i[near])):
            continue
        before, after = slice(k - wide, k + 1), slice(k + 1, k + wide + 2)
        falls = [float(np.polyfit(np.arange(v[part].size), v[part], 1)[0]) for part in (before, after)]
        paces = [float(np.median(span[part])) for part in (slice(k - wide, k), slice(k + 1, k + wide))]
        noise = float(np.median(np.abs(np.diff(v[near])))) + 1e-5
        if min(map(abs, falls)) * wide < 2 * noise or falls[0] * falls[1] <= 0 or min(paces) <= 0:
            continue
        if 0.6 < falls[1] / falls[0] < 1.7 and not 0.4 < paces[1] / paces[0] < 2.5:
            doubts.append(
                f"from line {int(read.rows.lines[k + 1])} on rows are {paces[1]:.3g} s apart, {paces[0]:.3g} s before, "
                "and the voltage falls at the same rate from row to row: the clock may run otherwise (--units decides)"
            )
            return


def another_cell(read: Read, doubts: list[str]) -> None:
    """Doubt where the voltage at rest stands much higher all at once: charged unseen, or another cell."""
    v, i = read.rows.columns.v, read.rows.columns.i
    idle = np.abs(i) < 0.02 * float(np.quantile(np.abs(i), 0.98))
    risen = np.flatnonzero(idle[1:] & idle[:-1] & (np.diff(v) > REFILLED * float(np.median(v))))
    if risen.size:
        line = int(read.rows.lines[risen[0] + 1])
        doubts.append(
            f"at line {line} the voltage stands {float(np.diff(v)[risen[0]]):.2f} V higher than in the row before with "
            "no current: it was charged unseen, or another cell's record begins"
        )


LOOKS: "tuple[Callable[[Read, list[str]], None], ...]" = (
    no_answer, like_a_counter, gaps, unexplained_steps, another_pace, another_cell, against_its_sign
)  # fmt: skip
