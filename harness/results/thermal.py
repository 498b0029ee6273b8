"""How warm a phase made its cell, and how its temperature stands to the standard's."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from amphora.harness.common.words import about
from amphora.harness.results.result import ReferenceTemperature, Warmth

if TYPE_CHECKING:
    from amphora.harness.analysis.phases import Phase
    from amphora.harness.analysis.records import Record, RunInfo
    from amphora.harness.analysis.resistance import Resistance


def thermal_of(
    record: "Record", info: "RunInfo", phase: "Phase | None", resistances: "Sequence[Resistance]"
) -> Warmth | None:
    """Return rise, rate and heat of the phase that the answer is about; None without a phase."""
    import numpy as np

    from amphora.harness.analysis.records import Record
    from amphora.harness.analysis.thermal import thermal
    from amphora.harness.results.chosen import HIGH_STATE, LOW_STATE

    if phase is None:
        return None
    first, last = phase.first_row, phase.last_row
    stride = max(1, (last - first) // 50_000)
    if stride > 1:  # warmth changes slowly
        rows = np.concatenate((np.arange(max(0, first - 5000), first), np.arange(first, last + 1, stride)))
        first, last = int(np.searchsorted(rows, first)), rows.size - 1
        record = Record(
            record.t_s[rows], record.voltage_V[rows], record.current_A[rows], record.temperature_degC[rows],
            record.step[rows], record.switches_s,
        )  # fmt: skip
    # At the empty end resistance climbs: the heat of a whole discharge is not explained by that.
    able = [item for item in resistances if item.charge_state is None or item.charge_state >= LOW_STATE]
    slow = [item for item in able if item.duration_s >= 5.0] or able
    ohm = float(np.median([item.ohm for item in slow])) if slow else None
    # One load step at full tells less than the middle would: only far more heat than that is odd then.
    middle = any(item.charge_state is None or item.charge_state <= HIGH_STATE for item in able)
    known = info.form.strip().upper() in ("18650", "18500")
    found = thermal(record, first, last, info.measurement, ohm, 40.0 if known else None)
    odd = middle or (found.rise_K or 0.0) > 3 * (found.expected_rise_K or 0.0) + 3
    return Warmth(
        rise_K=found.rise_K,
        rise_U_K=found.rise_U_K,
        fastest_K_per_min=found.fastest_K_per_min,
        resistance_ohm=ohm,
        heat_Wh=found.heat_Wh,
        mean_power_W=found.mean_power_W,
        expected_rise_K=found.expected_rise_K,
        unexplained=next((note for note in found.notes if "explains" in note), None) if odd else None,
    )


def reference_of(cell_degC: float | None) -> ReferenceTemperature:
    """Return how the cell's temperature stands to the standard's, in words too."""
    from amphora.harness.analysis.thermal import REFERENCE_BAND_K, REFERENCE_degC

    held = about(REFERENCE_degC, "°C", REFERENCE_BAND_K, "K")
    if cell_degC is None:
        within, text = None, f"The temperature of the cell is not known; figures of a standard are for {held}."
    else:
        within = abs(cell_degC - REFERENCE_degC) <= REFERENCE_BAND_K
        text = (
            f"The cell stood at {cell_degC:.1f} °C, {'within' if within else 'outside'} the standard's {held}; "
            "the figures are for this temperature and not converted to another."
        )
    return ReferenceTemperature(cell_degC, REFERENCE_degC, REFERENCE_BAND_K, within, text)
