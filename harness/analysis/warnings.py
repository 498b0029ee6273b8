"""Warnings that a practitioner understands: what to distrust in a record, and what to do.

Each is a code (for programs) and a sentence (for people). Pure: arrays and plain values in.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from amphora.harness.analysis.capacity import Figures
from amphora.harness.analysis.integration import Totals
from amphora.harness.analysis.late_resistor import EarlyResistor, LateResistor, late_resistor
from amphora.harness.analysis.phases import Phase, at_main_current
from amphora.harness.analysis.records import FloatArray, IntArray, Record, RunInfo
from amphora.harness.cells.forms import NICKEL, form_of

WARM_RISE_K = 15.0
HOT_DEGC = 60.0


@dataclass(frozen=True)
class Warning_:
    """One warning: `code` for programs, `text` for people."""

    code: str
    text: str


def find_warnings(
    record: Record,
    info: RunInfo,
    totals: Totals,
    phase: Phase | None,
    figures: Figures | None,
    start: str,
    cutoff_V: float | None,
    resistances: Sequence[Any] = (),
    rise_K: float | None = None,
    charges: Sequence[Phase] = (),
) -> list[Warning_]:
    """Return what to distrust in a record.

    Args:
        record: Readings, shape (n,) each.
        info: What is known beside them.
        totals: Running totals of the record.
        phase: The discharge that the figures are about, or None.
        figures: Its figures, or None.
        start: How it started: 'full', 'declared-full' or 'unknown'.
        cutoff_V: The cut-off used.
        resistances: Findings with `method`, `ohm`, `duration_s`.
        rise_K: Temperature rise, or None.
        charges: The charges of the record: did the supply hold its current?

    Source: common practice, each limit beside its constant.
    """
    out: list[Warning_] = []

    def add(code: str, text: str) -> None:
        out.append(Warning_(code, text))

    if phase is None or figures is None:
        add("no-discharge", "No discharge in this record: it says nothing about capacity.")
    else:
        if start == "unknown":
            add(
                "start-unknown",
                "The cell is not known to have been full at the start: this is what was left in it, "
                "not what it can hold.",
            )
        elif start == "declared-full":
            add("start-declared", "That the cell was full at the start was declared, not seen.")
        if not figures.reached_cutoff:
            limit = "the cut-off" if cutoff_V is None else f"the cut-off of {cutoff_V:.3g} V"
            add(
                "cutoff-not-reached",
                f"The discharge ended at {figures.end_voltage_V:.3f} V before {limit} was crossed: "
                "capacity and energy are an 'at least'.",
            )
        out += _of_size(info, figures)
        out += _of_temperature(record, phase, rise_K)
        rows = at_main_current(record, phase)
        out += _of_current(record, rows, "discharge", "the load's setting wanders, or its reading does")
        out += _of_protection(record, phase, figures, cutoff_V)
        out += _of_late_resistor(record, phase)
        out += _of_contact(record, phase, rows, resistances)
        out += _of_sense(resistances)
    for charge in charges:
        found = _of_current(
            record, _before_taper(record, charge), "charge", "the supply's set current wanders, or its reading does"
        )
        if found:
            out += found
            break
    out += _of_gaps(record)
    out += _of_edges(totals, record)
    if info.measurement.current.assumed or info.measurement.voltage.assumed:
        add(
            "specification-assumed",
            "The instruments' accuracy was not given; the uncertainty rests on assumed values for a cheap bench.",
        )
    if not info.finished:
        cut = f"The run was cut short ({info.stop})." if info.stop else "The run was cut short, or is still going on."
        add("unfinished", cut)
    return out


def _of_size(info: RunInfo, figures: Figures) -> list[Warning_]:
    form = form_of(info.form)
    if form is None:
        return []
    low = figures.mean_voltage_V is not None and figures.mean_voltage_V < 1.6
    limit_Ah = form.most(nickel=info.chemistry in NICKEL or (info.chemistry == "auto" and low))
    if figures.capacity_Ah <= limit_Ah:
        return []
    return [
        Warning_(
            "capacity-implausible",
            f"{figures.capacity_Ah * 1000:.0f} mAh is more than an {info.form} of this kind can hold "
            f"(about {limit_Ah * 1000:.0f} mAh): look for a wrong scale, a wrong sign or a second cell in parallel.",
        )
    ]


def _of_temperature(record: Record, phase: Phase, rise_K: float | None) -> list[Warning_]:
    out = []
    if rise_K is not None and rise_K > WARM_RISE_K:
        out.append(
            Warning_(
                "warmed-much",
                f"The cell warmed by {rise_K:.0f} K, more than {WARM_RISE_K:.0f} K: discharge it with less "
                "current next time, and distrust it if the current was modest.",
            )
        )
    part = record.temperature_degC[phase.first_row : phase.last_row + 1]
    good = part[np.isfinite(part)]
    if good.size:
        if float(good.max()) > HOT_DEGC:
            out.append(Warning_("hot", f"The cell reached {good.max():.0f} °C; discharging usually ends at 60 °C."))
        if rise_K is not None:  # before it warmed, as `temperature_rise_K` counts
            first = float(good.max()) - rise_K
        else:
            first = float(np.median(good[: max(1, min(20, good.size // 10))]))
        if abs(first - 20.0) > 5.0:
            out.append(
                Warning_(
                    "not-at-20-degC",
                    f"The cell was at about {first:.0f} °C; the reference of IEC 61960-3 is 20 °C ± 5 K, "
                    "so compare it only with runs at this temperature.",
                )
            )
    else:
        out.append(Warning_("no-temperature", "No temperature was recorded: warming went unseen."))
    return out


def _before_taper(record: Record, charge: Phase) -> IntArray:
    """Return the rows of a charge before its voltage is held: there the current falls by itself."""
    rows = at_main_current(record, charge)
    if rows.size == 0:
        return rows
    voltage = record.voltage_V[rows]
    near = np.flatnonzero(voltage >= 0.995 * float(voltage.max()))
    return rows[: int(near[0])] if near.size else rows


def _of_current(record: Record, rows: IntArray, kind: str, cause: str) -> list[Warning_]:
    if rows.size < 40:
        return []
    stride = max(1, rows.size // 5000)
    current = np.abs(record.current_A[rows[::stride]])
    n = current.size // 10
    early, late = float(np.median(current[n : 2 * n])), float(np.median(current[-2 * n : -n]))
    scatter = float(np.median(np.abs(np.diff(current)))) / max(early, 1e-12)
    drift = abs(late - early) / max(early, 1e-12)
    voltage = record.voltage_V[rows[::stride]]
    follows = abs(float(np.median(voltage[-2 * n : -n]) / np.median(voltage[n : 2 * n])) - late / max(early, 1e-12))
    if 0.01 < drift < 0.08 and scatter < 0.2 * drift and follows > 0.02:
        return [
            Warning_(
                "current-drift",
                f"The {kind} current drifted by {100 * drift:.1f} % while it should have stood still: {cause}.",
            )
        ]
    return []


def _of_protection(record: Record, phase: Phase, figures: Figures, cutoff_V: float | None) -> list[Warning_]:
    """A protection board that opens: the current falls to zero by itself and the voltage with it."""
    last = phase.last_row
    if last <= phase.first_row + 1 or last >= record.t_s.size:
        return []
    gone = abs(float(record.current_A[last])) < 0.02 * abs(phase.main_current_A)
    before_V, fallen_V = float(record.voltage_V[last - 1]), float(record.voltage_V[last])
    # the voltage may be read as fallen one reading before the current is
    at_once = float(record.voltage_V[last - 2])
    if before_V < 0.5 * at_once and at_once > (cutoff_V or 0.0):
        before_V, fallen_V = at_once, before_V
    elif figures.reached_cutoff:
        return []
    if gone and fallen_V < before_V - 0.3 and fallen_V < 0.8 * before_V:
        return [
            Warning_(
                "protection-opened",
                f"Current and voltage fell together at {before_V:.2f} V: a protection board in the path has "
                "opened. It hides the cell; what it gave before counts, its own resistance is in every figure.",
            )
        ]
    return []


def late_resistor_told(found: Sequence[LateResistor | EarlyResistor]) -> list[Warning_]:
    """Return that a resistor went on before or after it was said to be on, and what was put right for it.

    Source: see `late_resistor`.
    """
    return [_early_told(item) if isinstance(item, EarlyResistor) else _late_told(item) for item in found]


def _late_told(item: LateResistor) -> Warning_:
    return Warning_(
        "resistor-late-corrected",
        f"The voltage did not fall when the resistor was said to be on, but {item.late_s / 60:.2g} min later, by "
        f"{1000 * item.fall_V:.0f} mV at once: it was clipped on then. {1000 * item.counted_Ah:.3g} mAh had been "
        "counted that did not flow; they are taken off, the discharge begins where the resistor was on.",
    )


def _early_told(item: EarlyResistor) -> Warning_:
    return Warning_(
        "resistor-early-counted",
        f"The voltage fell by {1000 * item.fall_V:.0f} mV at once, {item.early_s:.0f} s before the resistor was said "
        f"to be on: it was clipped on then. {1000 * item.missed_Ah:.3g} mAh that flowed until the answer are counted.",
    )


def _of_late_resistor(record: Record, phase: Phase) -> list[Warning_]:
    late = late_resistor(record, phase)  # one that could not be taken out
    if late is None:
        return []
    return [
        Warning_(
            "resistor-late",
            f"The resistor went on {late.late_s / 60:.2g} min late, and {1000 * late.counted_Ah:.3g} mAh were counted "
            "that did not flow: repeat the run.",
        )
    ]


def _of_contact(record: Record, phase: Phase, rows: IntArray, resistances: Sequence[Any]) -> list[Warning_]:
    if rows.size > 200_000:  # a long record: twenty stretches of it tell as much
        places = np.linspace(0, rows.size - 10_000, 20).astype(np.int64)
        rows = np.concatenate([rows[place : place + 10_000] for place in places])
    out = []
    if rows.size >= 60:
        picked = rows
        voltage, current = record.voltage_V[picked], record.current_A[picked]
        before_s, after_s = np.diff(record.t_s[picked])[:-1], np.diff(record.t_s[picked])[1:]
        share = after_s / np.maximum(before_s + after_s, 1e-9)  # rows need not be evenly spaced
        bend = 2 * (share * voltage[:-2] + (1 - share) * voltage[2:] - voltage[1:-1])
        together = np.diff(picked) == 1
        steady = np.abs(np.diff(current)) < 0.02 * abs(phase.main_current_A)
        usable = together[1:] & together[:-1] & steady[1:] & steady[:-1]
        usual = float(np.median(np.abs(bend[usable]))) if usable.any() else 0.0
        limit = max(8 * usual, 0.005 * abs(phase.main_current_A) * 2, 0.003)
        inner = usable.size - max(5, usable.size // 50)  # the knee at the end is no contact
        slope = np.abs(voltage[2:] - voltage[:-2]) / np.maximum(before_s + after_s, 1e-9)
        within_V = 4 * slope * record.orders_within_s  # each reading's own moment is known no better
        jumps = int(np.count_nonzero((usable & (np.abs(bend) > limit + within_V))[:inner]))
        if jumps >= 3:
            out.append(
                Warning_(
                    "bad-contact",
                    f"The voltage jumped {jumps} times while the current stood still: a contact that moves. "
                    "Clean the ends, seat the cell again and repeat.",
                )
            )
    by_kind: dict[tuple[str, float], list[float]] = {}
    for item in resistances:
        if item.duration_s is not None and item.ohm is not None and item.duration_s <= 1.0:
            by_kind.setdefault((str(item.method), float(item.duration_s)), []).append(float(item.ohm))
    for (method, duration_s), values in by_kind.items():
        if len(values) >= 4:
            steps = np.abs(np.diff(values))
            usual = float(np.median(steps))
            ohm = np.array(values)
            aside, around = np.abs(ohm[1:-1] - 0.5 * (ohm[:-2] + ohm[2:])), np.abs(ohm[2:] - ohm[:-2])
            least = max(0.005, 0.15 * float(np.median(values)))
            alone = (aside > least) & (aside > 1.5 * around)  # one that stands apart from both its neighbours
            if float(steps.max()) > max(least, 6 * usual) or alone.any():
                out.append(
                    Warning_(
                        "resistance-stepped",
                        f"The resistance ({method}, {duration_s:g} s) stepped by {1000 * steps.max():.0f} mΩ "
                        "between two pulses: more than 5 mΩ is the contact, not the cell.",
                    )
                )
                break
    return out


def _of_sense(resistances: Sequence[Any]) -> list[Warning_]:
    """Sense leads on the wrong points: the drop is large and there at once, with next to no slow part."""
    known = [item for item in resistances if item.ohm is not None and item.duration_s]
    quick = [float(item.ohm) for item in known if item.duration_s <= 1.0]
    slow = [float(item.ohm) for item in known if item.duration_s >= 9.0]
    if any(value < 0 for value in quick):
        return [
            Warning_(
                "sense-reversed",
                "The voltage rose when current was drawn: sense leads or the sign of the current are reversed.",
            )
        ]
    if quick and slow and float(np.median(quick)) > 0.25 and float(np.median(slow)) < 1.1 * float(np.median(quick)):
        return [
            Warning_(
                "sense-wiring",
                f"{1000 * float(np.median(quick)):.0f} mΩ, nearly all of it at once: leads or holder are measured "
                "with the cell. Connect the sense leads at the cell's own ends.",
            )
        ]
    return []


def _of_gaps(record: Record) -> list[Warning_]:
    out = []
    unknown = [gap for gap in record.gaps if gap.charge_low_Ah is None or gap.charge_high_Ah is None]
    bounded = [gap for gap in record.gaps if gap not in unknown]
    if unknown:
        longest = max(gap.to_s - gap.from_s for gap in unknown)
        out.append(
            Warning_(
                "gap",
                f"{len(unknown)} stretch(es) without rows, the longest {longest / 3600:.2g} h, where it is not known "
                "what the current did: no charge was counted across it.",
            )
        )
    if bounded:
        width = sum(abs(float(gap.charge_high_Ah or 0) - float(gap.charge_low_Ah or 0)) for gap in bounded)
        out.append(
            Warning_(
                "gap-bounded",
                f"{len(bounded)} stretch(es) without rows; the charge in them is known within "
                f"{'1' if width < 1e-3 else f'{1000 * width:.3g}'} mAh, "
                "which is in the uncertainty.",
            )
        )
    return out


def _of_edges(totals: Totals, record: Record) -> list[Warning_]:
    unsure = [index for index, how in enumerate(totals.edges.how) if how == "half-way"]
    if not unsure:
        return []
    widest = float(np.max(2 * totals.edges.half_width_s[unsure]))
    if widest < 2.0:
        return []
    return [
        Warning_(
            "coarse",
            f"The record is coarse where the current stepped (rows up to {widest:.3g} s apart): when it did is not "
            "known, which is in the uncertainty; resistance at short times cannot be had.",
        )
    ]


def counter_difference(counter: FloatArray, first_row: int, last_row: int) -> float | None:
    """Return how far a source's charge counter moved over a phase, as a magnitude; None where it tells nothing.

    A counter that is set back to about zero (at a step or a cycle) counts on from zero there; what it missed between
    its last reading and the reset is lost, which a comparison has to allow for. One that wanders both ways tells
    nothing.

    Args:
        counter: The counter at each row, shape (n,), in Ah; either sign.
        first_row: Row before the phase.
        last_row: Row after it.

    Source: common practice; counters are reset at steps, at cycles, or never.
    """
    part = counter[first_row : last_row + 1]
    part = part[np.isfinite(part)]
    if part.size < 2:
        return None
    steps = np.diff(part)
    size, before = np.abs(part), np.abs(part[:-1])
    usual = float(np.median(np.abs(steps))) if steps.size else 0.0
    # set back: from far away to within a few usual steps of zero, in one reading
    reset = (before > 20 * max(usual, 1e-12)) & (size[1:] < 0.05 * before) & (size[1:] <= 5 * usual + 1e-12)
    moves = np.where(reset, part[1:], steps)
    span = abs(float(moves.sum()))
    against = float(np.abs(moves).sum()) - span
    if span == 0 or against > 0.02 * span:
        return None
    return span


def counter_step(counter: FloatArray) -> float:
    """Return the resolution a counter shows: its smallest step. Source: common practice."""
    steps = np.abs(np.diff(counter[: min(counter.size, 20000)]))
    steps = steps[(steps > 1e-9) & np.isfinite(steps)]
    return float(steps.min()) if steps.size else 0.0
