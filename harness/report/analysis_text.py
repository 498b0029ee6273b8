"""An analysis in plain words: what the cell holds, what it can do, what to distrust; then numbers."""

from collections.abc import Sequence

from amphora.harness.analysis.resistance_warmth import at_temperature
from amphora.harness.common.words import with_U
from amphora.harness.results.result import BudgetTable, PhaseResult, ResistanceTable, RestLoss, Result, Warmth


def _hours(seconds: float | None) -> str:
    if seconds is None:
        return "an unknown time"
    minutes = round(seconds / 60)
    if minutes < 1:
        return f"{seconds:.0f} s"
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def _as_an_item(result: Result) -> list[tuple[str, str]]:
    """Return the cell as an item beside the measurement, where it is known that the cell was full."""
    U, item = result.capacity_item_U_Ah, result.item
    if U is None or not item or result.start == "unknown" or not result.complete:
        return []
    return [("the cell as an item", f"{with_U(result.capacity_Ah, U, 1, 'Ah')} (U of a test on another day)")]


def _at_stated(result: Result) -> list[tuple[str, str]]:
    """Return the capacity at the stated condition, an estimate, or why there is none; nothing without a capacity."""
    stated = result.stated
    if not stated or not result.complete:
        return []
    if stated.capacity_Ah is None:
        return [("at 0.2 It, 20 °C", f"no estimate: {stated.why}")]
    figure = with_U(stated.capacity_Ah, stated.U_Ah, 1, "Ah")
    return [("at 0.2 It, 20 °C", f"{figure} to {stated.cutoff_V:.2f} V, estimated ({stated.text})")]


def analysis_lines(result: Result, budget: bool = False) -> list[str]:
    """Return the lines that `amphora analyse` shows a person.

    Args:
        result: What `account.answer.analyse_run` returned.
        budget: Show the budgets too.
    """
    lines = [f"{result.run}  ({result.chemistry}{', ' + result.form if result.form else ''})", ""]
    lines += _held(result) + _moved(result)
    if result.capacity_Ah is None and result.charge_Ah is None and not result.record_kind:
        lines.append("There is no charge and no discharge in this record.")
    lines += _retention(result.retention)
    if result.cycle:
        lines.append(
            f"Of the charge put in, {100 * (result.cycle.coulombic_efficiency or 0.0):.1f} % came back; of the energy "
            f"{100 * (result.cycle.energy_efficiency or 0.0):.1f} %."
        )
    lines += _bench_and_passes(result)
    lines += result.evening.texts if result.evening else ()
    lines += _can_do(result)
    if result.warnings:
        lines += ["", "What to distrust:"]
        lines += [f"  - {item.text}" for item in result.warnings]
    lines += ["", "Numbers (U with k = 2, about 95 %):", *_numbers(result)]
    lines += _resistances(result) + _resistance_table(result.resistance_table) + _phases(result.phases)
    if budget and result.budget:
        for table in (result.budget.capacity, result.budget.energy):
            lines += ["", *budget_lines(table)] if table else []
    return lines


def _held(result: Result) -> list[str]:
    """Return what the cell gave and what it took, in words."""
    lines = []
    capacity, whole = result.capacity_Ah, result.capacity_whole_rows_Ah
    if capacity is not None:
        held = with_U(capacity, result.capacity_U_Ah, 1000, "mAh")
        if not result.complete:
            lines.append(f"It gave at least {held}; the discharge did not get to its end.")
        elif result.start == "unknown":
            lines.append(
                f"There was {held} left in it. Whether it was full at the start is not known, nor is what it can hold."
            )
        else:
            lines.append(
                f"The cell holds {held} ({'full' if result.start == 'full' else 'declared full'} at the start)."
            )
        energy = with_U(result.energy_Wh, result.energy_U_Wh, 1, "Wh")
        lines.append(
            f"That is {energy} in {_hours(result.duration_s)} at {abs(result.main_current_A or 0):.3g} A, "
            f"{result.mean_voltage_V:.3f} V in the mean, to {result.end_voltage_V:.3f} V."
        )
    if capacity and whole is not None and result.reached_cutoff and abs(whole / capacity - 1) > 5e-4:
        lines.append(
            f"Counted to the whole row at the cut-off, as some laboratories do, it would be {1000 * whole:.1f} mAh "
            f"({100 * (whole / capacity - 1):+.2f} %): rows are coarse there; here the crossing is interpolated."
        )
    if result.charge_Ah is not None:
        lines.append(f"It took {with_U(result.charge_Ah, result.charge_U_Ah, 1000, 'mAh')} of charge.")
    return lines


