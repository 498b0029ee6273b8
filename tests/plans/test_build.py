"""Plans: nothing goes beyond the window, everything is bounded, and every refusal says why."""

import math
from datetime import datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from amphora.harness.cells.chemistry import KEYS, load_chemistry
from amphora.harness.common.errors import InputError, Refused
from amphora.harness.control.step_records import Begin, Sample
from amphora.harness.control.stepping import advance, initial
from amphora.harness.plans.durations import expected_s
from amphora.harness.plans.plan import plan_from_dict, plan_to_dict
from amphora.harness.plans.recipe import load_recipe, read_recipe, recipe_names
from amphora.harness.plans.requirements import fuse_for
from tests.support.plans import build_plan

NOW = datetime.fromisoformat("2026-11-24T21:00:00+01:00")
FOUND_V = {
    "li-ion": 3.6, "li-ion-4.35": 3.7, "lfp": 3.25, "nimh": 1.25, "nicd": 1.25, "lto": 2.3, "lead-acid": 2.05,
    "auto": 3.4,
}  # fmt: skip
HEAD = 'name = "mine"\nsummary = "a try"\n'
GUARDING = {
    "load": {"low_voltage_cutoff": True, "over_current_protection": True, "cutoff_latches": True},
    "supply": {"over_voltage_protection": True, "over_current_protection": True, "off_timer": True},
}


def cell(chemistry="li-ion", **more):
    return {
        "id": "L3-a", "form": "18650", "chemistry": chemistry, "as_found_V": FOUND_V[chemistry],
        "declared_rechargeable": True, **more,
    }  # fmt: skip


def bench(*roles, **more):
    instruments = {role: {"role": role} for role in roles or ("load", "supply", "logger")}
    sensed = {"temperature": "logger"} if "logger" in instruments else {}
    return {"name": "village hall", "leads": "by hand", "instruments": instruments, "cell": sensed, **more}


def orders(plan):
    return [(step, segment) for step in plan.steps for segment in step.segments]


def check_within_window(plan, key, charging_limit_V):
    window = load_chemistry(key)
    for step, segment in orders(plan):
        order = segment.order
        assert 0.0 < step.max_duration_s < 4e7
        assert math.isfinite(segment.duration_s)
        assert step.expected_duration_s is not None
        assert 0.0 <= step.expected_duration_s <= step.max_duration_s
        if order.kind in ("charge", "discharge"):
            assert step.sample_interval_s <= 1.0
            assert step.limits.current_high_A is not None
            assert step.limits.current_low_A is not None
        if order.kind == "charge" and step.kind == "charge":
            assert order.voltage_V <= charging_limit_V + 0.05 + 1e-9
            assert order.current_A <= window.max_charge_It * plan.capacity_Ah * (1 + 1e-9)
            assert order.current_A <= plan.max_current_A + 1e-9
            assert step.limits.voltage_high_V <= charging_limit_V + 1e-9
            assert step.limits.temperature_high_degC <= window.charge_high_degC
            assert step.limits.temperature_low_degC >= window.charge_low_degC
            assert step.limits.charge_Ah is not None
            assert step.attended
        if order.kind == "discharge" and step.kind in ("discharge", "pulses"):
            assert step.cutoff_V >= window.hard_low_V
            assert step.limits.voltage_low_V >= window.hard_low_V
            assert step.limits.charge_Ah is not None
            if order.mode == "current" and not order.in_It:
                assert order.value <= window.max_discharge_It * plan.capacity_Ah * (1 + 1e-9)
                assert order.value <= -step.limits.current_low_A * (1 + 1e-9)
        if step.kind == "discharge":
            assert any(end.reason == "cutoff" and end.value >= window.hard_low_V for end in step.ends)
    assert plan.max_duration_s == pytest.approx(sum(step.max_duration_s for step in plan.steps))


@pytest.mark.parametrize("key", [key for key in KEYS if key != "auto"])
@pytest.mark.parametrize("name", recipe_names())
def test_every_recipe_plans_for_every_chemistry_inside_its_window(name, key):
    plan = build_plan(name, cell(key), bench(), present=True)
    if load_recipe(name).device:
        assert not plan.charges
    else:
        check_within_window(plan, key, load_chemistry(key).charge_limit_V)
    assert plan_from_dict(plan_to_dict(plan)) == plan


