"""What `amphora analyse` answers: the figures of a run, as the account of its cell sees them."""

from pathlib import Path

from amphora.harness.results.result import LeadsState, Result


def analyse_run(
    folder: Path, cutoff_V: float | None = None, budget: bool = True, leads: LeadsState | None = None
) -> Result:
    """Return what is found in a run, as the account of its cell sees them.

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
    from amphora.harness.account.asking import with_account
    from amphora.harness.results.across_runs import analyse_folder

    return with_account(Path(folder), analyse_folder(folder, cutoff_V, budget, leads))
