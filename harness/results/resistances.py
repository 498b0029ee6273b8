"""The resistances of each phase, and how much charge had moved before each."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from amphora.harness.common.errors import AnalysisError
from amphora.harness.results.result import PhaseResult, ResistanceValue

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from amphora.harness.analysis.integration import Totals
    from amphora.harness.analysis.phases import Phase
    from amphora.harness.analysis.records import FloatArray, Measurement, Record
    from amphora.harness.analysis.resistance import Resistance
    from amphora.harness.analysis.warnings import Warning_


def resistances_of(
    record: "Record", phase: "Phase", capacity_Ah: float | None, measurement: "Measurement", told: "list[Warning_]"
) -> "Sequence[Resistance]":
    """Return the resistances of one phase; why there are none is added to `told`."""
    try:
        from amphora.harness.analysis.resistance import find_resistances
    except ImportError:
        return ()
    from amphora.harness.analysis.warnings import Warning_

    first, last = phase.first_row, phase.last_row
    if last - first > 200_000:  # a long night is mostly plain discharge: what is far from any step is thinned
        record, first, last = _near_steps(record, first, last)
    try:
        found = find_resistances(record, first, last, capacity_Ah, measurement)
    except AnalysisError as error:
        told.append(Warning_("resistance", f"No resistance could be had: {error}."))
        return ()
    return found


def _near_steps(record: "Record", first: int, last: int) -> "tuple[Record, int, int]":
    """Return one phase's rows: all within minutes of a step of the current, else each fiftieth."""
    import dataclasses

    import numpy as np

    from amphora.harness.analysis.integration import rows_that_jump

    low, high = max(0, first - 200), min(record.t_s.size, last + 2)
    t_s, current_A = record.t_s[low:high], record.current_A[low:high]
    steps = rows_that_jump(current_A, 0.02 * float(np.abs(current_A[:: max(1, current_A.size // 10000)]).max()))
    keep = np.zeros(t_s.size, bool)
    keep[::50] = True
    keep[[first - low, last - low]] = True
    for gap in record.gaps:
        if low < gap.after_row < high:
            keep[gap.after_row - low - 1 : gap.after_row - low + 1] = True
    begins = np.searchsorted(t_s, t_s[steps] - 120.0)
    ends = np.searchsorted(t_s, t_s[np.minimum(steps + 1, t_s.size - 1)] + 300.0)
    apart = np.flatnonzero(begins[1:] > ends[:-1]) + 1  # both rise: stretches that touch are one
    for begin, end in zip(begins[np.r_[0, apart]], ends[np.r_[apart - 1, -1]], strict=True) if steps.size else ():
        keep[begin:end] = True
    rows = np.flatnonzero(keep)
    took_s = record.extra.get("took_s")
    part = dataclasses.replace(
        record,
        t_s=t_s[rows],
        voltage_V=record.voltage_V[low:high][rows],
        current_A=current_A[rows],
        temperature_degC=record.temperature_degC[low:high][rows],
        step=record.step[low:high][rows],
        gaps=tuple(
            dataclasses.replace(gap, after_row=int(np.searchsorted(rows, gap.after_row - low)))
            for gap in record.gaps
            if low < gap.after_row < high
        ),
        extra={} if took_s is None else {"took_s": took_s[low:high][rows]},
    )
    return part, int(np.searchsorted(rows, first - low)), int(np.searchsorted(rows, last - low))


def plain_resistance(item: "Resistance") -> ResistanceValue:
    """Return a resistance as it stands in the answer."""
    return ResistanceValue(
        item.method, item.ohm, item.U_ohm, item.current_A, item.duration_s, item.charge_state, item.t_s,
        item.before_V, item.before_A,
    )  # fmt: skip


def of_all(entries: Sequence[PhaseResult]) -> tuple[ResistanceValue, ...]:
    """Return the resistances of all phases, in order of time, each once: a release may count to two phases."""
    found = {(item.t_s, item.method, item.duration_s): item for one in entries for item in one.resistances}
    return tuple(found[key] for key in sorted(found))


def place(items: Sequence[ResistanceValue], record: "Record", totals: "Totals") -> tuple[ResistanceValue, ...]:
    """Return resistances with the charge moved since the first row; by the file's counter where gaps hide some."""
    import numpy as np

    if not items:
        return ()
    charge = totals.charge_Ah
    unknown = [gap.after_row for gap in record.gaps if gap.charge_low_Ah is None]
    if unknown:
        counter = record.extra.get("counter_Ah")
        if counter is None or not np.isfinite(counter).all() or _set_back(counter):
            seen = [int(np.searchsorted(record.t_s, item.t_s, side="right")) for item in items]
            return tuple(
                replace(item, moved_Ah=None if any(gap < row for gap in unknown) else float(charge[max(0, row - 1)]))
                for item, row in zip(items, seen, strict=True)
            )
        way = 1.0 if _same_way(counter, charge, record.current_A) else -1.0
        charge = way * (counter - counter[0])
    rows = (max(0, int(np.searchsorted(record.t_s, item.t_s, side="right")) - 1) for item in items)
    return tuple(replace(item, moved_Ah=float(charge[row])) for item, row in zip(items, rows, strict=True))


def _set_back(counter: "npt.NDArray[np.float64]") -> bool:
    """Return whether a counter was set back to zero somewhere."""
    import numpy as np

    size = np.abs(counter)
    return bool(((size[1:] < 1e-3) & (size[:-1] > 0.02)).any())


def _same_way(counter: "npt.NDArray[np.float64]", charge: "npt.NDArray[np.float64]", current_A: "FloatArray") -> bool:
    """Return whether a counter rises where charge goes into the cell."""
    import numpy as np

    return float(np.dot(np.diff(counter), np.sign(np.diff(charge)))) >= 0
