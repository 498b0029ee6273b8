"""The simulated cell against closed forms and published curves, none of them ours.

Sources stand beside each check. Figures given as "computed" were worked out by hand from the
printed equation, independently of this program.
"""

import itertools
import math

import pytest

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import CellSpec, SimulatedCell, delivered_Ah
from amphora.drivers.simulated.curves import (
    ocp_graphite,
    ocp_lfp,
    ocp_nmc811,
    ocv_chen_rincon_mora,
    ocv_lfp,
    ocv_measured_18650,
    ocv_nimh,
    ocv_nmc,
    table_of,
)


def reference_cell(**changes: object) -> SimulatedCell:
    """R0 50 mohm, R1 30 mohm, C1 1000 F: the reference cell of the Thevenin checks, no second pair."""
    numbers: dict[str, object] = {
        "curve": "linear", "capacity_Ah": 2.0, "r0_ohm": 0.050, "r1_ohm": 0.030, "c1_F": 1000.0, "r2_ohm": 1e-12,
        "c2_F": 1.0, "leak_A": 0.0, "efficiency": 1.0, "low_end_rise": 0.0, "heat_J_per_K": 1e12,
    }  # fmt: skip
    return SimulatedCell(CellSpec(**{**numbers, **changes}), 0.5)  # type: ignore[arg-type]


# -- Thevenin step response -------------------------------------------------------------------------
# Source: Plett, Battery Management Systems vol. 1 (2015), ch. 2: V = OCV - I R0 - I R1 (1 - exp(-t/tau));
# from memory. Values: computed from it for R0 = 50 mohm, R1 = 30 mohm, tau = 30 s.


@pytest.mark.parametrize(
    ("t_s", "mohm"),
    [
        (0.1, 50.100), (1.0, 50.984), (2.0, 51.935), (5.0, 54.606), (10.0, 58.504), (18.0, 63.536), (30.0, 68.964),
        (60.0, 75.940),
    ],
)  # fmt: skip
def test_a_step_of_one_ampere_gives_the_thevenin_resistance(t_s: float, mohm: float):
    cell = reference_cell(capacity_Ah=2e9)  # no slope of the open-circuit voltage
    before_V = cell.voltage(0.0)
    steps = 20
    for _ in range(steps):
        cell.advance(t_s / steps, -1.0)
    assert (before_V - cell.voltage(-1.0)) * 1000.0 == pytest.approx(mohm, abs=0.0006)


def test_what_the_rc_pair_still_holds_after_a_pulse_and_a_rest():
    # 10 s at 1 A, then 40 s of rest: 2.242 mV left; computed from the recovery equation, same source.
    cell = reference_cell(capacity_Ah=2e9)
    ocv_V = cell.voltage(0.0)
    cell.advance(10.0, -1.0)
    cell.advance(40.0, 0.0)
    assert (ocv_V - cell.voltage(0.0)) * 1000.0 == pytest.approx(2.242, abs=0.0006)


def test_one_long_step_equals_many_short_ones():
    # The exact discrete form has no step error at a constant current; same source.
    once, often = reference_cell(), reference_cell()
    once.advance(600.0, -0.5)
    for _ in range(6000):
        often.advance(0.1, -0.5)
    assert once.voltage(-0.5) == pytest.approx(often.voltage(-0.5), abs=1e-9)


def test_a_worked_example_in_print():
    # OCV 3.7 V, R0 0.1 ohm, R1 0.05 ohm, C1 200 F, 2 A for 5 s: drop 0.200 V at once, 0.0393 V more after 5 s.
    # Cell: a public worked example of the Thevenin model; the 5 s value computed, 0.1 (1 - exp(-0.5)).
    cell = reference_cell(capacity_Ah=2e9, r0_ohm=0.1, r1_ohm=0.05, c1_F=200.0)
    ocv_V = cell.voltage(0.0)
    assert ocv_V - cell.voltage(-2.0) == pytest.approx(0.200, abs=1e-9)
    cell.advance(5.0, -2.0)
    assert ocv_V - cell.voltage(-2.0) - 0.200 == pytest.approx(0.0393, abs=0.00006)


def test_iec_two_step_resistance():
    # IEC 61960-3 two-step: 0.2 It for 10 s, then 1.0 It for 1 s; 51.160 mohm, computed for the same cell (2.0 Ah).
    cell = reference_cell(capacity_Ah=2e9)
    cell.advance(10.0, -0.4)
    first_V = cell.voltage(-0.4)
    cell.advance(1.0, -2.0)
    assert (first_V - cell.voltage(-2.0)) / 1.6 * 1000.0 == pytest.approx(51.160, abs=0.0006)


# -- discharges in closed form ----------------------------------------------------------------------
# OCV = 3.0 + 1.2 z, 2.0 Ah, source resistance 0.1 ohm; exact solutions of one linear equation, computed.


def linear_bench() -> SimulatedBench:
    """The cell of the closed forms on a bench without errors."""
    cell = reference_cell(r0_ohm=0.1, r1_ohm=1e-12, c1_F=1.0)
    cell.soc = 1.0
    cell.changed()
    return SimulatedBench(cell=cell, errors=False, lead_ohm=0.0)


