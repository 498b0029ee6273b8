"""Figures from outside that the other files here leave out: triage, masses, budgets, sensors, codes, ideal circuits.

Beside each: where it comes from and how it is known: `read` (seen in the document named), `memory` (known, not seen
again), `computed` (worked out from a formula named), `common practice` (a habit of the trade, no standard prints it).
"""

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from simulation import wires

from amphora.drivers.scpi import syntax as scpi
from amphora.drivers.serial.sensors import BetaNtc, Platinum
from amphora.drivers.simulated.responder import TEXTS
from amphora.harness.analysis.capacity import figures
from amphora.harness.analysis.circuit import fit_circuit
from amphora.harness.analysis.integration import accumulate
from amphora.harness.analysis.phases import find_phases
from amphora.harness.analysis.records import Measurement, Record, RunInfo, Specification
from amphora.harness.analysis.resistance import LOAD_STEP, TWO_STEP, find_resistances
from amphora.harness.analysis.warnings import find_warnings
from amphora.harness.cells.cell import Cell
from amphora.harness.cells.chemistry import triage
from amphora.harness.cells.incoming import judge_at_the_door
from tests.support import gum
from tests.support.plans import build_plan
from tests.support.simulation.ideal import IdealCell, IdealLoad

NOTHING = Specification(0.0, 0.0)
PERFECT = Measurement(NOTHING, NOTHING, NOTHING, NOTHING)


# -- at the door -----------------------------------------------------------------------------------

# As found, rested at least an hour, no load: makers' handling sheets, no standard prints them (common practice).
# One protection board's sheet forbids a charge below 1.7 V (read); copper dissolves after an over-discharge:
# doi 10.1038/srep30248 (read). A cautious tool refuses below 2.0 V.
AS_FOUND = [
    ("li-ion", -0.10, "refuse"), ("li-ion", 0.0, "refuse"), ("li-ion", 1.45, "refuse"), ("li-ion", 1.95, "refuse"),
    ("li-ion", 2.10, "quarantine"), ("li-ion", 2.45, "quarantine"), ("li-ion", 2.55, "accept"),
    ("li-ion", 3.31, "accept"), ("li-ion", 4.20, "accept"), ("li-ion", 4.26, "refuse"),
    ("lfp", -0.10, "refuse"), ("lfp", 1.45, "refuse"), ("lfp", 1.60, "quarantine"), ("lfp", 1.95, "quarantine"),
    ("lfp", 2.05, "accept"), ("lfp", 3.65, "accept"), ("lfp", 3.76, "refuse"),
    ("nimh", -0.10, "refuse"), ("nimh", 0.20, "quarantine"), ("nimh", 0.95, "quarantine"), ("nimh", 1.05, "accept"),
    ("nimh", 1.25, "accept"), ("nimh", 1.45, "accept"), ("nicd", 0.95, "quarantine"), ("nicd", 1.25, "accept"),
    ("lead-acid", 1.55, "refuse"), ("lead-acid", 1.75, "quarantine"), ("lead-acid", 1.95, "accept"),
    ("lead-acid", 2.15, "accept"),
]  # fmt: skip


@pytest.mark.parametrize(("chemistry", "volt", "verdict"), AS_FOUND)
def test_as_found_voltage_is_judged_as_handling_sheets_do(chemistry: str, volt: float, verdict: str) -> None:
    found = triage(chemistry, volt)
    assert found.verdict == verdict
    assert found.may_charge is (verdict != "refuse")


@pytest.mark.parametrize(
    ("gram", "verdict"),
    # 47.0 g at most, about 46.5 g, at most 48 g (makers' sheets, read), 45.6 g weighed (read); a real 18650 weighs
    # 40 to 50 g, below 38 g is suspicious, below 30 g almost surely false (common practice).
    [(47.0, "accept"), (46.5, "accept"), (48.0, "accept"), (45.6, "accept"), (40.0, "accept"), (50.0, "accept"),
     (37.5, "quarantine"), (29.5, "retire")],
)  # fmt: skip
def test_mass_of_an_18650(gram: float, verdict: str) -> None:
    cell = {"id": "L3-a", "form": "18650", "chemistry": "li-ion", "as_found_V": 3.7, "mass_g": gram}
    assert judge_at_the_door(Cell.from_dict(cell, "test")).verdict == verdict


