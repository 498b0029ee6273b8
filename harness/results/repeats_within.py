"""Do two complete discharges from a known full start agree? The comparison, and it within one run.

Two of them are compared when they were made alike: current within a quarter, the same cut-off, and the cell within
5 K where both temperatures are known.
"""

import math
from collections.abc import Sequence

from amphora.harness.analysis.warnings import Warning_
from amphora.harness.results.result import PhaseResult, RepeatsAgree, Result

SAME_CUTOFF_V = 0.02

SAME_TEMPERATURE_K = 5.0


def repeats_in(entries: Sequence[PhaseResult], chemistry: str) -> tuple[RepeatsAgree | None, list[Warning_]]:
    """Return what the last two full discharges among a run's phases say, None without two alike; and what to warn of.

    Args:
        entries: The run's phases.
        chemistry: Key of the cell's chemistry: nickel cells are given more room.
    """
    whole = [entry for entry in entries if entry.kind == "discharge" and is_repeat(entry)]
    if len(whole) < 2 or not alike(whole[-2], whole[-1]):
        return None, []
    held = whole[-2].capacity_Ah or 0.0, whole[-1].capacity_Ah or 0.0
    found = compared(*held, chemistry, "Two passes of this run", None)
    return found, repeat_warnings(found)


def is_repeat(found: PhaseResult | Result) -> bool:
    """Return whether figures are those of a complete discharge from a known full start."""
    return found.complete and found.from_full and bool(found.capacity_Ah)


def alike(first: PhaseResult | Result, second: PhaseResult | Result) -> bool:
    """Return whether two discharges were made alike: current, cut-off and temperature."""
    if not 0.8 < (first.main_current_A or 0.0) / (second.main_current_A or math.nan) < 1.25:
        return False
    if isinstance(first, Result) and isinstance(second, Result):  # those of one run have one cut-off
        low = first.cutoff_V, second.cutoff_V
        if low[0] is not None and low[1] is not None and abs(low[0] - low[1]) > SAME_CUTOFF_V:
            return False
    warm = first.temperature_degC, second.temperature_degC
    return warm[0] is None or warm[1] is None or bool(abs(warm[0] - warm[1]) <= SAME_TEMPERATURE_K)


def compared(first_Ah: float, second_Ah: float, chemistry: str, what: str, run: str | None) -> RepeatsAgree:
    """Return how two capacities, in Ah, agree."""
    from amphora.harness.analysis.charge import passes_agree

    agree, difference, text = passes_agree(first_Ah, second_Ah, chemistry, what)
    return RepeatsAgree(first_Ah, second_Ah, difference, agree, run, text)


def repeat_warnings(found: RepeatsAgree) -> list[Warning_]:
    """Return what to warn of where two passes differ."""
    return [] if found.agree else [Warning_("passes-differ", found.text)]
