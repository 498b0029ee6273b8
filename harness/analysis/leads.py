"""What resistances say of leads, holder and contacts, and how leads that are known leave a resistance.

Pure. Ohm, U expanded with k = 2.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from amphora.harness.analysis.records import Measurement
from amphora.harness.analysis.resistance import LOAD_STEP, Resistance, standard_relative
from amphora.harness.common.errors import AnalysisError

CONTACT_LIMIT_OHM = 0.005  # common practice: two reseated pulses that differ by more show the holder


@dataclass(frozen=True)
class ContactCheck:
    """Whether pulses before and after reseating the cell agree."""

    difference_ohm: float
    U_ohm: float
    is_contact: bool
    text: str


@dataclass(frozen=True)
class LeadsFound:
    """What lies between two places of sensing: leads, holder and contacts."""

    ohm: float
    U_ohm: float  # expanded, k = 2 (Student's factor for few pulses is in it)
    pulses: int  # of the smaller of the two groups
    duration_s: float  # time after the step at which both were read


def contact_check(before: Resistance, after: Resistance, limit_ohm: float = CONTACT_LIMIT_OHM) -> ContactCheck:
    """Compare one pulse before and one after the cell was reseated in its holder.

    Args:
        before: Value before reseating.
        after: Value of the same method and duration after reseating.
        limit_ohm: Difference above which the contact is at fault, in ohm.

    Returns:
        Difference after minus before in ohm, with its U from noise alone taken as the larger of the two parts.

    Raises:
        AnalysisError: methods or durations differ.

    Source:
        Common practice.
    """
    if before.method != after.method or abs(before.duration_s - after.duration_s) > 0.3 * before.duration_s + 0.05:
        raise AnalysisError(
            f"contact check: {before.method} {before.duration_s:g} s and {after.method} {after.duration_s:g} s are "
            "not the same kind of pulse; compare pulses of one method and length"
        )
    difference = after.ohm - before.ohm
    U_ohm = max(before.U_ohm, after.U_ohm)
    bad = abs(difference) > limit_ohm
    words = (
        f"the two pulses differ by {abs(difference) * 1000:.1f} mΩ after reseating (limit {limit_ohm * 1000:g} mΩ): "
        "that is the contact, not the cell; clean it and measure again"
        if bad
        else f"the two pulses agree within {abs(difference) * 1000:.1f} mΩ: the contact holds"
    )
    return ContactCheck(difference, U_ohm, bad, words)


def leads_between(outside: Sequence[Resistance], inside: Sequence[Resistance], measurement: Measurement) -> LeadsFound:
    """Return what lies between two places of sensing, from the same pulses read at both.

    Leads and holder are plain resistors: the shortest time after the step that both groups hold is taken, where the
    cell's own slow part matters least.

    Args:
        outside: Values of pulses sensed at the load's terminals (leads and holder in them).
        inside: Values of the same pulses sensed at the cell's own ends.
        measurement: Specification of the bench: its gains are common to both groups and count for the difference.

    Returns:
        Difference outside minus inside; below zero when the places were confused.

    Raises:
        AnalysisError: no pulse of one method and length in both groups.

    Source:
        JCGM 100:2008 (GUM), 4.2.3 (mean), 5.1.2, G.3 (Student's factor for few readings).
    """
    from scipy import stats

    kinds: dict[float, tuple[list[float], list[float], list[float]]] = {}
    for place, values in enumerate((outside, inside)):
        for value in values:
            if value.method == LOAD_STEP:
                group = kinds.setdefault(round(value.duration_s, 1), ([], [], []))
                group[place].append(value.ohm)
                group[2].append(value.U_ohm)
    shared = sorted(duration for duration, (one, two, _) in kinds.items() if one and two)
    if not shared:
        raise AnalysisError("leads: no load step of one length was read at both places")
    most = max(min(len(kinds[duration][0]), len(kinds[duration][1])) for duration in shared)
    duration_s = next(d for d in shared if min(len(kinds[d][0]), len(kinds[d][1])) == most)
    one, two, expanded = np.array(kinds[duration_s][0]), np.array(kinds[duration_s][1]), kinds[duration_s][2]
    ohm = float(one.mean() - two.mean())
    gain = float(np.hypot(standard_relative(measurement.voltage), standard_relative(measurement.current)))
    freedom = one.size + two.size - 2
    share = 1 / one.size + 1 / two.size
    if freedom > 0:
        scatter = float(np.sqrt((np.sum((one - one.mean()) ** 2) + np.sum((two - two.mean()) ** 2)) / freedom * share))
        random_U = float(stats.t.ppf(0.97725, freedom)) * scatter
    else:
        random_U = 0.0
    # What one value may be off by chance: its U without the gains. Few pulses may agree by luck.
    level = (float(one.mean()) + float(two.mean())) / 2
    noise_U = float(np.sqrt(max(0.0, float(np.median(expanded)) ** 2 - (2 * gain * level) ** 2) * share))
    return LeadsFound(
        ohm,
        float(np.hypot(max(random_U, noise_U), 2 * gain * abs(ohm))),
        min(one.size, two.size),
        duration_s,
    )