@pytest.mark.parametrize(("capacity_Ah", "told"), [(3.4, False), (3.5, False), (4.0, True)])
def test_an_18650_of_4_Ah_is_not_believed(capacity_Ah: float, told: bool) -> None:
    # The format holds about 3.5 to 3.6 Ah; 4 Ah and more is false (common practice).
    t = np.arange(0.0, capacity_Ah * 3600 + 1, 60.0)
    record = Record(t, 4.1 - 1.1 * t / t[-1], np.full(t.size, -1.0), np.full(t.size, 20.0), np.zeros(t.size, np.int64),
                    np.empty(0))  # fmt: skip
    totals = accumulate(record)
    (phase,) = find_phases(record, totals)
    found = figures(record, totals, phase, PERFECT, 3.0)
    info = RunInfo("L3-a/x", "L3-a", "18650", "li-ion", "full", 3.0, PERFECT)
    codes = {one.code for one in find_warnings(record, info, totals, phase, found, "full", 3.0)}
    assert ("capacity-implausible" in codes) is told


# -- what the plan does, against the procedures of the standards ------------------------------------


def steps_of(profile: str) -> list:
    from amphora.drivers.simulated.bench import SimulatedBench

    cell = {
        "id": "L3-a", "form": "18650", "chemistry": "li-ion", "as_found_V": 3.7, "declared_rechargeable": True,
    }  # fmt: skip
    plan = build_plan(
        profile, Cell.from_dict(cell, "test").to_dict(), dict(SimulatedBench().description), capacity_Ah=2.6,
        now=datetime(2026, 1, 1, 20, tzinfo=UTC), present=True, start="full",
    )  # fmt: skip
    return list(plan.steps)


def test_standard_capacity_follows_the_procedure_of_iec_61960_3() -> None:
    # IEC 61960-3:2017, 7.2 and 7.3.1 (memory): discharge at 0.2 It, charge, 1 to 4 h of rest, discharge at 0.2 It to
    # the end-of-discharge voltage. It = C5 / 1 h: 0.2 It of 2.6 Ah is 0.520 A (computed).
    steps = steps_of("standard-capacity")
    kinds = [step.kind for step in steps]
    charge = len(kinds) - 1 - kinds[::-1].index("charge")
    # Before the charge comes the pre-charge below the window's voltage, which a cell above it leaves at once.
    assert kinds[:charge] == ["discharge", "rest", "charge"]
    assert kinds[charge + 1 : charge + 3] == ["rest", "discharge"]
    assert 3600 <= steps[charge + 1].max_duration_s <= 4 * 3600
    for step in (steps[0], steps[charge + 2]):
        assert step.segments[0].order.value == pytest.approx(0.520)
        assert [end.reason for end in step.ends] == ["cutoff"]
    assert [end.reason for end in steps[charge].ends] == ["taper"]
    # Taper 0.02 to 0.05 It (makers' sheets, memory; IEC 62133-2, 7.1.2: 0.05 It, memory).
    assert 0.02 * 2.6 <= steps[charge].ends[0].value <= 0.05 * 2.6


@pytest.mark.parametrize("profile", ["overnight", "load-steps"])
def test_load_steps_are_those_of_the_two_step_method_and_a_10_s_pulse(profile: str) -> None:
    # IEC 61960-3, 7.7.3: 0.2 It for 10 s, at once 1.0 It for 1 s (durations read second-hand). Pulse of 10 s:
    # DOE/ID-11069 (read second-hand).
    (step, *_) = [step for step in steps_of(profile) if step.kind == "pulses"]
    loads = [(s.order.value, s.duration_s) for s in step.segments if s.order.kind == "discharge"]
    at = loads.index((pytest.approx(0.520), pytest.approx(10.0)))
    assert loads[at + 1] == (pytest.approx(2.6), pytest.approx(1.0))
    orders = [s.order.kind for s in step.segments]
    first = orders.index("discharge")
    assert orders[first + 1] == "discharge"  # no pause between the two
    assert any(duration == pytest.approx(10.0) for _, duration in loads[at + 2 :])


