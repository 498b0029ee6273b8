"""Resistance from current steps, found in any record.

A resistance is never a bare number here: it comes with its method, the change of current, the time after
the step, the charge state and its expanded uncertainty (k = 2). Current is positive INTO the cell, so a
heavier load is a negative change of current. Pure: arrays in, frozen records out.

Caveats: a step needs a stable current before and after it; ramps, tapers and single wild rows are no steps.
Offsets of the instruments cancel in a difference, gain errors and noise do not.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from amphora.harness.analysis.records import FloatArray, IntArray, Measurement, Record, Specification
from amphora.harness.common.errors import AnalysisError

STATED_TIMES_S = (0.1, 1.0, 10.0, 30.0)
LOAD_STEP = "load step"
LOAD_RELEASE = "load release"
CHARGE_STEP = "charge step"
CHARGE_RELEASE = "charge release"
REVERSAL = "reversal"  # from charge to discharge or back
TWO_STEP = "IEC 61960-3 two-step"
SLOPE_REMOVED = "10 s pulse, slope removed"
CONTACT_LIMIT_OHM = 0.005  # common practice: two reseated pulses that differ by more show the holder
MOST_STEPS = 200  # a lamp's PWM has thousands of edges; an even selection is enough
_REACH = 4000  # rows looked at outside the phase, for the rest before and the recovery after
_REACH_S = 600.0  # and no longer than this


@dataclass(frozen=True)
class Resistance:
    """One DC resistance with everything needed to compare it with another one."""

    method: str
    ohm: float
    U_ohm: float  # expanded, k = 2
    current_A: float  # change of current, positive INTO the cell
    duration_s: float  # time from the step to the reading
    charge_state: float | None  # share of the phase's capacity still in the cell at the step
    t_s: float  # when the current stepped
    leads: str = "not known"  # "in", "out" or "not known": are leads and holder in the value?


@dataclass(frozen=True)
class CurrentStep:
    """One change of current between two stable stretches. Rows are those of the whole record."""

    before: int  # last row with the old current
    after: int  # first row with the new current
    start: int  # first row of the stable stretch before
    end: int  # last row of the stable stretch after
    t_s: float  # instant of the step
    edge_s: float  # half-width within which that instant lies; 0 where the switching is recorded
    change_A: float
    first: bool  # nothing is known of the time before `start`


@dataclass(frozen=True)
class ContactCheck:
    """Whether pulses before and after reseating the cell agree."""

    difference_ohm: float
    U_ohm: float
    is_contact: bool
    text: str


@dataclass(frozen=True)
class LeadsFound:
    """What lies between two places of sensing: leads, holder and contacts."""

    ohm: float
    U_ohm: float  # expanded, k = 2 (Student's factor for few pulses is in it)
    pulses: int  # of the smaller of the two groups
    duration_s: float  # time after the step at which both were read


@dataclass(frozen=True)
class _Table:
    """The usable rows of a slice, and its steps in rows of that table."""

    rows: IntArray
    t_s: FloatArray
    voltage_V: FloatArray
    current_A: FloatArray
    charge_Ah: FloatArray  # signed, from the first usable row
    before: IntArray
    after: IntArray
    edge_t_s: FloatArray
    edge_s: FloatArray
    breaks: IntArray  # first row after each step and each gap
    voltage_noise_V: float
    current_noise_A: float
    interval_s: float


def standard_relative(spec: Specification) -> float:
    """Return the standard uncertainty of a channel's gain, relative.

    Source:
        JCGM 100:2008 (GUM), 4.3.3 (expanded with k) and 4.3.7 (rectangular limits).
    """
    return spec.gain / (np.sqrt(3.0) if spec.distribution == "rectangular" else spec.k)


def find_steps(record: Record, first_row: int, last_row: int) -> list[CurrentStep]:
    """Find the changes of current whose new current begins within first_row..last_row.

    Args:
        record: Any record, shape (n,).
        first_row: First row of the phase.
        last_row: Last row of the phase, included.

    Returns:
        Steps in order of time, at most `MOST_STEPS`, an even selection when there are more. A release right
        after `last_row` counts as the phase's.

    Raises:
        AnalysisError: the rows are outside the record.

    Source:
        Common practice.
    """
    table = _table(record, first_row, last_row)
    return [] if table is None else _steps(table, first_row, last_row)


def find_resistances(
    record: Record, first_row: int, last_row: int, capacity_Ah: float | None, measurement: Measurement
) -> list[Resistance]:
    """Return the DC resistances that the current steps of one phase show.

    At each step the voltage is read just before and 0.1, 1, 10 and 30 s after it, where the record has a reading
    there (interpolated between two readings after the same step). Where nothing is sampled at 0.1 s, the first
    reading gives a value at its own time. A stretch of 0.2 It for 10 s followed by 1 It for 1 s gives the
    two-step value of the standard. A 10 s value is given a second time with the slope of the open-circuit
    voltage taken out, where the record shows that slope.

    A value at time T after a step needs the current before it to have been steady for 2 T (else it would be a
    mixture of two pulses); the beginning of a record counts as steady.

    Args:
        record: Any record, shape (n,), rows with NaN in time, voltage or current are passed over.
        first_row: First row of the phase.
        last_row: Last row of the phase, included.
        capacity_Ah: Charge of the complete phase, positive; None when the phase is not complete, then
            `charge_state` is None.
        measurement: Specification of the bench.

    Returns:
        List in order of time. Values below zero, or whose uncertainty exceeds them, are left out.

    Raises:
        AnalysisError: the rows are outside the record.

    Source:
        IEC 61960-3:2017, 7.7.3 (two-step; durations and currents second-hand, from memory). Load steps and the
        10 s pulse: DOE/ID-11069 (2003), section 4.3 (from memory). Slope bias: arXiv 2505.06410.
    """
    table = _table(record, first_row, last_row)
    if table is None:
        return []
    steps = _steps(table, first_row, last_row)
    if not steps:
        return []
    return _measure(table, steps, first_row, last_row, capacity_Ah, measurement)


def contact_check(before: Resistance, after: Resistance, limit_ohm: float = CONTACT_LIMIT_OHM) -> ContactCheck:
    """Compare one pulse before and one after the cell was reseated in its holder.

    Args:
        before: Value before reseating.
        after: Value of the same method and duration after reseating.
        limit_ohm: Difference above which the contact is at fault, in ohm.

    Returns:
        Difference after minus before in ohm, with its U from noise alone taken as the larger of the two parts.

    Raises:
        AnalysisError: methods or durations differ.

    Source:
        Common practice.
    """
    if before.method != after.method or abs(before.duration_s - after.duration_s) > 0.3 * before.duration_s + 0.05:
        raise AnalysisError(
            f"contact check: {before.method} {before.duration_s:g} s and {after.method} {after.duration_s:g} s are "
            "not the same kind of pulse; compare pulses of one method and length"
        )
    difference = after.ohm - before.ohm
    U_ohm = max(before.U_ohm, after.U_ohm)
    bad = abs(difference) > limit_ohm
    words = (
        f"the two pulses differ by {abs(difference) * 1000:.1f} mΩ after reseating (limit {limit_ohm * 1000:g} mΩ): "
        "that is the contact, not the cell; clean it and measure again"
        if bad
        else f"the two pulses agree within {abs(difference) * 1000:.1f} mΩ: the contact holds"
    )
    return ContactCheck(difference, U_ohm, bad, words)


def scatter_text(values: Sequence[Resistance], limit_ohm: float = CONTACT_LIMIT_OHM) -> str | None:
    """Say in words that neighbouring pulses of one kind jump about, or None when they do not.

    Args:
        values: Resistances of one run.
        limit_ohm: Jump against both neighbours that points at the contact, in ohm.

    Returns:
        One sentence, or None.

    Source:
        Common practice: a cell's resistance changes smoothly with its charge, a contact's does not.
    """
    kinds: dict[tuple[str, float], list[Resistance]] = {}
    for value in values:
        kinds.setdefault((value.method, round(value.duration_s, 1)), []).append(value)
    for (method, duration_s), group in kinds.items():
        ohm = np.array([item.ohm for item in sorted(group, key=lambda item: item.t_s)])
        if ohm.size < 3:
            continue
        middle, sides = ohm[1:-1], (ohm[:-2] + ohm[2:]) / 2
        spread = np.abs(ohm[2:] - ohm[:-2])
        jump = np.abs(middle - sides)
        worst = int(np.argmax(jump - spread))
        if jump[worst] > max(limit_ohm, 0.1 * float(np.median(ohm))) and jump[worst] > 1.5 * spread[worst]:
            return (
                f"{method}, {duration_s:g} s: {middle[worst] * 1000:.1f} mΩ stands between neighbours of "
                f"{sides[worst] * 1000:.1f} mΩ; a cell does not jump like that, look at the contacts"
            )
    return None


def leads_between(outside: Sequence[Resistance], inside: Sequence[Resistance], measurement: Measurement) -> LeadsFound:
    """Return what lies between two places of sensing, from the same pulses read at both.

    Leads and holder are plain resistors: the shortest time after the step that both groups hold is taken, where the
    cell's own slow part matters least.

    Args:
        outside: Values of pulses sensed at the load's terminals (leads and holder in them).
        inside: Values of the same pulses sensed at the cell's own ends.
        measurement: Specification of the bench: its gains are common to both groups and count for the difference.

    Returns:
        Difference outside minus inside; below zero when the places were confused.

    Raises:
        AnalysisError: no pulse of one method and length in both groups.

    Source:
        JCGM 100:2008 (GUM), 4.2.3 (mean), 5.1.2, G.3 (Student's factor for few readings).
    """
    from scipy import stats

    kinds: dict[float, tuple[list[float], list[float], list[float]]] = {}
    for place, values in enumerate((outside, inside)):
        for value in values:
            if value.method == LOAD_STEP:
                group = kinds.setdefault(round(value.duration_s, 1), ([], [], []))
                group[place].append(value.ohm)
                group[2].append(value.U_ohm)
    shared = sorted(duration for duration, (one, two, _) in kinds.items() if one and two)
    if not shared:
        raise AnalysisError("leads: no load step of one length was read at both places")
    most = max(min(len(kinds[duration][0]), len(kinds[duration][1])) for duration in shared)
    duration_s = next(d for d in shared if min(len(kinds[d][0]), len(kinds[d][1])) == most)
    one, two, expanded = np.array(kinds[duration_s][0]), np.array(kinds[duration_s][1]), kinds[duration_s][2]
    ohm = float(one.mean() - two.mean())
    gain = float(np.hypot(standard_relative(measurement.voltage), standard_relative(measurement.current)))
    freedom = one.size + two.size - 2
    share = 1 / one.size + 1 / two.size
    if freedom > 0:
        scatter = float(np.sqrt((np.sum((one - one.mean()) ** 2) + np.sum((two - two.mean()) ** 2)) / freedom * share))
        random_U = float(stats.t.ppf(0.97725, freedom)) * scatter
    else:
        random_U = 0.0
    # What one value may be off by chance: its U without the gains. Few pulses may agree by luck.
    level = (float(one.mean()) + float(two.mean())) / 2
    noise_U = float(np.sqrt(max(0.0, float(np.median(expanded)) ** 2 - (2 * gain * level) ** 2) * share))
    return LeadsFound(
        ohm,
        float(np.hypot(max(random_U, noise_U), 2 * gain * abs(ohm))),
        min(one.size, two.size),
        duration_s,
    )


def without_leads(values: Sequence[Resistance], leads_ohm: float, leads_U_ohm: float) -> list[Resistance]:
    """Take the measured resistance of leads and holder out of each value.

    Args:
        values: Values measured with leads and holder in the voltage path.
        leads_ohm: Their resistance, in ohm, zero or more.
        leads_U_ohm: Its expanded uncertainty, k = 2.

    Returns:
        New values, `leads` "out", U combined in quadrature. Values that would not stay positive are left out.

    Raises:
        AnalysisError: a lead resistance below zero or not finite.

    Source:
        JCGM 100:2008 (GUM), 5.1.2.
    """
    if not (leads_ohm >= 0 and leads_U_ohm >= 0 and np.isfinite(leads_ohm + leads_U_ohm)):
        raise AnalysisError(f"resistance of leads {leads_ohm:g} Ω (U {leads_U_ohm:g} Ω): both must be 0 or more")
    return [
        replace(value, ohm=value.ohm - leads_ohm, U_ohm=float(np.hypot(value.U_ohm, leads_U_ohm)), leads="out")
        for value in values
        if value.ohm > leads_ohm
    ]


def pulse_power(open_V: float, limit_V: float, ohm: float) -> float:
    """Return the power in watt that a pulse may draw until the voltage stands at its limit.

    Args:
        open_V: Open-circuit voltage before the pulse.
        limit_V: Lowest voltage allowed in the pulse.
        ohm: Resistance for the pulse's length.

    Raises:
        AnalysisError: resistance not above 0, or the limit above the open-circuit voltage.

    Source:
        DOE/ID-11069 (2003), section 4.3 (from memory): P = Vmin (OCV - Vmin) / R.
    """
    if not (ohm > 0 and 0 < limit_V <= open_V):
        raise AnalysisError(f"pulse power: {ohm:g} Ω, {open_V:g} V open, limit {limit_V:g} V do not fit together")
    return limit_V * (open_V - limit_V) / ohm


# --- the parts ---------------------------------------------------------------------------------------------


def _table(record: Record, first_row: int, last_row: int) -> _Table | None:
    n = record.t_s.size
    if not 0 <= first_row <= last_row < n:
        raise AnalysisError(f"rows {first_row} to {last_row} are outside the record's {n} rows")
    low, high = max(0, first_row - _REACH), min(n, last_row + _REACH + 1)
    begin_s, end_s = float(record.t_s[first_row]), float(record.t_s[last_row])
    if np.isfinite(begin_s) and np.isfinite(end_s):  # of slow readings minutes are enough
        low += int(np.searchsorted(record.t_s[low:first_row], begin_s - _REACH_S))
        high = last_row + 1 + int(np.searchsorted(record.t_s[last_row + 1 : high], end_s + _REACH_S))
    t, v, i = record.t_s[low:high], record.voltage_V[low:high], record.current_A[low:high]
    good = np.isfinite(t + v + i)
    if not good.all():
        rows = np.flatnonzero(good) + low
        t, v, i = t[good], v[good], i[good]
    else:
        rows = np.arange(low, high)
    if t.size < 4:
        return None
    dt = np.diff(t)
    if not (dt > 0).all():  # repeated or backward times
        forward = np.concatenate(([True], t[1:] > np.maximum.accumulate(t)[:-1]))
        rows, t, v, i = rows[forward], t[forward], v[forward], i[forward]
        if t.size < 4:
            return None
        dt = np.diff(t)
    di = np.diff(i)
    size = np.abs(di)
    stride = max(1, size.size // 4_000)
    noise_A = _spread(size[::stride]) / np.sqrt(2.0)
    level_A = float(np.percentile(np.abs(i[::stride]), 95))
    interval = float(np.median(dt[::stride]))
    # A taper sampled coarsely moves a lot between rows without being noise: the share of the level bounds it.
    threshold = max(min(8.0 * noise_A, 0.2 * level_A), 0.02 * level_A, 1e-6)
    flagged = np.flatnonzero(size > threshold)
    if flagged.size == 0:
        before = after = np.empty(0, dtype=np.int64)
    else:
        sign = np.sign(di[flagged])
        fresh = np.concatenate(([True], (np.diff(flagged) > 1) | (np.diff(sign) != 0)))
        begins = np.flatnonzero(fresh)
        ends = np.append(begins[1:], flagged.size) - 1
        before, after = flagged[begins], flagged[ends] + 1
        quiet_left = np.where(before > 0, size[np.maximum(before - 1, 0)], 0.0)
        quiet_right = np.where(after < size.size, size[np.minimum(after, size.size - 1)], 0.0)
        left_flagged = quiet_left > threshold
        right_flagged = quiet_right > threshold
        change = np.abs(i[after] - i[before])
        keep = (
            (after - before <= 2)
            & (left_flagged | (quiet_left * 4 < change))
            & (right_flagged | (quiet_right * 4 < change))
        )
        before, after = before[keep], after[keep]
    gap_rows = np.array([gap.after_row for gap in record.gaps], dtype=np.int64)
    gap_at = np.searchsorted(rows, gap_rows)
    gap_at = gap_at[(gap_at > 0) & (gap_at < rows.size)]
    if gap_at.size and before.size:
        inside = np.searchsorted(gap_at, after, side="right") > np.searchsorted(gap_at, before, side="right")
        before, after = before[~inside], after[~inside]
    # The instant of each step: recorded, or somewhere between the two readings.
    edge_t = (t[before] + t[after]) / 2
    edge_half = (t[after] - t[before]) / 2
    if record.switches_s.size and before.size:
        switches = np.sort(record.switches_s[np.isfinite(record.switches_s)])
        if switches.size:
            # Strictly before the first new reading; an order stamped with a reading's own time is the next one's.
            at = np.searchsorted(switches, t[after], side="left") - 1
            candidate = switches[np.maximum(at, 0)]
            known = (at >= 0) & (candidate >= t[before])
            edge_t = np.where(known, candidate, edge_t)
            edge_half = np.where(known, 0.0, edge_half)
    part = (i[1:] + i[:-1]) / 2 * dt
    part[gap_at - 1] = 0.0
    single = after - before == 1
    a, b = before[single], after[single]
    part[a] = i[a] * (edge_t[single] - t[a]) + i[b] * (t[b] - edge_t[single])
    charge = np.concatenate(([0.0], np.cumsum(part))) / 3600.0
    for gap, at_row in zip(record.gaps, np.searchsorted(rows, gap_rows), strict=True):
        if gap.charge_low_Ah is not None and gap.charge_high_Ah is not None and 0 < at_row < rows.size:
            charge[at_row:] += (gap.charge_low_Ah + gap.charge_high_Ah) / 2
    sparse = max(1, v.size // 4_000)
    second = np.abs(v[2::sparse] - 2 * v[1:-1:sparse] + v[:-2:sparse])
    noise_V = _spread(second) / np.sqrt(6.0)
    breaks = np.unique(np.concatenate((after, gap_at))).astype(np.int64)
    return _Table(
        rows, t, v, i, charge, before.astype(np.int64), after.astype(np.int64), edge_t, edge_half, breaks,
        noise_V, noise_A, interval,
    )  # fmt: skip


def _spread(differences: FloatArray) -> float:
    """Standard deviation of differences, steps and wild ones left out; a mean, so that coarse digits do not bias it."""
    middle = float(np.median(differences))
    calm = differences[differences <= 6 * middle]
    return float(np.mean(calm)) * float(np.sqrt(np.pi / 2)) if calm.size else 0.0


def _steps(table: _Table, first_row: int, last_row: int) -> list[CurrentStep]:
    if table.before.size == 0:
        return []
    new_row = table.rows[table.after]
    inside = (new_row >= first_row) & (new_row <= last_row)
    released = np.abs(table.current_A[table.after]) < 0.05 * np.abs(table.current_A[table.before])
    inside |= (table.rows[table.before] == last_row) & released
    chosen = np.flatnonzero(inside)
    if chosen.size > MOST_STEPS:
        chosen = chosen[np.unique(np.linspace(0, chosen.size - 1, MOST_STEPS).astype(np.int64))]
    # Every flagged step ends a stretch, also one that is not used itself.
    ends_before = np.sort(np.concatenate((table.before, table.breaks - 1)))
    found = []
    for k in chosen:
        a, b = int(table.before[k]), int(table.after[k])
        place = int(np.searchsorted(table.breaks, a, side="right")) - 1
        start = int(table.breaks[place]) if place >= 0 else 0
        following = int(np.searchsorted(ends_before, b))
        end = int(ends_before[following]) if following < ends_before.size else table.t_s.size - 1
        found.append(
            CurrentStep(
                before=int(table.rows[a]),
                after=int(table.rows[b]),
                start=int(table.rows[start]),
                end=int(table.rows[end]),
                t_s=float(table.edge_t_s[k]),
                edge_s=float(table.edge_s[k]),
                change_A=float(table.current_A[b] - table.current_A[a]),
                first=place < 0 and int(table.rows[0]) == int(table.rows[start]),
            )
        )
    return found


def _measure(
    table: _Table,
    steps: list[CurrentStep],
    first_row: int,
    last_row: int,
    capacity_Ah: float | None,
    measurement: Measurement,
) -> list[Resistance]:
    t, v, i = table.t_s, table.voltage_V, table.current_A
    gain_V, gain_A = standard_relative(measurement.voltage), standard_relative(measurement.current)
    read_V = np.hypot(measurement.voltage.resolution / np.sqrt(12.0), table.voltage_noise_V)
    read_A = np.hypot(measurement.current.resolution / np.sqrt(12.0), table.current_noise_A)
    begin = min(int(np.searchsorted(table.rows, first_row)), t.size - 1)
    finish = max(int(np.searchsorted(table.rows, last_row, side="right")) - 1, begin)
    charging = table.charge_Ah[finish] > table.charge_Ah[begin]
    slopes = _Slopes(table, begin, finish)
    found: list[Resistance] = []
    for step in steps:
        a, b = (int(np.searchsorted(table.rows, row)) for row in (step.before, step.after))
        start, end = (int(np.searchsorted(table.rows, row)) for row in (step.start, step.end))
        steady_s = float(step.t_s - t[start])
        if step.first and abs(i[a]) < 0.02 * abs(step.change_A):
            steady_s = np.inf
        # The voltage just before: the last reading, carried to the instant of the step by its own drift.
        if start == a and not step.first:
            continue  # one reading between two steps: where the voltage went until the second is not known
        back = min(max(start, int(np.searchsorted(t, t[a] - min(10.0, steady_s / 2)))), max(start, a - 1))
        drift = (v[a] - v[back]) / (t[a] - t[back]) if back < a else 0.0
        carry_s = step.t_s - t[a]
        unsure = abs(drift)  # V/s
        if back < a and abs(drift) * (t[a] - t[back]) < 4 * read_V:
            drift = 0.0  # noise alone, as far as one can tell
        old_V = v[a] + drift * carry_s
        u_old_V = np.hypot(read_V, unsure * (carry_s / 2 + step.edge_s) / np.sqrt(3.0))
        state: float | None = None
        if capacity_Ah is not None and capacity_Ah > 0:
            moved = float(table.charge_Ah[a] + i[a] * carry_s / 3600.0 - table.charge_Ah[begin])
            state = moved / capacity_Ah if charging else 1.0 + moved / capacity_Ah
            state = min(1.0, max(0.0, state))
        heavier = abs(i[b]) > abs(i[a])
        side = i[b] if heavier else i[a]
        method = {
            (True, True): LOAD_STEP, (True, False): LOAD_RELEASE,
            (False, True): CHARGE_STEP, (False, False): CHARGE_RELEASE,
        }[(bool(side < 0), bool(heavier))]  # fmt: skip

        if i[a] * i[b] < 0 and min(abs(i[a]), abs(i[b])) > 0.05 * abs(step.change_A):
            method = REVERSAL
            heavier = False  # no pulse from rest: no slope to take out

        def value(name: str, at_s: float, per_Ah: float = 0.0) -> None:
            """Read at `at_s` after the step and append the resistance, if the record allows it."""
            k = int(np.searchsorted(t[b : end + 1], step.t_s + at_s)) + b  # noqa: B023
            inside_k = min(k, end)  # noqa: B023
            if k > end or k == b or abs(t[inside_k] - step.t_s - at_s) < 1e-6 * max(1.0, at_s):  # noqa: B023
                new_V, new_A = float(v[inside_k]), float(i[inside_k])
                at = float(t[inside_k] - step.t_s)  # noqa: B023
                bend = 0.0
                near = (max(b, inside_k - 1), min(end, inside_k + 1))  # noqa: B023
            else:
                w = (step.t_s + at_s - t[k - 1]) / (t[k] - t[k - 1])  # noqa: B023
                new_V, new_A = float(v[k - 1] + w * (v[k] - v[k - 1])), float(i[k - 1] + w * (i[k] - i[k - 1]))
                at = at_s
                bend = 0.5 * float(w * (1 - w) * abs(v[k] - v[k - 1]))
                near = (k - 1, k)
            change_A = new_A - float(i[a])  # noqa: B023
            if change_A * step.change_A <= 0 or abs(change_A - step.change_A) > 0.05 * abs(step.change_A):  # noqa: B023
                return  # the current did not hold
            change_V = new_V - float(old_V)  # noqa: B023
            slope = abs(v[near[1]] - v[near[0]]) / (t[near[1]] - t[near[0]]) if near[1] > near[0] else 0.0
            if slope * (t[near[1]] - t[near[0]]) < 3 * read_V:
                slope = 0.0
            if near[0] == near[1] and at > 0:
                slope = 0.05 * abs(change_V) / at  # one reading shows no slope: common practice
            ohm = change_V / change_A
            # With the new current the open-circuit voltage alone moves by this much until the reading.
            correction_ohm = per_Ah * new_A * at / 3600.0 / change_A
            u_correction_ohm = 0.2 * abs(correction_ohm) / np.sqrt(3.0)
            u_V = np.sqrt(
                read_V**2
                + u_old_V**2  # noqa: B023
                + (gain_V * change_V) ** 2
                + (slope * step.edge_s) ** 2 / 3  # noqa: B023
                + bend**2 / 3
            )
            u_A = np.hypot(gain_A * change_A, np.sqrt(2.0) * read_A)
            u = np.sqrt((u_V / change_A) ** 2 + (ohm * u_A / change_A) ** 2 + u_correction_ohm**2)
            ohm -= correction_ohm
            if 2 * u < ohm < 100 and at > 0:
                found.append(Resistance(name, float(ohm), float(2 * u), change_A, at, state, step.t_s))  # noqa: B023

        first_s, last_s = float(t[b] - step.t_s), float(t[end] - step.t_s)
        times = [
            at
            for at in STATED_TIMES_S
            if first_s <= at * 1.25 + 1e-9 and last_s >= 0.75 * at and steady_s >= 2 * at and step.edge_s <= 0.5 * at
        ]
        early = times[0] if times and times[0] <= 1.0 else 5.0
        if early > 0.1 and 0 < first_s <= 0.75 * early and steady_s >= 2 * first_s:
            value(method, first_s)  # the earliest reading there is, at its own time
        for at in times:
            nearest = _nearest(t, b, end, step.t_s + at)
            bracketed = first_s <= at <= last_s
            spacing = _spacing(t, b, end, step.t_s + at)
            if abs(nearest - step.t_s - at) <= 0.25 * at or (bracketed and spacing <= 1.5 * at):
                value(method, at if bracketed else nearest - step.t_s)
        # The standard's two steps: 0.2 It for 10 s, at once 1 It for 1 s.
        loose_s = table.interval_s + step.edge_s
        earlier = start > 0 and abs(i[start - 1]) < 0.05 * abs(i[a])
        begun_s = float((t[start] + t[start - 1]) / 2) if start > 0 else float(t[0])
        known = np.flatnonzero(table.after == start)
        if known.size:
            begun_s = float(table.edge_t_s[known[0]])
            loose_s = 0.1 + step.edge_s + float(table.edge_s[known[0]])
        if (
            heavier
            and i[a] * i[b] > 0
            and 4.75 <= i[b] / i[a] <= 5.25
            and earlier
            and abs(step.t_s - begun_s - 10.0) <= 0.1 + loose_s
            and last_s >= 0.9 - step.edge_s - 1e-9
            and last_s <= 1.1 + 2 * loose_s + table.interval_s
            and first_s <= 1.0 + step.edge_s + 1e-9
        ):
            value(TWO_STEP, min(1.0, last_s) if first_s <= 1.0 else first_s)
        if 10.0 in times and heavier:
            per_Ah = slopes.at(a)
            if per_Ah is not None:
                value(SLOPE_REMOVED, min(10.0, last_s), per_Ah)
    found.sort(key=lambda item: (item.t_s, item.duration_s, item.method))
    return found


class _Slopes:
    """Slope of the open-circuit voltage against charge, dV/dQ in volt per ampere-hour, from the record itself."""

    def __init__(self, table: _Table, begin: int, finish: int) -> None:
        self._table = table
        self._span_Ah = abs(float(table.charge_Ah[finish] - table.charge_Ah[begin]))
        between = table.breaks[(table.breaks > begin) & (table.breaks <= finish)]
        limits = np.concatenate(([begin], between, [finish + 1]))
        self._loaded: list[tuple[int, int, int]] = []
        rests_q, rests_v = [], []
        stride = max(1, (finish - begin) // 4_000)
        level = float(np.percentile(np.abs(table.current_A[begin : finish + 1 : stride]), 95))
        lengths = table.t_s[np.minimum(limits[1:] - 1, finish)] - table.t_s[limits[:-1]]
        for k in np.flatnonzero(lengths >= 240.0)[:2000]:
            low, high = int(limits[k]), int(limits[k + 1] - 1)
            if abs(table.current_A[high]) > 0.03 * level:
                settled = int(np.searchsorted(table.t_s, table.t_s[low] + 120.0))
                if high - settled >= 3:
                    self._loaded.append((settled, high, max(1, (high - settled) // 400)))
            else:
                rests_q.append(table.charge_Ah[high])
                rests_v.append(table.voltage_V[high])
        ends = np.array([(low, high) for low, high, _ in self._loaded], dtype=np.int64).reshape(-1, 2)
        self._ends_q = np.sort(table.charge_Ah[ends], axis=1)
        order = np.argsort(rests_q)
        self._rest_q, self._rest_v = np.array(rests_q)[order], np.array(rests_v)[order]

    def at(self, row: int) -> float | None:
        """Return dOCV/dQ near a row, or None when the record does not show it."""
        q = self._table.charge_Ah
        here = float(q[row])
        span = self._span_Ah
        if span <= 0:
            return None
        distance = np.maximum(0.0, np.maximum(self._ends_q[:, 0] - here, here - self._ends_q[:, 1]))
        for k in np.argsort(distance, kind="stable")[:3]:
            if distance[k] > 0.05 * span:
                break
            low, high, stride = self._loaded[int(k)]
            x, y = q[low : high + 1 : stride] - here, self._table.voltage_V[low : high + 1 : stride]
            near = np.abs(x) <= distance[k] + 0.05 * span
            if np.count_nonzero(near) >= 4 and np.ptp(x[near]) >= 0.002 * span:
                return max(0.0, float(np.polyfit(x[near], y[near], 1)[0]))
        if self._rest_q.size >= 2:
            k = int(np.clip(np.searchsorted(self._rest_q, here), 1, self._rest_q.size - 1))
            width = float(self._rest_q[k] - self._rest_q[k - 1])
            if 0.002 * span < width <= 0.25 * span:
                return max(0.0, float(self._rest_v[k] - self._rest_v[k - 1]) / width)
        return None


def _nearest(t: FloatArray, low: int, high: int, at: float) -> float:
    k = min(max(int(t[low : high + 1].searchsorted(at)) + low, low), high)
    other = max(low, k - 1)
    return float(t[k] if abs(t[k] - at) <= abs(t[other] - at) else t[other])


def _spacing(t: FloatArray, low: int, high: int, at: float) -> float:
    k = min(max(int(t[low : high + 1].searchsorted(at)) + low, low + 1), high) if high > low else low
    return float(t[k] - t[k - 1]) if k > low else 0.0
