"""Which resistance stands for a cell: with support at its charge state, or none."""

from typing import Any

import pytest

from amphora.harness.results.chosen import chosen_resistance, resistance_of_the_cell
from amphora.harness.results.result import CellResistance, Result
from tests.support.made_results import result_of


def result(*states: float | None, start: str = "full", complete: bool = True) -> Result:
    return result_of(
        start=start, complete=complete, temperature_degC=21.0,
        resistances=[
            {
                "method": "10 s pulse", "ohm": round(0.05 + 0.01 * n, 3), "U_ohm": 0.001, "duration_s": 10.0,
                "charge_state": state,
            }
            for n, state in enumerate(states)
        ],
    )  # fmt: skip


def test_a_value_in_mid_charge_goes_before_full_and_empty() -> None:
    found = resistance_of_the_cell(result(1.0, 0.6, 0.05))
    assert found == CellResistance(0.06, 0.001, 10.0, 0.6, 21.0)


@pytest.mark.parametrize(("state", "there"), [(0.19, False), (0.21, True), (1.0, True)])
def test_the_empty_end_stands_for_no_cell_and_full_is_named_so(state: float, there: bool) -> None:
    found = resistance_of_the_cell(result(state))
    assert (found is not None) == there and (found is None or found.charge_state == state)


def test_below_ninety_per_cent_goes_first() -> None:
    assert resistance_of_the_cell(result(0.95, 0.85)) == CellResistance(0.06, 0.001, 10.0, 0.85, 21.0)


@pytest.mark.parametrize("changed", [{"start": "unknown"}, {"complete": False}])
def test_where_the_start_is_not_known_the_cells_charge_is_not_either(changed: dict[str, Any]) -> None:
    found = resistance_of_the_cell(result(0.6, **changed))
    assert found is not None and found.charge_state is None


@pytest.mark.parametrize("start", ["full", "unknown"])
def test_the_empty_end_stands_for_no_cell_however_the_run_began(start: str) -> None:
    # 30 of 62 measured discharges chose a value at 0 % of charge: a new cell of 40 mohm showed 224.
    assert resistance_of_the_cell(result(0.0, start=start)) is None
    assert chosen_resistance(result(0.0, start=start)) is None
    found = chosen_resistance(result(0.0, 0.6, start=start))
    assert found is not None and found.charge_state == 0.6


def test_without_a_step_there_is_none() -> None:
    assert resistance_of_the_cell(result()) is None
