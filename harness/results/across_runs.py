"""The figures of a run with what other runs of the cell and of the bench add: loss at rest, leads, passes.

Other runs are not among the inputs of `result.json`, so none of this is kept.
"""

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from amphora.harness.archive.run_folder import RUN
from amphora.harness.common.errors import AmphoraError
from amphora.harness.results.figures import figures_of

if TYPE_CHECKING:
    pass


def analyse_folder(
    folder: Path, cutoff_V: float | None = None, budget: bool = True, leads: dict[str, Any] | None = None
) -> dict[str, Any]:
    """Return the figures of a run, from `result.json` where that is still true.

    Args:
        folder: The run folder.
        cutoff_V: Another cut-off voltage than the run's own.
        budget: Keep the budgets in the answer.
        leads: What to take out as leads and holder, as a certificate states it; None: as the shelf knows it.

    Raises:
        InputError: not a run folder; a cut-off that is not above 0 V.
        JournalDamaged: damage, by file and line.
        AnalysisError: a record no figure can be made from.
    """
    from amphora.harness.results.leads import with_leads
    from amphora.harness.results.repeats import with_earlier_pass

    folder = Path(folder)
    result = figures_of(folder, cutoff_V)
    if (result.get("retention") or {}).get("mV_per_day") is not None:
        result = {**result, "retention": _with_loss(folder, result["retention"])}
    result = with_leads(folder, result, leads)
    result = with_earlier_pass(folder, result)
    if not budget:
        result = {key: value for key, value in result.items() if key != "budget"}
    return result


def _with_loss(folder: Path, retention: dict[str, Any]) -> dict[str, Any]:
    """Return a retention with its loss of charge, where another run of the cell gives the slope for it.

    The other run is not among the inputs of `result.json`, so this part is never kept.
    """
    from amphora.harness.results.retention import loss_of

    for other in sorted(folder.absolute().parent.glob(f"*/{RUN}"), reverse=True):
        if other.parent.name == folder.absolute().name:
            continue
        with contextlib.suppress(AmphoraError, OSError):
            result = figures_of(other.parent)
            if result["complete"] and result["start"] in ("full", "declared-full"):
                return loss_of(retention, other.parent, result)
    return retention
