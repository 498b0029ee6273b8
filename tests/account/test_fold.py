"""Promises of the account of a cell: each sick cell beside a healthy one, by entries made by hand."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from amphora.harness.account import findings as f
from amphora.harness.account.fold import fold, full_band
from amphora.harness.account.gate import may, require
from amphora.harness.account.standing import ACTS, Noted, RunSeen
from amphora.harness.account.state import full_floor_V
from amphora.harness.analysis.repeats import item_U_Ah
from amphora.harness.common.errors import Refused
from tests.support.account_entries import SOUND, at, cell, charge, codes, filled, night, rest

# ---- full means full --------------------------------------------------------------------------------


def test_a_night_after_our_own_charge_is_what_the_cell_holds():
    standing = fold(cell(), [charge(), night()])
    assert standing.starts["4.5-overnight"] == "full"
    assert (standing.capacity_Ah, standing.capacity_run, standing.it_from) == (1.0, "4.5-overnight", "measured")
    assert standing.capacity_item_U_Ah == pytest.approx((0.002**2 + 0.01**2) ** 0.5)
    assert {act: standing.may[act].verdict for act in ACTS} == dict.fromkeys(ACTS, "yes")
    assert standing.charge_low_Ah == 0.0 and standing.charge_high_Ah < 0.1


@pytest.mark.parametrize("volt", [4.04, 3.95, 3.75, 3.45, 4.25])
def test_a_cell_met_at_another_voltage_than_the_charge_left_is_not_full(volt):
    standing = fold(cell(), [charge(), night(first_V=volt)])
    assert standing.starts["4.5-overnight"] == "unknown"
    assert any("same" in code for code in codes(standing))
    assert standing.capacity_Ah is None and standing.it_from == "assumed"
    assert standing.may["certify"].verdict == "no" and standing.may["match"].verdict == "no"
    assert standing.may["grade"].verdict == "ask"


def test_a_doubt_whether_it_is_the_same_cell_ends_with_a_full_discharge_that_counts():
    entries = [charge(), night(first_V=3.9), charge(12.0), night(16.5)]
    standing = fold(cell(), entries)
    assert not any("same" in code for code in codes(standing)) and standing.capacity_run == "16.5-overnight"
    assert standing.starts["4.5-overnight"] == "unknown"  # for ever


def test_a_second_discharge_without_a_charge_is_what_was_left():
    standing = fold(cell(), [charge(), night(), night(11.0, ah=0.002, first_V=3.05, last_V=3.1)])
    assert standing.starts["11-overnight"] == "unknown" and standing.capacity_Ah == 1.0


def test_more_than_four_hours_after_the_charge_nobody_knows():
    assert fold(cell(), [charge(), night(6.9)]).starts["6.9-overnight"] == "full"
    assert fold(cell(), [charge(), night(8.0)]).starts["8-overnight"] == "unknown"


def test_a_declaration_stands_until_the_voltage_contradicts_it():
    healthy = fold(cell(), [night(start="declared-full", first_V=4.15)])
    assert healthy.starts["4.5-overnight"] == "declared-full" and healthy.capacity_Ah == 1.0
    sick = fold(cell(), [night(start="declared-full", first_V=3.395)])
    assert sick.starts["4.5-overnight"] == "unknown" and sick.capacity_Ah is None
    assert "declared-full-contradicted" in codes(sick)
    assert healthy.capacity_item_U_Ah > 2 * item_U_Ah(1.0, 0.002)


def test_a_charge_that_did_not_end_by_its_taper_leaves_no_full_cell():
    standing = fold(cell(), [charge(whole=False), night(start="unknown", first_V=4.184)])
    assert standing.starts["4.5-overnight"] == "unknown" and standing.capacity_Ah is None


def test_what_the_hand_meter_showed_in_between_counts():
    swapped = Noted(at(3.8), "check", voltage_V=3.9, resolution_V=0.01)
    assert fold(cell(), [charge(), swapped, night(first_V=3.9)]).capacity_Ah is None
    as_left = Noted(at(3.8), "check", voltage_V=4.18, resolution_V=0.01)
    assert fold(cell(), [charge(), as_left, night()]).capacity_Ah == 1.0


@pytest.mark.parametrize(
    ("key", "low_V", "high_V"), [("li-ion", 4.05, 4.05), ("lfp", 3.335, 3.335), ("nimh", 1.28, 1.28)]
)
def test_the_lowest_voltage_of_a_full_cell_by_chemistry(key, low_V, high_V):
    assert low_V - 1e-9 <= full_floor_V(key) <= high_V + 1e-9


def test_a_worn_cell_that_falls_far_after_its_charge_is_met_as_full():
    low_V, _ = full_band(4.160, 0.035, "li-ion")  # 35 mV in the first ten minutes; 60 more to come
    assert low_V <= 4.160 - 0.060


# ---- shorts over runs -------------------------------------------------------------------------------


def test_a_recovery_that_falls_is_a_leak_and_one_that_rises_bounds_it():
    healthy = fold(cell(), [charge(), night()])
    assert healthy.leak.low == 0.0 and healthy.leak.high < 0.10
    sick = fold(cell(), [charge(), night(late=-0.075, early=-0.060, last_V=2.95)])
    assert sick.leak.low > 0.02 and sick.leak.high > 0.20 and "recovery-falls" in codes(sick)
    assert sick.may["match"].verdict == "no" and sick.may["certify"].verdict != "yes"
    assert sick.may["grade"].verdict == "ask"


def test_a_night_without_recovery_leaves_the_leak_open_and_says_what_settles_it():
    bare = replace(night(), rests=night().rests[:1])
    standing = fold(cell(), [charge(), bare])
    assert standing.leak.high >= 1 and "leak-not-bounded" in codes(standing)
    assert standing.may["certify"].verdict == "ask" and "--as-found" in standing.may["certify"].why
    later = Noted(at(4.5 + 6.2 + 14), "check", voltage_V=3.11, resolution_V=0.01)
    with_rest = replace(night(), rests=(night().rests[0], replace(night().rests[1], late_V_per_h=None)))
    settled = fold(cell(), [charge(), with_rest, later])
    assert settled.leak.high < 0.10 and settled.may["certify"].verdict == "yes"
    fallen = fold(cell(), [charge(), with_rest, replace(later, voltage_V=2.55)])
    assert "leak" in codes(fallen) and fallen.may["match"].verdict == "no"


@pytest.mark.parametrize(
    ("given_back", "expected"), [(0.995, None), (0.98, None), (0.955, "suspected"), (0.93, "established")]
)
def test_a_closed_cycle_tells_a_leak(given_back, expected):
    standing = fold(cell(), [charge(), night(ah=1.0), charge(12.0, ah=1.0 / given_back), filled(39.0)])
    found = standing.finding("charge-balance")
    assert (found.strength if found else None) == expected
    assert (standing.may["match"].verdict == "yes") == (expected is None and standing.leak.high < 0.05)
    assert standing.leak.high >= (1 - given_back) / (12.0 / 24) or standing.leak.high < 0.05


def test_two_cycles_below_97_percent_establish_it():
    entries = [charge(), night(), charge(12.0, ah=1 / 0.96), night(16.5), charge(24.0, ah=1 / 0.96)]
    assert fold(cell(), entries).finding("charge-balance").strength == "established"
    # 2.62 V at rest, 0.4 A: nothing of this is looked at for nickel, whose charge is never given back whole
    assert fold(cell(chemistry="nimh", form="AA", as_found_V=1.25), entries).finding("charge-balance") is None


def test_a_cycle_is_closed_only_within_48_h_and_when_nothing_uncounted_flowed():
    late = [charge(), night(), charge(56.0, ah=1.2)]
    assert fold(cell(), late).finding("charge-balance") is None
    torn = [charge(), replace(night(), gaps_unknown=1), charge(12.0, ah=1.2)]
    assert fold(cell(), torn).finding("charge-balance") is None
    damaged = [charge(), night(), RunSeen("x", at(11.5), at(11.6), "", "unknown", "", False, damaged="torn"),
               charge(12.0, ah=1.2)]  # fmt: skip
    standing = fold(cell(), damaged)
    assert standing.finding("charge-balance") is None and "run-damaged" in codes(standing)


def test_after_the_second_charge_the_bound_has_to_be_below_five_percent():
    # 5 % a day over a cycle of 12 h: 2.5 % do not come back, which a healthy cell may do in a cycle.
    first = fold(cell(), [charge(), night(late=0.001, early=0.009)])
    assert 0.05 <= first.leak.high < 0.10 and first.may["certify"].verdict == "yes"
    second = fold(cell(), [charge(), night(late=0.001, early=0.009), charge(12.0, ah=1 / 0.975)])
    assert second.leak.high >= 0.05 and second.may["certify"].verdict == "ask"


def test_a_capacity_that_fell_by_a_tenth_is_told():
    entries = [charge(), night(), charge(12.0, ah=1.0), night(16.5, ah=0.85)]
    assert "capacity-fell" in codes(fold(cell(), entries))
    assert "capacity-fell" not in codes(fold(cell(), [*entries[:3], night(16.5, ah=0.95)]))


def test_another_resistance_asks_whether_it_is_the_same_cell():
    like = {"resistance_U_ohm": 0.002, "resistance_like": ("step", 10.0, 0.9, "cell"), "temperature_degC": 20.0}
    one = night(resistance_ohm=0.060, **like)
    same = fold(cell(), [charge(), one, charge(12.0, ah=1.0), night(16.5, resistance_ohm=0.070, **like)])
    other = fold(cell(), [charge(), one, charge(12.0, ah=1.0), night(16.5, resistance_ohm=0.130, **like)])
    assert not any("same" in code for code in codes(same))
    assert any("same" in code for code in codes(other)) and "resistance-rose" in codes(other)


def test_a_later_voltage_releases_what_one_recovery_said():
    odd = night(late=-0.012, early=-0.004, last_V=3.10)  # a cold draught, say
    assert fold(cell(), [charge(), odd]).may["match"].verdict == "no"
    steady = Noted(at(4.5 + 6.2 + 36), "check", voltage_V=3.10, resolution_V=0.001)
    standing = fold(cell(), [charge(), odd, steady])
    assert standing.leak.low == 0.0 and codes(standing) <= {"no-second-look"} and standing.may["match"].verdict == "yes"
    falling = replace(steady, voltage_V=2.70)
    assert fold(cell(), [charge(), odd, falling]).may["match"].verdict == "no"


# ---- It ----------------------------------------------------------------------------------------------


def test_one_cell_under_five_claims_gives_one_it_once_it_was_measured():
    found = {fold(cell(claim_Ah=claim), [charge(), night()]).it_Ah for claim in (3.6, 2.6, 1.2, None, 0.43)}
    assert found == {1.0}
    assert fold(cell(claim_Ah=1.2), []).it_from == "claim" and fold(cell(claim_Ah=1.2), []).it_Ah == 0.6
    assert fold(cell(claim_Ah=9.9), []).it_from == "assumed"  # no 18650 holds that
    assert fold(cell(), []).it_from == "assumed"


def test_figures_known_to_be_wrong_are_no_capacity():
    for code in f.NOT_A_CAPACITY:
        assert fold(cell(), [charge(), night(warnings=(code,))]).capacity_Ah is None
    wide = replace(night(), capacity_Ah=0.001, capacity_U_Ah=0.5)
    assert fold(cell(), [charge(), wide]).capacity_Ah is None


# ---- self-discharge ------------------------------------------------------------------------------------


def test_dated_voltages_give_the_self_discharge_through_the_slope_there():
    """4.5 mV a day at 3.75 V: some 15 % a month of a Li-ion (EVIDENCE: 17), and nothing known of an LFP."""
    stored = replace(charge(left_V=3.76, whole=False), profile="storage", charge_full=False)
    days = [Noted(at(3 + 24 * n), "check", voltage_V=3.76 - 0.0045 * n, resolution_V=0.001) for n in (2, 9, 16)]
    standing = fold(cell(), [stored, *days])
    assert 8 < standing.self_discharge_percent_per_month < 35
    early = fold(cell(), [stored, Noted(at(4), "check", voltage_V=3.76), Noted(at(20), "check", voltage_V=3.74)])
    assert early.self_discharge_percent_per_month is None and "24 h" in early.self_discharge_when
    flat = fold(cell(chemistry="lfp", as_found_V=3.3), [stored, *[replace(d, voltage_V=3.30) for d in days]])
    assert flat.self_discharge_percent_per_month is None and "not measurable" in flat.self_discharge_when


def test_a_soft_short_found_by_retention_is_not_forgotten():
    kept = RunSeen(
        "retention", at(20), at(188), "retention", "unknown", "time", True, (),
        (rest(20, 188, "", 3.80, 3.72),), retention_mV_per_day=20.0, retention_U_mV_per_day=1.0, retention_V=3.75,
    )  # fmt: skip
    curve = ((4.17, 0.0), (3.95, 0.3), (3.75, 0.6), (3.55, 0.9), (3.05, 1.0))
    entries = [charge(), night(curve=curve), kept, charge(190.0, ah=1.0), filled(217.0), night(218.5)]
    standing = fold(cell(), entries)
    assert "soft-short" in codes(standing) and standing.may["match"].verdict == "no"
    assert standing.may["certify"].verdict != "yes" and standing.may["grade"].verdict == "ask"
    good = fold(
        cell(), [*entries[:2], replace(kept, retention_mV_per_day=0.3, retention_U_mV_per_day=0.2), *entries[3:]]
    )
    assert "soft-short" not in codes(good) and good.may["match"].verdict == "yes"


# ---- the gate ------------------------------------------------------------------------------------------

GOOD = [charge(), night()]


@pytest.mark.parametrize(
    ("changes", "act", "verdict"),
    [
        ({}, "charge", "yes"),
        ({"inspection": {**SOUND, "swelling": "yes"}}, "charge", "no"),
        ({"inspection": {**SOUND, "swelling": "yes"}}, "discharge", "no"),
        ({"inspection": {**SOUND, "swelling": "yes"}}, "certify", "no"),
        ({"inspection": {**SOUND, "leak": "yes"}}, "match", "no"),
        ({"inspection": {**SOUND, "dents": "slight"}}, "discharge", "no"),
        ({"inspection": {**SOUND, "dents": "slight"}, "state": "quarantined"}, "discharge", "no"),
        ({"mass_g": 25.0}, "charge", "no"),
        ({"mass_g": 25.0}, "certify", "no"),
        ({"mass_g": 44.0}, "charge", "yes"),
        ({"state": "retired"}, "discharge", "no"),
        ({"state": "quarantined"}, "discharge", "no"),
        ({"state": "quarantined"}, "match", "no"),
        ({"inspection": {}}, "charge", "ask"),
        ({"inspection": {}}, "certify", "ask"),
        ({"inspection": {}}, "discharge", "yes"),
        ({"as_found_V": -3.7}, "discharge", "no"),
        ({"as_found_V": 2.2}, "discharge", "no"),
        ({"as_found_V": 2.2}, "charge", "yes"),  # the slow pre-charge under watch: this quarantine's own test
    ],
)
def test_the_register_decides_what_may_be_done(changes, act, verdict):
    standing = fold(cell(**changes), GOOD)
    assert standing.may[act].verdict == verdict, standing.may[act]
    assert may(cell(**changes), standing, act) == standing.may[act]
    if verdict != "yes":
        assert standing.may[act].findings and standing.may[act].why


def test_what_asks_is_let_through_by_its_code_alone_and_what_forbids_never():
    unseen = cell(inspection={})
    standing = fold(unseen, GOOD)
    with pytest.raises(Refused, match="--in-spite-of never-inspected"):
        require(unseen, standing, ("charge",))
    with pytest.raises(Refused):
        require(unseen, standing, ("charge",), ("leak",))
    assert [item.code for item in require(unseen, standing, ("charge",), ("never-inspected",))] == ["never-inspected"]
    assert require(unseen, standing, ("charge",), simulated=True) == []
    swollen = cell(inspection={**SOUND, "swelling": "yes"})
    with pytest.raises(Refused, match="swollen"):
        require(swollen, fold(swollen, GOOD), ("charge",), ("inspection",))


def test_every_quarantine_names_its_one_test_of_release():
    for changes in ({"state": "quarantined"}, {"inspection": {**SOUND, "rust": "slight"}}, {"mass_g": 33.0},
                    {"as_found_V": 2.2}, {"as_found_V": -3.7}, {"state": "retired"}):  # fmt: skip
        found = list(fold(cell(**changes), GOOD).findings)
        assert found and all("amphora cell" in item.settles for item in found), changes


# ---- properties ------------------------------------------------------------------------------------------

STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("charge"), st.floats(0.05, 3.0), st.booleans()),
        st.tuples(st.just("night"), st.floats(0.05, 3.0), st.floats(3.0, 4.25)),
        st.tuples(st.just("seen"), st.floats(2.0, 4.3), st.just(0)),
    ),
    max_size=8,
)


@settings(max_examples=150, deadline=None)
@given(STEPS, st.floats(0.3, 40.0), st.floats(-0.2, 0.1))
def test_bounds_are_bounds_whatever_happened(steps, apart_h, late):
    entries, hour = [], 0.0
    for number, (kind, value, more) in enumerate(steps):
        name = f"{number:02d}"
        if kind == "charge":
            entries.append(charge(hour, ah=value, whole=more, name=name))
        elif kind == "night":
            entries.append(night(hour, ah=value, first_V=more, late=late, early=late + 0.01, name=name))
        else:
            entries.append(Noted(at(hour), "check", voltage_V=value))
        hour += 4.4 + apart_h * (number % 2)
    standing = fold(cell(), entries)
    assert fold(cell(), entries) == standing  # pure
    assert 0 <= standing.leak.low <= standing.leak.high
    if standing.charge_low_Ah is not None:
        assert 0 <= standing.charge_low_Ah <= standing.charge_high_Ah
    assert (standing.capacity_Ah is None) == (standing.it_from != "measured")
    if standing.leak.low >= f.SICK_LEAK or standing.leak.high >= f.HEALTHY_BELOW:
        assert standing.may["match"].verdict != "yes" and standing.may["certify"].verdict != "yes"
        assert standing.may["grade"].verdict != "yes"
    for ruling in standing.may.values():
        assert (ruling.verdict == "yes") == (not ruling.findings)
        assert set(ruling.findings) <= codes(standing)
    unsafe = replace(cell(), inspection={**SOUND, "swelling": "yes"})
    assert all(
        ruling.verdict == "no" for act, ruling in fold(unsafe, entries).may.items() if act in ACTS and act != "grade"
    )