def test_hard_stops_of_an_unattended_run() -> None:
    # Common practice: above 45 degC charging or 60 degC discharging, above 1 K a minute while charging.
    for step in steps_of("standard-capacity"):
        if step.kind == "charge":
            assert step.limits.temperature_high_degC == 45.0
            assert 0.0 <= step.limits.temperature_low_degC <= 1.0  # and what the sensor may be off
            assert step.limits.temperature_rate_K_per_min == 1.0
        if step.kind == "discharge":
            assert step.limits.temperature_high_degC == 60.0
        assert step.max_duration_s < math.inf


# -- uncertainty -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("freedom", "k"),
    # JCGM 100:2008, table G.2, 95.45 % (computed from the t distribution to two decimals).
    [(1, 13.97), (2, 4.53), (3, 3.31), (5, 2.65), (8, 2.37), (10, 2.28), (16, 2.17), (20, 2.13), (30, 2.09),
     (50, 2.05), (100, 2.03)],
)  # fmt: skip
def test_coverage_factors_of_table_g2_whole(freedom: int, k: float) -> None:
    assert gum.coverage_factor(0.9545, freedom) == pytest.approx(k, abs=0.0051)


def test_freedom_is_cut_to_the_integer_below() -> None:
    # JCGM 100:2008, G.4.1, note 1 (read in a formula's page): t99(16.75) is that of 16: 2.9208 (computed).
    assert gum.coverage_factor(0.99, 16.75) == gum.coverage_factor(0.99, 16) == pytest.approx(2.9208, abs=5e-5)
    # Normal: 95.45 % is k 2, 95 % 1.96, 99.73 % 3 (table G.1, memory).
    for share, k in ((0.9545, 2.0), (0.95, 1.96), (0.9973, 3.0)):
        assert gum.coverage_factor(share, math.inf) == pytest.approx(k, abs=0.005)


def end_gauge(x):
    ls, d, alpha_s, theta, d_alpha, d_theta = x
    return ls + d - ls * (d_alpha * theta + alpha_s * d_theta)


def test_end_gauge_of_annex_h1_to_the_last_digit_and_with_its_second_order() -> None:
    # JCGM 100:2008, H.1; unrounded values recomputed: u(d) 9.682 nm, v(d) 25.45, uc 31.66 nm, veff 16.75, U99 92.5 nm;
    # H.1.7: 34 nm with second-order terms (33.81 recomputed). The model is bilinear: drawing its inputs gives that.
    u_d, u_theta = math.sqrt(5.8**2 + 3.9**2 + 6.7**2), math.hypot(0.2, gum.arcsine(0.5))
    assert u_d == pytest.approx(9.682, abs=5e-4)
    freedom_d = gum.effective_freedom([5.8, 3.9, 6.7], [24, 5, 8])
    assert freedom_d == pytest.approx(25.45, abs=0.005)
    estimates = [50_000_623.0, 215.0, 11.5e-6, -0.1, 0.0, 0.0]
    u = [25.0, u_d, gum.rectangular(2e-6), u_theta, gum.rectangular(1e-6), gum.rectangular(0.05)]
    _, uc, parts = gum.propagate(end_gauge, estimates, u)
    freedom = gum.effective_freedom(parts, [18, freedom_d, math.inf, math.inf, 50, 2])
    assert freedom == pytest.approx(16.75, abs=0.03)
    assert gum.coverage_factor(0.99, freedom) * uc == pytest.approx(92.5, abs=0.05)

    def draw(generator: np.random.Generator, count: int) -> np.ndarray:
        return generator.normal(estimates, u, (count, 6))

    _, deviation, _ = gum.monte_carlo(lambda x: np.asarray(end_gauge(x.T)), draw, 400_000, 0.99)
    assert deviation == pytest.approx(33.81, abs=0.2)


