"""The source's own counters of charge and energy beside our integration."""

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from amphora.harness.analysis.integration import Totals
    from amphora.harness.analysis.phases import Phase
    from amphora.harness.analysis.records import Record
    from amphora.harness.analysis.warnings import Warning_


def _energy_counters(record: "Record", phase: "Phase", totals: "Totals") -> "list[Warning_]":
    """Compare the source's own energy counters with our integration over one phase."""
    from amphora.harness.analysis.warnings import Warning_, counter_difference, counter_step

    out = []
    ours = abs(float(totals.energy_Wh[phase.last_row] - totals.energy_Wh[phase.first_row]))
    for name in ("counter_Wh", "counter_charge_Wh" if phase.kind == "charge" else "counter_discharge_Wh"):
        counter = record.extra.get(name)
        theirs = None if counter is None else counter_difference(counter, phase.first_row, phase.last_row)
        if counter is None or theirs is None:
            continue
        if abs(theirs - ours) > max(0.005 * ours, counter_step(counter), 1e-3):
            out.append(
                Warning_(
                    "counter-differs",
                    f"The file's own counter gives {theirs:.4f} Wh for this {phase.kind}, integration gives "
                    f"{ours:.4f} Wh ({100 * (ours - theirs) / theirs:+.2f} %).",
                )
            )
    return out


def counter_warnings(record: "Record", phases: "tuple[Phase, ...]", totals: "Totals") -> "list[Warning_]":
    """Compare the source's own counters with our integration, phase by phase."""
    from amphora.harness.analysis.warnings import Warning_, counter_difference, counter_step

    out: list[Warning_] = []
    for phase in phases:
        out += _energy_counters(record, phase, totals)
        ours = abs(phase.end_Ah - phase.begin_Ah)
        names = ["counter_Ah", "counter_charge_Ah" if phase.kind == "charge" else "counter_discharge_Ah"]
        for name in names:
            counter = record.extra.get(name)
            if counter is None:
                continue
            theirs = counter_difference(counter, phase.first_row, phase.last_row)
            if theirs is None:
                continue
            allowed = max(0.002 * ours, counter_step(counter), 2e-4)
            if abs(theirs - ours) > allowed:
                out.append(
                    Warning_(
                        "counter-differs",
                        f"The file's own counter gives {theirs:.4f} Ah for this {phase.kind}, integration gives "
                        f"{ours:.4f} Ah ({100 * (ours - theirs) / theirs if theirs else math.inf:+.2f} %).",
                    )
                )
    return out