def run_down(bench: SimulatedBench, mode: str, value: float, cutoff_V: float) -> tuple[float, float, float]:
    """Return hours, Ah and Wh to the cut-off, trapezoids over readings of each second."""
    bench.load.set_discharge(mode, value)  # type: ignore[arg-type]
    bench.load.set_input(True)
    before = bench.load.read()
    hours = amp_hours = watt_hours = 0.0
    while True:
        bench.clock.sleep(1.0)
        now = bench.load.read()
        share = 1.0
        if now["voltage_V"] <= cutoff_V:
            share = (before["voltage_V"] - cutoff_V) / (before["voltage_V"] - now["voltage_V"])
        mean_A = -(before["current_A"] + now["current_A"]) / 2.0
        hours += share / 3600.0
        amp_hours += share * mean_A / 3600.0
        watt_hours += share * mean_A * (before["voltage_V"] + now["voltage_V"]) / 7200.0
        if share < 1.0:
            return hours, amp_hours, watt_hours
        before = now


def test_discharge_through_a_resistor_follows_the_exponential():
    # tau = Q (R + R0)/b = 16.8333 h; to 3.000 V at the terminals: 5.49645 h, 1.95000 Ah, 6.97946 Wh.
    hours, amp_hours, watt_hours = run_down(linear_bench(), "resistance", 10.0, 3.0)
    # the current is held for each second: one part in 6e4 of a time constant
    assert hours == pytest.approx(5.49645, abs=2e-4)
    assert amp_hours == pytest.approx(1.95000, abs=1e-4)
    assert watt_hours == pytest.approx(6.97946, abs=4e-4)


def test_constant_current_to_a_cut_off():
    # 0.4 A to 3.000 V: 4.83333 h, 1.93333 Ah, 6.92133 Wh, mean voltage 3.5800 V.
    hours, amp_hours, watt_hours = run_down(linear_bench(), "current", 0.4, 3.0)
    assert hours == pytest.approx(4.83333, abs=1e-4)
    assert amp_hours == pytest.approx(1.93333, abs=5e-5)
    assert watt_hours == pytest.approx(6.92133, abs=2e-4)
    assert watt_hours / amp_hours == pytest.approx(3.5800, abs=5e-5)


@pytest.mark.parametrize(("current_A", "amp_hours"), [(0.4, 1.93333), (1.0, 1.83333)])
def test_the_stated_truth_is_the_closed_form(current_A: float, amp_hours: float):
    truth = linear_bench().truth(current_A, 3.0)
    assert truth["capacity_Ah"] == pytest.approx(amp_hours, abs=5e-6)
    assert delivered_Ah(linear_bench().cell, current_A, 3.0) == truth["capacity_Ah"]


def test_a_constant_source_on_a_resistor():
    # E 3.7 V, R 10 ohm, R0 0.1 ohm: 3.66337 V, 0.366337 A, 1.34203 W (Ohm's law, computed).
    cell = reference_cell(capacity_Ah=2e9, r0_ohm=0.1)
    cell.soc = 0.7 / 1.2
    cell.changed()
    bench = SimulatedBench(cell=cell, errors=False, lead_ohm=0.0)
    bench.load.set_discharge("resistance", 10.0)
    bench.load.set_input(True)
    reading = bench.load.read()
    assert reading["voltage_V"] == pytest.approx(3.66337, abs=5e-6)
    assert -reading["current_A"] == pytest.approx(0.366337, abs=5e-7)
    assert -reading["voltage_V"] * reading["current_A"] == pytest.approx(1.34203, abs=5e-6)


def test_self_heating_settles_where_the_lost_heat_equals_the_made_heat():
    # First-order thermal node (Newton's law of cooling): dT = P / G; 0.1 W over 0.05 W/K: 2.0 K,
    # and 63.2 % of it after one time constant C/G.
    cell = reference_cell(r0_ohm=1e-9, r1_ohm=1e-12, c1_F=1.0, heat_J_per_K=40.0, loss_W_per_K=0.05)
    cell.extra_heat_W = 0.1
    for _ in range(800):
        cell.advance(1.0, 0.0)
    # steps of a second in a time constant of 800: within 1e-3
    assert cell.temperature_degC - 20.0 == pytest.approx(2.0 * (1.0 - math.exp(-1.0)), rel=1e-3)
    for _ in range(8000):
        cell.advance(1.0, 0.0)
    assert cell.temperature_degC - 20.0 == pytest.approx(2.0, rel=1e-3)


def test_the_heat_made_is_the_current_squared_times_the_resistance():
    # Joule's law: 1 A in 0.1 ohm for 100 s into 40 J/K without loss: 0.25 K.
    cell = reference_cell(capacity_Ah=2e9, r0_ohm=0.1, r1_ohm=1e-12, c1_F=1.0, heat_J_per_K=40.0, loss_W_per_K=1e-9)
    for _ in range(100):
        cell.advance(1.0, -1.0)
    assert cell.temperature_degC - 20.0 == pytest.approx(0.25, rel=0.01)  # 1 %: a warmer cell resists a little less


