"""What a run with two places of sensing says of leads, holder and contacts.

Three names of steps with load pulses are looked for, in any recipe: `sensed at the cell`, `sensed at the load`,
`reseated` (after the cell was taken out of its holder and put back, sensed where the step before was). The difference
of the first two is leads and holder; the third against the one before it is the contact check. Ohm, U with k = 2.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from amphora.harness.archive.run_header import RunHeader
from amphora.harness.common.errors import AnalysisError
from amphora.harness.common.words import to_places
from amphora.harness.results.result import LeadsMeasured

if TYPE_CHECKING:
    from amphora.harness.analysis.records import Record, RunInfo
    from amphora.harness.analysis.resistance import Resistance
    from amphora.harness.analysis.warnings import Warning_

AT_CELL, AT_LOAD, RESEATED = "sensed at the cell", "sensed at the load", "reseated"


def measured_in(record: "Record", info: "RunInfo", names: Sequence[str]) -> LeadsMeasured | None:
    """Return what a run says of leads, holder and contact; None for a run that does not ask for it.

    Args:
        record, info: The run.
        names: Name of each step as executed.
    """
    from amphora.harness.analysis.leads import leads_between

    if RESEATED not in names and not {AT_CELL, AT_LOAD} <= set(names):
        return None
    groups = {name: _pulses(record, info, [n for n, one in enumerate(names) if one == name]) for name in set(names)}
    found = LeadsMeasured()
    words: list[str] = []
    try:
        contact = _contact(groups, names)
        if contact is not None:
            found = contact
            words.append(contact.contact_text or "")
        if groups.get(AT_CELL) and groups.get(AT_LOAD):
            between = leads_between(groups[AT_LOAD], groups[AT_CELL], info.measurement)
            # Another run sits in the holder anew: what reseating changed is part of what is not known.
            U_ohm = math.hypot(between.U_ohm, found.contact_difference_ohm or 0.0)
            found = replace(found, pulses=between.pulses, duration_s=between.duration_s)
            if between.ohm < -max(U_ohm, 0.002):
                problem = (
                    "the pulses sensed at the cell show more resistance than those at the load: the clips were at the "
                    "wrong places, or slipped; measure again"
                )
                found = replace(found, problem=problem)
            else:
                found = replace(found, ohm=max(0.0, between.ohm), U_ohm=U_ohm)
                words.insert(
                    0,
                    f"leads and holder: {to_places(max(0.0, between.ohm), U_ohm, 1, 1000, 'mΩ')} "
                    f"({between.pulses} pulses at each place, read {between.duration_s:g} s after the step)",
                )
        elif AT_CELL in names and AT_LOAD in names:
            found = replace(found, problem="no pulse could be read at both places: nothing is known of the leads")
    except AnalysisError as error:
        found = replace(found, problem=str(error))
    return replace(found, text="; ".join(words) if words else found.problem or "")


def step_names(header: RunHeader) -> list[str]:
    """Return the name of each step as executed, as the plan in `run.json` has them."""
    return [step.name for step in header.plan.steps] if header.plan else []


def leads_warnings(found: LeadsMeasured | None) -> "list[Warning_]":
    """Return what a person should know of a run that measured leads or a contact."""
    from amphora.harness.analysis.warnings import Warning_

    told = []
    if found and found.contact_is_bad:
        text = str(found.contact_text)
        told.append(Warning_("contact", f"{text[:1].upper()}{text[1:]}."))
    if found and found.problem:
        text = found.problem
        told.append(Warning_("leads", f"{text[:1].upper()}{text[1:]}."))
    return told


def _pulses(record: "Record", info: "RunInfo", steps: Sequence[int]) -> "list[Resistance]":
    import numpy as np

    from amphora.harness.analysis.resistance import find_resistances

    found: list[Resistance] = []
    for step in steps:
        rows = np.flatnonzero(record.step == step)
        if rows.size >= 4 and step < len(info.step_kinds) and info.step_kinds[step] == "pulses":
            found += find_resistances(record, int(rows[0]), int(rows[-1]), None, info.measurement)
    return found


def _contact(groups: "dict[str, list[Resistance]]", names: Sequence[str]) -> LeadsMeasured | None:
    """Compare the pulses after reseating with those of the pulses step before it."""
    from amphora.harness.analysis.leads import contact_check
    from amphora.harness.analysis.resistance import LOAD_STEP

    if RESEATED not in names or not groups.get(RESEATED):
        return None
    before = next(
        (name for name in reversed(names[: list(names).index(RESEATED)]) if name != RESEATED and groups.get(name)), None
    )
    if before is None:
        return None
    pair = []
    shared = {round(v.duration_s, 1) for v in groups[before] if v.method == LOAD_STEP} & {
        round(v.duration_s, 1) for v in groups[RESEATED] if v.method == LOAD_STEP
    }
    if not shared:
        return None
    for name in (before, RESEATED):
        some = [v for v in groups[name] if v.method == LOAD_STEP and round(v.duration_s, 1) == min(shared)]
        pair.append(replace(some[0], ohm=sum(v.ohm for v in some) / len(some)))
    check = contact_check(pair[0], pair[1])
    return LeadsMeasured(
        contact_difference_ohm=check.difference_ohm,
        contact_U_ohm=check.U_ohm,
        contact_is_bad=check.is_contact,
        contact_text=check.text,
    )
