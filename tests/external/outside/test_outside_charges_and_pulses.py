"""Charges at constant current and voltage, and pulses, of cells that an outside program simulates: NMC and LFP.

PyBaMM (Sulzer et al., J. Open Res. Software 9, 2021, 14) simulates, its equivalent-circuit and its physics-based
models; what it counted itself is what our figures are held against. Parameter sets: Chen et al. 2020, J.
Electrochem. Soc. 167 080534 (NMC, 5 Ah); Prada et al. 2013, J. Electrochem. Soc. 160 A616 (LFP, 2.3 Ah). The
open-circuit functions for the circuits: graphite and NMC from Chen et al., LFP from Afshar et al., arXiv 1709.03970.
"""

import warnings
from collections.abc import Callable

import numpy as np
import pytest

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pybamm

from amphora.harness.analysis.charge import charge_metrics
from amphora.harness.analysis.circuit import fit_circuit
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import find_phases
from amphora.harness.analysis.records import Measurement, Record, Specification
from amphora.harness.analysis.resistance import LOAD_STEP, TWO_STEP, find_resistances

pytestmark = pytest.mark.filterwarnings("ignore")
SMALL = Specification(0.0, 0.0, 1e-6)
BENCH = Measurement(SMALL, SMALL, SMALL, Specification(0.0, 0.0))


def graphite(x):
    """Open-circuit potential of graphite (Chen et al. 2020)."""
    tanh = pybamm.tanh
    return (
        1.9793 * pybamm.exp(-39.3631 * x) + 0.2482 - 0.0909 * tanh(29.8538 * (x - 0.1234))
        - 0.04478 * tanh(14.9159 * (x - 0.2769)) - 0.0205 * tanh(30.4444 * (x - 0.6103))
    )  # fmt: skip


def nmc(z):
    """Full cell NMC811/graphite (Chen et al. 2020; limits of stoichiometry from memory)."""
    tanh = pybamm.tanh
    y = 0.9084 + (0.2661 - 0.9084) * z
    positive = (
        -0.8090 * y + 4.4875 - 0.0428 * tanh(18.5138 * (y - 0.5542))
        - 17.7326 * tanh(15.7890 * (y - 0.3117)) + 17.5842 * tanh(15.9308 * (y - 0.3120))
    )  # fmt: skip
    return positive - graphite(0.0279 + (0.9014 - 0.0279) * z)


def lfp(z):
    """Full cell LFP/graphite (Afshar et al. for LFP, Chen et al. for graphite)."""
    y = 0.99 - 0.987 * z
    positive = 3.4077 - 0.020269 * y + 0.5 * pybamm.exp(-150 * y) - 0.9 * pybamm.exp(-30 * (1 - y))
    return positive - graphite(0.0279 + (0.9014 - 0.0279) * z)


def solve(model: "pybamm.BaseModel", values: "pybamm.ParameterValues", steps: list[str], period: str):
    """Run an experiment with a solver whose own error is far below what is compared."""
    experiment = pybamm.Experiment(steps, period=period)
    solver = pybamm.IDAKLUSolver(rtol=1e-9, atol=1e-11)
    return pybamm.Simulation(model, parameter_values=values, experiment=experiment, solver=solver).solve()


def circuit(ocv: Callable, r0: float, r1: float, c1: float, soc: float) -> "pybamm.ParameterValues":
    """A Thevenin cell of 2 Ah with these elements."""
    values = pybamm.ParameterValues("ECM_Example")
    values.update(
        {"R0 [Ohm]": r0, "R1 [Ohm]": r1, "C1 [F]": c1, "Entropic change [V/K]": 0.0, "Cell capacity [A.h]": 2.0,
         "Nominal cell capacity [A.h]": 2.0, "Initial SoC": soc, "Open-circuit voltage [V]": ocv,
         "Lower voltage cut-off [V]": 2.0, "Upper voltage cut-off [V]": 4.4},
        check_already_exists=False,
    )  # fmt: skip
    return values


def sampled(solution, every_s: float) -> tuple[Record, list[float]]:
    """Sample as a bench would, the instants at which its steps ended known; current positive into the cell."""
    ends = [float(cycle.t[-1]) for cycle in solution.cycles]
    t = np.arange(0.0, ends[-1], every_s)
    # A reading at the very instant of a switch belongs to the time before it.
    ask = np.where(np.isin(np.round(t, 6), np.round(ends[:-1], 6)), t - 1e-6, t)
    volts, amps = solution["Voltage [V]"](ask), -solution["Current [A]"](ask)
    nothing = np.full(t.size, np.nan)
    return Record(t, volts, amps, nothing, np.full(t.size, -1), np.asarray(ends[:-1])), ends


def counted_Ah(solution, first_s: float, last_s: float) -> float:
    """Return what the simulator itself counted as charged between two instants."""
    at = np.array([first_s, last_s])
    if "SoC" in solution.all_models[0].variables:  # its circuits count in shares of their 2 Ah
        return 2.0 * float(np.diff(solution["SoC"](at))[0])
    return -float(np.diff(solution["Discharge capacity [A.h]"](at))[0])


