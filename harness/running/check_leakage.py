"""Leakage with the mains unplugged: does a dead instrument drain the cell? Volt, hour."""

from collections.abc import Callable

from amphora.drivers.roles import Clock
from amphora.harness.control.events import LeakageChecked
from amphora.harness.running.guided import Tell, ask_and_wait
from amphora.harness.running.people import Attendant

LEAK_V_PER_H = 0.005  # a cell of 1 Ah in the middle of its charge falls some 7 mV for 10 mAh taken out


def check_leakage(
    read_V: Callable[[str], float], measured_by: str, wait_s: float, clock: Clock, person: Attendant, tell: Tell
) -> LeakageChecked:
    """See whether a dead instrument drains the cell: its voltage before and after a wait, mains unplugged.

    Args:
        read_V: Gives the cell's voltage, told when ("before", "after"): a meter, or a person with one.
        measured_by: Whose reading it is, for the record.
        wait_s: How long; half an hour at least.
        clock, person, tell: Time, who does it, and where progress is said.

    Source: a bleeder of some kiloohm to some hundred ohm at a supply's output draws 1 to 10 mA from a
    cell also with its mains dead (common practice); 5 mV in an hour is about 7 mA at a cell of 1 Ah in
    the middle of its charge (slope of an open-circuit voltage of a 4 V-class cell, some 0.7 V over all).
    """
    ask_and_wait(
        person,
        clock,
        "A cell that has rested for some hours stays connected as for a charge. Unplug the mains of every instrument "
        "that touches it (not of a separate voltmeter).",
    )
    before_V = read_V("before")
    tell(f"{before_V:.4f} V; now {wait_s / 60:.0f} min of waiting")
    clock.sleep(wait_s)
    after_V = read_V("after")
    hours = wait_s / 3600.0
    rate = (before_V - after_V) / hours
    passed = rate <= LEAK_V_PER_H
    text = (
        f"{(before_V - after_V) * 1000:.1f} mV less after {wait_s / 60:.0f} min with the mains unplugged "
        f"({rate * 1000:.1f} mV/h by {measured_by}; {LEAK_V_PER_H * 1000:g} mV/h are allowed)"
    )
    if not passed:
        text += (
            ": a dead instrument drains the cell, and would go on doing so in a power cut; put a relay that drops out, "
            "or a blocking diode, between it and the cell"
        )
    ask_and_wait(person, clock, "Plug the mains in again.")
    return LeakageChecked(before_V, after_V, round(hours, 4), round(rate, 6), LEAK_V_PER_H, measured_by, passed, text)
