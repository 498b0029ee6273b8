"""Do two passes of one cell agree? Within one run, and with the cell's earlier run of the same kind.

A pass is a complete discharge from a known full start. Two passes are compared when they were made alike: current
within a quarter, the same cut-off, and the cell within 5 K where both temperatures are known.
"""

import contextlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from amphora.harness.analysis.warnings import Warning_
from amphora.harness.common.errors import AmphoraError

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
    if len(whole) < 2 or not _alike(whole[-2], whole[-1]):
        return None, []
    found = _compared(whole[-2]["capacity_Ah"], whole[-1]["capacity_Ah"], chemistry, "Two passes of this run", None)
    return found, _warnings(found)


def with_earlier_pass(folder: Path, result: dict[str, Any]) -> dict[str, Any]:
    """Return figures that also say whether the cell's earlier run agrees, where there is one made alike.

    The earlier run is not among the inputs of `result.json`, so this part is never kept.

    Args:
        folder: The run folder; runs beside it are of the same cell.
        result: The run's figures.
    """
    if result.get("passes") is not None or not _is_pass(result):
        return result
    folder = folder.absolute()
    made = str(result.get("created_utc") or "")
    earlier: list[tuple[str, Path]] = []
    for other in folder.parent.glob("*/run.json"):
        if other.parent == folder:
            continue
        with contextlib.suppress(OSError, ValueError):
            when = str(json.loads(other.read_text(encoding="utf-8")).get("created_utc") or "")
            if when and when < made:
                earlier.append((when, other.parent))
    for _, candidate in sorted(earlier, reverse=True):
        with contextlib.suppress(AmphoraError, OSError):
            other_result = _figures(candidate, result)
            if _is_pass(other_result) and _alike(other_result, result):
                found = _compared(
                    other_result["capacity_Ah"],
                    result["capacity_Ah"],
                    str(result["chemistry"]),
                    f"This pass and that of {candidate.name}",
                    str(candidate),
                )
                told = [{"code": item.code, "text": item.text} for item in _warnings(found)]
                return {**result, "passes": found, "warnings": [*result["warnings"], *told]}
    return result


def _figures(candidate: Path, result: Mapping[str, Any]) -> dict[str, Any]:
    """Return an earlier run's figures, brought to this one's cut-off where its own was lower."""
    from amphora.harness.results.analyse import figures_of

    found = figures_of(candidate)
    own, wanted = found.get("cutoff_V"), result.get("cutoff_V")
    if own is not None and wanted is not None and own < wanted - SAME_CUTOFF_V:
        return figures_of(candidate, float(wanted))
    return found


def _is_pass(result: Mapping[str, Any]) -> bool:
    return bool(result["complete"]) and result["start"] in ("full", "declared-full") and bool(result["capacity_Ah"])


def _alike(first: Mapping[str, Any], second: Mapping[str, Any]) -> bool:
    if not 0.8 < first["main_current_A"] / second["main_current_A"] < 1.25:
        return False
    cutoffs = first.get("cutoff_V"), second.get("cutoff_V")
    if cutoffs[0] is not None and cutoffs[1] is not None and abs(cutoffs[0] - cutoffs[1]) > SAME_CUTOFF_V:
        return False
    warm = first.get("temperature_degC"), second.get("temperature_degC")
    return warm[0] is None or warm[1] is None or bool(abs(warm[0] - warm[1]) <= SAME_TEMPERATURE_K)


def _compared(first_Ah: float, second_Ah: float, chemistry: str, what: str, run: str | None) -> dict[str, Any]:
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


def _warnings(found: Mapping[str, Any]) -> list[Warning_]:
    return [] if found["agree"] else [Warning_("passes-differ", str(found["text"]))]
