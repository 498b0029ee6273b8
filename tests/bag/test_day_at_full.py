"""The course of a second evening, on the virtual clock: it bounds a leak near full; a sound cell and a sick one."""

import os
import random
from dataclasses import replace
from pathlib import Path

import pytest
from virtual_bag import VirtualBag

from amphora.drivers.simulated.cell import Short
from amphora.harness.account.asking import standing_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.plans import steps as plan_steps
from amphora.harness.queue.happening import CellAdded
from amphora.harness.running import runner
from tests.support.simulation.populations import draw_cell

VERDICTS = ("match", "certify", "grade")


def test_a_day_at_full_lets_a_sound_cell_out_and_keeps_one_that_leaks_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A first night leaves both without an open question; the second evening asks, and its course answers."""
    monkeypatch.setattr(plan_steps, "ENERGISED_INTERVAL_S", 20.0)
    monkeypatch.setattr(runner, "ENERGISED_AT_MOST_S", 20.0)
    monkeypatch.setattr(plan_steps, "REST_INTERVAL_S", 60.0)
    monkeypatch.setattr(os, "fsync", lambda fd: None)
    monkeypatch.setattr(os, "fdatasync", lambda fd: None)
    bag = VirtualBag(tmp_path / "logs", ("a", "b"))
    rng = random.Random(6)
    for name in ("sound", "leaks"):
        drawn = draw_cell(rng, "li-ion", "healthy", soc=0.6, capacity_Ah=0.5)
        if name == "leaks":  # 4.1 V over 400 ohm: about 10 mA, while it stands above 4.0 V
            drawn.cell.spec = replace(drawn.cell.spec, shorts=(Short(400.0, above_V=4.0),))
        bag.put_on_the_shelf(name, drawn.cell, "porch lights", drawn.truth)
    bag.carry_on()
    for name in ("sound", "leaks"):
        bag.queue.journal.append(CellAdded(cell=name, course="day-at-full"), bag.now)
    bag.carry_on()
    runs = [folder.name.partition("-")[2] for folder in sorted((bag.logs / "sound").glob("*Z-*"))]
    assert runs == ["charge", "overnight", "storage", "charge", "charge", "overnight", "storage"]
    shelf = Shelf(bag.logs)
    assert {standing_of(shelf, "sound").may[act].verdict for act in VERDICTS} == {"yes"}
    assert "yes" not in {standing_of(shelf, "leaks").may[act].verdict for act in VERDICTS}
