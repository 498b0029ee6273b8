"""The figures of a run with what other runs of the cell and of the bench add: loss at rest, leads, passes.

Other runs are not among the inputs of `result.json`, so none of this is kept.
"""

import contextlib
from dataclasses import replace
from pathlib import Path

from amphora.harness.archive.run_folder import RUN
from amphora.harness.common.errors import AmphoraError
from amphora.harness.results.figures import figures_of
from amphora.harness.results.result import LeadsState, RestLoss, Result


def analyse_folder(
    folder: Path, cutoff_V: float | None = None, budget: bool = True, leads: LeadsState | None = None
) -> Result:
    """Return the result of a run, from `result.json` where that is still true, with what other runs add to it.

    Arguments and errors are those of `account.answer.analyse_run`, which calls this and adds what the account says.
    """
    from amphora.harness.results.leads import with_leads
    from amphora.harness.results.repeats import with_earlier_repeat

    folder = Path(folder)
    result = figures_of(folder, cutoff_V)
    if result.retention is not None and result.retention.mV_per_day is not None:
        result = replace(result, retention=_with_loss(folder, result.retention))
    result = with_leads(folder, result, leads)
    result = with_earlier_repeat(folder, result)
    return result if budget else replace(result, budget=None)


def _with_loss(folder: Path, retention: RestLoss) -> RestLoss:
    """Return a retention with its loss of charge, where another run of the cell gives the slope for it.

    The other run is not among the inputs of `result.json`, so this part is never kept.
    """
    from amphora.harness.results.retention import loss_of

    for other in sorted(folder.absolute().parent.glob(f"*/{RUN}"), reverse=True):
        if other.parent.name == folder.absolute().name:
            continue
        with contextlib.suppress(AmphoraError, OSError):
            result = figures_of(other.parent)
            if result.complete and result.from_full:
                return loss_of(retention, other.parent, result)
    return retention