def held_against_its_own_count(solution, ends: list[float], record: Record, full_V: float) -> None:
    """Check charge accepted, both shares and the held voltage of a charge that is the second step of a run."""
    totals = accumulate(record)
    (phase,) = [p for p in find_phases(record, totals) if p.kind == "charge"]
    ours = charge_metrics(record, totals, phase)
    own_Ah = counted_Ah(solution, ends[0], ends[2])
    assert ours.charge_Ah == pytest.approx(own_Ah, rel=1e-4)
    assert ours.held_voltage_V == pytest.approx(full_V, abs=0.002)
    # The constant-voltage part begins, for us, at 97 % of the main current: a little after the switch itself.
    own_share = counted_Ah(solution, ends[0], ends[1]) / own_Ah
    assert ours.constant_current_share == pytest.approx(own_share, abs=0.02)
    assert ours.constant_current_share + ours.constant_voltage_share == pytest.approx(1.0, abs=1e-9)
    assert ours.tapered


@pytest.mark.parametrize(("ocv", "full_V"), [(nmc, 4.15), (lfp, 3.5)])
def test_a_charge_of_an_outside_circuit_is_counted_within_1e_4(ocv: Callable, full_V: float) -> None:
    steps = [
        "Rest for 2 minutes",
        f"Charge at 1 A until {full_V} V",
        f"Hold at {full_V} V until 50 mA",
        "Rest for 300 s",
    ]
    values = circuit(ocv, 0.060, 0.030, 1000.0, 0.2)
    solution = solve(pybamm.equivalent_circuit.Thevenin(), values, steps, "2 seconds")
    record, ends = sampled(solution, 2.0)
    held_against_its_own_count(solution, ends, record, full_V)


@pytest.mark.parametrize(("parameters", "full_V"), [("Chen2020", 4.15), ("Prada2013", 3.5)])
def test_a_charge_of_a_physics_based_cell_is_counted_within_1e_4(parameters: str, full_V: float) -> None:
    values = pybamm.ParameterValues(parameters)
    steps = [
        "Discharge at 0.5C for 90 minutes", f"Charge at 0.5C until {full_V} V", f"Hold at {full_V} V until C/30",
        "Rest for 10 minutes",
    ]  # fmt: skip
    solution = solve(pybamm.lithium_ion.SPM(), values, steps, "5 seconds")
    record, ends = sampled(solution, 5.0)
    held_against_its_own_count(solution, ends, record, full_V)


@pytest.mark.parametrize("ocv", [nmc, lfp])
@pytest.mark.parametrize(("r0", "r1", "c1"), [(0.050, 0.030, 1000.0), (0.120, 0.045, 700.0)])
def test_elements_of_an_outside_circuit_are_recovered_within_the_stated_uncertainty(
    ocv: Callable, r0: float, r1: float, c1: float
) -> None:
    # Twelve noises: two standard uncertainties hold the truth in 95 % of cases, so 3 of 36 may miss, and no more.
    steps = ["Rest for 60 seconds", "Discharge at 1 A for 120 seconds", "Rest for 600 seconds"]
    solution = solve(pybamm.equivalent_circuit.Thevenin(), circuit(ocv, r0, r1, c1, 0.5), steps, "0.5 seconds")
    clean, _ = sampled(solution, 0.5)
    missed = 0
    for seed in range(12):
        noise = np.random.default_rng(seed).normal(0, 1e-4, clean.t_s.size)
        record = Record(
            clean.t_s, clean.voltage_V + noise, clean.current_A, clean.temperature_degC, clean.step, clean.switches_s
        )
        fit = fit_circuit(record, 0, record.t_s.size - 1, BENCH, pairs=1)
        (pair,) = fit.pairs
        missed += abs(fit.r0_ohm - r0) > 2 * fit.u_r0_ohm
        missed += abs(pair.ohm - r1) > 2 * pair.u_ohm
        missed += abs(pair.farad - c1) > 2 * pair.u_farad
        assert fit.u_r0_ohm < 2e-3 * r0 and pair.u_ohm < 0.03 * r1 and pair.u_farad < 0.03 * c1
    assert missed <= 3


@pytest.mark.parametrize("parameters", ["Chen2020", "Prada2013"])
def test_pulses_of_a_physics_based_cell_are_its_own_voltage_over_its_own_current(parameters: str) -> None:
    values = pybamm.ParameterValues(parameters)
    steps = [
        "Discharge at 0.5C for 60 minutes", "Rest for 60 minutes", "Discharge at 1C for 30 seconds",
        "Rest for 10 minutes", "Discharge at 0.2C for 10 seconds", "Discharge at 1C for 1 second", "Rest for 1 minute",
    ]  # fmt: skip
    solution = solve(pybamm.lithium_ion.SPM(), values, steps, "0.5 seconds")
    record, ends = sampled(solution, 0.5)
    found = find_resistances(record, 0, record.t_s.size - 1, None, BENCH)
    volts, amps = solution["Voltage [V]"], solution["Current [A]"]
    own_ohm = {}
    for after_s in (1.0, 10.0, 30.0):
        at = np.array([ends[1] - 1e-3, ends[1] + after_s - 1e-3])
        own_ohm[after_s] = float(np.diff(volts(at))[0] / -np.diff(amps(at))[0])
        (ours,) = [
            r for r in found
            if r.method == LOAD_STEP and abs(r.t_s - ends[1]) < 0.1 and abs(r.duration_s - after_s) < 0.01
        ]  # fmt: skip
        assert ours.ohm == pytest.approx(own_ohm[after_s], rel=2e-3)
    assert own_ohm[1.0] < own_ohm[10.0] < own_ohm[30.0]
    at = np.array([ends[4] - 1e-3, ends[5] - 1e-3])
    (two,) = [r for r in found if r.method == TWO_STEP]
    assert two.ohm == pytest.approx(float(np.diff(volts(at))[0] / -np.diff(amps(at))[0]), rel=2e-3)