@pytest.mark.parametrize("name", recipe_names())
def test_an_unidentified_cell_is_never_charged_above_3_60_v_or_0_1_it(name):
    plan = build_plan(name, cell("auto"), bench(), present=True)
    if load_recipe(name).device:
        return
    for step, segment in orders(plan):
        if segment.order.kind == "charge":
            assert segment.order.voltage_V <= 3.60
            assert segment.order.current_A <= 0.1 * plan.capacity_Ah + 1e-9
            assert step.limits.voltage_high_V <= 3.60
    if plan.charges:
        assert plan.as_found_high_V <= 3.60


@pytest.mark.parametrize("as_found_V", [None, 0.4, 1.25, 2.2, 3.1, 3.4, 3.7, 4.1])
def test_voltage_alone_never_makes_a_plan_that_charges_an_unidentified_cell(as_found_V):
    unknown = cell("auto", as_found_V=as_found_V, declared_rechargeable=False)
    with pytest.raises(Refused, match="may not be charged"):
        build_plan("charge", unknown, bench(), present=True)
    plan = build_plan("identify", unknown, bench(), present=True)
    assert not plan.charges
    assert any("charging part is left out" in text for text in plan.warnings)


def test_below_2_v_a_declared_cell_is_charged_as_nickel_only():
    plan = build_plan("identify", cell("auto", as_found_V=1.25), bench(), present=True)
    charged = [segment.order for _, segment in orders(plan) if segment.order.kind == "charge"]
    assert charged
    assert max(order.voltage_V for order in charged) <= 1.65
    assert plan.cutoff_V == 1.0
    assert plan.as_found_high_V <= 1.55


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(recipe_names()),
    st.sampled_from([key for key in KEYS if key != "auto"]),
    st.one_of(st.none(), st.floats(0.01, 10.0)),
    st.one_of(st.none(), st.floats(0.0, 10.0)),
    st.one_of(st.none(), st.floats(0.0, 5.0)),
    st.one_of(st.none(), st.floats(-1.0, 5.0)),
    st.one_of(st.none(), st.floats(0.01, 12.0)),
)
def test_no_option_takes_a_plan_beyond_the_window(name, key, capacity_Ah, current_A, cutoff_V, found_V, claim_Ah):
    try:
        plan = build_plan(
            name,
            cell(key, as_found_V=found_V, claim_Ah=claim_Ah),
            bench(),
            capacity_Ah=capacity_Ah,
            current_A=current_A,
            cutoff_V=cutoff_V,
            present=True,
        )
    except (InputError, Refused) as error:
        assert "\n" not in str(error)
        return
    if not load_recipe(name).device:
        check_within_window(plan, key, load_chemistry(key).charge_limit_V)


BEYOND = [
    ('[[step]]\nkind="charge"\ncurrent="0.2 It"\nvoltage="4.30 V"\nat_most="1 h"\nnormal_end="time"\n',
     "step 1 (charge): charge voltage 4.300 V is above 4.200 V (window li-ion"),
    ('[[step]]\nkind="charge"\ncurrent="0.8 It"\nvoltage="4.2 V"\nat_most="1 h"\nnormal_end="time"\n',
     "current 800 mA is above 500 mA (0.5 It of 1000 mAh; window li-ion"),
    ('[[step]]\nkind="discharge"\ncurrent="3 A"\nat_most="1 h"\nnormal_end="time"\n', "current 3 A is above 1 A"),
    ('[[step]]\nkind="discharge"\nresistance="1 ohm"\nat_most="1 h"\nnormal_end="time"\n', "is above 1 A"),
    ('[[step]]\nkind="discharge"\npower="20 W"\nat_most="1 h"\nnormal_end="time"\n', "is above 1 A"),
    ('[[step]]\nkind="discharge"\ncurrent="0.2 It"\nat_most="9 h"\nuntil={voltage_falls_to="2.0 V"}\n',
     "2.000 V is below 2.500 V (window li-ion"),
    ('[[step]]\nkind="pulses"\nlevel=[{current="2 It", duration="1 s"}]\n', "current 2 A is above 1 A"),
    ('[[step]]\nkind="discharge"\ncurrent="0.2 It"\nsample_every="10 s"\nat_most="9 h"\nnormal_end="time"\n',
     "readings come at least every second"),
    ('[[step]]\nkind="sweep"\nwith="load"\nquantity="current"\nfrom="1 A"\nto="2 A"\npoints=3\ndwell="1 s"\n',
     "device = true"),
    ('[[step]]\nkind="pulses"\nat_most="1 s"\nlevel=[{current="0.2 It", duration="10 s"}]\n', "more than its at_most"),
]  # fmt: skip


