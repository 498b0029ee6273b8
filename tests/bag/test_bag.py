"""A small bag on the virtual clock: six cells over two bays, with a short, a swapped cell, a silent load, a killed
runner and a restart. The full form is `python -m tests.campaign.bag`."""

import os
import random
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from virtual_bag import BEGIN, Trouble, VirtualBag, ended_as

from amphora.harness.archive.journal import read_run
from amphora.harness.plans import steps as plan_steps
from amphora.harness.queue.room import OVER, Room
from amphora.harness.running import runner
from tests.support.simulation.populations import draw_cell

LOW_V, HIGH_V = 2.45, 4.25  # the window of li-ion with what a second reading lets through


@pytest.fixture(scope="module")
def bag(tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualBag]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plan_steps, "ENERGISED_INTERVAL_S", 10.0)  # a tenth of the readings: other tests look at each
        patch.setattr(runner, "ENERGISED_AT_MOST_S", 10.0)
        patch.setattr(plan_steps, "REST_INTERVAL_S", 30.0)
        patch.setattr(os, "fsync", lambda fd: None)
        patch.setattr(os, "fdatasync", lambda fd: None)
        yield carried_through(tmp_path_factory)


def carried_through(tmp_path_factory: pytest.TempPathFactory) -> VirtualBag:
    folder = tmp_path_factory.mktemp("bag")
    made = VirtualBag(
        folder / "logs", ("a", "b"), restarts=[BEGIN + timedelta(minutes=20)]
    )  # fmt: skip
    rng = random.Random(4)  # small cells make short nights
    for number in range(1, 7):
        kind: Any = "sick" if number == 3 else "healthy"
        drawn = draw_cell(rng, "li-ion", kind, sickness="short" if number == 3 else "", soc=0.4, capacity_Ah=0.10)
        made.put_on_the_shelf(f"A{number:02d}", drawn.cell, "porch lights", drawn.truth)
    made.troubles = [
        Trouble("swapped", "A02", "overnight"), Trouble("silent", "A04", "overnight", 1200.0),
        Trouble("killed", "A05", "charge", 600.0),
    ]  # fmt: skip
    made.carry_on()
    return made


def test_every_fault_has_struck(bag: VirtualBag) -> None:
    assert {"restart", "swapped", "silent load", "killed"} <= set(bag.struck)


def test_every_cell_is_graded_or_kept_apart_or_said_why_not(bag: VirtualBag) -> None:
    room: Room = bag.queue.journal.room
    assert all(place.state in OVER for place in room.places.values())
    ends = {cell: ended_as(bag, cell) for cell in room.order}
    assert ends["A03"].startswith("apart"), ends  # the short
    assert ends["A02"].startswith(("apart", "no grade")), ends  # the swapped one gets no figure of the other's
    for cell in ("A01", "A04", "A05", "A06"):
        assert not ends[cell].startswith("apart"), ends


def test_nothing_left_its_window(bag: VirtualBag) -> None:
    sound = [item for item in bag.widest if "A03" not in item[0]]
    assert min(low for _, low, _ in sound) > LOW_V and max(high for _, _, high in sound) < HIGH_V


def test_charge_flowed_in_attended_hours_only(bag: VirtualBag) -> None:
    for folder in bag.logs.glob("*/*/run.json"):
        run = read_run(folder.parent)
        for event in run.events:
            if event["kind"] == "ordered" and event["order"].get("kind") == "charge":
                assert 18 <= int(event["utc"][11:13]) < 23, (folder, event)


def test_what_is_on_the_disk_is_all_there_is(bag: VirtualBag) -> None:
    before = bag.queue.journal.room
    bag._open_queue()
    assert bag.queue.journal.room == before


def test_a_person_comes_a_few_times_for_all_of_it(bag: VirtualBag) -> None:
    assert bag.moved == 12  # each cell in once and out once
    assert bag.moments <= 7
