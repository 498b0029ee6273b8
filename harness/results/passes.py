"""Do two complete discharges from a known full start agree? The comparison, and it within one run.

Two passes are compared when they were made alike: current within a quarter, the same cut-off, and the cell within
5 K where both temperatures are known.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from amphora.harness.analysis.warnings import Warning_

SAME_CUTOFF_V = 0.02

SAME_TEMPERATURE_K = 5.0


def passes_in(entries: Sequence[Mapping[str, Any]], chemistry: str) -> tuple[dict[str, Any] | None, list[Warning_]]:
    """Return what the last two full passes among a run's phases say, and what to warn of.

    Args:
        entries: The run's phases.
        chemistry: Key of the cell's chemistry: nickel cells are given more room.

    Returns:
        `first_Ah`, `second_Ah`, `difference` (relative), `agree`, `earlier_run` (None: both in this run), `text`;
        None when there are no two passes made alike.
    """
    whole = [
        entry
        for entry in entries
        if entry["kind"] == "discharge" and entry["complete"] and entry["start"] in ("full", "declared-full")
    ]
    if len(whole) < 2 or not alike(whole[-2], whole[-1]):
        return None, []
    found = compared(whole[-2]["capacity_Ah"], whole[-1]["capacity_Ah"], chemistry, "Two passes of this run", None)
    return found, pass_warnings(found)


def is_pass(result: Mapping[str, Any]) -> bool:
    """Return whether figures are those of a complete discharge from a known full start."""
    return bool(result["complete"]) and result["start"] in ("full", "declared-full") and bool(result["capacity_Ah"])


def alike(first: Mapping[str, Any], second: Mapping[str, Any]) -> bool:
    """Return whether two discharges were made alike: current, cut-off and temperature."""
    if not 0.8 < first["main_current_A"] / second["main_current_A"] < 1.25:
        return False
    cutoffs = first.get("cutoff_V"), second.get("cutoff_V")
    if cutoffs[0] is not None and cutoffs[1] is not None and abs(cutoffs[0] - cutoffs[1]) > SAME_CUTOFF_V:
        return False
    warm = first.get("temperature_degC"), second.get("temperature_degC")
    return warm[0] is None or warm[1] is None or bool(abs(warm[0] - warm[1]) <= SAME_TEMPERATURE_K)


def compared(first_Ah: float, second_Ah: float, chemistry: str, what: str, run: str | None) -> dict[str, Any]:
    """Return how two capacities, in Ah, agree, as plain data."""
    from amphora.harness.analysis.charge import passes_agree

    agree, difference, text = passes_agree(first_Ah, second_Ah, chemistry, what)
    return {
        "first_Ah": first_Ah,
        "second_Ah": second_Ah,
        "difference": difference,
        "agree": agree,
        "earlier_run": run,
        "text": text,
    }


def pass_warnings(found: Mapping[str, Any]) -> list[Warning_]:
    """Return what to warn of where two passes differ."""
    return [] if found["agree"] else [Warning_("passes-differ", str(found["text"]))]
