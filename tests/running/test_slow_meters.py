"""Meters that measure anew every 2 s, behind a link that takes its time: good nights end well, bad ones are stopped.

Sick and healthy side by side, on the virtual clock; told by the bench file, or by nobody.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from slow_meters import SlowNight, discharge, limits, plan_of, rest

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import SimulatedCell, delivered_Ah, real_spec
from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.loading import load
from amphora.harness.plans.plan import End, Order, Segment, Step
from tests.support.simulation.faults import CATALOGUE

SMALL_Ah = 0.05  # a short night
CURRENT_A = 0.1
SLOW = [(2.0, 0.25, True), (2.0, 0.25, False), (2.0, 0.1, False), (5.0, 0.25, True)]


def small(soc: float = 1.0) -> SimulatedCell:
    return SimulatedCell(real_spec("li-ion", SMALL_Ah), soc)


def night(folder: Path, renewed_s: float, takes_s: float, told: bool, *steps: Step, soc: float = 1.0) -> SlowNight:
    return SlowNight(folder, small(soc), plan_of(*steps), renewed_s, takes_s, told)


@pytest.mark.parametrize(("renewed_s", "takes_s", "told"), [(0.0, 0.0, False), *SLOW])
def test_a_good_night_ends_at_its_cut_off_and_its_capacity_holds_the_truth(
    tmp_path: Path, renewed_s: float, takes_s: float, told: bool
) -> None:
    # before: guard:current-low in the rest, 36 of 36 nights with readings renewed every 2 s
    made = night(tmp_path, renewed_s, takes_s, told, rest(70.0), discharge(CURRENT_A), rest(60.0, "after"))
    outcome = made.run()
    assert outcome.reason == "cutoff", outcome.text
    found = analyse_run(made.folder)
    truth_Ah = delivered_Ah(made.bench.cell, CURRENT_A * made.bench.load.set_gain, 3.0)
    assert abs(found.capacity_Ah - truth_Ah) < found.capacity_U_Ah
    record, _ = load(made.folder)
    assert record.timing.known and record.timing.voltage_renewed_s >= renewed_s
    assert record.timing.voltage_renewed_s <= 1.5 * renewed_s  # nothing is seen where nothing is
    assert bool(made.events("renewal-seen")) == (renewed_s > 0)  # also where the latency makes it longer than told
    assert float(np.median(record.took_s)) == pytest.approx(2 * takes_s if takes_s else 0.0, abs=takes_s)


def stopped_by(made: SlowNight) -> float:
    """Return when the reading was taken that ended the run: making safe takes its time."""
    assert made.events("guard")
    return float(load(made.folder)[0].t_s[-1])


def flows_on(bench: SimulatedBench) -> None:
    """The load says that it is off, and draws what it drew."""
    real = bench.load.true_current
    bench.load.true_current = lambda: real() if bench.load.on else -CURRENT_A  # type: ignore[method-assign]


@pytest.mark.parametrize(("renewed_s", "takes_s", "told"), [(0.0, 0.0, False), *SLOW])
def test_a_current_that_flows_on_after_off_is_stopped_all_the_same(
    tmp_path: Path, renewed_s: float, takes_s: float, told: bool
) -> None:
    down = replace(discharge(CURRENT_A), segments=(Segment(Order("discharge", value=CURRENT_A), 120.0),))
    down = replace(down, ends=(), max_duration_s=120.0, time_is_end=True)
    made = night(tmp_path, renewed_s, takes_s, told, rest(70.0), down, rest(600.0, "after"))
    made.bench.at(150.0, "welded", flows_on)
    outcome = made.run()
    assert outcome.reason in ("guard:current-low", "guard:current-when-off"), outcome.text
    off_s = next(event["t_s"] for event in reversed(made.events("ordered")) if event["order"]["kind"] == "off")
    assert stopped_by(made) - off_s < 4.0 + 2.0 * renewed_s + 6.0 * takes_s


def charge(seconds: float) -> Step:
    order = Order("charge", voltage_V=4.2, current_A=CURRENT_A)
    return Step("up", "charge", (Segment(order, seconds),), (), seconds, True, 1.0, limits(0.0, CURRENT_A))


@pytest.mark.parametrize(("renewed_s", "takes_s", "told"), SLOW)
def test_what_a_meter_still_shows_of_a_charge_ends_no_rest_and_no_discharge(
    tmp_path: Path, renewed_s: float, takes_s: float, told: bool
) -> None:
    # before: guard:current-high in the rest, guard:current-low in the charge
    steps = (rest(70.0), charge(60.0), rest(30.0, "between"), charge(60.0), discharge(CURRENT_A, 3.5), charge(30.0))
    outcome = night(tmp_path, renewed_s, takes_s, told, *steps, rest(30.0, "after"), soc=0.5).run()
    assert outcome.exit_code == 0, outcome.text


@pytest.mark.parametrize(("renewed_s", "takes_s", "told"), SLOW)
def test_the_sag_of_a_pulse_that_is_still_shown_is_no_cut_off(
    tmp_path: Path, renewed_s: float, takes_s: float, told: bool
) -> None:
    heavy = Segment(Order("discharge", value=0.3), 8.0, pulse=True)
    light = Segment(Order("discharge", value=0.02), 100.0)
    down = Step(
        "down", "discharge", (heavy, light), (End("cutoff", "voltage_V", "<=", 3.4),), 108.0, True, 1.0,
        limits(-0.3, 0.0, 2.5),
    )  # fmt: skip
    made = night(tmp_path, renewed_s, takes_s, told, rest(70.0), down, rest(30.0, "after"), soc=0.6)
    outcome = made.run()
    assert made.events("step-ended")[1]["reason"] == "time", outcome.text
    record, _ = load(made.folder)
    first = int(np.flatnonzero(record.current_A < -0.2)[0])
    assert record.voltage_V[first : first + 12].min() < 3.4, "the pulse has to sag below the cut-off"


def test_a_pulse_lasts_as_long_as_it_should_from_when_its_order_acted(tmp_path: Path) -> None:
    pulse = Segment(Order("discharge", value=CURRENT_A), 5.0, pulse=True)
    down = Step(
        "steps", "pulses", (pulse, Segment(Order("off"), 20.0)), (), 60.0, True, 0.2, limits(-CURRENT_A, 0.0)
    )  # fmt: skip
    made = night(tmp_path, 0.0, 0.4, False, rest(70.0), down, rest(10.0, "after"))
    assert made.run().exit_code == 0
    sent, off = made.events("sent")[0], made.events("ordered")[-2]
    assert 5.0 - 0.4 <= off["from_s"] - 0.5 * (sent["from_s"] + sent["to_s"]) <= 5.0 + 3 * 0.8


@pytest.mark.parametrize("told", [True, False])
def test_a_meter_that_is_frozen_is_found_beside_one_that_is_only_slow(tmp_path: Path, told: bool) -> None:
    made = night(tmp_path, 2.0, 0.1, told, rest(70.0), discharge(CURRENT_A), rest(30.0, "after"))
    made.bench.inject(CATALOGUE["frozen reading"](), at_s=made.bench.clock.now_s() + 400.0)
    outcome = made.run()
    assert outcome.reason == "guard:frozen", outcome.text
    assert stopped_by(made) < 400.0 + 120.0


def test_one_wild_reading_that_a_slow_meter_shows_for_two_seconds_is_not_its_own_witness(tmp_path: Path) -> None:
    def wild(bench: Any) -> None:
        bench.load.voltage.jump = 0.6
        bench.at(bench.clock.now_s() + 1.9, "well again", lambda one: setattr(one.load.voltage, "jump", 0.0))

    made = night(tmp_path, 2.0, 0.0, True, rest(70.0), discharge(CURRENT_A), rest(30.0, "after"))
    made.bench.at(400.0, "wild", wild)
    assert made.run().reason == "cutoff"
    sick = night(tmp_path / "sick", 2.0, 0.0, True, rest(70.0), discharge(CURRENT_A), rest(30.0, "after"))
    sick.bench.at(400.0, "high", lambda bench: setattr(bench.load.voltage, "jump", 0.6))
    assert sick.run().reason in ("guard:voltage-high", "guard:voltage-jump")
    assert stopped_by(sick) < 400.0 + 8.0