def _numbers(result: Result) -> list[str]:
    """Return the table of numbers."""
    capacity = with_U(result.capacity_Ah, result.capacity_U_Ah, 1, "Ah")
    rows = [
        ("capacity", capacity + " (U of this measurement)" * bool(result.capacity_Ah)),
        *_as_an_item(result),
        *_at_stated(result),
        ("energy", with_U(result.energy_Wh, result.energy_U_Wh, 1, "Wh")),
        ("charge accepted", with_U(result.charge_Ah, result.charge_U_Ah, 1, "Ah")),
        ("cut-off", "none" if result.cutoff_V is None else f"{result.cutoff_V:.3f} V"),
        ("cut-off reached", "yes" if result.reached_cutoff else "no"),
        ("temperature rise", _kelvin(result.temperature_rise_K)),
        *_warmth(result),
        ("start", result.start),
    ]
    return [f"  {name:<17} {text}" for name, text in rows]


def _resistances(result: Result) -> list[str]:
    """Return the first resistances, one a line."""
    if not result.resistances:
        return []
    lines = ["", f"Resistance ({result.leads.text}):" if result.leads and result.leads.text else "Resistance:"]
    for item in result.resistances[:12]:
        share = "" if item.charge_state is None else f", at {100 * item.charge_state:.0f} % of charge"
        lines.append(
            f"  {with_U(item.ohm, item.U_ohm, 1000, 'mΩ'):<22} {item.method}, "
            f"{item.duration_s:.2g} s, {item.current_A:.3g} A{share}"
        )
    if len(result.resistances) > 12:
        lines.append(f"  and {len(result.resistances) - 12} more (--json)")
    return [*lines, *_of_the_cell(result)]


def _of_the_cell(result: Result) -> list[str]:
    """Return which resistance stands for the cell, at which temperature, and what that is at 20 °C."""
    found = result.resistance
    if found is None or found.ohm is None:
        return []
    degC = found.temperature_degC
    text = f"  {with_U(found.ohm, found.U_ohm, 1000, 'mΩ')} stands for the cell"
    if degC is None:
        return [f"{text}, at a temperature that was not recorded"]
    there = at_temperature(found.ohm, found.U_ohm or 0.0, degC)
    if there is None or there.source == "measured":
        return [f"{text}, at the {degC:.0f} °C of the test"]
    shown = with_U(there.ohm, there.U_ohm, 1000, "mΩ")
    return [f"{text}, at the {degC:.0f} °C of the test; about {shown} at {there.temperature_degC:.0f} °C"]


def _moved(result: Result) -> list[str]:
    """Return how much charge went each way, where no discharge says it."""
    if not result.record_kind:
        return []
    lines = [
        f"A record of {result.record_kind}: {result.discharged_Ah:.4g} Ah out, {result.charged_Ah:.4g} Ah in, "
        f"net {result.net_charge_Ah:+.4g} Ah (positive: into the cell)."
    ]
    if result.gaps_unknown:
        lines.append("What moved in the stretches without rows is not known and not in it.")
    return lines


ALONG = {
    "charge_state": ("charged / %", 100.0, "{:.0f}"),
    "moved_Ah": ("moved / Ah", 1.0, "{:+.3f}"),
    "before_V": ("rest / V", 1.0, "{:.3f}"),
}


def _resistance_table(found: ResistanceTable | None) -> list[str]:
    """Return resistance over charge and time as a table, one fit to all values."""
    if not found or len(found.at) < 2:
        return []
    name, scale, form = ALONG[found.along]
    warm = found.temperature_degC
    at = "" if warm is None else f", at {warm:.0f} °C"
    lines = ["", f"Resistance over charge in mΩ (fit to {found.count} values{at}; U with k = 2):"]
    lines.append(f"  {name:<12}" + "".join(f"{f'{time:g} s':>18}" for time in found.times_s))
    for place, values, widths in zip(found.at, found.ohm, found.U_ohm, strict=True):
        if any(value is not None for value in values):
            cells = ("–" if v is None else with_U(v, U, 1000) for v, U in zip(values, widths, strict=True))
            lines.append(f"  {form.format(scale * place):<12}" + "".join(f"{cell:>18}" for cell in cells))
    return lines


MOST_PHASES = 12


