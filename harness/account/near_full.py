"""How large a leak the evidence leaves possible where a cell rests full. Pure; V, Ah, h, shares of the capacity a day.

A short may act near full alone: what is wound or stacked is thickest there and presses hardest (practice). An hour's
rest does not tell 3 to 12 mV/h of it from the relaxation of a sound cell, and a closed cycle keeps the cell near full
for a few hours only. Half a day or more at rest, full, does: by what the next charge takes to fill it again, by what
did not come back, or by the fall of the voltage. Each takes all that it sees for leak, the relaxation too, so each
errs to the safe side.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from amphora.harness.account import findings as f
from amphora.harness.account.charge_end import NOT_TO_FULL
from amphora.harness.account.standing import Bound, Move, RunSeen, Standing
from amphora.harness.account.state import FULL_FOR_H, FoldState
from amphora.harness.results.rulings import Finding

KINDS = ("li-ion", "li-ion-4.35")  # of the others none that acts near full alone costs 5 % a day (docs/account.md)
AT_REST_H = 12.0  # at full, or it is no evidence; the longer, the narrower
LIMIT = f.HEALTHY_BELOW_LATER  # a day, from the second full charge on: this project's measure of a sick cell
FROM_CHARGES = 2
CHARGE_SHARE = 0.4  # of what it holds; a storage charge is none
WARMER_K = 5.0
LEFT_WITHIN = timedelta(hours=1)  # after the charge: the voltage that it left
NOTHING = "no rest of 12 h or more at full is on record"


@dataclass(frozen=True, slots=True)
class AtFull:
    """What one rest at full says: the leak there is at most `high` a day. `counted`: by charge, not by voltage."""

    at: datetime
    high: float
    text: str
    counted: bool


def _days(hours: float) -> float:
    """Return by how many days a loss is divided: a short that stops itself took all of it on the first day."""
    return min(hours / 24.0, 1.0)


def by_voltage(left_V: float, now_V: float, hours: float, U_V: float, at: datetime, key: str) -> AtFull | None:
    """Return what a voltage says, after hours at rest from a full charge; None where they are too few.

    Args:
        left_V: At rest, as the full charge left it.
        now_V: At rest.
        hours: From the charge's end to now, with nothing on.
        U_V: Of their difference.
        at: When it was read.
        key: The chemistry.
    """
    if key not in KINDS or hours < AT_REST_H:
        return None
    _, most = f.charge_between(key, left_V + U_V, now_V)
    text = f"{left_V:.3f} V when full, and {now_V:.3f} V {hours:.0f} h later"
    return AtFull(at, most / _days(hours), text, False)


def by_filling_up(moves: Sequence[tuple[RunSeen, Move]], broken: Sequence[int], capacity_Ah: float) -> list[AtFull]:
    """Return what charges of a cell that already was full say: all that they put in may have leaked out.

    After half a day at rest the charge ends fuller than the one before, at the same current: what soaks in is counted
    as leak, too. Where the second may have ended less full (a larger current at its end) it says nothing.

    Args:
        moves: Its charges and discharges in order.
        broken: Before which of them something may have flowed that nobody counted.
        capacity_Ah: What it holds, at least.
    """
    found = []
    for index in range(1, len(moves)):
        (before, full), (after, again) = moves[index - 1 : index + 1]
        if index in broken or not before.dated or not (full.whole and again.whole):
            continue
        hours = (again.begin_utc - full.end_utc).total_seconds() / 3600
        if full.kind != "charge" or again.kind != "charge" or hours < AT_REST_H:
            continue
        room = 0.0
        if full.taper_A is None or again.taper_A is None or _colder(before, after):
            room = f.BALANCE_UNLIKE_U
        elif again.taper_A > (1.0 + f.LIKE_TAPER) * full.taper_A:
            continue
        share = (again.ah + again.U_ah) / capacity_Ah + room
        text = f"{1000 * again.ah:.0f} mAh filled it up again after {hours:.0f} h at full"
        found.append(AtFull(again.end_utc, share / _days(hours), text, True))
    return found


def _colder(before: RunSeen, after: RunSeen) -> bool:
    """Tell whether the second charge may have ended less full because it was colder, or nobody knows."""
    if before.temperature_degC is None or after.temperature_degC is None:
        return False
    return after.temperature_degC < before.temperature_degC - WARMER_K


def by_balance(closed: Sequence[f.Balance]) -> list[AtFull]:
    """Return what closed cycles with half a day or more at full in them say: all that did not come back may be leak."""
    found = []
    for item in closed:
        if item.full_h < AT_REST_H or item.at is None:
            continue
        lost = f.leak_of_balance(item).high * item.hours / 24.0
        text = f"{100 * item.ratio:.1f} % given back, {item.full_h:.0f} h at full among them"
        found.append(AtFull(item.at, lost / _days(item.full_h), text, True))
    return found


def bound_of(found: Sequence[AtFull], changed: datetime) -> Bound:
    """Return the largest leak near full that the evidence leaves possible.

    A rest at full that cost more than the limit and twice what one before did: the cell is not what it was, and what
    is older counts no more.

    Args:
        found: The evidence.
        changed: Since when another finding says that the cell leaks more than before.
    """
    counted = sorted((item for item in found if item.counted), key=lambda item: item.at)
    for index, item in enumerate(counted[1:], 1):
        if item.high >= LIMIT and item.high > f.CHANGED_TIMES * min(one.high for one in counted[:index]):
            changed = max(changed, item.at)
    best = min((item for item in found if item.at >= changed), key=lambda item: item.high, default=None)
    return Bound(0.0, 24.0, "", NOTHING) if best is None else Bound(0.0, min(24.0, best.high), "", best.text)


def seen(state: FoldState, volt: float, at: datetime, by: str, key: str) -> None:
    """Take in a voltage at rest of a cell that our own charge left full, with nothing on since."""
    if state.full_at is None or state.full_V is None or state.broken:
        return
    hours = (at - state.full_at).total_seconds() / 3600
    left_V = state.full_V
    if state.full_V_at is not None and state.full_V_at - state.full_at > LEFT_WITHIN:
        left_V += state.fell_V  # the rest of that run was a long one: what fell in it counts
    U = f.SAME_METER_V if by == "bench" else f.OTHER_METER_V
    found = by_voltage(left_V, volt, hours, U, at, key)
    if found is not None:
        state.at_full.append(found)


def release(state: FoldState, runs: Sequence[RunSeen]) -> None:
    """Take back what an hour at full seemed to say, where a later rest there of half a day or more cost little."""
    sound = [item.at for item in state.at_full if item.counted and item.high < LIMIT]
    if sound:
        # the night after it as well: a leak that began in that very hour shows in the night's own recovery
        later = {run.run for run in runs if run.at > max(sound) + timedelta(hours=FULL_FOR_H + 0.5)}
        state.findings = [item for item in state.findings if item.code != "falls-when-full" or set(item.runs) & later]


def asked_before_a_night(standing: Standing) -> str:
    """Return what is better done with a cell that was just charged full than its night; empty for nothing."""
    if standing.full_since is None or standing.finding("leak-near-full") is None:
        return ""
    return (
        "before its night: let it rest a day with nothing on, then charge it again. What that takes bounds a leak that "
        "acts near full alone; without it the account asks (leak-near-full)"
    )


def charges(runs: Sequence[RunSeen], capacity_Ah: float | None) -> int:
    """Return how often it was charged to full, or near enough for a leak to have shown: what the verdicts count.

    A charge whose end the meter did not show counts, too, where it put in two fifths of what the cell holds.
    """
    found = 0
    for run in runs:
        put_in = [move for move in run.moves if move.kind == "charge"]
        whole = sum(move.whole for move in put_in)
        far = capacity_Ah is not None and sum(move.ah for move in put_in) >= CHARGE_SHARE * capacity_Ah
        found += whole or (1 if far and run.profile not in NOT_TO_FULL else 0)
    return found


def open_finding(cell_id: str, key: str, charges: int, leak: Bound) -> Finding | None:
    """Return that the evidence does not exclude a leak that acts near full alone, from the second full charge on."""
    if key not in KINDS or charges < FROM_CHARGES or leak.high < LIMIT:
        return None
    open_ = (
        "The evidence so far does not exclude a leak that acts near full alone"
        if leak.high >= 1.0
        else f"The evidence so far leaves a leak near full of up to {100 * leak.high:.2g} % a day possible"
    )
    return Finding(
        "leak-near-full", "reported", "cell", f"{open_} (limit {100 * LIMIT:g} %; {leak.high_from}).", (),
        "charge it full, let it rest a day with nothing on, and charge it again before its night: what the second "
        f"charge takes bounds it (or a voltage 12 h or more after the charge: amphora cell check {cell_id} "
        "--as-found V --at TIME)",
    )  # fmt: skip
