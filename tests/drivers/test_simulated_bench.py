"""The simulated bench: same seed same night, faults that prove they acted, instruments that behave."""

import math
import random

import pytest

from amphora.drivers.errors import DriverError, InstrumentError, LimitError
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import KINDS, make_cell, random_cell
from amphora.drivers.simulated.clock import VirtualClock
from amphora.drivers.simulated.parts import METERS, Channel, ChannelSpec
from tests.support.simulation.faults import CATALOGUE, FAMILIES, HOPELESS, draw

FAMILY_NAMES = {"link", "instrument", "cell", "sensor", "host", "person"}


def night(bench: SimulatedBench, seconds: int = 400) -> list[tuple[float, ...]]:
    """A short discharge read each second; a link error is a row of its own."""
    rows: list[tuple[float, ...]] = []
    bench.load.set_discharge("current", 0.2)
    bench.load.set_input(True)
    for _ in range(seconds):
        bench.clock.sleep(1.0)
        values = {**bench.load.read(), **bench.thermometer.read()}
        rows.append((bench.clock.now_s(), *values.values(), *bench.supply.read().values()))
    return rows


def test_the_same_seed_gives_the_same_night_to_the_bit():
    assert night(SimulatedBench(seed=7)) == night(SimulatedBench(seed=7))
    assert night(SimulatedBench(seed=7)) != night(SimulatedBench(seed=8))


def test_charge_is_the_integral_of_the_current_that_flowed():
    bench = SimulatedBench(errors=False, cell=None)
    cell = bench.cell
    begin = cell.soc
    rows = night(bench, 3600)
    assert all(row[2] == pytest.approx(-0.2) for row in rows)
    lost_Ah = (begin - cell.soc) * cell.spec.capacity_Ah
    assert lost_Ah == pytest.approx(0.2 + cell.spec.leak_A, rel=1e-9)


def test_readings_lie_within_the_specification_the_bench_states():
    exact, real = SimulatedBench(seed=3, errors=False), SimulatedBench(seed=3)
    for true, shown in zip(night(exact), night(real), strict=True):
        # the level itself is off by the load's own setting error, so voltages differ a little more
        assert abs(shown[1] - true[1]) < true[1] * 0.0005 + 0.002 + 0.001 + 6 * 0.00015
        assert abs(shown[2] - true[2]) < 0.2 * 0.002 + 0.0015 + 6 * 0.0002


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_each_kind_stays_finite_from_full_to_far_below_empty(kind: str):
    cell = make_cell(kind, random.Random(1), 1.0)
    lowest = 9.0
    for _ in range(3000):
        cell.advance(10.0, -0.5)
        volts = cell.voltage(-0.5)
        assert -1.5 < volts < 4.3  # driven through by force: a reversed cell
        lowest = min(lowest, cell.ocv())
    assert lowest < 0.1 or cell.tripped
    assert 15.0 < cell.temperature_degC < 60.0


def test_a_population_differs_and_the_same_seed_makes_the_same_cell():
    cells = [random_cell("li-ion", random.Random(seed)) for seed in range(20)]
    assert len({cell.spec.capacity_Ah for cell in cells}) == 20
    assert cells[4].spec == random_cell("li-ion", random.Random(4)).spec


@pytest.mark.parametrize(("kind", "limit_V"), [("li-ion", 4.2), ("lfp", 3.65)])
def test_a_charge_goes_from_constant_current_to_constant_voltage_and_tapers(kind: str, limit_V: float):
    bench = SimulatedBench(kind, start_soc=0.5, errors=False)
    supply, cell = bench.supply, bench.cell
    supply.set_voltage(limit_V)
    supply.set_current_limit(0.5)
    supply.set_output(True)
    highest_V, current_A = 0.0, 0.5
    for _ in range(8 * 3600):
        bench.clock.sleep(1.0)
        highest_V = max(highest_V, supply.read()["voltage_V"])
        current_A = supply.read()["current_A"]
        if current_A < 0.05 * cell.spec.capacity_Ah:
            break
    assert current_A < 0.05 * cell.spec.capacity_Ah
    assert highest_V == pytest.approx(limit_V, abs=1e-3)
    assert 0.985 < cell.soc < 1.01


def test_lfp_relaxes_below_3_45_V_after_its_charge():
    # a rested cell above 3.45 V is not LFP: common practice
    cell = make_cell("lfp", random.Random(0), 1.004)
    for _ in range(3600):
        cell.advance(1.0, 0.0)
    assert 3.33 < cell.voltage(0.0) < 3.45


