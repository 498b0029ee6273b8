"""What a run on the bench says about an unmarked cell: from a run folder to an identification.

Gathers the evidence of one run, or of several runs of the same cell (a watched charge one evening, a discharge
the next), and hands it to the pure `harness.analysis.identification`. The answer is kept in the shelf by
whoever asks; `identified_field` gives what is kept.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.errors import InputError

if TYPE_CHECKING:
    from harness.analysis.identification import Evidence, Identification
    from harness.shelf import Cell


def evidence_of(folder: Path) -> "Evidence":
    """Return the evidence that one run folder holds.

    Raises:
        InputError: the cell's record has no voltage as found.
        JournalDamaged: the folder is damaged.
    """
    import numpy as np

    from harness.analysis.identification import evidence_from_record
    from harness.analysis.resistance import LOAD_STEP, find_resistances
    from harness.loading import load

    record, info = load(folder)
    found_V = info.cell.get("as_found_V")
    if not isinstance(found_V, int | float) or isinstance(found_V, bool):
        raise InputError(
            f"{folder}: the cell's record has no 'as_found_V'; measure it at rest with a hand meter and enter it"
        )
    claim_Ah = info.cell.get("claim_Ah")
    ohms: tuple[float, ...] = ()
    pulses = [number for number, kind in enumerate(info.step_kinds) if kind == "pulses"]
    rows = np.flatnonzero(np.isin(record.step, pulses))
    if rows.size:
        values = find_resistances(record, int(rows[0]), int(rows[-1]), None, info.measurement)
        ohms = tuple(v.ohm for v in values if v.method == LOAD_STEP and 5.0 <= v.duration_s <= 15.0)
    return evidence_from_record(
        record,
        info.step_kinds,
        float(found_V),
        declared_rechargeable=info.cell.get("declared_rechargeable") is True,
        reference_A=float(claim_Ah) if isinstance(claim_Ah, int | float) and claim_Ah > 0 else None,
        step_ohm=ohms,
    )


def identify_runs(folders: Sequence[Path]) -> "Identification":
    """Say what a cell is from the runs made with it, or what to do next.

    Args:
        folders: Run folders of one cell, oldest first; later evidence of a kind stands for earlier.

    Raises:
        InputError: no folder, runs of different cells, or no voltage as found.
    """
    from harness.analysis.identification import identify
    from harness.loading import load

    if not folders:
        raise InputError("identification: no run given")
    cells = {load(folder)[1].cell_id for folder in folders}
    if len(cells) > 1:
        raise InputError(
            f"identification: the runs are of several cells ({', '.join(sorted(cells))}); give those of one"
        )
    known = evidence_of(folders[0])
    for folder in folders[1:]:
        more = evidence_of(folder)
        known = replace(
            known,
            declared_rechargeable=more.declared_rechargeable,
            step_ohm=more.step_ohm or known.step_ohm,
            discharge=more.discharge or known.discharge,
        )
        if more.charge is not None:
            known = replace(
                known, charge=more.charge, charge_It=more.charge_It,
                rested_after_charge_V=more.rested_after_charge_V, rest_after_charge_h=more.rest_after_charge_h,
            )  # fmt: skip
    return identify(known)


def identified_field(found: "Identification", run_id: str) -> dict[str, Any]:
    """Return what the shelf keeps of an identification; `chemistry` is there only when the answer names one."""
    kept: dict[str, Any] = {
        "answer": found.answer,
        "confidence": found.confidence,
        "evidence": list(found.evidence),
        "next_step": found.next_step,
        "run": run_id,
    }
    if found.chemistry is not None:
        kept["chemistry"] = found.chemistry
    return kept


def save_identification(logs: Path, folders: Sequence[Path], found: "Identification") -> "Cell":
    """Keep an identification in the record of the cell that the runs are of, and return the cell.

    Raises:
        InputError: the cell is not on the shelf in `logs`.
    """
    from harness.loading import load
    from harness.shelf import Shelf

    info = load(folders[-1])[1]
    shelf = Shelf(logs)
    cell = shelf.get(info.cell_id)
    return shelf.save(replace(cell, identified=identified_field(found, info.run_id)))
