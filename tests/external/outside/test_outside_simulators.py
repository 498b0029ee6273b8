"""Our figures against cells simulated by somebody else's physics and circuits.

PyBaMM (Sulzer et al., J. Open Res. Software 9, 2021, 14) simulates; we analyse what comes out. Parameter sets:
Chen et al. 2020, J. Electrochem. Soc. 167 080534 (NMC, 5 Ah); Prada et al. 2013, J. Electrochem. Soc. 160
A616 (LFP, 2.3 Ah).
"""

import warnings

import numpy as np
import pytest

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pybamm

from amphora.harness.analysis.capacity import figures
from amphora.harness.analysis.circuit import fit_circuit
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import find_phases
from amphora.harness.analysis.records import Measurement, Record, Specification
from amphora.harness.analysis.relaxation import extrapolate_rest
from amphora.harness.analysis.resistance import LOAD_STEP, TWO_STEP, find_resistances

pytestmark = pytest.mark.filterwarnings("ignore")
SMALL = Specification(0.0, 0.0, 1e-6)
BENCH = Measurement(SMALL, SMALL, SMALL, Specification(0.0, 0.0))


def tight() -> "pybamm.BaseSolver":
    """A solver whose own error is far below what is compared."""
    return pybamm.IDAKLUSolver(rtol=1e-9, atol=1e-11)


def record_of(solution: "pybamm.Solution", switches: list[float], step_s: float) -> Record:
    """Sample a solution as a bench would: evenly, current positive into the cell."""
    times = solution["Time [s]"].entries
    t = np.arange(times[0], times[-1] + step_s / 2, step_s)
    t = t[t <= times[-1]]
    # A reading at the very instant of a switch belongs to the time before it.
    ask = np.where(np.isin(np.round(t, 9), np.round(switches, 9)), t - 1e-6, t)
    volts = solution["Voltage [V]"](ask)
    amps = -solution["Current [A]"](ask)
    return Record(t, volts, amps, np.full(t.size, np.nan), np.full(t.size, -1), np.asarray(switches, dtype=float))


@pytest.mark.parametrize(("parameters", "current_A", "cutoff_V"), [("Chen2020", 1.0, 2.7), ("Prada2013", 0.46, 2.2)])
def test_capacity_of_a_physics_based_cell_agrees_within_1e_4(
    parameters: str, current_A: float, cutoff_V: float
) -> None:
    values = pybamm.ParameterValues(parameters)
    values["Current function [A]"] = current_A
    model = pybamm.lithium_ion.SPM()
    values["Lower voltage cut-off [V]"] = cutoff_V - 0.1
    solution = pybamm.Simulation(model, parameter_values=values, solver=tight()).solve(np.arange(0.0, 12 * 3600.0, 5.0))
    # Its own discharge capacity where its voltage passes the cut-off: found in its own finely interpolated output.
    fine = np.linspace(0.0, float(solution.t[-1]), 400_001)
    volts = solution["Voltage [V]"](fine)
    hit = int(np.flatnonzero(volts <= cutoff_V)[0])
    moment = np.interp(-cutoff_V, -volts[hit - 1 : hit + 1], fine[hit - 1 : hit + 1])
    own_Ah = float(solution["Discharge capacity [A.h]"](moment))

    record = record_of(solution, [], 5.0)
    totals = accumulate(record)
    phases = [p for p in find_phases(record, totals) if p.kind == "discharge"]
    assert len(phases) == 1
    ours = figures(record, totals, phases[0], BENCH, cutoff_V)
    assert ours.reached_cutoff
    assert ours.capacity_Ah == pytest.approx(own_Ah, rel=1e-4)


