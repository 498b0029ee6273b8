"""A charge through a blocking diode: attended, seen at the cell by somebody else, armed for the smallest drop.

Virtual clock. The simulated diode is a Schottky one by Shockley's equation: 0.30 V at 65 mA, 0.37 V at 1 A. Sick ones
beside the sound one: bridged, dropping more than stated, and a sense lead that is off.
"""

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from amphora.drivers.errors import InstrumentError
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import KINDS, SimulatedCell
from amphora.harness.archive.journal import RunFolder, read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import InputError
from amphora.harness.plans.plan import Plan
from amphora.harness.running import orders
from amphora.harness.running.charge_path import arm, no_drop, see_cell
from amphora.harness.running.runner import Outcome
from amphora.harness.running.session import Request, carry_out
from tests.support.plans import build_plan

CELL = {"id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True, "as_found_V": 3.6}
SCHOTTKY_A = 1e-6  # saturation current: 0.027 V x ln(1 + 65 mA / 1 µA) = 0.30 V
DROP = {"smallest_drop": "0.27 V"}


def bench_of(soc: float = 0.9, charge_path: Any = DROP) -> SimulatedBench:
    cell = SimulatedCell(dataclasses.replace(KINDS["li-ion"], capacity_Ah=1.0), soc, 20.0)
    bench = SimulatedBench("li-ion", 1, cell=cell)
    bench.diode_saturation_A = SCHOTTKY_A
    bench.description |= {"sensed_at": "cell", "charge_path": charge_path}
    return bench


def carried(bench: SimulatedBench, logs: Path, **asked: Any) -> tuple[Outcome, RunFolder]:
    Shelf(logs).add(Cell.from_dict(CELL))
    described = bench_from_dict(bench.description, "simulated")
    request = Request("c", "charge", logs, present=True, **{"hand_voltage_V": bench.hand_meter_V(), **asked})
    outcome = carry_out(
        request, described, Rig(described, bench.instruments), bench.clock, ObligingPerson(), guarded=False
    )
    assert not bench.supply.on
    return outcome, read_run(outcome.folder)


def test_a_sound_cell_is_charged_to_its_taper_and_never_above_its_limit(tmp_path: Path) -> None:
    bench = bench_of()
    set_to: list[float] = []
    real: Callable[[float], float] = bench.supply.set_voltage

    def noted(volts: float) -> float:
        set_to.append(volts)
        return real(volts)

    bench.supply.set_voltage = noted  # type: ignore[method-assign]
    outcome, run = carried(bench, tmp_path)
    assert outcome.reason == "taper", outcome.text
    assert bench.highest_V <= 4.2 + 0.005
    assert bench.cell.soc > 0.98
    assert max(set_to) == pytest.approx(4.20 + 0.27)
    assert bench.supply.over_V == pytest.approx(4.20 + 0.27 + 0.05)
    (checked,) = [event for event in run.events if event["kind"] == "checked"]
    assert checked["armed"]["supply"]["over_voltage_V"] == bench.supply.over_V


def test_without_a_diode_nothing_is_added(tmp_path: Path) -> None:
    bench = bench_of()
    bench.diode_saturation_A = None
    del bench.description["charge_path"]
    carried(bench, tmp_path)
    assert bench.supply.over_V == pytest.approx(4.25)
    assert bench.supply.set_V == pytest.approx(4.20)


def test_a_bridged_diode_ends_the_charge_before_the_cell_is_above_its_limit(tmp_path: Path) -> None:
    bench = bench_of(0.6)
    bench.at(bench.clock.now_s() + 400.0, "bridged", lambda one: setattr(one, "diode_saturation_A", 1e9))
    outcome, _ = carried(bench, tmp_path)
    assert bench.fired == ["bridged"]
    assert outcome.reason == "instrument"
    assert "bridged, or drops less than stated" in outcome.text
    assert bench.highest_V < 4.25


def test_a_sense_lead_that_comes_off_before_the_charge_lets_nothing_flow(tmp_path: Path) -> None:
    bench = bench_of()
    seen: list[float] = []
    real = bench.load.read

    def off_lead() -> dict[str, float]:
        values = dict(real())
        if bench.clock.now_s() > began_s + 55.0:
            values["voltage_V"] = 3.3  # floats
        seen.append(values["voltage_V"])
        return values

    began_s = bench.clock.now_s()
    bench.load.read = off_lead  # type: ignore[method-assign]
    outcome, run = carried(bench, tmp_path)
    assert outcome.reason != "taper"
    assert 3.3 in seen
    assert max(current or 0.0 for _, _, _, current, _, _ in run.iter_rows()) < 0.02


@pytest.mark.parametrize("lacks", ["protection", "hand"])
def test_no_charge_begins_without_a_protection_or_the_hand_meter(tmp_path: Path, lacks: str) -> None:
    bench = bench_of()
    asked: dict[str, Any] = {}
    if lacks == "protection":
        bench.supply.abilities = dataclasses.replace(bench.supply.abilities, over_voltage_protection=False)
    else:
        asked["hand_voltage_V"] = None
    outcome, _ = carried(bench, tmp_path, **asked)
    assert ("no over-voltage protection of its own" if lacks == "protection" else "checked by hand") in outcome.text
    assert outcome.exit_code != 0
    assert bench.supply.set_V == 0.0


def test_a_protection_that_holds_more_than_asked_is_refused(tmp_path: Path) -> None:
    bench = bench_of()
    real = bench.supply.arm_limits
    bench.supply.arm_limits = lambda *asked: {**real(*asked), "over_voltage_V": 4.6}  # type: ignore[method-assign]
    outcome, _ = carried(bench, tmp_path)
    assert (outcome.reason, bench.supply.set_V) == ("instrument", 0.0)
    assert "does not hold 4.520 V or less" in outcome.text


def at_the_limits() -> tuple[SimulatedBench, Rig, Plan]:
    bench = bench_of()
    rig = Rig(bench_from_dict(bench.description, "simulated"), bench.instruments)
    return bench, rig, build_plan("charge", CELL, bench.description, present=True, capacity_Ah=1.0)


@pytest.mark.parametrize(
    ("between_V", "current_A", "ends"), [(0.13, 0.5, True), (0.14, 0.5, False), (0.0, 0.01, False)]
)
def test_less_than_half_of_the_stated_drop_ends_it_while_a_current_flows(
    between_V: float, current_A: float, ends: bool
) -> None:
    _, rig, plan = at_the_limits()  # 0.27 V stated: 0.135 V is half
    rig.answers = {"supply": {"voltage_V": 4.0 + between_V, "current_A": current_A}, "load": {"voltage_V": 4.0}}
    assert bool(no_drop(rig, plan)) is ends


@pytest.mark.parametrize(("by_V", "seen"), [(-0.31, False), (-0.29, True), (0.59, True), (0.61, False)])
def test_the_cell_has_to_show_before_the_supply_is_switched_on(by_V: float, seen: bool) -> None:
    bench, rig, _ = at_the_limits()
    bench.load.read = lambda: {"voltage_V": 3.7 + by_V, "current_A": 0.0}  # type: ignore[method-assign]
    if seen:
        see_cell(rig, 3.7)
        return
    with pytest.raises(InstrumentError, match="a sense lead is off"):
        see_cell(rig, 3.7)


def test_a_run_looks_for_the_cell_just_before_it_switches_the_supply_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = bench_of()
    looked: list[tuple[bool, float]] = []

    def look(rig: Rig, before_V: float | None) -> None:
        looked.append((bench.supply.on, bench.supply.set_V))
        raise InstrumentError("a sense lead is off")

    monkeypatch.setattr(orders, "see_cell", look)
    outcome, _ = carried(bench, tmp_path)
    assert (outcome.reason, looked[0]) == ("instrument", (False, 0.0))
    assert bench.supply.set_V == 0.0


@pytest.mark.parametrize(("held_V", "taken"), [(4.524, True), (4.526, False), (None, False)])
def test_an_armed_protection_may_be_coarser_by_5_mV_and_no_more(held_V: float | None, taken: bool) -> None:
    bench, rig, plan = at_the_limits()
    held = {} if held_V is None else {"over_voltage_V": held_V}
    bench.supply.arm_limits = lambda *asked: held  # type: ignore[method-assign]
    if taken:
        assert arm(rig, plan, 600.0)["supply"] == held
        return
    with pytest.raises(InstrumentError, match=r"does not hold 4\.520 V or less"):
        arm(rig, plan, 600.0)


def test_it_is_planned_attended_only_and_says_what_stays_unguarded() -> None:
    data = bench_of().description
    for more in ({}, {"unattended_charging_ok": True}):
        with pytest.raises(InputError, match=r"charges through a diode .*--present"):
            build_plan("charge", CELL, data, **more)
    able = {"supply": {"over_voltage_protection": True}}
    plan = build_plan("charge", CELL, {**data, "abilities": able}, present=True)
    assert any("0.27 V vanishes with the current" in text for text in plan.notes.not_guarded)
    build_plan("overnight", CELL, data)  # nothing charges


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ({"smallest_drop": "0.9 V"}, "0.05 V to 0.7 V is"),
        ({"smallest_drop": "0.04 V"}, "0.05 V to 0.7 V is"),
        ({"smallest_drop": "3 A"}, "0.05 V to 0.7 V is"),
        ({}, "'smallest_drop' is missing"),
        ("schottky", "is not a table"),
        ({"diode": "schottky"}, "diode"),
    ],
)
def test_what_is_no_drop_is_refused_in_words(path: Any, words: str) -> None:
    with pytest.raises(InputError, match=words):
        bench_from_dict(bench_of(charge_path=path).description)


def test_who_sees_the_cell_only_through_the_diode_is_no_second_instrument() -> None:
    data = bench_of().description
    assert bench_from_dict(data).diode_drop_V == 0.27
    del data["sensed_at"]
    with pytest.raises(InputError, match="only through the diode or along the load's leads"):
        bench_from_dict(data)
    data["cell"] = {**data["cell"], "voltage": "supply"}
    with pytest.raises(InputError, match="only through the diode"):
        bench_from_dict({**data, "sensed_at": "cell"})
