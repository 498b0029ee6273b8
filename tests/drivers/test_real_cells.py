"""The cell that errs like a real one against closed forms: diffusion, heat, charge, shorts; its population and meters.

Against measured records it stands in tests/external/test_cells_as_measured.py. 'Computed' values are
worked out from the formula named, for a cell with an OCV of 3.0 V + 1.2 V * z, whose slope is the same everywhere.
"""

import itertools
import math
import random
from dataclasses import replace

import pytest

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import (
    KINDS,
    MONTH_S,
    CellSpec,
    Short,
    SimulatedCell,
    leak_truth,
    make_cell,
    shorted,
)
from amphora.drivers.simulated.parts import METERS, WOBBLE_A
from amphora.drivers.simulated.servers import ServedBench
from tests.support.simulation.populations import SICK_PERCENT_PER_DAY, SICKNESSES, draw_cell

SLOW = ((0.02, 400.0), (0.03, 3600.0))


def linear_cell(soc: float = 0.5, **changes: object) -> SimulatedCell:
    """3.0 V + 1.2 V * z, 2 Ah, 50 mohm; next to no RC pairs, no losses; it hardly warms."""
    spec = CellSpec(
        curve="linear", capacity_Ah=2.0, r0_ohm=0.050, r1_ohm=1e-12, c1_F=1.0, r2_ohm=1e-12, c2_F=1.0, leak_A=0.0,
        efficiency=1.0, low_end_rise=0.0, heat_J_per_K=1e6, loss_W_per_K=1e-9,
    )  # fmt: skip
    return SimulatedCell(replace(spec, **changes), soc)  # type: ignore[arg-type]


def heat_J(cell: SimulatedCell) -> float:
    """Return the heat it has made, from its warmth: nothing is lost at 1e-9 W/K."""
    return (cell.temperature_degC - 20.0) * cell.spec.heat_J_per_K


# -- diffusion ----------------------------------------------------------------------------------------


def test_slow_diffusion_builds_up_and_relaxes_as_a_sum_of_exponentials():
    # Closed form of each part: x = g I/Q (1 - exp(-t/tau)), then x exp(-t/tau); the voltage is 1.2 V times their sum.
    cell = linear_cell(slow=SLOW)
    for _ in range(1800):
        cell.advance(1.0, -1.0)
    at_rest_V = cell.ocv()
    left = [0.5 * hours * (1.0 - math.exp(-1800.0 / tau_s)) for hours, tau_s in SLOW]
    assert at_rest_V - cell.voltage(0.0) == pytest.approx(1.2 * sum(left), rel=1e-6)
    for rest_s in (60.0, 600.0, 3600.0, 36000.0):
        once = cell.copy()
        once.rest(rest_s)
        parts = [part * math.exp(-rest_s / tau_s) for part, (_, tau_s) in zip(left, SLOW, strict=True)]
        assert at_rest_V - once.voltage(0.0) == pytest.approx(1.2 * sum(parts), rel=1e-6, abs=1e-12)


def test_one_long_step_of_diffusion_equals_many_short_ones():
    # The exact discrete form has no step error at a constant current (Plett, BMS vol. 1, ch. 2).
    once, often = linear_cell(slow=SLOW), linear_cell(slow=SLOW)
    once.advance(3000.0, -0.5)
    for _ in range(30000):
        often.advance(0.1, -0.5)
    assert once.slow == pytest.approx(often.slow, rel=1e-9)


def test_the_voltage_goes_on_rising_for_hours_after_a_discharge():
    cell = make_cell("real-li-ion", random.Random(1), 1.0)
    while cell.voltage(-1.0) > 3.0:
        cell.advance(5.0, -1.0)
    shown = []
    for _ in range(6 * 12):
        cell.rest(300.0)
        shown.append(cell.voltage(0.0))
    assert all(after > before for before, after in itertools.pairwise(shown))
    assert shown[-1] - shown[11] > 0.003  # from one hour to six: no cell is at rest after an hour