@pytest.mark.parametrize(("r0", "r1", "c1"), [(0.050, 0.030, 1000.0), (0.085, 0.020, 4000.0)])
def test_circuit_of_an_outside_simulator_is_recovered_within_the_stated_uncertainty(
    r0: float, r1: float, c1: float
) -> None:
    values = pybamm.ParameterValues("ECM_Example")
    values.update(
        {"R0 [Ohm]": r0, "R1 [Ohm]": r1, "C1 [F]": c1, "Entropic change [V/K]": 0.0, "Cell capacity [A.h]": 2.0,
         "Nominal cell capacity [A.h]": 2.0, "Initial SoC": 0.6},
        check_already_exists=False,
    )  # fmt: skip
    experiment = pybamm.Experiment(
        ["Rest for 60 seconds", "Discharge at 1 A for 120 seconds", "Rest for 600 seconds"], period="0.5 seconds"
    )
    model = pybamm.equivalent_circuit.Thevenin()
    solution = pybamm.Simulation(model, parameter_values=values, experiment=experiment, solver=tight()).solve()
    record = record_of(solution, [60.0, 180.0], 0.5)
    # A meter of 0.1 mV noise, so that the uncertainty has something to state.
    noisy = Record(
        record.t_s, record.voltage_V + np.random.default_rng(4).normal(0, 1e-4, record.t_s.size), record.current_A,
        record.temperature_degC, record.step, record.switches_s,
    )  # fmt: skip
    fit = fit_circuit(noisy, 0, noisy.t_s.size - 1, BENCH, pairs=1)
    assert abs(fit.r0_ohm - r0) <= 3 * fit.u_r0_ohm + 1e-6
    assert abs(fit.pairs[0].ohm - r1) <= 3 * fit.pairs[0].u_ohm + 1e-6
    assert abs(fit.pairs[0].farad - c1) <= 3 * fit.pairs[0].u_farad
    assert fit.u_r0_ohm < 2e-3 * r0
    assert fit.pairs[0].u_ohm < 0.03 * r1
    # And the pulse values of the closed form, with the slope of the curve still in them.
    found = find_resistances(noisy, 0, noisy.t_s.size - 1, None, BENCH)
    ten = next(r for r in found if r.method == LOAD_STEP and abs(r.duration_s - 10.0) < 1e-6)
    slope = fit.slope_V_per_Ah * 10 / 3600
    assert ten.ohm == pytest.approx(r0 + r1 * (1 - np.exp(-10 / (r1 * c1))) + slope, abs=3e-4)


def test_two_step_of_the_standard_on_an_outside_simulator() -> None:
    values = pybamm.ParameterValues("ECM_Example")
    values.update(
        {"R0 [Ohm]": 0.05, "R1 [Ohm]": 0.03, "C1 [F]": 1000.0, "Entropic change [V/K]": 0.0,
         "Cell capacity [A.h]": 2000.0,
         "Nominal cell capacity [A.h]": 2000.0, "Initial SoC": 0.6},
        check_already_exists=False,
    )  # fmt: skip
    experiment = pybamm.Experiment(
        [
            "Rest for 60 seconds",
            "Discharge at 0.4 A for 10 seconds",
            "Discharge at 2 A for 1 seconds",
            "Rest for 60 seconds",
        ],
        period="0.1 seconds",
    )
    solution = pybamm.Simulation(
        pybamm.equivalent_circuit.Thevenin(), parameter_values=values, experiment=experiment, solver=tight()
    ).solve()
    record = record_of(solution, [60.0, 70.0, 71.0], 0.1)
    found = find_resistances(record, 0, record.t_s.size - 1, None, BENCH)
    (two,) = [r for r in found if r.method == TWO_STEP]
    assert two.ohm * 1000 == pytest.approx(51.160, abs=0.01)


def test_rest_of_a_physics_based_cell_is_extrapolated_towards_its_end() -> None:
    values = pybamm.ParameterValues("Chen2020")
    experiment = pybamm.Experiment(["Discharge at 0.5 C for 1 hour", "Rest for 8 hours"], period="30 seconds")
    solution = pybamm.Simulation(
        pybamm.lithium_ion.SPM(), parameter_values=values, experiment=experiment, solver=tight()
    ).solve()
    t, v = solution["Time [s]"].entries, solution["Voltage [V]"].entries
    rest = t > 3600.0 + 1.0
    t, v = t[rest] - 3600.0, v[rest]
    short = t <= 3600.0
    guess = extrapolate_rest(t[short], v[short])
    # After one hour the end of eight hours is foretold, better than by the last reading.
    assert abs(guess.voltage_V - v[-1]) <= max(2 * guess.u_V, 0.002)
    assert abs(guess.voltage_V - v[-1]) <= abs(v[short][-1] - v[-1]) + 1e-4
