"""Does a complete discharge agree with the earlier run of the same cell? Other runs are found and read here."""

import contextlib
from dataclasses import replace
from pathlib import Path

from amphora.harness.archive.run_folder import header_unchecked, runs_in
from amphora.harness.common.errors import AmphoraError
from amphora.harness.results.repeats_within import SAME_CUTOFF_V, alike, compared, is_repeat, repeat_warnings
from amphora.harness.results.result import Result, RunWarning


def with_earlier_repeat(folder: Path, result: Result) -> Result:
    """Return figures that also say whether the cell's earlier run agrees, where there is one made alike.

    The earlier run is not among the inputs of `result.json`, so this part is never kept.

    Args:
        folder: The run folder; runs beside it are of the same cell.
        result: The run's figures.
    """
    if result.passes is not None or not is_repeat(result):
        return result
    folder = folder.absolute()
    made = str(result.created_utc or "")
    earlier: list[tuple[str, Path]] = []
    for other in runs_in(folder.parent):
        if other == folder:
            continue
        with contextlib.suppress(OSError, ValueError):
            when = header_unchecked(other).created_utc
            if when and when < made:
                earlier.append((when, other))
    for _, candidate in sorted(earlier, reverse=True):
        with contextlib.suppress(AmphoraError, OSError):
            other_result = _figures(candidate, result)
            if is_repeat(other_result) and alike(other_result, result):
                found = compared(
                    other_result.capacity_Ah or 0.0,
                    result.capacity_Ah or 0.0,
                    result.chemistry,
                    f"This pass and that of {candidate.name}",
                    str(candidate),
                )
                told = [RunWarning(item.code, item.text) for item in repeat_warnings(found)]
                return replace(result, passes=found, warnings=(*result.warnings, *told))
    return result


def _figures(candidate: Path, result: Result) -> Result:
    """Return an earlier run's figures, brought to this one's cut-off where its own was lower."""
    from amphora.harness.results.figures import figures_of

    found = figures_of(candidate)
    own, wanted = found.cutoff_V, result.cutoff_V
    if own is not None and wanted is not None and own < wanted - SAME_CUTOFF_V:
        return figures_of(candidate, float(wanted))
    return found