# -- heat ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["real-li-ion", "real-lfp", "aged-li-ion"])
def test_over_a_closed_cycle_all_energy_that_is_not_given_back_is_heat(kind: str):
    # First law over a cycle that ends where it began (same charge, same surface, same temperature): the stored energy
    # is back where it was, the entropic part cancels, and heat is energy in less energy out.
    still = {"heat_J_per_K": 1e9, "loss_W_per_K": 1e-6, "efficiency": 1.0, "leak_A": 0.0, "lost_per_month": 0.0,
             "stale_loss": 0.0, "hysteresis_V": 0.0}  # fmt: skip
    cell = SimulatedCell(replace(KINDS[kind], **still), 0.5)  # type: ignore[arg-type]
    in_J = 0.0
    for current_A, seconds in ((-0.5, 2400), (0.0, 90000), (0.5, 4000), (0.0, 90000), (-0.5, 1600), (0.0, 90000)):
        if current_A == 0.0:
            cell.rest(seconds)
            continue
        for _ in range(seconds):
            before_V = cell.voltage(current_A)
            cell.advance(1.0, current_A)
            in_J += 0.5 * (before_V + cell.voltage(current_A)) * current_A
    assert cell.soc == pytest.approx(0.5, abs=1e-9)
    assert in_J > 100.0
    assert heat_J(cell) == pytest.approx(in_J, rel=0.01)


@pytest.mark.parametrize(("current_A", "sign"), [(1.0, 1.0), (-1.0, -1.0)])
def test_entropic_heat_is_current_times_temperature_times_the_slope(current_A: float, sign: float):
    # Bernardi, Pawlikowski & Newman 1985: q = I T dU/dT, current into the cell; it turns round with the current.
    # For 100 s at 1 A and 293.15 K with -0.25 mV/K: 7.329 J taken up in charge, given off in discharge; computed.
    cold, warm = linear_cell(0.4), linear_cell(0.4, entropy="lco")
    assert warm.entropy() == pytest.approx(-0.25e-3)
    for cell in (cold, warm):
        cell.advance(100.0, current_A)
    assert heat_J(warm) - heat_J(cold) == pytest.approx(-sign * 7.329, rel=1e-3)


def test_the_voltage_at_rest_moves_with_the_temperature_by_the_same_slope():
    cell = linear_cell(0.4, entropy="lco")
    at_20_V = cell.voltage(0.0)
    cell.temperature_degC = cell.ambient_degC = 30.0
    cell.changed()
    assert cell.voltage(0.0) - at_20_V == pytest.approx(-0.25e-3 * 10.0)


def test_the_heat_of_polarisation_and_of_resistance_is_current_times_overvoltage():
    # 1 A for 4000 s through 50 mohm, an RC pair of 30 mohm (30 s) and a slow part of 1.2 V * 0.02 h * 1 A/2 Ah = 12 mV
    # (400 s): 4000 (0.050 + 0.030 + 0.012) J = 368 J, less 0.030 (30 + 15) J while the pair fills (its capacitor keeps
    # half of that until it rests) and 0.012 * 400 J while the slow part builds up; computed: 361.85 J.
    cell = linear_cell(0.9, r1_ohm=0.030, c1_F=1000.0, slow=((0.02, 400.0),))
    for _ in range(4000):
        cell.advance(1.0, -1.0)
    assert heat_J(cell) == pytest.approx(368.0 - 0.030 * 45.0 - 4.8, rel=2e-3)


def test_the_heat_of_a_short_stays_in_the_can_and_ends_where_as_much_is_lost():
    # V^2/R: 3.6 V across 8 ohm is 1.62 W; over 0.05 W/K that is 32.4 K, and the charge goes at 0.45 A; computed.
    cell = linear_cell(0.5, capacity_Ah=2e6, heat_J_per_K=42.0, loss_W_per_K=0.05, shorts=(Short(8.0),))
    begin = cell.soc
    for _ in range(12000):
        cell.advance(1.0, 0.0)
    # the electrodes feed it through no resistance in this cell; 12000 s are 14 time constants of 840 s
    assert cell.temperature_degC - 20.0 == pytest.approx(32.4, rel=1e-3)
    assert (begin - cell.soc) * 2e6 == pytest.approx(0.45 * 12000.0 / 3600.0, rel=1e-3)