@pytest.mark.parametrize(("steps", "why"), BEYOND)
def test_a_recipe_beyond_the_window_is_refused_with_step_value_and_limit(steps, why):
    recipe = read_recipe(HEAD + steps, "mine.toml")
    with pytest.raises(InputError) as caught:
        build_plan(recipe, cell(), bench(), present=True)
    assert why in str(caught.value)
    assert str(caught.value).startswith("mine.toml: step 1")


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ({"cutoff_V": 2.2}, "cut-off 2.200 V is outside 2.500 to 3.700 V (window li-ion"),
        ({"cutoff_V": math.nan}, "cut-off nan V is outside"),
        ({"current_A": 2.0}, "current 2 A is outside 50 mA to 500 mA"),
        ({"current_A": -0.2}, "current -0.2 A is not accepted"),
        ({"capacity_Ah": math.nan}, "capacity nan Ah is not accepted"),
        ({"start": "half"}, "start 'half' is not accepted"),
        ({"attended": (18.0, 18.0)}, "are none"),
    ],
)
def test_an_option_beyond_what_is_accepted_is_refused(options, why):
    with pytest.raises(InputError) as caught:
        build_plan("overnight", cell(), bench(), **options)
    assert why in str(caught.value)


@pytest.mark.parametrize(
    ("name", "record", "why"),
    [
        ("charge", cell(as_found_V=1.2), "below 2 V"),
        ("charge", cell(as_found_V=-3.6), "reversed"),
        ("charge", cell(as_found_V=4.3), "above 4.25 V"),
        ("storage", cell(as_found_V=2.2), "quarantine band"),
        ("overnight", cell(state="retired"), "is retired"),
        ("charge", cell(state="quarantined"), "in quarantine on the shelf"),
        ("charge", cell("auto", as_found_V=4.0), "not charged above 3.60 V"),
    ],
)
def test_a_cell_that_may_not_be_charged_is_refused_with_the_reason(name, record, why):
    with pytest.raises(Refused) as caught:
        build_plan(name, record, bench(), present=True)
    assert why in str(caught.value)


def test_in_the_quarantine_band_only_the_slow_pre_charge_is_done():
    plan = build_plan("charge", cell(as_found_V=2.2), bench(cell={"temperature": "logger"}), present=True)
    charged = [step for step in plan.steps if step.kind == "charge"]
    assert [step.name for step in charged] == ["pre-charge"]
    assert charged[0].segments[0].order.current_A == pytest.approx(0.1)
    assert charged[0].max_duration_s == 3600.0
    assert not charged[0].time_is_end
    # Limits, not ends: a cell that warms, or that is not at 3.0 V by then, is stopped by the guard.
    limits = charged[0].limits
    assert (limits.temperature_rise_K, limits.reach_V, limits.reach_within_s) == (5.0, 3.0, 3600.0)
    assert [end.quantity for end in charged[0].ends] == ["voltage_V"]
    assert (plan.as_found_low_V, plan.as_found_high_V) == (2.0, 4.25)


def test_a_cell_of_the_quarantine_band_is_not_pre_charged_without_a_sensor_at_it():
    bare = bench(cell={})
    with pytest.raises(InputError, match="only with a sensor at it"):
        build_plan("charge", cell(as_found_V=2.2), bare, present=True, without_sensor_ok=True)


def test_an_unidentified_cell_of_the_quarantine_band_gets_the_slow_pre_charge_and_no_more():
    record = cell("auto", as_found_V=2.2, declared_rechargeable=True)
    plan = build_plan("charge", record, bench(cell={"temperature": "logger"}), present=True)
    assert [step.name for step in plan.steps if step.kind == "charge"] == ["pre-charge"]
    with pytest.raises(Refused, match="quarantine band"):
        build_plan("identify", record, bench(cell={"temperature": "logger"}), present=True)
    # and one that is found there on the bench, whatever the shelf says, is refused by the as-found check
    assert build_plan("charge", {**record, "as_found_V": 3.0}, bench(), present=True).as_found_low_V == 2.5