def test_correlations_of_the_results_of_annex_h2() -> None:
    # JCGM 100:2008, table H.4: r(R, X) -0.588, r(R, Z) -0.485, r(X, Z) +0.993 (two digits read, the third recomputed).
    volt = [5.007, 4.994, 5.005, 4.990, 4.999]
    milliampere = [19.663, 19.639, 19.640, 19.685, 19.678]
    radian = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
    means, u, r = gum.mean_with_u(np.array([volt, np.array(milliampere) * 1e-3, radian]).T)
    functions = {
        "R": lambda x: x[0] / x[1] * math.cos(x[2]),
        "X": lambda x: x[0] / x[1] * math.sin(x[2]),
        "Z": lambda x: x[0] / x[1],
    }
    found = {name: gum.propagate(function, means, u, r) for name, function in functions.items()}
    for (one, other), printed in {("R", "X"): -0.588, ("R", "Z"): -0.485, ("X", "Z"): 0.993}.items():
        (_, u1, parts1), (_, u2, parts2) = found[one], found[other]
        assert parts1 @ r @ parts2 / (u1 * u2) == pytest.approx(printed, abs=0.001)


def test_worked_budget_of_a_capacity_adds_up() -> None:
    # Computed from JCGM 100:2008, 4.3.7, for 0.400 A, 1.9333 Ah, rows 10 s apart: gain 0.1 %, offset 0.5 mA, 50 ppm,
    # cut-off 5 mV at 0.6 V/Ah, end between two rows, 2 K at 0.3 %/K: uc 0.437 %, U 0.874 %.
    capacity_Ah = 1.9333
    lines = [
        gum.line("gain", gum.rectangular(0.001), "", 1.0),
        gum.line("offset", gum.rectangular(0.0005) / 0.4, "", 1.0),
        gum.line("time", gum.rectangular(50e-6), "", 1.0),
        gum.line("cut-off", gum.rectangular(0.005), "V", 1 / 0.6 / capacity_Ah),
        gum.line("end", gum.digits(0.4 * 10 / 3600), "Ah", 1 / capacity_Ah),
        gum.line("temperature", gum.rectangular(2.0), "K", 0.003),
    ]
    budget = gum.make_budget("capacity", 1.0, "", lines)
    printed = [0.058, 0.072, 0.003, 0.249, 0.017, 0.346]
    assert [100 * one.contribution for one in budget.lines] == pytest.approx(printed, abs=5.1e-4)
    assert budget.u == pytest.approx(0.00437, abs=5e-6)
    assert budget.k * budget.u == pytest.approx(0.00874, abs=1e-5)


# -- circuits --------------------------------------------------------------------------------------


def test_a_resistor_on_an_ideal_source_reads_as_ohms_law_says() -> None:
    # V = E R/(R + R0), I = E/(R + R0): E 3.7 V, R 10 ohm, R0 0.1 ohm: 3.66337 V, 0.366337 A, 1.34203 W, 99.0099 % of
    # the power outside (computed); R0 = R (Voc/V - 1) gives 0.1 back.
    load = IdealLoad(IdealCell(3.7, 0.1))
    load.set_discharge("resistance", 10.0)
    load.set_input(True)
    reading = load.read()
    volt, ampere = reading["voltage_V"], reading["current_A"]
    assert volt == pytest.approx(3.66337, abs=5e-6)
    assert ampere == pytest.approx(-0.366337, abs=5e-7)
    assert -volt * ampere == pytest.approx(1.34203, abs=5e-6)
    assert volt / 3.7 == pytest.approx(0.990099, abs=5e-7)
    t = np.arange(0.0, 60.0, 0.5)
    on = t > 30.0
    record = Record(t, np.where(on, volt, 3.7), np.where(on, ampere, 0.0), np.full(t.size, np.nan),
                    np.full(t.size, -1), np.array([30.0]))  # fmt: skip
    steps = [one for one in find_resistances(record, 0, t.size - 1, None, PERFECT) if one.method == LOAD_STEP]
    assert steps and all(one.ohm == pytest.approx(10 * (3.7 / volt - 1), abs=1e-6) for one in steps)
    assert steps[0].ohm == pytest.approx(0.1, abs=1e-6)


