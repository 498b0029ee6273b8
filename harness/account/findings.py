"""What speaks against a cell, a bench or a record, and how large a leak the evidence leaves possible. Pure.

Each limit stands once, here, with its source. 'Practice' is common practice; 'measured' is from open records of
laboratory cells. A leak is a share of the capacity a day; V, Ah, h.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from amphora.harness.account.standing import Move, RestSeen, RunSeen
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.common.words import to_places
from amphora.harness.results.rulings import Finding

LITHIUM = ("auto", "li-ion", "li-ion-4.35", "lfp", "lto")
MONTH_DAYS = 30.4375
SICK_LEAK = 0.05  # a day; 500 ohm on 3.4 Ah (this project's measure)
HEALTHY_BELOW = 0.10  # a day: what match, certificate and a grade above standby want the bound below
HEALTHY_BELOW_LATER = 0.05  # the same after the second full charge, when a cycle has been closed

# Least and most slope of the voltage at rest by the voltage, V per unit of charge: (up to V, least, most). Practice;
# li-ion from a measured 18650 and the NMC and LCO curves of the simulated cells, each taken wide.
SLOPES: dict[str, tuple[tuple[float, float, float], ...]] = {
    "li-ion": ((2.75, 8.0, 45.0), (2.9, 8.0, 25.0), (3.1, 4.0, 16.0), (3.3, 2.0, 9.0), (3.45, 0.9, 5.0),
               (3.6, 0.5, 3.0), (3.8, 0.35, 2.0), (4.0, 0.5, 1.8), (9.9, 0.4, 2.5)),
    "lfp": ((2.7, 8.0, 45.0), (2.9, 5.0, 25.0), (3.1, 2.0, 12.0), (3.2, 0.3, 4.0), (3.36, 0.005, 0.6),
            (9.9, 0.1, 60.0)),
    "lto": ((2.0, 2.0, 40.0), (9.9, 0.1, 3.0)),
}  # fmt: skip
SLOPES["li-ion-4.35"] = SLOPES["li-ion"]
NOT_LITHIUM_V = 2.0  # an unidentified cell met below this is taken for nickel or a zinc primary (docs/chemistries.md)
WINDOW_V = 0.010  # so far below the window counts as below it: what the guard lets pass, and the meter (practice)
CHANGED_TIMES = 2.0  # a recovery that bounds so many times worse than one before: the cell is not what it was
OWN_SLOPE_LEAST, OWN_SLOPE_MOST = 0.7, 3.0  # of the slope at the discharge's own end: it rises on (practice)

# How the rate of relaxation fades, as a power of time: measured recoveries of four kinds of 18650 after discharges
# to their end fade with t^-1.2 to t^-2.3 (repeats of laboratory cells); 0.6 leaves room for slow diffusion.
FADES = (0.6, 2.6)
RELAXED_RATE_V_PER_H = 0.001  # what may still move in either direction (practice)
RISES_ON_V = 0.060  # what a recovery may still rise after its first hour (practice)
RISE_UNKNOWN_V = 0.30  # of a cell that has not rested an hour
BALANCE_SUSPECTED, BALANCE_ESTABLISHED = 0.97, 0.95  # practice; real cells give back 0.98 to 0.9999
GAVE_LEAST = 0.80  # of what a charge from empty put in, whatever the currents (practice: a sound cell 0.95 and more)
BALANCE_LEAST_U = 0.007  # of a ratio (practice)
BALANCE_UNLIKE_U = 0.015  # of one closed by two charges at unlike currents: they do not end equally full (drawn cells)
LIKE_TAPER = (
    0.25  # two charges that end at currents no further apart end equally full (a cheap meter shows 10 mA steps)
)
FALLS_FULL_V_PER_H = 0.016  # at rest, an hour after a full charge: drawn sound and aged cells 12 mV/h at most, ...
FALLS_FULL_LEAST_V = 0.0005  # ... those that lose 30 % a day or more 20 mV/h; and what the meter may show too much
FALLS_FULL_FROM_H = 0.9
CLOSED_WITHIN_H = 48.0
TOP_UP_FLOOR_AH, TOP_UP_FLOOR = 0.050, 0.03
SAME_METER_V, OTHER_METER_V = 0.003, 0.015  # U of a difference (practice)
DATED_APART_H = 6.0
GONE_V = 0.5  # more than a cell at rest loses unseen without a drain (practice); less is judged by the leak it shows
CAPACITY_DOWN, RESISTANCE_UP = 0.10, 0.30
SAME_RESISTANCE, SAME_RESISTANCE_OHM = 0.20, 0.030
NOT_A_CAPACITY = ("capacity-implausible", "scale-doubtful", "resistor-late", "resistance-late")

# What a cell that our charge left full may have come to at rest, by chemistry: (lowest V below the charge limit at
# which it can still be full; most it falls from the voltage 10 min after the charge, most it seems to rise). Practice
# and measured: 8 to 60 mV from 10 min to 1 h, LFP 50 to 250 mV.
FULL_BELOW_V = {
    "li-ion": 0.15, "li-ion-4.35": 0.17, "lfp": 0.315, "lto": 0.35, "nimh": 0.32, "nicd": 0.34, "lead-acid": 0.40,
    "auto": 0.25,
}  # fmt: skip
FALLS_FROM_FULL_V = {
    "li-ion": 0.05, "li-ion-4.35": 0.05, "lfp": 0.30, "lto": 0.20, "nimh": 0.15, "nicd": 0.15,
    "lead-acid": 0.20,  # its surface charge lasts for hours (practice)
}  # fmt: skip
FALLS_AT_MOST_V = 0.10
RISES_FROM_FULL_V = 0.020


@dataclass(frozen=True, slots=True)
class Leak:
    """What one piece of evidence says of the leak: it is at least `low` and at most `high` a day."""

    low: float
    high: float
    text: str
    run: str = ""
    kind: str = ""


def slopes_at(chemistry: str, voltage_V: float) -> tuple[float, float]:
    """Return the least and the most slope of the voltage at rest there, V per unit of charge."""
    keys = ("li-ion", "lfp") if chemistry == "auto" else (chemistry,)
    found = [next(row[1:] for row in SLOPES[key] if voltage_V <= row[0]) for key in keys if key in SLOPES] or [
        (0.05, 60.0)
    ]
    return min(least for least, _ in found), max(most for _, most in found)


def charge_between(chemistry: str, high_V: float, low_V: float) -> tuple[float, float]:
    """Return the least and the most share of charge that lies between two voltages at rest; 0 where they are not so."""
    if not low_V < high_V:
        return 0.0, 0.0
    steps = max(1, math.ceil((high_V - low_V) / 0.02))
    width_V = (high_V - low_V) / steps
    found = [slopes_at(chemistry, low_V + (n + 0.5) * width_V) for n in range(steps)]
    return sum(width_V / most for _, most in found), sum(width_V / least for least, _ in found)


def leak_of_recovery(rest: RestSeen, move: Move, chemistry: str) -> Leak | None:
    """Return what the rest after a whole discharge says; None where it is too short.

    After a discharge the voltage rises, ever slower; a leak takes from both rates alike. So the difference of the
    rates early and late is the relaxation's alone, and bounds what is left of it.
    """
    rates = _rates(rest)
    if rates is None or not move.whole:
        return None
    early, late, U, least_share, most_share = rates
    faded = max(0.0, early - late)
    least, most = slopes_at(chemistry, rest.last_V)
    if move.end_slope_V is not None and move.end_slope_V > 0:
        least = max(0.5 * least, min(4.0 * least, OWN_SLOPE_LEAST * move.end_slope_V))
        most = max(least, min(most, OWN_SLOPE_MOST * move.end_slope_V))
    rising_most = most_share * (faded + U) + RELAXED_RATE_V_PER_H
    rising_least = least_share * max(0.0, faded - U)
    high = max(0.0, (rising_most - late + U) / least)
    low = max(0.0, (rising_least - late - U) / most)
    hours = (rest.end_utc - rest.begin_utc).total_seconds() / 3600
    text = f"the {hours:.1f} h of recovery after the discharge: {1000 * late:+.1f} mV/h at their end"
    return Leak(24 * low, 24 * high, text, kind="recovery")


def leak_after_charge(rest: RestSeen, chemistry: str) -> Leak | None:
    """Return what the rest after a full charge says; the voltage falls there anyway: all of it may be a leak."""
    rates = _rates(rest)
    if rates is None or chemistry in ("lfp", "auto"):
        return None
    early, late, U, _, most_share = rates
    least, most = slopes_at(chemistry, rest.last_V)
    faded = max(0.0, late - early)
    high = max(0.0, (-late + U) / least)
    low = max(0.0, (-late - U - most_share * (faded + U) - RELAXED_RATE_V_PER_H) / most)
    hours = (rest.end_utc - rest.begin_utc).total_seconds() / 3600
    return Leak(24 * low, 24 * high, f"the {hours:.1f} h of rest after the charge", kind="rest full")


def _rates(rest: RestSeen) -> tuple[float, float, float, float, float] | None:
    """Return early and late rate, U of a rate, and which share of their difference may be left late: least, most."""
    if rest.early_V_per_h is None or rest.late_V_per_h is None or not rest.early_at_s or not rest.late_at_s:
        return None
    U = math.hypot(rest.early_U_V_per_h or 0.0, rest.late_U_V_per_h or 0.0)
    slow, fast = ((rest.early_at_s / rest.late_at_s) ** power for power in FADES)
    return rest.early_V_per_h, rest.late_V_per_h, U, fast / (1 - fast), slow / (1 - slow)


def leak_between(
    from_V: float, to_V: float, days: float, rested_h: float, after: str, U_V: float, chemistry: str
) -> Leak | None:
    """Return what two voltages at rest say, with no current between them.

    Args:
        from_V, to_V: The voltages; `days` apart.
        rested_h: How long the cell had rested at the first.
        after: What flowed before: "charge", "discharge", or "" where nobody knows.
        U_V: Of the difference.
        chemistry: Whose curve it is.
    """
    if days * 24 < DATED_APART_H:
        return None
    fade_V = max(0.002, (RISES_ON_V if rested_h >= 1 else RISE_UNKNOWN_V) / max(1.0, rested_h))
    rise_V = 0.0 if after == "charge" else fade_V
    fall_V = 0.0 if after == "discharge" else fade_V
    _, high = charge_between(chemistry, from_V + rise_V + U_V, to_V)
    if to_V < least_V(chemistry):  # empty since when? An empty cell loses nothing more, so this bounds nothing
        high = 24.0 * days
    low, _ = charge_between(chemistry, from_V - fall_V - U_V, to_V)
    return Leak(low / days, high / days, f"{from_V:.3f} V, and {to_V:.3f} V {24 * days:.0f} h later", kind="voltages")


def least_V(chemistry: str) -> float:
    """Return the voltage at rest below which a cell is empty beyond its window, by chemistry."""
    return load_chemistry(chemistry).hard_low_V - WINDOW_V


def below_window(chemistry: str, left_V: float | None, volt: float, run: str) -> Finding | None:
    """Return what a voltage below the window says, of a cell that nothing was seen to drain so far (lithium).

    Args:
        chemistry: Whose window it is.
        left_V: At rest, as it was left; None where nobody knows.
        volt: At rest, now.
        run: That shows it; "" for a hand meter.
    """
    if chemistry not in LITHIUM or volt >= least_V(chemistry):
        return None
    if chemistry == "auto" and (left_V is None or left_V < NOT_LITHIUM_V):
        return None  # it was no higher before: most likely it is no lithium cell
    left = "" if left_V is None else f", left at {left_V:.3f} V"
    return Finding(
        "below-window", "established" if run else "suspected", "cell",
        f"It stands at {volt:.3f} V with nothing on{left}: below {load_chemistry(chemistry).hard_low_V:.2f} V, the "
        "least for its kind. It empties itself, or something drained it; either harms it.", (run,) if run else (),
        "the same voltage by another meter, with nothing charged in between; else nothing: such a cell is not used",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Balance:
    """A closed cycle: what was put in, what came out, over how long."""

    put_in_Ah: float
    came_out_Ah: float
    ratio: float
    U: float
    hours: float
    run: str
    unlike: bool = False  # between two charges at unlike currents, or that ended at unlike ones
    full_h: float = 0.0  # at rest between the charge and the discharge after it, within the cycle
    at: datetime | None = None  # its end

    @property
    def room(self) -> float:
        """Return how far the ratio may be off: both currents, and two charges that do not end equally full."""
        return self.U + (BALANCE_UNLIKE_U if self.unlike else 0.0)


def balances(moves: Sequence[tuple[RunSeen, Move]], broken: Sequence[int] = ()) -> list[Balance]:
    """Return the closed cycles of a cell: full to full, or empty to empty by the same current and cut-off.

    Args:
        moves: Its charges and discharges in order.
        broken: Before which of them something may have flowed that nobody counted.
    """
    found = []
    for index in range(2, len(moves)):
        first, middle, last = moves[index - 2 : index + 1]
        if any(at in broken for at in (index - 1, index)):
            continue
        if not all(move.whole for _, move in (first, middle, last)) or first[1].kind != last[1].kind:
            continue
        if middle[1].kind == first[1].kind:
            continue
        hours = (last[1].end_utc - first[1].end_utc).total_seconds() / 3600
        if not 0 < hours <= CLOSED_WITHIN_H:
            continue
        if first[1].kind == "discharge" and not _alike(first[1], last[1]):
            continue
        if min(middle[1].ah, last[1].ah) < max(TOP_UP_FLOOR_AH, TOP_UP_FLOOR * max(move.ah for _, move in moves)):
            continue
        charge, discharge = (last, middle) if first[1].kind == "charge" else (middle, last)
        ratio = discharge[1].ah / charge[1].ah
        U = ratio * math.hypot(charge[1].U_ah / charge[1].ah, discharge[1].U_ah / discharge[1].ah)
        unlike = first[1].kind == "charge" and not _as_full(first[1], last[1])
        filled, drawn = (first, middle) if first[1].kind == "charge" else (middle, last)
        full_h = max(0.0, (drawn[1].begin_utc - filled[1].end_utc).total_seconds() / 3600)
        at = last[1].end_utc
        found.append(Balance(charge[1].ah, discharge[1].ah, ratio, U, hours, last[0].run, unlike, full_h, at))
    return found


def _warmer(a: RunSeen, b: RunSeen) -> bool:
    """Tell whether two runs were made at temperatures more than 5 K apart."""
    return (
        a.temperature_degC is not None
        and b.temperature_degC is not None
        and (abs(a.temperature_degC - b.temperature_degC) > 5)
    )


def _alike(a: Move, b: Move) -> bool:
    if a.current_A is None or b.current_A is None or a.cutoff_V != b.cutoff_V:
        return False
    return abs(a.current_A - b.current_A) <= 0.1 * abs(a.current_A)


def _as_full(a: Move, b: Move) -> bool:
    """Tell whether two charges went alike, down to the same current: only then they end equally full."""
    if a.taper_A is None or b.taper_A is None:
        return _alike(a, b)
    return _alike(a, b) and abs(a.taper_A - b.taper_A) <= LIKE_TAPER * max(a.taper_A, b.taper_A)


def _gentler(a: Move, b: Move) -> bool:
    """Tell whether the second went to the same cut-off by less current: what it gave can then only be more."""
    return (
        a.current_A is not None
        and b.current_A is not None
        and (a.cutoff_V == b.cutoff_V and abs(b.current_A) < abs(a.current_A))
    )


def leak_of_balance(balance: Balance) -> Leak:
    """Return what a closed cycle says: what did not come back is at most all leak; a healthy cell keeps 2 %."""
    days = balance.hours / 24
    # More back than put in is no gain: the two currents, or what the cycle began with, are off by as much.
    U = max(balance.U, BALANCE_LEAST_U) + max(0.0, balance.ratio - 1.0)
    U_high = U + (BALANCE_UNLIKE_U if balance.unlike else 0.0)
    high = max(0.0, 1.0 - balance.ratio + U_high) / days
    low = max(0.0, 1.0 - balance.ratio - balance.U - (1.0 - 0.98)) / days
    return Leak(low, high, f"{100 * balance.ratio:.1f} % given back over {balance.hours:.0f} h", balance.run, "balance")


def gave_less(charged: Move, gave: Move, run: str) -> Finding | None:
    """Return what a whole discharge says that gave far less than the charge from empty just before it put in.

    Unlike a balance the two discharges around that charge need not be alike, so the limit is wider.
    """
    before = f"Charged from empty it took {1000 * charged.ah:.0f} mAh, and then gave {1000 * gave.ah:.0f} mAh"
    return _gave_too_little(before, charged.ah - charged.U_ah, gave, run)


def gave_less_than_before(before_Ah: float, gave: Move, run: str) -> Finding | None:
    """Return what speaks against a nickel cell that gave far less after a charge for more than it once gave in one go.

    By the clock a charge for too much looks like one of a small cell: only what it gave before tells them apart.
    """
    before = f"Charged for more, it gave {1000 * gave.ah:.0f} mAh, and {1000 * before_Ah:.0f} mAh before"
    return _gave_too_little(before, before_Ah, gave, run)


def _gave_too_little(what: str, put_in_Ah: float, gave: Move, run: str) -> Finding | None:
    least = GAVE_LEAST * put_in_Ah
    if gave.ah + gave.U_ah >= least:
        return None
    return Finding(
        "same-cell-doubtful", "suspected", "record",
        f"{what} (at least {1000 * least:.0f} mAh were expected): it was used in between, leaks inside, or is another "
        "cell.", (run,),
        "look at its marks and weigh it; then charge it full and measure it again",
    )  # fmt: skip


def falls_when_full(run: str, rest: RestSeen, rested_h: float, chemistry: str) -> Finding | None:
    """Return what the rest before a night says, an hour or more after a full charge: a short near full shows there.

    Args:
        run: The run that begins with that rest.
        rest: The rest.
        rested_h: From the charge's end to the rest's begin.
        chemistry: Whose voltage it is; only Li-ion is steep enough when full.
    """
    hours = (rest.end_utc - rest.begin_utc).total_seconds() / 3600
    if chemistry not in ("li-ion", "li-ion-4.35") or rested_h < FALLS_FULL_FROM_H or hours < 0.1:
        return None
    fell_V = rest.first_V - rest.last_V
    if fell_V <= FALLS_FULL_V_PER_H * hours + FALLS_FULL_LEAST_V:
        return None
    return Finding(
        "falls-when-full", "suspected", "cell",
        f"At rest, {rested_h:.1f} h after its full charge, the voltage falls by {1000 * fell_V / hours:.0f} mV/h "
        f"(limit {1000 * FALLS_FULL_V_PER_H:g} mV/h): it leaks near full, or is worn much.", (run,),
        "the next full charge: what it takes is held against what came out",
    )  # fmt: skip


def balance_findings(found: Sequence[Balance]) -> list[Finding]:
    """Return what closed cycles say against a cell (lithium kinds)."""
    low = [item for item in found if item.ratio < BALANCE_SUSPECTED - item.room]
    if not low:
        return []
    worst = min(low, key=lambda item: item.ratio)
    sure = worst.ratio < BALANCE_ESTABLISHED - worst.room or len(low) >= 2
    return [
        Finding(
            "charge-balance", "established" if sure else "suspected", "cell",
            f"Of {1000 * worst.put_in_Ah:.0f} mAh put in, {1000 * worst.came_out_Ah:.0f} mAh came back "
            f"({100 * worst.ratio:.1f} %, limit {100 * (BALANCE_SUSPECTED - (worst.room - worst.U)):.3g} %): an inner "
            "leak, or a current that is measured wrong.",
            tuple(item.run for item in low),
            "another full cycle: charge, and the night after it; first check both currents with one resistor",
        )
    ]  # fmt: skip


def recovery_findings(found: Sequence[tuple[RunSeen, RestSeen, Leak]]) -> list[Finding]:
    """Return recoveries that fall: after a discharge every sound cell measured so far rises."""
    falling = [
        (run, rest, leak)
        for run, rest, leak in found
        if rest.late_V_per_h is not None
        and rest.late_V_per_h + (rest.late_U_V_per_h or 0.0) + RELAXED_RATE_V_PER_H < 0
        and leak.low > 0.0
    ]
    if not falling:
        return []
    _run, rest, leak = falling[-1]
    sure = len(falling) >= 2 or leak.low >= 0.2
    return [
        Finding(
            "recovery-falls", "established" if sure else "suspected", "cell",
            f"In the rest after the discharge the voltage falls, by {-1000 * (rest.late_V_per_h or 0.0):.1f} mV/h at "
            f"its end: a sound cell rises. That is a leak of at least {100 * leak.low:.2g} % of the capacity a day.",
            tuple(item[0].run for item in falling),
            "a voltage 12 h or more after the last current: amphora cell check ID --as-found V --at TIME",
        )
    ]  # fmt: skip


# A nickel cell nobody has measured is charged by the clock for a guess. What went in beyond this many times what came
# out at once afterwards went into heat, so the cell was full (IEC 61951-2 charges 1.6 times what it states).
OVERCHARGED = 1.4
TOOK_IT_ALL = 1.25  # below that it gave back nearly all it got, and may hold more than that
NEXT_GUESS = 2.0  # times: at 0.1 It of that a charge is never above 0.2 It of what the cell holds
# What gave back nine tenths was not near its end, where a nickel cell takes less and less of a charge: it holds at
# least a tenth more than it gave (practice: at 0.1 It nearly all is taken up to 80 % of what it holds).
TOOK_EVEN_MORE, STILL_MORE = 1.11, 1.1


def overcharged(put_in_Ah: float, put_in_U_Ah: float, gave_Ah: float, gave_U_Ah: float) -> bool:
    """Tell whether a nickel cell, charged from empty, must have been full: it got far more than it gave. Ah."""
    return gave_Ah > 0.0 and put_in_Ah - put_in_U_Ah >= OVERCHARGED * (gave_Ah + gave_U_Ah)


def next_guess_Ah(put_in_Ah: float, gave_Ah: float) -> float:
    """Return what an unmeasured nickel cell is taken to hold next, by what it gave after a charge from empty."""
    if put_in_Ah >= TOOK_IT_ALL * gave_Ah:
        return gave_Ah
    return gave_Ah * NEXT_GUESS * (STILL_MORE if put_in_Ah < TOOK_EVEN_MORE * gave_Ah else 1.0)


MORE_THAN_HELD = 1.02  # times: no rest of days gives charge back; beyond the U of both (practice)


def gave_more(held_Ah: float, gave_Ah: float, days: float, run: str) -> Finding | None:
    """Return what speaks against a cell that gave clearly more after days of rest than it was said to hold. Ah.

    Args:
        held_Ah: What it was said to hold.
        gave_Ah: What it gave after the rest, less the U of both.
        days: Of rest.
        run: That shows it.
    """
    if gave_Ah <= MORE_THAN_HELD * held_Ah:
        return None
    return Finding(
        "same-cell-doubtful", "suspected", "record",
        f"After {days:.1f} days of rest it gave at least {1000 * gave_Ah:.0f} mAh, and {1000 * held_Ah:.0f} mAh when "
        "it was taken to be full: it was not full then, or is another cell.", (run,),
        "charge it full and measure it again",
    )  # fmt: skip


# What nickel and lead-acid may have lost, by days of rest after a full charge: a share of what they hold. Nickel:
# common practice for the first day; IEC 61951-2, 7.4: 60 % is left after 28 days; between them practice. Lead-acid:
# common practice, 3 to 5 % a month when new, three times as much at most when worn.
MAY_LOSE: dict[str, tuple[tuple[float, float], ...]] = {
    "nimh": ((0.0, 0.04), (1.0, 0.10), (7.0, 0.20), (28.0, 0.40)),
    "nicd": ((0.0, 0.04), (1.0, 0.10), (7.0, 0.20), (28.0, 0.40)),
    "lead-acid": ((0.0, 0.02), (1.0, 0.03), (28.0, 0.15)),
}


@dataclass(frozen=True, slots=True)
class Loss:
    """What a rest after a full charge cost: a share of the capacity with U (k = 2), in so many days."""

    share: float
    U: float
    days: float
    run: str


def may_lose(chemistry: str, days: float) -> float:
    """Return what a sound cell may have lost after so many days, as a share; beyond the last row at the same rate."""
    rows = MAY_LOSE[chemistry]
    for (d0, s0), (d1, s1) in pairwise(rows):
        if days <= d1:
            return s0 + (s1 - s0) * (days - d0) / (d1 - d0)
    (d0, s0), (d1, s1) = rows[-2:]
    return min(1.0, s1 + (s1 - s0) * (days - d1) / (d1 - d0))


def loss_of_month(loss: Loss, chemistry: str) -> tuple[float, float]:
    """Return the loss of the first 30 days in percent, with U: nickel loses fast at first, then slower."""
    scale = may_lose(chemistry, 30.0) / may_lose(chemistry, loss.days)
    return min(100.0, max(0.0, 100 * loss.share * scale)), 100 * loss.U * scale


def loss_finding(loss: Loss, chemistry: str) -> Finding | None:
    """Return what a rest says against a nickel or lead-acid cell: it lost more than a sound one may."""
    limit = may_lose(chemistry, loss.days)
    if loss.share - loss.U <= limit:
        return None
    sure = loss.share - loss.U > 2 * limit or loss.share - loss.U > 0.9
    return Finding(
        "soft-short", "established" if sure else "suspected", "cell",
        f"In {loss.days:.1f} days of rest after its full charge it lost {to_places(loss.share, loss.U, 0, 100)} % "
        f"of what it holds (a sound one at most {100 * limit:.0f} %): it leaks inside.", (loss.run,),
        "charge it full, let it rest for 7 days, and discharge it again",
    )  # fmt: skip


UNSEEN_MOST = 0.30  # between full and 3.325 V at rest, of a cell that may be LFP (practice: a fifth or more)
# Of an LFP cell met 1 to 4.5 h after its full charge: at this voltage or above no more than this share was drawn since.
# 150 drawn sound and aged cells at rest that had lost 2 % stood at 3.344 V at most, 5 % at 3.337, 12 % at 3.334, 20 %
# at 3.332, 30 % at 3.329; up to 10 mV of hysteresis after the charge and 5 mV for the meter are room. One that had lost
# 12 % was met at 3.343 V. Of 29 sound ones an hour after their charge 25 stood at 3.359 V or more.
UNSEEN_LFP = ((3.359, 0.02), (3.353, 0.05), (3.349, 0.12), (3.347, 0.20))
UNSEEN_LFP_MOST = 0.40


def unseen_share(chemistry: str, left_V: float, seen_V: float) -> float:
    """Return what can have been drawn between a full charge and a night without the voltage telling, as a share.

    Args:
        chemistry: Whose curve it is.
        left_V, seen_V: At rest, as the charge left it and as the night found it, by the same meter.
    """
    if chemistry == "lfp":
        return next((share for volt, share in UNSEEN_LFP if seen_V >= volt), UNSEEN_LFP_MOST)
    _, most = charge_between(chemistry, left_V, seen_V - SAME_METER_V)
    return min(UNSEEN_MOST, most)


def changes(runs: Sequence[RunSeen]) -> list[Finding]:
    """Return what changed between like runs, oldest first: capacity down by 10 %, resistance up by 30 %."""
    out = []
    whole = [run for run in runs if run.capacity_Ah is not None and run.headline is not None]
    for before, now in pairwise(whole):
        a, b = before.moves[before.headline or 0], now.moves[now.headline or 0]
        if not (_alike(a, b) or _gentler(a, b)) or before.capacity_Ah is None or now.capacity_Ah is None:
            continue
        if _warmer(before, now):
            continue
        if now.capacity_Ah < (1 - CAPACITY_DOWN) * before.capacity_Ah:
            out.append(
                Finding(
                    "capacity-fell", "suspected", "cell",
                    f"It gave {1000 * now.capacity_Ah:.0f} mAh after {1000 * before.capacity_Ah:.0f} mAh in the run "
                    "before: it lost much, was not full, or is another cell.",
                    (before.run, now.run), "charge it full and measure it again",
                )
            )  # fmt: skip
    felt = [run for run in runs if run.resistance_ohm is not None]
    for before, now in pairwise(felt):
        if before.resistance_like != now.resistance_like or before.resistance_ohm is None or now.resistance_ohm is None:
            continue
        if _warmer(before, now):
            continue
        moved = now.resistance_ohm - before.resistance_ohm
        U = math.hypot(before.resistance_U_ohm or 0.0, now.resistance_U_ohm or 0.0)
        both = (
            f"{1000 * before.resistance_ohm:.0f} mΩ, and now {1000 * now.resistance_ohm:.0f} mΩ under like conditions"
        )
        if moved - U > RESISTANCE_UP * before.resistance_ohm:
            out.append(
                Finding(
                    "resistance-rose", "suspected", "cell", f"{both}: a contact, wear, or another cell.",
                    (before.run, now.run), "clean the contacts and measure it again",
                )
            )  # fmt: skip
        if abs(moved) - U > max(SAME_RESISTANCE * before.resistance_ohm, SAME_RESISTANCE_OHM):
            out.append(
                Finding(
                    "same-cell-resistance", "suspected", "record", f"{both}: is it the same cell?",
                    (before.run, now.run), "look at its marks and weigh it; then charge it full and measure it again",
                )
            )  # fmt: skip
    return out


def leak_limit(charges: int) -> float:
    """Return what the bound of the leak has to stay below for match, certificate and a grade above standby."""
    return HEALTHY_BELOW if charges < 2 else HEALTHY_BELOW_LATER