# -- published open-circuit curves ------------------------------------------------------------------


def printed(value: float, text: str) -> bool:
    """Whether a value agrees with a printed one within half of its last digit."""
    digits = len(text.partition(".")[2])
    return abs(value - float(text)) <= 0.5 * 10.0**-digits * 1.0001


def test_chen_and_rincon_mora_curve():
    # Source: Chen & Rincon-Mora 2006, IEEE Trans. Energy Convers. 21(2) 504-511; table computed from its closed form.
    # Two copies in circulation carry +0.1178 z^2, which would give 4.3385 V when full.
    table = {
        0.0: "2.6540", 0.05: "3.5164", 0.1: "3.6746", 0.2: "3.7250", 0.3: "3.7477", 0.4: "3.7729", 0.5: "3.8034",
        0.6: "3.8411", 0.7: "3.8880", 0.8: "3.9460", 0.9: "4.0170", 1.0: "4.1029",
    }  # fmt: skip
    for z, volts in table.items():
        assert printed(ocv_chen_rincon_mora(z), volts), z


def test_nmc811_and_graphite_half_cells_and_the_full_cell():
    # Source: Chen et al. 2020, J. Electrochem. Soc. 167 080534 (open access), equations read; points computed.
    for x, volts in {0.1: "0.4065", 0.3: "0.1630", 0.5: "0.1331", 0.9: "0.0920"}.items():
        assert printed(ocp_graphite(x), volts), x
    for y, volts in {0.3: "4.2054", 0.5: "3.9720", 0.7: "3.7304", 0.9: "3.5682"}.items():
        assert printed(ocp_nmc811(y), volts), y
    assert printed(ocp_nmc811(0.27) - ocp_graphite(0.9014), "4.1809")
    # Limits of stoichiometry from memory: x 0.0279 to 0.9014, y 0.9084 to 0.2661.
    table = {
        0.0: "2.4977", 0.05: "3.0728", 0.1: "3.2577", 0.2: "3.4493", 0.3: "3.5483", 0.4: "3.6343", 0.5: "3.7078",
        0.6: "3.8089", 0.7: "3.9236", 0.8: "4.0215", 0.9: "4.0941", 1.0: "4.1929",
    }  # fmt: skip
    for z, volts in table.items():
        assert printed(ocv_nmc(z), volts), z


def test_lfp_half_cell_and_the_plateau_of_the_full_cell():
    # Source: Afshar et al., arXiv 1709.03970; points computed.
    points = {
        0.01: "3.5191", 0.1: "3.4057", 0.5: "3.3976", 0.8: "3.3893", 0.9: "3.3446", 0.95: "3.1876", 0.99: "2.7209",
    }  # fmt: skip
    for y, volts in points.items():
        assert printed(ocp_lfp(y), volts), y
    # LFP/graphite at rest: less than 80 mV between 30 and 90 %, 3.35 to 3.40 V when full; papers, from memory.
    assert ocv_lfp(0.9) - ocv_lfp(0.3) < 0.080
    assert 3.35 <= ocv_lfp(1.0) <= 3.40
    assert ocv_lfp(0.1) == pytest.approx(3.20, abs=0.01)
    assert 3.25 <= ocv_lfp(0.3) <= 3.28
    assert 3.29 <= ocv_lfp(0.55) <= 3.30
    assert ocv_lfp(0.8) == pytest.approx(3.33, abs=0.005)


def test_measured_18650_points():
    # Source: measured 3.0 Ah 18650, C/20 both ways averaged, open data (MIT licence), read.
    inverse = {3.2: 0.070, 3.4: 0.189, 3.6: 0.341, 3.7: 0.443, 3.8: 0.553, 3.9: 0.674}
    for volts, z in inverse.items():
        # straight lines between twelve of its 256 points: within 1 % of charge
        assert abs(ocv_measured_18650(z) - volts) < 0.02, volts


def test_nimh_shepherd_form():
    # Source: Tremblay & Dessaint 2009, WEVJ 3, 6.5 Ah cell; coefficients from memory, values computed.
    for it, volts in {
        0.0: "1.4100",
        0.65: "1.2961",
        1.3: "1.2685",
        3.25: "1.2474",
        5.2: "1.1911",
        5.85: "1.0973",
    }.items():
        assert printed(ocv_nimh(1.0 - it / 6.5), volts), it


@pytest.mark.parametrize("curve", ["nmc", "chen-rincon-mora", "lfp", "measured-18650", "alkaline", "lithium-primary"])
def test_the_table_in_use_is_the_function_and_rises_throughout(curve: str):
    # Monotone open-circuit voltage: stability of a two-phase electrode, common practice.
    table = table_of(curve)
    assert all(after >= before - 1e-4 for before, after in itertools.pairwise(table))
    functions = {"nmc": ocv_nmc, "lfp": ocv_lfp, "chen-rincon-mora": ocv_chen_rincon_mora}
    if curve in functions:
        cell = SimulatedCell(CellSpec(curve=curve), 0.3337)
        assert cell.ocv() == pytest.approx(functions[curve](0.3337), abs=2e-4)
