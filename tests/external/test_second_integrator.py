"""Capacity and energy against scipy's integrators of differential equations, as a second method.

The cell is a Thevenin circuit (Plett, Battery Management Systems vol. 1, ch. 2, from memory) with the open-circuit
voltage and the elements at half charge of Chen and Rincón-Mora 2006, IEEE Trans. Energy Convers. 21(2) 504-511.
scipy.integrate.solve_ivp (Hairer, Nørsett and Wanner's DOP853; LSODA of Petzold and Hindmarsh) carries charge and
energy as states of their own and finds the cut-off as an event; we see only sampled readings.
"""

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from amphora.harness.analysis.capacity import figures
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import find_phases
from amphora.harness.analysis.records import Measurement, Record, Specification

EXACT = Specification(0.0, 0.0)
BENCH = Measurement(EXACT, EXACT, EXACT, EXACT)
QN_AH, R0, R1, C1, CUTOFF_V = 0.85, 0.07446, 0.04669, 702.7, 3.3


def ocv(z):
    return -1.031 * np.exp(-35 * z) + 3.685 + 0.2156 * z - 0.1178 * z**2 + 0.3201 * z**3


def current(kind: str, z: float, u1: float) -> float:
    """Return the current out of the cell in A: through a resistor, held, or at a held power."""
    inner_V = float(ocv(z)) - u1
    if kind == "resistance":
        return inner_V / (R0 + 8.2)
    if kind == "current":
        return 0.4
    return (inner_V - np.sqrt(inner_V**2 - 4 * R0 * 1.5)) / (2 * R0)  # 1.5 W at the terminals


@pytest.mark.parametrize("kind", ["resistance", "current", "power"])
@pytest.mark.parametrize("method", ["DOP853", "LSODA"])
def test_a_discharge_solved_by_scipy_is_counted_within_1e_4(kind: str, method: str) -> None:
    def slope(_, state):
        z, u1, _, _ = state
        out_A = current(kind, z, u1)
        terminal_V = float(ocv(z)) - u1 - out_A * R0
        return [-out_A / 3600 / QN_AH, (out_A - u1 / R1) / C1, out_A / 3600, out_A * terminal_V / 3600]

    def at_cutoff(_, state):
        return float(ocv(state[0])) - state[1] - current(kind, state[0], state[1]) * R0 - CUTOFF_V

    def well_below(_, state):
        return at_cutoff(_, state) + 0.1

    well_below.terminal = True
    solved = solve_ivp(
        slope, (0.0, 4 * 3600.0), [1.0, 0.0, 0.0, 0.0], method=method, rtol=1e-10, atol=1e-12, dense_output=True,
        max_step=60.0, events=[at_cutoff, well_below],
    )  # fmt: skip
    end_s, own = float(solved.t_events[0][0]), solved.y_events[0][0]
    t = np.arange(0.0, end_s + 15.0, 5.0)
    z, u1 = solved.sol(t)[:2]
    out_A = np.array([current(kind, a, b) for a, b in zip(z, u1, strict=True)])
    record = Record(
        t, ocv(z) - u1 - out_A * R0, -out_A, np.full(t.size, np.nan), np.full(t.size, -1), np.empty(0)
    )  # fmt: skip
    totals = accumulate(record)
    (phase,) = find_phases(record, totals)
    ours = figures(record, totals, phase, BENCH, CUTOFF_V)
    assert ours.reached_cutoff
    assert ours.capacity_Ah == pytest.approx(own[2], rel=1e-4)
    assert ours.energy_Wh == pytest.approx(own[3], rel=1e-4)
    assert ours.duration_s == pytest.approx(end_s, rel=1e-4)


def test_adaptive_quadrature_of_a_tapering_charge_agrees_with_the_running_totals() -> None:
    # A current that decays as exp(-t / 1800 s) at a voltage that rises to 4.2 V; QUADPACK as scipy wraps it.
    def amps(t):
        return 0.05 + 0.95 * np.exp(-t / 1800)

    def volts(t):
        return 4.2 - 0.3 * np.exp(-t / 900)

    t = np.arange(0.0, 7200.1, 10.0)
    totals = accumulate(
        Record(t, volts(t), amps(t), np.full(t.size, np.nan), np.full(t.size, -1), np.empty(0))
    )  # fmt: skip
    charge_Ah = quad(amps, 0, 7200)[0] / 3600
    energy_Wh = quad(lambda x: amps(x) * volts(x), 0, 7200)[0] / 3600
    assert totals.charge_Ah[-1] == pytest.approx(charge_Ah, rel=1e-5)
    assert totals.energy_Wh[-1] == pytest.approx(energy_Wh, rel=1e-5)