def test_no_option_goes_round_the_person_and_the_sensor_of_a_later_stage_of_identification():
    record = cell("auto", as_found_V=3.31, identified={"charge_to_V": 3.85, "rests_V": 3.55})
    with pytest.raises(InputError, match="a sensor is needed"):
        build_plan("identify", record, bench(cell={}), present=True, without_sensor_ok=True)
    with pytest.raises(InputError, match="nobody is declared to be there"):
        build_plan("identify", record, bench(abilities=GUARDING), unattended_charging_ok=True)
    plan = build_plan("identify", record, bench(), present=True)
    charged = [(step, segment.order) for step, segment in orders(plan) if step.kind == "charge"]
    assert max(order.voltage_V for _, order in charged) <= 3.90
    assert max(step.limits.voltage_high_V for step, _ in charged) <= 3.90
    assert all(order.current_A <= 0.1 * plan.capacity_Ah + 1e-9 for _, order in charged)
    first = build_plan("identify", cell("auto", as_found_V=3.31), bench(cell={}), present=True, without_sensor_ok=True)
    assert first.charges


def test_charging_with_nobody_there_needs_an_explicit_yes_and_a_supply_that_guards_itself():
    with pytest.raises(InputError, match="nobody is declared to be there"):
        build_plan("charge", cell(), bench())
    weak = {**GUARDING, "supply": {**GUARDING["supply"], "off_timer": False}}
    with pytest.raises(InputError, match="the supply has no timer"):
        build_plan("charge", cell(), bench(abilities=weak), unattended_charging_ok=True)
    plan = build_plan("charge", cell(), bench(abilities=GUARDING), unattended_charging_ok=True)
    assert any("nobody there" in text for text in plan.warnings)
    build_plan("charge", cell(), bench(), present=True)
    hours = build_plan("charge", cell(), bench(), attended=(18.0, 23.0))
    assert all(step.hours == (18.0, 23.0) for step in hours.steps if step.kind == "charge")
    assert build_plan("overnight", cell(), bench()).charges is False


@pytest.mark.parametrize(
    ("name", "roles", "missing"),
    [("overnight", ("supply",), "load"), ("charge", ("load",), "supply"), ("panel", ("meter",), "load")],
)
def test_a_bench_without_the_needed_instrument_is_refused(name, roles, missing):
    with pytest.raises(InputError, match=f"'village hall' has no {missing}, and step "):
        build_plan(name, cell(), bench(*roles), present=True)


def test_leads_are_moved_by_hand_by_a_relay_or_not_at_all():
    by_hand = build_plan("storage", cell(), bench(), present=True)
    relay = build_plan("storage", cell(), bench("load", "supply", "switch", "logger", leads="relay"), present=True)
    wired = build_plan("storage", cell(), bench(leads="wired"), present=True)
    asks = [step for step in by_hand.steps if step.kind == "ask"]
    assert len(asks) == 1
    assert "supply" in asks[0].segments[0].order.text
    moved = [segment.order.mode for _, segment in orders(relay) if segment.order.kind == "connect"]
    assert moved == ["charge"]
    assert {segment.order.kind for _, segment in orders(wired)} == {"off", "discharge", "charge"}
    with pytest.raises(InputError, match="role = 'switch'"):
        build_plan("storage", cell(), bench(leads="relay"), present=True)


def test_ready_by_takes_the_usual_current_when_it_will_do_and_more_when_it_must():
    usual = build_plan("overnight", cell(), bench(), ready_by=NOW + timedelta(hours=12), now=NOW)
    assert max(s.order.value for step, s in orders(usual) if step.kind == "discharge") == pytest.approx(0.2)
    faster = build_plan("overnight", cell(), bench(), ready_by=NOW + timedelta(hours=6.5), now=NOW)
    level = max(s.order.value for step, s in orders(faster) if step.kind == "discharge")
    assert 0.2 < level <= 0.5
    assert expected_s(faster) <= 6.5 * 3600.0
    with pytest.raises(InputError, match=r"ready by 23:00 cannot be done: at 500 mA, .*would be ready at 02:"):
        build_plan("overnight", cell(), bench(), ready_by=NOW + timedelta(hours=2), now=NOW)
    with pytest.raises(InputError, match="no current that may be chosen"):
        build_plan("retention", cell(), bench(), ready_by=NOW + timedelta(hours=2), now=NOW)


