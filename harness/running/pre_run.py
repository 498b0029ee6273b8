"""What a run looks for before anything is switched on: what forbids it, and what should be known.

Pure words over what was read: the runner asks the instruments, and acts. Volt, ampere.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from amphora.harness.bench.bench_file import AGREE_V
from amphora.harness.bench.current_zero import cause_of
from amphora.harness.bench.opened import CellReading, Rig
from amphora.harness.plans.plan import Plan
from amphora.harness.running.charge_path import forbids
from amphora.harness.running.switch_off import off_limit_A

Answers = Mapping[str, Mapping[str, float]]


def problems_of(
    plan: Plan,
    rig: Rig,
    first: CellReading,
    answers: Answers,
    setups: Mapping[str, Mapping[str, Any]],
    hand_voltage_V: float | None,
) -> list[str]:
    """Return what forbids to go on, most telling first.

    Args:
        plan: What is to be done.
        rig: The bench as it was read last.
        first: The reading of the cell with everything off.
        answers, setups: What each instrument measures, and how it is set.
        hand_voltage_V: What a hand meter read before anything was connected; None when not given.
    """
    found = []
    voltage_V = first.voltage_V
    if voltage_V is None:
        found.append("no instrument gave a voltage of the cell")
    elif needs_cell(plan):
        if voltage_V < -AGREE_V:
            found.append(f"{voltage_V:.3f} V at the terminals: the cell is connected the wrong way round")
        elif voltage_V < 0.1 <= plan.as_found_low_V:
            found.append(
                f"{voltage_V:.3f} V at the terminals: an open lead, an open sense lead, or a protection "
                "board that has tripped (measure at the cell itself)"
            )
        elif voltage_V < plan.as_found_low_V:
            found.append(
                f"found at {voltage_V:.3f} V, below {plan.as_found_low_V:.3f} V, the least that "
                f"'{plan.profile}' accepts for {plan.chemistry}"
            )
        elif voltage_V > plan.as_found_high_V:
            found.append(
                f"found at {voltage_V:.3f} V, above {plan.as_found_high_V:.3f} V, the most that "
                f"'{plan.profile}' accepts for {plan.chemistry}"
            )
        floor_V = None if plan.notes.account is None else plan.notes.account.full_from_V
        if plan.start == "declared-full" and floor_V is not None and voltage_V < floor_V - AGREE_V:
            found.append(
                f"declared full, and found at {voltage_V:.3f} V: a full cell of this kind stands at {floor_V:.2f} V or "
                "more; charge it, or leave out --start"
            )
        if hand_voltage_V is not None and abs(hand_voltage_V - voltage_V) > AGREE_V:
            found.append(
                f"the hand meter read {hand_voltage_V:.3f} V and the bench reads {voltage_V:.3f} V; "
                f"they must agree within {AGREE_V * 1000:.0f} mV; is it this cell, and do its contacts and sense leads "
                "touch?"
            )
        found.extend(disagreement(rig, voltage_V, answers))
    found += forbids(rig, plan, hand_voltage_V)
    for name, setup in setups.items():
        if setup.get("on") is True:
            found.append(f"{name}: is switched on already; switch it off and look why")
    if needs_cell(plan):
        for name in rig.measured_currents():
            current_A = rig.answers[name]["current_A"]
            if abs(current_A) > off_limit_A(rig.description, name):
                found.append(f"{current_A:.3f} A flows although everything is off ({name}). {cause_of(current_A)}")
    if plan.needs_temperature and first.temperature_degC is None:
        found.append("the plan relies on the cell's temperature, and no sensor gives one")
    elif first.temperature_degC is not None:
        found.extend(_outside_the_window(plan, first.temperature_degC))
    return found


def _outside_the_window(plan: Plan, temperature_degC: float) -> list[str]:
    """Return what forbids to begin at this temperature: no current flows first, and is stopped then."""
    for step in plan.steps:
        kinds = {segment.order.kind for segment in step.segments}
        what = "charges" if "charge" in kinds else "discharges" if "discharge" in kinds else ""
        low, high = step.limits.temperature_low_degC, step.limits.temperature_high_degC
        if what == "charges" and high is not None and plan.cell is not None:
            high = max(high, plan.cell.hottest_degC)  # what is only too warm to be charged waits
        name = plan.chemistry_name
        if what and low is not None and temperature_degC < low:
            return [
                f"the cell is at {temperature_degC:.1f} °C, and this run {what}: never below {low:.1f} °C for {name} "
                "(its window, and what the sensor may be off); let it warm up in the room, never on a heater"
            ]
        if what and high is not None and temperature_degC > high:
            return [
                f"the cell is at {temperature_degC:.1f} °C, and this run {what}: up to {high:.1f} °C for {name}; let "
                "it cool in the room, then begin again; a cell that stays warm by itself is taken outside"
            ]
    return []


def needs_cell(plan: Plan) -> bool:
    """Whether this run charges or drains: by an instrument, or by a resistor that is put on by hand."""
    return any(
        segment.order.kind in ("charge", "discharge") or (step.kind == "log" and step.leads == "discharge")
        for step in plan.steps
        for segment in step.segments
    )


def remarks_of(plan: Plan, rig: Rig, first: CellReading, answers: Answers, tripped: Sequence[str]) -> list[str]:
    """Return what should be known of a bench that only reads, and forbids nothing."""
    found = [f"before this run: {text}" for text in tripped]
    voltage_V, window = first.voltage_V, plan.notes.window
    expected = None if plan.notes.account is None else plan.notes.account.expected_V
    if plan.start == "full" and expected and voltage_V is not None and not expected[0] <= voltage_V <= expected[1]:
        found.append(
            f"{voltage_V:.3f} V at the terminals, and the charge before leads to {expected[0]:.3f} to "
            f"{expected[1]:.3f} V: is it the same cell, and was nothing drawn? The start counts as unknown: this run "
            "says what is left in it"
        )
    if needs_cell(plan) or voltage_V is None or window is None:
        return found
    most_V, least_V = window.charge_limit_V, window.hard_low_V
    shown = f"{voltage_V:.3f} V at the terminals"
    name = plan.chemistry_name
    if voltage_V < -AGREE_V:
        found.append(f"{shown}: connected the wrong way round; this run only reads")
    elif most_V is not None and voltage_V > most_V + AGREE_V:
        found.append(f"{shown}: above {most_V:.2f} V, the most of {name}; this run only reads")
    elif least_V is not None and voltage_V < least_V - AGREE_V:
        found.append(f"{shown}: below {least_V:.2f} V, the least of {name}; this run only reads")
    return found + disagreement(rig, voltage_V, answers)


def disagreement(rig: Rig, voltage_V: float, answers: Answers) -> list[str]:
    """Compare the voltmeters that are valid with the outputs off."""
    found = []
    for name, answer in answers.items():
        instrument = rig.instruments[name]
        other_V = answer.get("voltage_V")
        if other_V is None or not instrument.abilities.measures_with_output_off or instrument.role == "supply":
            continue
        if rig.description.leads == "by hand" and instrument.role == "load":
            continue  # may not be connected yet
        bench = rig.description
        if name in bench.shares and instrument.role != "logger":
            continue  # on leads that bays share: no cell is on them yet (`shared_leads` sees to it)
        margin_V = bench.may_differ_V(name, bench.cell_voltage_when_off, voltage_V)
        if name != bench.cell_voltage_when_off and abs(other_V - voltage_V) > margin_V:
            found.append(
                f"{name} reads {other_V:.3f} V where {voltage_V:.3f} V is read elsewhere ({margin_V * 1000:.0f} mV "
                "apart is what they may be): leads on another cell, an open sense lead, or a tripped protection "
                "board"
            )
    return found