def test_nimh_dips_and_warms_when_it_is_full():
    bench = SimulatedBench("nimh", start_soc=0.7, errors=False)
    bench.supply.set_voltage(2.0)
    bench.supply.set_current_limit(0.62)
    bench.supply.set_output(True)
    highest_V, last_V = 0.0, 0.0
    for _ in range(2 * 3600):
        bench.clock.sleep(1.0)
        last_V = bench.load.read()["voltage_V"]
        highest_V = max(highest_V, last_V)
    assert highest_V - last_V > 0.003  # a drop of some millivolt marks the end: common practice
    assert bench.cell.temperature_degC > 25.0


def test_a_board_trips_shows_nothing_and_wakes_on_a_charger():
    bench = SimulatedBench("protected", start_soc=0.08, errors=False)
    bench.load.set_discharge("current", 0.3)
    bench.load.set_input(True)
    for _ in range(3600):
        bench.clock.sleep(1.0)
        reading = bench.load.read()
        if reading["current_A"] == 0.0:
            break
    assert reading["voltage_V"] == 0.0
    bench.load.set_input(False)
    bench.supply.set_voltage(4.2)
    bench.supply.set_current_limit(0.3)
    bench.supply.set_output(True)
    for _ in range(3600):
        bench.clock.sleep(1.0)
        bench.supply.read()
    assert bench.cell.tripped == ""
    assert bench.load.read()["voltage_V"] > 3.2


def test_the_loads_own_cut_off_latches_and_holds_without_any_program():
    bench = SimulatedBench(start_soc=0.05, errors=False)
    bench.load.arm_limits(3.0, None)
    bench.load.set_discharge("current", 0.2)
    bench.load.set_input(True)
    bench.clock.sleep(4 * 3600.0)
    assert bench.load.read_setup()["on"] is False
    assert bench.cell.ocv() > 2.9


def test_the_supplys_timer_ends_a_charge_nobody_watches():
    bench = SimulatedBench(start_soc=0.2, errors=False)
    bench.supply.arm_limits(None, None, 600.0)
    bench.supply.set_voltage(4.2)
    bench.supply.set_current_limit(0.2)
    bench.supply.set_output(True)
    bench.clock.sleep(7200.0)
    assert bench.supply.read_setup()["on"] is False
    gained_Ah = (bench.cell.soc - 0.2) * bench.cell.spec.capacity_Ah
    assert gained_Ah == pytest.approx(0.2 * 601 / 3600, rel=0.01)


@pytest.mark.parametrize(
    ("mode", "value", "current"),
    [
        ("resistance", 10.0, lambda cell: cell.inner_V() / (10.0 + cell.series_ohm() + 0.03)),
        ("voltage", 3.5, lambda cell: (cell.inner_V() - 3.5) / (cell.series_ohm() + 0.03)),
    ],
)
def test_each_mode_draws_what_ohms_law_says(mode, value, current):
    bench = SimulatedBench(errors=False)
    bench.load.set_discharge(mode, value)
    bench.load.set_input(True)
    assert -bench.load.read()["current_A"] == pytest.approx(current(bench.cell))


def test_constant_power_draws_that_power_at_the_loads_terminals():
    bench = SimulatedBench(errors=False, sense=False)
    bench.load.set_discharge("power", 2.0)
    bench.load.set_input(True)
    reading = bench.load.read()
    assert -reading["voltage_V"] * reading["current_A"] == pytest.approx(2.0)


def test_a_level_beyond_the_range_is_refused_and_nothing_changes():
    bench = SimulatedBench()
    with pytest.raises(LimitError, match="outside 0 to 5"):
        bench.load.set_discharge("current", 7.0)
    with pytest.raises(LimitError):
        bench.supply.set_voltage(float("nan"))
    assert bench.load.value == 0.0


def test_a_suspend_goes_on_draining_and_the_wall_clock_can_be_set():
    clock = VirtualClock()
    bench = SimulatedBench(errors=False, clock=clock)
    bench.load.set_discharge("current", 0.2)
    bench.load.set_input(True)
    clock.suspend_at(10.0, 3600.0)
    before = clock.utc()
    for _ in range(20):
        clock.sleep(1.0)
        bench.load.read()
    assert clock.now_s() == pytest.approx(3620.0)
    assert (1.0 - bench.cell.soc) * bench.cell.spec.capacity_Ah == pytest.approx(0.2 * 3620 / 3600, rel=1e-3)
    clock.set_wall(-7200.0)
    assert clock.utc() < before
    assert clock.now_s() == pytest.approx(3620.0)