def test_the_short_a_fault_makes_heats_an_ideal_cell_too():
    from tests.support.simulation.faults import CATALOGUE

    bench = SimulatedBench(errors=False)
    bench.inject(CATALOGUE["soft short begins"](), at_s=0.0)
    bench.clock.sleep(3600.0)
    bench.update()
    # 15 ohm at about 4.1 V: 1.1 W over 0.10 W/K, after nine time constants
    assert bench.cell.temperature_degC - 20.0 == pytest.approx(10.4, abs=1.0)


# -- charge -------------------------------------------------------------------------------------------


def test_what_a_closed_cycle_gives_back_is_the_efficiency_and_less_after_storage():
    def given_back(cell: SimulatedCell) -> float:
        begin = cell.soc
        for _ in range(3600):
            cell.advance(1.0, -2.0)
        taken_s = 0
        while cell.soc < begin:
            cell.advance(1.0, 2.0)
            taken_s += 1
        return 3600.0 / taken_s

    assert given_back(linear_cell(1.0, efficiency=0.985)) == pytest.approx(0.985, abs=3e-4)
    # stale_loss 0.02, fully stale: a full charge loses 0.02 (1 - exp(-1/0.3)) = 0.0193 of the capacity; computed
    stored = linear_cell(1.0, efficiency=0.985, stale_loss=0.02)
    stored.stale = 1.0
    assert given_back(stored) == pytest.approx(1.0 / (1.0 / 0.985 + 0.0193 / 0.985), abs=1e-3)
    assert given_back(stored) == pytest.approx(0.985, abs=1e-3)  # the second cycle is as ever


def test_self_discharge_is_first_order_and_doubles_for_ten_kelvin():
    cell, warm = linear_cell(0.8, lost_per_month=0.20), linear_cell(0.8, lost_per_month=0.20)
    warm.ambient_degC = warm.temperature_degC = 30.0
    cell.rest(MONTH_S)
    warm.rest(MONTH_S)
    assert cell.soc == pytest.approx(0.8 * 0.8, rel=1e-4)
    assert warm.soc == pytest.approx(0.8 * 0.64, rel=1e-3)


def test_a_resistor_inside_empties_a_linear_cell_exponentially():
    # dz/dt = -(3.0 + 1.2 z)/(R Q): z(t) = (z0 + 2.5) exp(-1.2 t/(R Q)) - 2.5; 50 ohm, 2 Ah, 10 h from 1: computed.
    cell = linear_cell(1.0, shorts=(Short(50.0),))
    cell.rest(36000.0)
    assert cell.soc == pytest.approx(3.5 * math.exp(-1.2 * 10.0 / 100.0) - 2.5, abs=2e-4)


def test_a_late_short_begins_at_its_time_and_one_near_full_lets_go_below_its_voltage():
    late = linear_cell(1.0, shorts=(Short(10.0, from_s=3600.0),))
    late.rest(3600.0)
    assert late.soc == 1.0
    late.rest(600.0)
    assert late.soc == pytest.approx(1.0 - 0.42 * 600.0 / 7200.0, rel=1e-3)
    near = linear_cell(1.0, shorts=(Short(10.0, above_V=4.05),))
    near.rest(20 * 3600.0)
    assert near.voltage(0.0) == pytest.approx(4.05, abs=2e-3)
    swells = linear_cell(1.0, shorts=(Short(10.0, on_s=100.0, off_s=300.0),))
    seen = []
    for _ in range(40):
        seen.append(swells.short_S() > 0.0)
        swells.advance(10.0, 0.0)
    assert seen == [True] * 10 + [False] * 30