@given(st.floats(1.0, 30.0))
@settings(max_examples=50, deadline=None)
def test_ready_by_is_kept_or_refused(hours):
    try:
        plan = build_plan("overnight", cell(), None, ready_by=NOW + timedelta(hours=hours), now=NOW)
    except (InputError, Refused):
        assert hours < 6.0
        return
    assert expected_s(plan) <= hours * 3600.0


@pytest.mark.parametrize(
    ("record", "capacity_Ah", "source"),
    [
        (cell(), 1.0, "assumed (common practice)"),
        (cell("nimh", form="AA"), 0.3, "assumed (common practice)"),
        (cell(claim_Ah=2.2), 1.0, "assumed (common practice)"),
        (cell(claim_Ah=1.2), 0.6, "half of the claim on the label"),
        (cell(claim_Ah=9.9), 1.0, "assumed (common practice)"),
    ],
)
def test_the_capacity_assumed_is_said(record, capacity_Ah, source):
    plan = build_plan("overnight", record, None)
    assert (plan.capacity_Ah, plan.capacity_source) == (capacity_Ah, source)
    assert any("not believed" in text for text in plan.warnings) is (record.get("claim_Ah") == 9.9)


def test_a_start_that_is_not_known_to_be_full_is_said_loudly():
    unknown = build_plan("overnight", cell(), None)
    full = build_plan("overnight", cell(), None, start="full")
    assert any("NOT KNOWN TO BE FULL" in text for text in unknown.warnings)
    assert not any("FULL" in text for text in full.warnings)


def test_a_second_pass_takes_it_from_the_first_only_when_the_capacity_is_unknown():
    unknown = build_plan("standard-capacity", cell(), bench(), present=True)
    known = build_plan("standard-capacity", cell(), bench(), present=True, capacity_Ah=1.1)
    assert sum(s.order.in_It for _, s in orders(unknown)) == 1
    assert not any(s.order.in_It for _, s in orders(known))
    assert len(known.steps) < len(unknown.steps)


def test_a_repeat_is_left_at_the_cut_off():
    plan = build_plan("load-steps", cell(), None, start="full")
    last = len(plan.steps) - 1
    inside = [step for step in plan.steps if step.kind == "discharge"]
    assert len(inside) == 30
    assert all(step.after_cutoff == last for step in inside)
    assert plan.steps[last].name == "recovery"


def test_the_plan_runs_through_the_pure_stepping_to_the_cut_off():
    plan = build_plan("overnight", cell(), None, start="full")
    state, _, _ = advance(plan, initial(plan), Begin(0.0))
    t_s, reasons, voltage_V = 0.0, [], 4.1
    while not state.finished and t_s < 2e5:
        t_s += 1.0
        drawn_A = state.order.value if state.order.kind == "discharge" else 0.0
        voltage_V -= drawn_A * 3e-4
        state, _, events = advance(plan, state, Sample(t_s, voltage_V - 0.1 * drawn_A, -drawn_A, 20.0))
        reasons += [event["reason"] for event in events if event["kind"] == "step-ended"]
    assert reasons == ["time", "time", "cutoff", "time"]
    assert state.finished == "cutoff"


@pytest.mark.parametrize(
    ("most_A", "fuse_A"), [(1.0, 2.0), (0.5, 1.0), (0.3, 0.5), (0.2, 0.4), (0.0, None), (100.0, None)]
)
def test_the_fuse_is_at_most_twice_the_largest_current(most_A, fuse_A):
    assert fuse_for(most_A) == fuse_A


@settings(deadline=None)
@given(st.floats(0.06, 15.0))
def test_a_fuse_carries_the_current_and_is_at_most_twice_it(most_A):
    rating = fuse_for(most_A)
    assert rating is not None
    assert most_A < rating <= 2.0 * most_A * (1 + 1e-9)