def _phases(phases: Sequence[PhaseResult]) -> list[str]:
    """Return the phases one by one, or how many there are of each kind where they are many."""
    if len(phases) < 2:
        return []
    lines = ["", "Phases:"]
    if len(phases) > MOST_PHASES:
        for kind in ("charge", "discharge"):
            some = [phase for phase in phases if phase.kind == kind]
            if some:
                amounts = [phase.moved_Ah or 0.0 for phase in some]
                longest = max(phase.duration_s or 0.0 for phase in some)
                lines.append(
                    f"  {len(some)} {kind}s, {sum(amounts):.4g} Ah in all, the largest {max(amounts):.4g} Ah, "
                    f"the longest {_hours(longest)} (--json)"
                )
        return lines
    for phase in phases:
        amount = phase.moved_Ah
        U = phase.moved_U_Ah
        end = "a pulse" if phase.pulse else "complete" if phase.complete else "not complete"
        lines.append(
            f"  {phase.kind:<10} {with_U(amount, U, 1, 'Ah'):<22} {_hours(phase.duration_s)}, "
            f"{abs(phase.main_current_A or 0.0):.3g} A, {end}"
        )
    return lines


def _bench_and_passes(result: Result) -> list[str]:
    lines = []
    measured = result.leads_measured
    if measured and measured.text:
        lines.append(f"{measured.text[:1].upper()}{measured.text[1:]}.")
    passes = result.passes
    if passes and passes.agree:
        lines.append(passes.text)
    return lines


def _retention(found: RestLoss | None) -> list[str]:
    if not found:
        return []
    lines = [f"Self-discharge: {found.verdict}. {found.text[:1].upper()}{found.text[1:]}."]
    if found.loss_percent_per_month is not None:
        loss = with_U(found.loss_percent_per_month, found.loss_U_percent_per_month, 1, "%")
        lines.append(f"That is {loss} of its charge a month, by the slope of {found.slope_from}.")
    elif found.mV_per_day is not None:
        lines.append("In charge it is not known: that needs a complete discharge of this cell, with load steps.")
    return lines


def _warmth(result: Result) -> list[tuple[str, str]]:
    """Return how fast the cell warmed, the heat that its resistance explains, and its temperature by the standard's."""
    found, reference = result.thermal or Warmth(), result.reference_temperature
    rows = []
    if found.fastest_K_per_min is not None:
        rows.append(("warmed", f"at most {max(0.0, found.fastest_K_per_min):.2g} K in a minute"))
    if found.heat_Wh is not None:
        rise = found.expected_rise_K
        explains = "" if rise is None else f", which explains {_about(rise)} in still air"
        rows.append(("heat in it", f"{found.heat_Wh:.2g} Wh by its resistance, I²R{explains}"))
    if reference and reference.text:
        rows.append(("temperature", reference.text))
    return rows


def _about(rise_K: float) -> str:
    return "less than 0.1 K" if rise_K < 0.05 else f"about {rise_K:.1f} K"


def _kelvin(value: float | None) -> str:
    return "not known" if value is None else f"{value:.1f} K"


def _can_do(result: Result) -> list[str]:
    items = [
        item
        for item in result.resistances
        if item.ohm is not None
        and item.ohm > 0
        and not (item.U_ohm or 0.0) > 0.5 * item.ohm
        and not (item.charge_state is not None and item.charge_state < 0.2)  # the empty end is not the cell
    ]
    if not items:
        return []
    middle = [item for item in items if item.charge_state is None or 0.3 <= item.charge_state <= 0.9] or items
    longest = max(middle, key=lambda item: item.duration_s)
    ohm = longest.ohm or 0.0
    sag_A = 0.1 / ohm
    return [
        f"A load step costs {1000 * ohm:.0f} mV for each ampere after {longest.duration_s:.2g} s: "
        f"up to about {sag_A:.2g} A the voltage sags by less than 0.1 V."
    ]


def budget_lines(table: BudgetTable) -> list[str]:
    """Return a budget as a table for a person."""
    unit = table.unit
    lines = [f"Budget of the {table.quantity} ({unit}):"]
    lines.append(f"  {'what':<32} {'standard u':>14}  {'sensitivity':>12}  {'contribution':>13}  type")
    ordered = sorted(table.lines, key=lambda line: -line.contribution)
    for line in ordered:
        mark = "  assumed" if line.assumed else ""
        size = f"{line.standard_u:.3g} {line.unit or ''}".strip()
        lines.append(
            f"  {line.name:<32} {size:>14}  {line.sensitivity:>12.4g}  {line.contribution:>13.3g}  {line.type}{mark}"
        )
    lines.append(f"  combined u = {table.u:.3g} {unit}; U = {table.U:.2g} {unit} (k = {table.k:g})")
    lines += [f"  {note}" for note in table.notes]
    return lines
