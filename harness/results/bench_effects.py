"""What the checks of the bench that evening and the warmth of the room do to the figures, and say against them."""

from typing import TYPE_CHECKING

from amphora.harness.results.entries import temperature_of
from amphora.harness.results.result import BenchChecksUsed, CheckUsed, StandardU, ZeroUsed

if TYPE_CHECKING:
    from amphora.harness.analysis.phases import Phase
    from amphora.harness.analysis.records import Measurement, Record, RunInfo
    from amphora.harness.analysis.warnings import Warning_


def room_degC(record: "Record", phase: "Phase") -> float | None:
    """Return how warm the room was: by a second sensor in the phase, else as the cell was at rest before it."""
    import numpy as np

    from amphora.harness.archive.loading import ROOM_ENDING

    for name, values in record.extra.items():
        if name.endswith(ROOM_ENDING):
            inside = values[phase.first_row : phase.last_row + 1]
            inside = inside[np.isfinite(inside)]
            if inside.size:
                return float(inside.mean())
    return temperature_of(record, phase)[1]


def heeds_warmth(measurement: "Measurement") -> bool:
    """Return whether the bench file says how its instruments change with temperature."""
    return any(
        one.gain_per_K > 0 or one.offset_per_K > 0
        for one in (measurement.voltage, measurement.current, measurement.time)
    )


def bench_checks_of(info: "RunInfo", measurement: "Measurement", drift_A: float | None) -> BenchChecksUsed | None:
    """Return what was measured of the instruments that evening, and what it did to the figures."""
    from amphora.harness.analysis.bench_checks import check_standard_u, zero_is_used, zero_standard_u
    from amphora.harness.analysis.uncertainty import standard

    if not info.zeros and info.check is None:
        return None
    specified, used = info.measurement.current, measurement.current
    corrected = zero_is_used(info)
    texts = [
        f"The current was corrected by {-1000 * zero.current_A:+.2f} mA, the zero of {zero.instrument} that evening "
        f"({zero.readings} readings in {zero.duration_s:.0f} s); the readings themselves stay as they were."
        if corrected
        else f"The zero of {zero.instrument} that evening, {1000 * zero.current_A:+.2f} mA, was not taken out: "
        "the specification is narrower than the uncertainty of that zero."
        for zero in info.zeros
    ]
    if corrected and zero_standard_u(info) is None:
        texts.append("Not every instrument that measures the current has a zero: the offset in the budget stays.")
    checked = check_standard_u(info)
    if info.check is not None:
        if checked is None:
            why = "was not measured with the meters of this run" if info.check.passed else "failed"
            texts.append(f"The check resistor {why}: it improves nothing here.")
        else:
            gain = "it bounds the gain" if "gain" in used.measured else "the specification of the gain is better"
            texts.append(
                f"The check resistor of {info.check.resistance_ohm:g} Ω was measured {100 * checked[1]:+.2f} % off; "
                f"{gain}, nothing was corrected by it."
            )
    check = info.check
    return BenchChecksUsed(
        current_zero=tuple(
            ZeroUsed(zero.instrument, zero.current_A, zero.standard_u_A, zero.t_s, corrected) for zero in info.zeros
        ),
        drift_seen_A=drift_A,
        check_resistor=None
        if check is None
        else CheckUsed(
            resistance_ohm=check.resistance_ohm,
            deviation=check.deviation if checked is None else checked[1],
            used="gain" in used.measured,
            corrected=False,
        ),
        offset_u_A=StandardU(standard(specified.offset, specified), standard(used.offset, used)),
        gain_u=StandardU(standard(specified.gain, specified), standard(used.gain, used)),
        texts=tuple(texts),
    )


def zero_warnings(info: "RunInfo", drift_A: float | None) -> "list[Warning_]":
    """Return what a zero says against the instrument: beyond what its maker allows, or moved over the night."""
    from amphora.harness.analysis.warnings import Warning_

    offset_A = info.measurement.current.offset
    out = []
    used = info.current_of[0][0] if info.current_of else ""
    for zero in info.zeros:
        if info.shunted and zero.instrument != used:  # the specification is the resistor's
            continue
        if abs(zero.current_A) > offset_A + 2 * zero.standard_u_A and not info.measurement.current.assumed:
            out.append(
                Warning_(
                    "zero-beyond-specification",
                    f"The zero of {zero.instrument} was {1000 * zero.current_A:+.2f} mA, its specification allows "
                    f"{1000 * offset_A:.2g} mA: it was taken out, but the instrument needs adjusting, and its gain is "
                    "in doubt too.",
                )
            )
    if info.check is not None and not info.check.passed:
        out.append(
            Warning_(
                "check-failed",
                f"The check resistor of {info.check.resistance_ohm:g} Ω was measured "
                f"{100 * info.check.deviation:+.2f} % off that evening: find out why before you believe a figure.",
            )
        )
    if drift_A is not None and abs(drift_A) > max(0.5 * offset_A, 3 * info.measurement.current.resolution):
        out.append(
            Warning_(
                "zero-drifted",
                f"The zero of the current moved by {1000 * drift_A:+.2f} mA between the evening and the end: it is in "
                "the uncertainty; let the instruments warm up longer.",
            )
        )
    return out