def test_the_truth_names_the_leak():
    bench = SimulatedBench("shorted-li-ion", 1)
    truth = bench.truth()
    assert truth["leak_ohm"] == 50.0
    # 4.2 V across 50 ohm is 84 mA, a day of it 2.0 Ah of about 1.05; Ohm's law
    assert truth["leak_A"] == pytest.approx(0.084, abs=0.001)
    assert truth["leak_percent_per_day"] == pytest.approx(2400.0 * truth["leak_A"] / truth["inner_capacity_Ah"])
    assert SimulatedBench("real-li-ion", 1).truth()["leak_ohm"] is None
    assert leak_truth(SimulatedCell(shorted(KINDS["shorted-late"], 500.0)))["short_from_s"] == 3600.0


def test_a_served_bench_takes_a_short_of_any_size():
    served = ServedBench("shorted-late", 1, short_ohm=120.0)
    try:
        truth = served.truth()
    finally:
        served.stop()
    assert truth["leak_ohm"] == 120.0
    assert truth["short_from_s"] == 3600.0
    stated = {"chemistry", "capacity_Ah", "current_A", "cutoff_V", "r0_ohm", "r1_ohm", "c1_F", "start", "resources"}
    assert stated <= set(truth)


def test_another_cell_in_the_holder_is_what_the_bench_measures():
    bench = SimulatedBench("real-li-ion", 1, errors=False, ambient_degC=15.0)
    bench.clock.sleep(10.0)
    other = make_cell("real-lfp", random.Random(1), 0.5, 20.0)
    bench.put_in(other)
    assert bench.load.read()["voltage_V"] == pytest.approx(other.voltage(0.0))
    assert other.ambient_degC == 15.0


# -- population ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("chemistry", ["li-ion", "lfp", "nimh"])
def test_a_population_is_drawn_together_and_the_same_seed_gives_the_same_cell(chemistry: str):
    drawn = [draw_cell(random.Random(seed), chemistry, "aged") for seed in range(60)]
    assert drawn[7].truth == draw_cell(random.Random(7), chemistry, "aged").truth
    assert drawn[7].cell.kept() == draw_cell(random.Random(7), chemistry, "aged").cell.kept()
    # what has lost more capacity has gained more resistance: rank correlation of health and r0 times design capacity
    healths = [one.truth["inner_capacity_Ah"] / one.truth["design_Ah"] for one in drawn]
    grown = [one.truth["r0_ohm"] * one.truth["design_Ah"] for one in drawn]
    assert all(0.45 <= health <= 0.80 for health in healths)
    assert rank_correlation(healths, grown) < -0.4
    sound = [draw_cell(random.Random(seed), chemistry).truth for seed in range(60)]
    assert all(0.80 <= one["inner_capacity_Ah"] / one["design_Ah"] <= 1.0 for one in sound)
    middle = sorted(one["r0_ohm"] * one["design_Ah"] for one in sound)[30]
    assert sorted(grown)[30] > 1.4 * middle
    # healthy and aged cells keep what they hold: far below a sick leak
    assert max(one.truth["leak_percent_per_day"] for one in drawn) < 0.4 * SICK_PERCENT_PER_DAY
    if chemistry != "nimh":
        assert all(0.98 <= one["efficiency"] <= 0.9999 for one in sound)


def rank_correlation(first: list[float], second: list[float]) -> float:
    """Spearman's, without ties."""
    places = [{value: place for place, value in enumerate(sorted(values))} for values in (first, second)]
    n = len(first)
    apart = sum((places[0][a] - places[1][b]) ** 2 for a, b in zip(first, second, strict=True))
    return 1.0 - 6.0 * apart / (n * (n * n - 1))


