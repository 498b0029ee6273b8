"""The plan as a person reads it: what happens, what stops it, when it is done, what is left to them."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from amphora.harness.plans.recipe import recipe_names
from amphora.harness.report.plan_text import clock, ends_at, render
from tests.support.plans import build_plan

NOW = datetime.fromisoformat("2026-11-24T21:00:00+01:00")
CELL = {"id": "L3-a", "form": "18650", "chemistry": "li-ion", "as_found_V": 3.31, "declared_rechargeable": True}
BENCH = {
    "name": "village hall",
    "leads": "by hand",
    "instruments": {"load": {"role": "load"}, "supply": {"role": "supply"}, "logger": {"role": "logger"}},
    "cell": {"temperature": "logger"},
}


@pytest.mark.parametrize("name", recipe_names())
def test_every_recipe_can_be_shown_and_says_what_stops_each_step(name):
    plan = build_plan(name, CELL, BENCH, present=True)
    text = render(plan, NOW)
    assert text.startswith(f"{name} for L3-a: ")
    assert "at the latest" in text
    assert "Local codes and licensed practice come first" in text
    assert text.count("ends by ") >= min(len({step.name for step in plan.steps}), 20)
    assert max(len(line) for line in text.splitlines()) <= 130
    assert "None" not in text
    assert "  ends by ;" not in text


def test_the_overnight_plan_names_window_cut_off_fuse_assumption_and_start():
    text = render(build_plan("overnight", CELL, BENCH), NOW)
    assert "cut-off 3.00 V" in text
    assert "ends by cut-off at 3.00 V; about 5 h, until 02:16" in text
    assert "A fuse of 2 A at the cell" in text
    assert "1000 mAh, assumed (common practice)" in text
    assert "takes 3.6 times as long" in " ".join(text.split())
    assert "NOT KNOWN TO BE FULL" in text
    assert "Done about 05:16; at the latest" in text


def test_charging_names_its_limit_with_its_source_and_temperatures():
    text = " ".join(render(build_plan("charge", CELL, BENCH, present=True), NOW).split())
    assert "charge up to 4.20 V (maker's data sheet" in text
    assert "0 to 45 °C" in text
    assert "250 mA up to 4.20 V, 400 mA after 1000 mAh" in text
    assert "taper at 50 mA" in text


def test_charging_waits_for_the_attended_hours():
    plan = build_plan("standard-capacity", CELL, BENCH, attended=(18.0, 23.0))
    expected, latest = ends_at(plan, NOW)
    assert latest > expected
    text = render(plan, NOW)
    assert "(only 18:00-23:00)" in text
    charging = [step for step in plan.steps if step.kind == "charge"]
    alone = build_plan("standard-capacity", CELL, BENCH, present=True)
    assert ends_at(alone, NOW)[0] < expected
    assert all(step.hours == (18.0, 23.0) for step in charging)


def test_equal_rows_of_steps_are_folded():
    plan = build_plan("load-steps", CELL, BENCH, start="full")
    text = render(plan, NOW)
    assert len(plan.steps) > 80
    assert len(text.splitlines()) < 50
    assert "… up to 30 times in all" in text


def test_what_the_bench_guards_and_does_not_guard_is_told_apart():
    bench = {**BENCH, "abilities": {"load": {"low_voltage_cutoff": True, "cutoff_latches": False}}}
    text = render(build_plan("overnight", CELL, bench), NOW)
    guarded, _, missing = text.partition("Not guarded by this bench itself")
    assert "- the load's own low-voltage cut-off" in guarded
    assert "- the load's own current limit" in missing
    assert "may start again" in " ".join(missing.split())


@pytest.mark.parametrize(("hours", "shown"), [(10.17, "07:10"), (26.0, "Wed 23:00"), (60.0, "Fri 09:00")])
def test_times_of_day_carry_their_day_when_it_is_not_tonight(hours, shown):
    assert clock(NOW + timedelta(hours=hours), NOW) == shown


def test_what_was_proven_of_the_bench_is_listed():
    plan = build_plan("overnight", CELL, BENCH)
    proofs = ("leakage with the mains unplugged: never tested on this bench",)
    plan = replace(plan, notes=replace(plan.notes, proofs=proofs))
    text = render(plan, NOW)
    assert "Proven of this bench\n  - leakage with the mains unplugged: never tested" in text
