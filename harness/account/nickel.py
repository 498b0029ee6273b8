"""Nickel and lead-acid in the account: what is charged by the clock, and what days of rest cost. Pure; Ah."""

import math
from collections.abc import Sequence

from amphora.harness.account import findings as f
from amphora.harness.account.charge_end import NICKEL as NICKEL
from amphora.harness.account.standing import RunSeen
from amphora.harness.account.state import FULL_FOR_H, FoldState, first_V, full_floor_V
from amphora.harness.analysis.repeats import item_U_Ah


def full_by_overcharge(state: FoldState, run: RunSeen) -> bool:
    """Tell whether a nickel cell began full, because the charge before put in far more than it now gave.

    Brings up to date what it is taken to hold as long as nobody has measured it.
    """
    charged, gave = state.timed, run.moves[0] if run.moves else None
    if charged is None or gave is None or gave.kind != "discharge" or not gave.whole or run.headline != 0:
        return False
    if state.broken or run.gaps_unknown or run.damaged or not run.dated:
        return False
    hours = (gave.begin_utc - charged.end_utc).total_seconds() / 3600
    if not 0.0 <= hours <= FULL_FOR_H + 0.5:
        return False
    if f.overcharged(charged.ah, charged.U_ah, gave.ah, gave.U_ah):
        if (less := f.gave_less_than_before(state.gave_Ah, gave, run.run)) is not None:
            state.findings.append(less)
            state.gave_Ah = state.guess_Ah = gave.ah  # from here on it is the account of what lies there now
            return False
        first = first_V(run)
        return first is not None and first[0] >= full_floor_V("nimh") - 0.01
    state.guess_Ah = max(state.guess_Ah or 0.0, f.next_guess_Ah(charged.ah, gave.ah))
    return False


def gave_at_least(state: FoldState, run: RunSeen) -> None:
    """Take in what a nickel cell gave in one go, whatever it began with: it holds no less (until it was measured)."""
    if run.damaged or run.gaps_unknown:
        return
    state.gave_Ah = max([state.gave_Ah, *(move.ah - move.U_ah for move in run.moves if move.kind == "discharge")])
    # Not twice as much: where it was met full, that is all it holds.
    state.guess_Ah = max(state.guess_Ah or 0.0, state.gave_Ah) or None


def lost(state: FoldState, run: RunSeen, key: str, counted: Sequence[RunSeen]) -> None:
    """Take in what a nickel or lead-acid cell gave after days of rest that it began full, of what it holds."""
    if key not in f.MAY_LOSE or state.full_at is None or not counted or not run.moves or run.gaps_unknown:
        return
    first = run.moves[0]
    days = (first.begin_utc - state.full_at).total_seconds() / 86400
    held, held_U = counted[-1].capacity_Ah or 0.0, counted[-1].capacity_U_Ah or 0.0
    if first.kind != "discharge" or not first.whole or days * 24 <= FULL_FOR_H + 0.5 or not run.dated or held <= 0:
        return
    U_Ah = math.hypot(first.U_ah, item_U_Ah(held, held_U))
    state.losses.append(f.Loss(1.0 - first.ah / held, U_Ah / held, days, run.run))