def test_what_the_bench_does_not_guard_is_listed():
    bare = build_plan("overnight", cell(), bench(abilities={"load": {}}))
    assert any("low-voltage cut-off" in text for text in bare.notes.not_guarded)
    guarding = {"load": {**GUARDING["load"], "power_on_off": True}, "supply": GUARDING["supply"]}
    sensors = {"temperature": "logger", "room_temperature": "room"}
    two = {"load": {"role": "load"}, "logger": {"role": "logger"}, "room": {"role": "logger"}}
    good = build_plan("overnight", cell(), bench(abilities=guarding, cell=sensors, instruments=two))
    assert good.notes.not_guarded == ()
    told = build_plan("overnight", cell(), bench(abilities=GUARDING, cell={"temperature": "logger"})).notes.not_guarded
    assert [text.split(":")[0] for text in told] == ["the load's outlet after a power cut", "the cell against the room"]
    assert good.needs_temperature
    assert not build_plan("overnight", cell(), bench()).notes.abilities_known
    resistor = build_plan("watch-resistor", cell(), bench("logger"))
    assert any("drains on" in text for text in resistor.notes.not_guarded)


def test_a_load_that_stays_behind_when_the_leads_are_moved_measures_no_charge():
    two_wires = bench(sensed_at="load")
    with pytest.raises(InputError, match=r"'load', which senses at its own terminals .* does not see the cell"):
        build_plan("charge", cell(), two_wires, present=True)
    assert build_plan("overnight", cell(), two_wires).steps  # the leads stay with the load
    for other in (
        bench(sensed_at="cell"),
        bench("load", "supply", "meter", "logger", sensed_at="load"),
        bench(leads="relay"),
    ):
        plan = build_plan("charge", cell(), other, present=True)
        assert not any("sense wires" in text for text in plan.notes.not_guarded)
    untold = build_plan("charge", cell(), bench(), present=True)
    assert any("unless the sense wires of load stay at the cell" in text for text in untold.notes.not_guarded)


def test_a_run_that_identified_the_cell_chooses_the_window_but_a_person_permits_the_charge():
    known = {"identified": {"chemistry": "lfp"}}
    plan = build_plan("charge", cell("auto", **known), bench(), present=True)
    assert plan.chemistry == "lfp"
    assert max(s.order.voltage_V for _, s in orders(plan) if s.order.kind == "charge") == 3.65
    with pytest.raises(Refused, match=r"nobody has declared it rechargeable; .*amphora cell check L3-a --rechargeable"):
        build_plan("charge", cell("auto", declared_rechargeable=False, **known), bench(), present=True)
    high = build_plan("overnight", cell("auto", identified={"chemistry": "li-ion-4.35"}), bench())
    assert high.chemistry == "auto"


def test_a_plan_that_leaves_the_cell_empty_says_what_comes_afterwards():
    assert "3.70 to 3.80 V" in build_plan("overnight", cell(), bench()).notes.afterwards
    assert build_plan("charge", cell(), bench(), present=True).notes.afterwards is None


def test_a_charge_by_the_clock_for_an_assumed_capacity_says_that_a_larger_cell_is_not_full():
    def warned(**options):
        plan = build_plan("charge", cell("nimh", form="AA"), bench(), present=True, **options)
        return any("300 mAh" in text and "NOT full afterwards" in text for text in plan.warnings)

    assert warned()
    assert not warned(capacity_Ah=0.6)


def test_with_a_known_resistor_the_fuse_is_told_and_the_recipe_that_fits_is_named():
    resistor = {"role": "logger", "port": "/dev/ttyUSB0", "format": "plain", "shunt": "10.02 ohm"}
    cells = {"voltage": "logger", "current": "logger", "temperature": "logger"}
    only = bench(instruments={"logger": resistor}, cell=cells)
    plan = build_plan("watch-resistor", cell(), only)
    assert plan.notes.resistor_A == pytest.approx(4.2 / 10.02)
    assert plan.notes.fuse_A <= 2 * 4.2 / 10.02
    assert plan.max_current_A == 0.0  # nothing is ordered
    said = " ".join(plan.notes.not_guarded)
    assert "no sensor at the cell" not in said and "nothing here can take a resistor off" in said
    with pytest.raises(InputError, match="role = 'load' is needed, or recipe 'watch-resistor'"):
        build_plan("overnight", cell(), only)
    for written, amps in (("0.01 ohm", None), ("rot", None), (10, 0.42), ("10 Ω", 0.42)):  # a shunt tells no current
        other = bench(instruments={"logger": resistor | {"shunt": written}}, cell=cells)
        found = build_plan("watch-resistor", cell(), other).notes.resistor_A
        assert found == (None if amps is None else pytest.approx(amps))
