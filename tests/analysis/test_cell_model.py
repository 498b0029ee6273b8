"""Promises of a cell taken from its own run: curve and resistance are the cell's, and what was not seen is doubted."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from amphora.harness.analysis.cell_model import (
    UNTOLD_LOW,
    UNTOLD_LOW_U,
    UNTOLD_MORE,
    UNTOLD_U,
    AHEAD_NO_REST_U_h,
    CellModel,
    cell_model,
)
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.fit import fit
from amphora.harness.results.result import PhaseResult, Result
from tests.support.duties import linear, simple
from tests.support.duty_runs import cell_of, serve, write_test


def test_a_run_without_resistances_or_discharge_is_refused():
    flat = np.full(20, 3.7)
    with pytest.raises(InputError, match="no discharge"):
        cell_model(np.arange(20.0), flat, np.zeros(20), Result("a", "a/x", "auto"))
    phase = PhaseResult("discharge", capacity_Ah=1.0, begin_s=0, end_s=19, main_current_A=-1.0)
    result = Result("a", "a/x", "auto", phases=(phase,), capacity_Ah=1.0)
    with pytest.raises(InputError, match="resistance"):
        cell_model(np.arange(20.0), flat, -np.ones(20), result)


def model_of(run: Path) -> CellModel:
    from amphora.harness.account.answer import analyse_run
    from amphora.harness.archive.loading import load

    record, _ = load(run)
    return cell_model(record.t_s, record.voltage_V, record.current_A, analyse_run(run))


SLOW_CELL = {"curve": "linear", "r0_ohm": 0.1, "r1_ohm": 1e-6, "r2_ohm": 0.05, "c2_F": 5000.0, "low_end_rise": 0.0}


def test_the_rest_after_the_discharge_tells_what_no_load_step_is_long_enough_to_see(tmp_path):
    # A linear curve, R0 100 mohm and 50 mohm with 250 s: 30 s show 5.7 of these 50 mohm.
    model = model_of(write_test(tmp_path, cell_of(**SLOW_CELL)))
    # The longest load steps show only a ninth of it, so that it goes on over all of the charge is not certain.
    assert model.ohm[::40] == pytest.approx(np.full(model.ohm[::40].size, 0.15), rel=0.06)
    (ohm, tau_s), *others = model.slow
    assert not others and ohm == pytest.approx(0.05, rel=0.15) and tau_s == pytest.approx(250.0, rel=0.05)
    assert model.slow_U_ohm is not None and model.slow_U_ohm > 0.2 * ohm
    # What the cell has inside: 3.0 + 1.2 z, full at 4.2 V.
    cell = cell_of(**SLOW_CELL)
    inside = 4.2 - 1.2 * model.given_Ah / cell.spec.capacity_Ah
    assert model.ocv_V[10:-20] == pytest.approx(inside[10:-20], abs=3e-3)


def test_a_test_without_a_rest_says_that_minutes_are_not_known(tmp_path):
    run = write_test(tmp_path, cell_of(**SLOW_CELL))
    with_rest = model_of(run)
    head, *rows = (run / "samples.csv").read_text().splitlines()
    last = max(k for k, row in enumerate(rows) if row.split(",")[1] == "1")
    (run / "samples.csv").write_text("\n".join([head, *rows[: last + 4]]) + "\n")
    model = model_of(run)
    assert model.slow == () and model.slow_U_ohm is None
    duty = simple("3.3 V", 'current = "800 mA"')
    (known,), (guessed,) = fit(with_rest, duty).modes, fit(model, duty).modes
    assert guessed.run_time_U_h > 0 and known.run_time_h < guessed.run_time_h
    hours, _ = serve(cell_of(**SLOW_CELL), 0.8, 1.0, 3.3)
    assert known.run_time_h == pytest.approx(hours, rel=0.01)


def test_the_plunge_at_the_empty_end_is_charge_that_the_surface_lacks_not_resistance_for_all_of_the_charge(tmp_path):
    # LFP: the rest recovers hundreds of millivolts at the end, and a few in the middle.
    model = model_of(write_test(tmp_path, cell_of("real-lfp", seed=4), chemistry="lfp", cutoff_V=2.5))
    assert model.ahead_h > 0.003 and model.ahead_U_h >= 0.6 * model.ahead_h
    # A lead at half the current is half of it; it needs its time.
    at = np.array([0.0, 1e9])
    assert model.ahead_Ah(0.1, at) == pytest.approx([0.0, 0.1 * model.ahead_h])
    less = model.ocv_ahead(np.full(model.given_Ah.size, -model.test_A * model.ahead_h))
    assert (less >= model.ocv_V - 1e-9).all()


def test_load_steps_near_full_alone_doubt_the_middle(tmp_path):
    run = write_test(tmp_path, cell_of(seed=4), only_first=True)
    model = model_of(run)
    state = 1.0 - model.given_Ah / model.capacity_Ah
    middle = int(np.argmin(np.abs(state - 0.5)))
    between = np.asarray(model.between_ohm)
    assert between[middle] >= 0.1 * model.ohm[middle] and between[0] < 0.05 * model.ohm[0]
    # What it says of the empty end is kept: the test's own current gives the test's own run time.
    duty = simple("3.0 V", f'current = "{1000 * model.test_A:.3f} mA"')
    (found,) = fit(model, duty).modes
    assert found.delivered_Ah == pytest.approx(model.capacity_Ah, rel=0.01)


def test_what_goes_on_beyond_the_longest_pulse_leaves_the_test_itself_as_it_was():
    model = replace(linear(), ohm=np.full(201, 0.3), fast_ohm=np.full(201, 0.2), test_A=0.5)
    slower = model.resisting(model.slower())
    assert slower.ocv_V - 0.5 * slower.ohm == pytest.approx(model.ocv_V - 0.5 * model.ohm)
    # once more of the gain from the shortest pulse on, or four tenths of it all; towards the empty end more and more
    assert slower.ohm[0] == pytest.approx(0.42) and slower.ohm.max() == pytest.approx(0.66)
    young = replace(model, fast_ohm=np.full(201, 0.1))
    assert np.asarray(young.slower())[0] == pytest.approx(0.2)
    assert (UNTOLD_MORE, UNTOLD_U, UNTOLD_LOW_U, UNTOLD_LOW, AHEAD_NO_REST_U_h) == (1.3, 0.4, 1.2, 0.5, 0.05)