@pytest.mark.parametrize("chemistry", ["li-ion", "lfp", "nimh"])
@pytest.mark.parametrize("sickness", SICKNESSES)
def test_a_sick_cell_leaks_five_percent_a_day_or_more_once_it_does(chemistry: str, sickness: str):
    for seed in range(12):
        truth = draw_cell(random.Random(seed), chemistry, "sick", sickness=sickness).truth
        assert truth["sickness"] == sickness
        assert truth["leak_percent_per_day"] * truth["short_share_of_time"] >= SICK_PERCENT_PER_DAY
        if sickness == "short" and chemistry != "nimh":
            assert 5.0 <= truth["leak_ohm"] <= 500.0
        assert (truth["short_from_s"] > 0.0) == (sickness == "late short")
        assert (truth["short_above_V"] > 0.0) == (sickness == "near full")


def test_a_kind_that_is_not_known_is_refused_by_name():
    with pytest.raises(ValueError, match="healthy, aged, sick"):
        draw_cell(random.Random(1), kind="tired")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="near full"):
        draw_cell(random.Random(1), kind="sick", sickness="cold")


# -- meters -------------------------------------------------------------------------------------------


def test_cheap_meters_scatter_step_and_have_zeros():
    # LIMITS: scatter up to 10 mV, steps of 10 mA, zeros of 9 mA; common practice.
    zeros, spans = [], []
    for seed in range(40):
        bench = SimulatedBench("real-li-ion", seed, start_soc=0.6, **METERS["cheap"])
        shown = [bench.load.read() for _ in range(200)]
        volts = [one["voltage_V"] for one in shown]
        spans.append((max(volts) - min(volts)) / 2.0)
        currents = [one["current_A"] for one in shown]
        assert all(abs(value / 0.010 - round(value / 0.010)) < 1e-6 for value in currents)
        zeros.append(bench.load.current.offset)
    assert 0.007 < sorted(spans)[20] < 0.012
    assert 0.007 < max(abs(zero) for zero in zeros) <= 0.009


def test_the_current_in_constant_voltage_swings_and_carries_no_charge():
    rises, counted = [], []
    for wobble_A in (0.0, WOBBLE_A):
        bench = SimulatedBench("real-li-ion", 2, start_soc=0.93, wobble_A=wobble_A)
        bench.supply.set_voltage(4.2)
        bench.supply.set_current_limit(1.0)
        bench.supply.set_output(True)
        lowest_A, rise_A = 9.0, 0.0
        for _ in range(5400):
            bench.clock.sleep(1.0)
            shown = bench.supply.read()
            if shown["voltage_V"] > 4.19 and shown["current_A"] < 0.9:
                lowest_A = min(lowest_A, shown["current_A"])
                rise_A = max(rise_A, shown["current_A"] - lowest_A)
        rises.append(rise_A)
        counted.append(bench.cell.soc)
    assert rises[0] < 0.003
    assert 0.020 < rises[1] <= WOBBLE_A + 0.003
    assert counted[0] == counted[1]


def test_a_real_lfp_and_nimh_cell_charge_to_their_ends():
    lfp = SimulatedBench("real-lfp", 1, start_soc=0.7, errors=False)
    lfp.supply.set_voltage(3.65)
    lfp.supply.set_current_limit(0.6)
    lfp.supply.set_output(True)
    for _ in range(4 * 3600):
        lfp.clock.sleep(1.0)
        if lfp.supply.read()["current_A"] < 0.05 * lfp.cell.spec.capacity_Ah:
            break
    lfp.supply.set_output(False)
    assert 0.97 < lfp.cell.soc < 1.005
    lfp.clock.sleep(4 * 3600.0)
    lfp.update()
    assert 3.33 < lfp.cell.voltage(0.0) < 3.45  # a rested cell above 3.45 V is not LFP: common practice
    nimh = SimulatedBench("real-nimh", 1, start_soc=0.6, errors=False)
    nimh.supply.set_voltage(2.0)
    nimh.supply.set_current_limit(0.95)
    nimh.supply.set_output(True)
    shown = []
    for _ in range(2 * 3600):
        nimh.clock.sleep(1.0)
        shown.append(nimh.load.read()["voltage_V"])
    assert 0.003 < max(shown) - shown[-1] < 0.060  # the dip at the end of a NiMH charge: common practice
    assert 26.0 < nimh.cell.temperature_degC < 75.0