def test_mean_voltage_is_energy_over_charge_and_the_middle_of_a_straight_line() -> None:
    # Linear cell 3.0 + 1.2 z, 2 Ah, 0.1 ohm, 0.4 A, from 4.16 V to 3.00 V: 3.5800 V (computed).
    t = np.arange(0.0, 18000.0, 10.0)
    volt = 4.2 - 1.2 * 0.4 * t / 3600 / 2.0 - 0.04
    record = Record(t, volt, np.full(t.size, -0.4), np.full(t.size, 20.0), np.zeros(t.size, np.int64), np.empty(0))
    totals = accumulate(record)
    (phase,) = find_phases(record, totals)
    found = figures(record, totals, phase, PERFECT, 3.0)
    assert found.mean_voltage_V == pytest.approx(3.5800, abs=5e-5)
    assert found.mean_voltage_V == pytest.approx(found.energy_Wh / found.capacity_Ah, rel=1e-12)


def test_time_constants_of_a_published_cell_at_half_charge() -> None:
    # M. Chen, G. A. Rincon-Mora, IEEE Trans. Energy Convers. 21(2), 2006: at z = 0.5 46.69 mohm with 702.7 F and
    # 49.84 mohm with 4475 F (C1 and R2 from memory): 32.81 s and 223.0 s (computed).
    t = np.concatenate((np.arange(0.0, 30.0, 1.0), np.arange(30.5, 630.0, 0.5), np.arange(630.5, 3600.0, 2.0)))
    on, after = (t > 30.0) & (t <= 630.0), t > 630.0
    volt = 3.8034 - np.where(on, 0.07446 * 0.4, 0.0)
    for ohm, tau_s in ((0.04669, 32.81), (0.04984, 223.0)):
        fade = (1 - np.exp(-600.0 / tau_s)) * np.exp(-np.clip(t - 630.0, 0, None) / tau_s)
        volt -= 0.4 * ohm * np.where(on, 1 - np.exp(-np.clip(t - 30.0, 0, None) / tau_s), np.where(after, fade, 0.0))
    volt += np.random.default_rng(3).normal(0, 2e-5, t.size)
    record = Record(t, volt, np.where(on, -0.4, 0.0), np.full(t.size, np.nan), np.full(t.size, -1),
                    np.array([30.0, 630.0]))  # fmt: skip
    pairs = fit_circuit(record, 0, t.size - 1, PERFECT).pairs
    assert [pair.ohm * pair.farad for pair in pairs] == pytest.approx([32.81, 223.0], rel=0.02)


def test_two_step_readings_of_the_reference_cell() -> None:
    # R0 50 mohm, R1 30 mohm, C1 1000 F, at 0.4 A for 10 s, then 2.0 A for 1 s: U1 = OCV - 23.402 mV,
    # U2 = OCV - 105.257 mV, 81.855 mV over 1.6 A is 51.160 mohm (computed from the step response). The readings come
    # from the exact discrete form i1[k+1] = a i1[k] + (1 - a) i[k], a = exp(-dt/tau), which is another way (memory).
    t = np.arange(0, 801) * 0.1
    ampere = np.select([t <= 60.0, t <= 70.0, t <= 71.0], [0.0, 0.4, 2.0], 0.0)  # in force up to the reading
    volt, through, a = np.empty(t.size), 0.0, math.exp(-0.1 / 30)
    for row, current in enumerate(ampere):
        through = a * through + (1 - a) * current
        volt[row] = 3.7 - 0.050 * current - 0.030 * through
    assert 1000 * (3.7 - volt[[700, 710]]) == pytest.approx([23.402, 105.257], abs=5e-4)
    record = Record(t, volt, -ampere, np.full(t.size, np.nan), np.full(t.size, -1), np.array([60.0, 70.0, 71.0]))
    found = [one for one in find_resistances(record, 0, t.size - 1, None, PERFECT) if one.method == TWO_STEP]
    assert [round(1000 * one.ohm, 3) for one in found] == [51.160]


