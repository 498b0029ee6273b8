"""A lamp and a panel in place of the cell."""

from itertools import pairwise

import pytest

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import KINDS, SimulatedCell
from amphora.drivers.simulated.device import SimulatedLamp, SimulatedPanel, on_supply, play


@pytest.mark.parametrize(("mode", "current_A"), [("full", 1.1), ("steady", 0.35), ("standby", 0.03)])
def test_in_regulation_the_lamp_draws_its_modes_current(mode: str, current_A: float):
    lamp = SimulatedLamp(mode)
    for volts in (3.5, 3.7, 4.2):
        assert lamp.current_into(volts) == pytest.approx(current_A, abs=0.001)
    assert lamp.current_into(3.2) < current_A


def test_a_sweep_on_the_bench_sees_load_line_shut_off_and_return():
    bench = SimulatedBench("lamp", errors=False)
    supply = bench.supply
    supply.set_current_limit(2.0)
    seen: dict[float, float] = {}
    supply.set_voltage(4.2)
    supply.set_output(True)
    for volts in (4.2, 3.8, 3.5, 3.3, 2.9, 3.1, 3.35):
        supply.set_voltage(volts)
        bench.clock.sleep(4.0)
        seen[volts] = supply.read()["current_A"]
    assert seen[3.8] == pytest.approx(1.1, abs=0.001)
    assert seen[2.9] < 0.001  # shut off
    assert seen[3.1] < 0.001  # not yet back
    assert seen[3.35] > 0.3  # back


def test_between_return_and_shut_off_behind_its_contacts_the_brightest_mode_blinks():
    bench = SimulatedBench("lamp", errors=False)
    low_V, high_V = bench.device.truth()["blinks_between_V"]["full"]
    bench.supply.set_current_limit(2.0)

    def changes(volts: float) -> int:
        bench.supply.set_voltage(volts)
        bench.supply.set_output(True)
        seen = []
        for _ in range(30):
            bench.clock.sleep(1.0)
            seen.append(bench.supply.read()["current_A"] > 0.3)
        return sum(a != b for a, b in pairwise(seen))

    assert changes(high_V + 0.02) == 0
    assert changes(0.5 * (low_V + high_V)) > 6
    bench.asked("next-mode")
    assert bench.device.mode == "steady"
    assert changes(0.5 * (low_V + high_V)) <= 1  # a smaller current, a smaller sag: no blinking


def test_the_person_of_the_bench_switches_the_mode_when_asked():
    lamp = SimulatedLamp("standby")
    assert not lamp.asked("") and not lamp.asked("reseat-cell") and lamp.mode == "standby"
    assert lamp.asked("brightest-mode") and lamp.mode == "full"
    assert [lamp.next_mode() for _ in range(3)] == ["steady", "standby", "full"]
    assert not SimulatedPanel().asked("next-mode")


def test_a_supply_at_its_limit_lets_the_lamps_voltage_sag():
    volts, current_A = on_supply(SimulatedLamp(), 4.2, 0.5)
    assert current_A == 0.5
    assert 2.15 < volts < 3.45


def test_on_a_tired_cell_the_lamp_shuts_off_and_comes_back_and_on_a_good_one_it_burns_longer():
    tired = SimulatedLamp()
    rows = play(tired, SimulatedCell(KINDS["worn-out"], 0.6), 4 * 3600.0)
    assert tired.shut_offs > 1
    good = SimulatedLamp("steady")
    longer = play(good, SimulatedCell(KINDS["li-ion-good"], 1.0), 12 * 3600.0)
    assert len(longer) > len(rows)
    assert len(longer) / 3600.0 == pytest.approx(2.05 / 0.35, rel=0.15)


def test_the_panel_holds_its_three_points():
    panel = SimulatedPanel()
    truth = panel.truth()
    # with 3 ohm in series of a junction far from its knee, short-circuit current is the light current within 0.2 %
    assert truth["short_circuit_A"] == pytest.approx(0.055, rel=0.002)
    assert truth["open_circuit_V"] == pytest.approx(6.2, abs=0.01)
    best_V, best_A = panel.best_point()
    for volts in (best_V - 0.2, best_V + 0.2):
        assert volts * panel.gives(volts) < best_V * best_A
    assert 0.6 < best_V * best_A / (0.055 * 6.2) < 0.85  # fill factor of a small panel: common practice


def test_half_the_light_gives_half_the_current():
    assert SimulatedPanel(light=0.5).gives(0.0) == pytest.approx(0.0275, rel=0.002)
    assert SimulatedPanel(light=0.0).open_circuit_V() == 0.0


def test_the_bench_sweeps_the_panel_and_too_much_current_collapses_it():
    bench = SimulatedBench("panel", errors=False)
    assert bench.load.read()["voltage_V"] == pytest.approx(6.2, abs=0.01)
    load = bench.load
    load.set_input(True)
    load.set_discharge("resistance", 100.0)
    reading = load.read()
    assert reading["voltage_V"] / -reading["current_A"] == pytest.approx(100.0, rel=1e-6)
    load.set_discharge("voltage", 5.0)
    assert load.read()["voltage_V"] == pytest.approx(5.0)
    load.set_discharge("current", 0.5)
    assert load.read()["voltage_V"] < 0.05
    load.set_discharge("power", 0.1)
    reading = load.read()
    assert -reading["voltage_V"] * reading["current_A"] == pytest.approx(0.1, rel=1e-6)
    load.set_discharge("power", 5.0)
    assert load.read()["voltage_V"] == 0.0