# -- faults -----------------------------------------------------------------------------------------


def test_the_catalogue_is_wide_and_each_fault_says_what_it_is():
    assert len(CATALOGUE) >= 40
    assert set(FAMILIES.values()) == FAMILY_NAMES
    for name, make in {**CATALOGUE, **HOPELESS}.items():
        fault = make()
        assert fault.name == name
        assert fault.about


def act(bench: SimulatedBench, tries: int = 60) -> None:
    """Use every instrument as a run would, with what it raises swallowed, so that any fault can act."""
    for turn in range(tries):
        bench.clock.sleep(1.0)
        for call in (
            bench.load.read, bench.supply.read, bench.thermometer.read, bench.load.read_errors, bench.supply.reopen,
            bench.load.reopen, lambda: bench.load.set_discharge("current", 0.2), bench.supply.read_setup,
            lambda on=bool(turn % 2): bench.load.set_input(on), bench.load.make_safe,
        ):  # fmt: skip
            try:
                call()
            except (DriverError, KeyboardInterrupt):
                continue


@pytest.mark.parametrize("name", sorted(CATALOGUE))
def test_each_fault_fires_and_the_night_can_still_be_made_safe(name: str):
    bench = SimulatedBench(seed=5)
    bench.inject(draw(random.Random(2), name), at_reading=3)
    bench.load.read()
    assert bench.fired == []
    act(bench)
    assert bench.fired == [name]
    for instrument in (bench.load, bench.supply):
        for _ in range(5):
            try:
                if instrument.make_safe().off:
                    break
            except DriverError:
                continue
    bench.clock.sleep(30.0)
    bench.update()
    assert not bench.load.on
    assert not bench.supply.on


def test_a_fault_begins_at_its_moment_and_not_before():
    bench = SimulatedBench(errors=False)
    bench.inject(CATALOGUE["self-heating"](watt=8.0), at_s=100.0)
    bench.clock.sleep(99.0)
    bench.update()
    assert bench.cell.temperature_degC == pytest.approx(20.0, abs=0.01)
    bench.clock.sleep(61.0)
    bench.update()
    # 8 W into 40 J/K for 60 s, with 0.1 W/K lost: T = 80 K (1 - exp(-60/400)) over the room
    assert bench.cell.temperature_degC == pytest.approx(20.0 + 80.0 * 0.13929, abs=0.15)


def test_an_ignored_off_is_told_and_a_second_one_works():
    bench = SimulatedBench()
    bench.load.set_discharge("current", 0.2)
    bench.load.set_input(True)
    bench.inject(CATALOGUE["off fails once"](), at_reading=1)
    bench.load.read()
    with pytest.raises(InstrumentError, match="reads back otherwise"):
        bench.load.set_input(False)
    bench.load.set_input(False)
    assert bench.load.read_setup()["on"] is False


def test_an_unknown_value_of_a_fault_is_refused_by_name():
    with pytest.raises(ValueError, match="volume"):
        CATALOGUE["silence"](volume=3)


def test_a_frozen_reading_stands_still_while_the_cell_moves_on():
    bench = SimulatedBench(errors=False)
    bench.inject(CATALOGUE["frozen reading"](), at_reading=50)
    rows = night(bench, 200)
    assert len({row[1] for row in rows[60:]}) == 1
    assert len({row[1] for row in rows[:40]}) > 10


def test_a_channel_shows_to_the_bit_the_plain_sum_of_its_errors_and_draws_as_gauss_does() -> None:
    for spec in [*METERS["good"].values(), *METERS["cheap"].values(), ChannelSpec(0.001, 0.002, 0.0049, 0.003)]:
        rng, plain = random.Random(3), random.Random(3)
        channel = Channel(spec, rng, True)
        gain = 1.0 + plain.uniform(-spec.gain, spec.gain)
        offset = plain.uniform(-spec.offset, spec.offset)
        for number in range(500):
            true = 7.3 * math.sin(number)
            value = true * gain + offset + plain.gauss(0.0, spec.noise)
            assert channel.read(true) == round(round(value / spec.resolution) * spec.resolution, 9)
        assert rng.getstate() == plain.getstate()
