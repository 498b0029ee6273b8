"""Whether a cell may be charged is decided before any step is made, and every no says why."""

import pytest

from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.common.errors import Refused
from amphora.harness.plans.recipe import load_recipe
from tests.support.plans import permission


def cell(chemistry="li-ion", as_found_V=3.6, **more):
    return {
        "id": "L3-a", "chemistry": chemistry, "as_found_V": as_found_V, "declared_rechargeable": True, **more
    }  # fmt: skip


def test_a_sound_cell_may_be_charged_inside_its_own_window():
    known = permission(load_recipe("charge"), cell())
    assert (known.may_charge, known.precharge_only, known.why_not, known.told) == (True, False, "", ())
    assert known.window.key == known.charging.key == "li-ion"
    assert known.charge_limit_V == load_chemistry("li-ion").charge_limit_V


@pytest.mark.parametrize(
    ("record", "said"),
    [
        (cell(state="retired"), "retired"),
        (cell(state="quarantined"), "its state comes first"),
        (cell(as_found_V=-0.5), "may not be charged"),
        (cell("auto", None), "as-found voltage is not on the shelf"),
        (cell("auto", 3.4, declared_rechargeable=False, identified={"chemistry": "lfp"}), "--rechargeable"),
    ],
)
def test_no_permission_is_a_refusal_of_a_recipe_that_has_to_charge(record, said):
    with pytest.raises(Refused, match=said):
        permission(load_recipe("charge"), record)


def test_a_recipe_that_only_discharges_is_not_refused_for_it():
    known = permission(load_recipe("overnight"), cell("auto", None, declared_rechargeable=False))
    assert not known.may_charge
    assert "rechargeable" in known.why_not


def test_a_cell_of_the_quarantine_band_gets_the_pre_charge_and_no_more():
    window = load_chemistry("li-ion")
    found_V = 0.5 * (window.reject_below_V + window.quarantine_below_V)
    known = permission(load_recipe("charge"), cell(as_found_V=found_V))
    assert known.may_charge
    assert known.precharge_only
    assert "slow pre-charge" in known.told[0]
    with pytest.raises(Refused, match="quarantine band"):
        permission(load_recipe("storage"), cell(as_found_V=found_V))


def test_an_unidentified_cell_is_charged_with_the_lowest_limit_it_may_have():
    known = permission(load_recipe("charge"), cell("auto", 1.3))
    assert known.charging.key == "nimh"
    assert known.charge_limit_V == known.identify_V == load_chemistry("nimh").charge_limit_V


def staged(to_V, rests_V=3.55, **more):
    return cell("auto", 3.31, identified={"charge_to_V": to_V, "rests_V": rests_V}, **more)


@pytest.mark.parametrize(
    ("record", "limit_V", "hard_V"),
    [
        (cell("auto", 3.31), 3.60, 3.65),  # LIMITS: 3.60, then 3.85, then 4.05 V, each earned by the one before
        (staged(3.85), 3.85, 3.90),
        (staged(4.05, 3.80), 4.05, 4.10),
        (staged(4.10, 3.80), 3.60, 3.65),  # 4.10 V only after 'likely Li-ion'
        (staged(4.20), 3.60, 3.65),
        (staged(3.95), 3.60, 3.65),
        (
            cell("auto", 3.31, identified={
                "chemistry": "li-ion", "confidence": "likely", "charge_to_V": 4.10, "rests_V": 3.83}),
            4.10, 4.15,
        ),
    ],
)  # fmt: skip
def test_a_stage_of_the_watched_charge_is_allowed_to_its_voltage_and_no_further(record, limit_V, hard_V):
    known = permission(load_recipe("identify"), record)
    assert known.may_charge
    assert (known.charge_limit_V, known.identify_V) == (limit_V, limit_V)
    assert known.charging.hard_high_V == pytest.approx(hard_V)
    assert known.staged == (limit_V > 3.60)


def test_a_stage_is_for_identify_alone_and_for_a_declared_cell():
    assert permission(load_recipe("charge"), staged(3.85)).charge_limit_V == pytest.approx(3.60)
    assert not permission(load_recipe("identify"), staged(3.85, declared_rechargeable=False)).may_charge
    assert not permission(load_recipe("identify"), staged(3.85, rests_V=3.84)).may_charge


def test_likely_li_ion_is_not_charged_to_the_full_limit_before_it_was_seen_above_all_others():
    kept = {"chemistry": "li-ion", "confidence": "likely", "charge_to_V": 4.10, "rests_V": 3.83}
    likely = cell("auto", 3.31, identified=kept)
    with pytest.raises(Refused, match=r"not certain: first .*4\.10 V"):
        permission(load_recipe("charge"), likely)
    sure = cell("auto", 3.31, identified={"chemistry": "li-ion", "confidence": "sure"})
    assert permission(load_recipe("charge"), sure).charge_limit_V == pytest.approx(4.20)


def test_likely_li_ion_that_no_further_run_makes_certain_is_refused_with_one_question_and_no_run():
    done = cell("auto", 3.31, identified={"chemistry": "li-ion", "confidence": "likely"})
    with pytest.raises(Refused, match="no further run makes that certain") as refused:
        permission(load_recipe("charge"), done)
    assert "amphora run" not in str(refused.value) and "--chemistry li-ion" in str(refused.value)
