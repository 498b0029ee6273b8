"""What a cell holds beyond the condition of one night: how far another charge and current would move the figure. Pure.

A run states its capacity at its own current, after its own charge; another test made alike lies within the U of the
item. The account says what the cell holds, whoever charges it: so its U also covers what the cell's own nights at other
currents gave, and what its newest night differs by from the stated condition (0.2 It). Ah, A.
"""

import math
from collections.abc import Mapping, Sequence
from datetime import timedelta

from amphora.harness.account.standing import Move, RunSeen
from amphora.harness.analysis.repeats import LIKE_CURRENT, LIKE_K, MOST_DAYS, STATED_IT

# What is not converted, for each e-fold of current between the night and the stated one: half-width of a rectangle, as
# a share. Faster nights fall off sooner (common practice); slower ones of 37 drawn sound and aged cells gave 1 to 6 %
# more at 0.07 to 0.16 It than at 0.2 It, the slower charge before them included.
FASTER_SHARE, SLOWER_SHARE = 0.10, 0.05


def conditions_share(best: RunSeen, counted: Sequence[RunSeen], charged_A: Mapping[str, float]) -> float:
    """Return by how much what a cell holds may differ with charge and current, as a share (k = 2).

    Args:
        best: The night that stands for it.
        counted: All nights whose capacity counts, `best` among them.
        charged_A: Run -> current of the charge that filled it, where it is known.

    Source: JCGM 100:2008, 4.3.7 (rectangle); the tolerances of like nights as for repeats (common practice).
    """
    held = float(best.capacity_Ah or 0.0)
    mine = _gave(best)
    if held <= 0.0 or mine is None or not mine.current_A:
        return 0.0
    own = [
        abs(float(run.capacity_Ah or held) / held - 1.0)
        for run in counted
        if run is not best and _comparable(best, run) and not _alike(best, run, charged_A)
    ]
    return max([_from_stated(best, abs(mine.current_A) / (STATED_IT * held)), *own])


def _gave(run: RunSeen) -> Move | None:
    return run.moves[run.headline] if run.headline is not None and run.headline < len(run.moves) else None


def _from_stated(run: RunSeen, ratio: float) -> float:
    """Return how far a night is from the stated condition: by its own estimate, else by an allowance."""
    if abs(ratio - 1.0) <= LIKE_CURRENT:
        return 0.0
    held = float(run.capacity_Ah or 0.0)
    if run.stated_Ah is not None:
        return abs(run.stated_Ah / held - 1.0)
    share = FASTER_SHARE if ratio > 1.0 else SLOWER_SHARE
    return 2.0 / math.sqrt(3.0) * share * abs(math.log(ratio))


def _comparable(a: RunSeen, b: RunSeen) -> bool:
    """Tell whether what two nights differ by is their currents: same cut-off and warmth, and near enough in time."""
    one, other = _gave(a), _gave(b)
    if one is None or other is None or one.cutoff_V != other.cutoff_V or not (a.dated and b.dated):
        return False
    if a.temperature_degC is not None and b.temperature_degC is not None:
        return abs(a.temperature_degC - b.temperature_degC) <= LIKE_K and abs(a.at - b.at) <= timedelta(days=MOST_DAYS)
    return abs(a.at - b.at) <= timedelta(days=MOST_DAYS)


def _alike(a: RunSeen, b: RunSeen, charged_A: Mapping[str, float]) -> bool:
    """Tell whether two nights were charged and discharged alike: then their scatter is that of repeats."""
    one, other = _gave(a), _gave(b)
    gave = (None if one is None else one.current_A, None if other is None else other.current_A)
    took = (charged_A.get(a.run), charged_A.get(b.run))
    return all(x is None or y is None or abs(abs(x) - abs(y)) <= LIKE_CURRENT * abs(x) for x, y in (gave, took))
