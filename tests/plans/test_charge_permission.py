"""Whether a cell may be charged is decided before any step is made, and every no says why."""

import pytest

from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.common.errors import Refused
from amphora.harness.plans.charge_permission import permission
from amphora.harness.plans.recipe import load_recipe


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
