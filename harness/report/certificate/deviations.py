"""Where a test differs from the rated-capacity test of the standard, in words."""

import datetime

from amphora.harness.archive.run_header import RunHeader
from amphora.harness.report.certificate.cautions import lithium
from amphora.harness.report.certificate.run_input import chosen_phase
from amphora.harness.report.certificate.stated import number, text
from amphora.harness.results.result import Result

REST_H = 1.0  # IEC 61960-3, 7.3.1: 1 to 4 h between charge and discharge


def _resistor(header: RunHeader) -> str:
    """Return the resistor that the cell's current was computed from, as the bench file has it; "" for none."""
    instruments = header.bench.instruments
    named = (instruments[name] for name in header.bench.cell.current if name in instruments)
    return next((text(one.shunt) for one in named if one.shunt), "")


def _rest_before_h(header: RunHeader, result: Result) -> float | None:
    """Return how long the cell rested between our charge and this discharge, by the run's own plan; None: not known."""
    chosen = chosen_phase(result)
    try:
        begun = datetime.datetime.fromisoformat(header.created_utc)
        left = datetime.datetime.fromisoformat(header.plan.notes.account.full_since)
    except ValueError:
        return None
    begin_s = 0.0 if chosen is None else number(chosen.begin_s) or 0.0
    return ((begun - left).total_seconds() + begin_s) / 3600


def deviations(header: RunHeader, result: Result) -> list[str]:
    """Say in words where the test differs from the rated-capacity test of IEC 61960-3:2017.

    Source:
        IEC 61960-3:2017, clauses 4, 7.2, 7.3.1 and 7.7 (contents of the clauses from memory of the
        trade; the fact that they are these clauses was read in the standard's table of contents).
    """
    cell = header.cell
    said: list[str] = []
    key = cell.identified_as or result.chemistry or cell.chemistry
    if key and not lithium(key):
        said.append(
            "Chemistry: the standard is written for secondary lithium cells; of this cell only the method is compared."
        )
    said += _current_deviations(header, result, number(cell.claim_Ah))
    said += [_temperature_deviation(result), *_charge_deviations(header, result)]
    cutoff = number(result.cutoff_V or header.cutoff_V)
    said.append(
        f"Cut-off{f' {cutoff:.2f} V' if cutoff else ''}: usual for the chemistry, not declared by the maker. "
        "One discharge, not up to five."
    )
    if result.resistances:
        said.append(
            "Resistance: from the current steps named with each value, not the standard's two-step test unless "
            "named so."
        )
    if header.imported:
        said.append(
            "External provider: the readings were taken by others and imported; the bench did not see the test."
        )
    return [text(item) for item in said]


def _current_deviations(header: RunHeader, result: Result, claim_Ah: float | None) -> list[str]:
    """Say at which rate the cell was discharged, and how its current was held."""
    said = []
    capacity, duration, main = number(result.capacity_Ah), number(result.duration_s), number(result.main_current_A)
    current = abs(main) if main else (capacity / (duration / 3600) if capacity and duration else None)
    if current and capacity:
        said.append(
            f"Rate: {current:.3f} A, which is {current / capacity:.2f} It of the {capacity:.3g} Ah that it holds (the "
            "standard: 0.2 It of the rated capacity, "
            + (
                f"which is not known; the claim of {claim_Ah:g} Ah is unproven)."
                if claim_Ah
                else "which is not known)."
            )
        )
    resistor = _resistor(header)
    if resistor:
        held = any(one.role == "load" for one in header.bench.instruments.values())
        falls = "" if held else "; it falls with the voltage (the standard: a constant current)"
        said.append(f"Current: computed from the voltage over {resistor}{falls}.")
    return said


def _temperature_deviation(result: Result) -> str:
    """Say how warm the cell was, beside the standard's 20 degC."""
    rest = number(result.temperature_degC)
    if rest is None and result.temperature_rise_K is None:
        return "Temperature: not measured (the standard: 20 ± 5 °C)."
    if rest is None:
        return "Temperature: measured, not controlled (the standard: 20 ± 5 °C)."
    place = "inside" if 15 <= rest <= 25 else "outside"
    return f"Temperature: {rest:.1f} °C at the start, not controlled ({place} the standard's 20 ± 5 °C)."


def _charge_deviations(header: RunHeader, result: Result) -> list[str]:
    """Say how the cell was charged before, and how long it rested then."""
    if result.start == "declared-full":
        said = ["Charge before the test: declared full by the operator, not made or seen by the bench."]
    elif header.imported:
        said = ["Charge before the test: as in, or as stated with, the imported readings."]
    else:
        said = ["Charge before the test: this bench's own, by the chemistry's usual limits, not by the maker's method."]
    rest_h = _rest_before_h(header, result)
    if rest_h is not None and rest_h < REST_H:
        said.append(
            f"Rest between charge and discharge: {60 * rest_h:.0f} min (the standard, 7.3.1: 1 h to 4 h); what that "
            "moves is within the uncertainty of the cell as an item."
        )
    return said
