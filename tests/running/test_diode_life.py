"""Two cells live two evenings and a night in bays of one bench file, each charged through its blocking diode.

The sound one becomes full and is known; the sick one (a short of 60 ohm inside) never tapers and is kept apart. Beside
both: a cell left alone on the diode by a computer that died creeps up, and no further than docs/safety.md says.
Virtual clock; what is true is asked of the simulated cell.
"""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.cell import KINDS, SimulatedCell, shorted
from amphora.drivers.simulated.clock import VirtualClock
from amphora.harness.account.answer import analyse_run
from amphora.harness.account.asking import standing_of
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.one_bay import bay_data
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import InputError
from amphora.harness.running.runner import Outcome
from amphora.harness.running.session import Request, carry_out

SMALL_Ah, DROP_V = 0.5, 0.24  # Schottky of 1 µA: 27 mV x ln(1 + 25 mA / 1 µA) = 0.27 V at the end of the charge
EVENING = datetime(2026, 11, 2, 18, 0, tzinfo=UTC)
SOUND = replace(KINDS["real-li-ion"], capacity_Ah=SMALL_Ah)


class Bays:
    """One bench file of two bays; each a simulated bench with a cell in it."""

    def __init__(self, logs: Path, **cells: SimulatedCell) -> None:
        self.logs = logs
        self.benches: dict[str, SimulatedBench] = {}
        data: dict[str, Any] = {"name": "village hall, path lights", "simulated": True, "bays": {}}
        for bay, cell in cells.items():
            bench = self.benches[bay] = SimulatedBench(cell=cell, seed=3, clock=VirtualClock(EVENING))
            bench.diode_saturation_A = 1e-6
            data["bays"][bay] = {
                "fuse": "2 A", "place": f"tile {bay}", "sensed_at": "cell",
                "charge_path": {"smallest_drop": f"{DROP_V} V"},
                **{key: bench.description[key] for key in ("leads", "instruments", "cell")},
            }  # fmt: skip
        self.described = {bay: bench_from_dict(bay_data(data, bay, Path("bench.toml"))) for bay in cells}
        record = {"form": "18650", "chemistry": "li-ion", "declared_rechargeable": True, "as_found_V": 3.6}
        for bay in cells:
            Shelf(logs).add(Cell.from_dict({"id": f"cell-{bay}", **record}))

    def spend(self, bay: str, recipe: str, **asked: Any) -> Outcome:
        bench, described = self.benches[bay], self.described[bay]
        asked = {"present": True, "hand_voltage_V": bench.hand_meter_V(), **asked}
        request = Request(f"cell-{bay}", recipe, self.logs, capacity_Ah=1.2 * SMALL_Ah, **asked)
        rig = Rig(described, bench.instruments)
        outcome = carry_out(request, described, rig, bench.clock, ObligingPerson(), guarded=False)
        assert not bench.supply.on and not bench.load.on
        return outcome


def test_two_evenings_on_a_diode_and_a_sick_cell_beside(tmp_path: Path) -> None:
    bays = Bays(tmp_path, a=SimulatedCell(SOUND, 0.55), b=SimulatedCell(shorted(SOUND, 60.0), 0.55))
    sound, sick = bays.benches["a"], bays.benches["b"]
    for evening in range(2):
        with pytest.raises(InputError, match="charges through a diode"):
            bays.spend("a", "charge", present=False)  # alone, nothing is charged through it
        charged = bays.spend("a", "charge")
        assert charged.reason == "taper", charged.text
        (checked,) = [event for event in read_run(charged.folder).events if event["kind"] == "checked"]
        assert checked["armed"]["supply"]["over_voltage_V"] == sound.supply.over_V == pytest.approx(4.25 + DROP_V)
        assert sound.supply.set_V == pytest.approx(4.20 + DROP_V)
        if evening:
            break
        before = sound.cell.soc
        night = bays.spend("a", "overnight", present=False)
        assert night.reason == "cutoff", night.text
        found, given_Ah = analyse_run(night.folder), (before - sound.cell.soc) * SMALL_Ah
        assert found.start == "full"
        assert abs(found.capacity_Ah - given_Ah) < found.capacity_U_Ah
        sound.clock.sleep(3600.0)
    assert sound.highest_V <= 4.205
    standing = standing_of(Shelf(tmp_path), "cell-a")
    assert standing.may["charge"].verdict == "yes"
    assert {one.code for one in standing.findings} <= {"never-inspected", "leak-near-full"}, standing.findings

    kept = bays.spend("b", "charge")
    assert kept.reason == "guard:no-taper" and kept.final, kept.text
    assert sick.highest_V <= 4.205
    assert standing_of(Shelf(tmp_path), "cell-b").may["charge"].verdict == "no"


def test_left_alone_on_the_diode_the_cell_creeps_no_higher_than_the_supply_is_set(tmp_path: Path) -> None:
    """What docs/safety.md says is unguarded there: limit and drop, approached over days; the protection stays above."""
    bays = Bays(tmp_path, a=SimulatedCell(SOUND, 0.9))
    bench = bays.benches["a"]
    assert bays.spend("a", "charge").reason == "taper"
    bench.supply.set_output(True)  # what a dead computer leaves on
    while bench.supply.on:  # until its own timer ends it
        bench.clock.sleep(60.0)
        bench.update()
        crept_V = bench.cell.voltage(0.0)
        assert crept_V <= 4.20 + DROP_V + 0.001
    assert crept_V > 4.22