# -- sensors ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("degC", "ohm"),
    # IEC 60751 (coefficients read in several copies), two decimals (computed).
    [(-20, 92.16), (-10, 96.09), (-5, 98.04), (5, 101.95), (10, 103.90), (15, 105.85), (20, 107.79), (25, 109.73),
     (30, 111.67), (40, 115.54), (45, 117.47), (50, 119.40), (60, 123.24), (80, 130.90), (100, 138.51)],
)  # fmt: skip
def test_pt100_table_by_its_resistance(degC: float, ohm: float) -> None:
    assert Platinum().resistance_ohm(degC) == pytest.approx(ohm, abs=0.0051)


BETA_TABLE = {  # definition of beta, whole ohms (computed)
    3435: {-10: 46290, -5: 36290, 0: 28704, 5: 22897, 10: 18410, 15: 14916, 20: 12171, 25: 10000, 30: 8269, 40: 5759,
           45: 4847, 50: 4101, 60: 2981, 80: 1662},
    3950: {-10: 58246, -5: 44026, 0: 33621, 5: 25925, 10: 20175, 15: 15837, 20: 12535, 25: 10000, 30: 8037, 40: 5301,
           45: 4348, 50: 3588, 60: 2486, 80: 1270},
}  # fmt: skip


@pytest.mark.parametrize("beta_K", list(BETA_TABLE))
def test_beta_tables_whole(beta_K: int) -> None:
    for degC, ohm in BETA_TABLE[beta_K].items():
        assert BetaNtc(10000.0, beta_K).temperature_degC(ohm) == pytest.approx(degC, abs=0.012)


def test_beta_of_the_printed_sensor_between_25_and_50_degC() -> None:
    # From the printed 10000 ohm at 25 degC and 4161 ohm at 50 degC: 3379 K, not the maker's 3435 K (computed).
    assert BetaNtc(10000.0, 3379.0).temperature_degC(4161.0) == pytest.approx(50.0, abs=0.01)


# -- instruments -----------------------------------------------------------------------------------

# SCPI-1999 volume 2, 21.8 (texts read in a public copy of the table).
READ_TEXTS = {
    -101: "Invalid character", -102: "Syntax error", -103: "Invalid separator", -104: "Data type error",
    -108: "Parameter not allowed", -109: "Missing parameter", -113: "Undefined header", -131: "Invalid suffix",
    -200: "Execution error", -221: "Settings conflict", -222: "Data out of range", -224: "Illegal parameter value",
    -240: "Hardware error", -310: "System error", -350: "Queue overflow", -363: "Input buffer overrun",
    -410: "Query INTERRUPTED", -420: "Query UNTERMINATED", -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}  # fmt: skip


def test_every_text_of_the_simulated_instrument_is_a_standard_one() -> None:
    # -100 is the class's own text (memory).
    assert {code: text for code, text in TEXTS.items() if READ_TEXTS.get(code, text) != text} == {}
    assert set(TEXTS) - set(READ_TEXTS) == {-100}


@pytest.mark.parametrize("reply", ['0,"No error"', '+0,"No error"', '-0,"No error"'])
def test_an_empty_queue_is_seen_however_the_zero_is_written(reply: str) -> None:
    # SCPI-1999 volume 2, 21.8 (texts read); some instruments write +0 (format from memory).
    assert scpi.parse_error(reply).code == 0


@pytest.mark.parametrize(("code", "text"), list(READ_TEXTS.items()))
def test_errors_are_read_with_code_and_text(code: int, text: str) -> None:
    entry = scpi.parse_error(f'{code},"{text}"')
    assert (entry.code, entry.text) == (code, text)
    bit = {1: 32, 2: 16, 3: 8, 4: 4}[-code // 100]  # command, execution, device, query (bits read)
    assert scpi.esr_bit(code) == bit


def test_the_vxi_11_core_has_its_registered_number() -> None:
    # VXI-11: core channel is RPC program 395183, version 1 (memory).
    assert wires.CORE_CHANNEL == (395183, 1)
