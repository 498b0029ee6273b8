"""A bag whose course has a screen, on the virtual clock: duds are spared their night, a good cell has the whole of it.

The good cell's charge outlasts the evening: it rests with outputs off and goes on in the next one.
"""

import os
import random
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from virtual_bag import BEGIN, VirtualBag, ended_as

from amphora.harness.archive.journal import read_run
from amphora.harness.decisions.screening_shelf import Screen
from amphora.harness.plans import steps as plan_steps
from amphora.harness.running import runner
from tests.support.simulation.populations import draw_cell

DUD, IN_ITS_NIGHT, GOOD = "A01", "A02", "A03"


class SeenInItsNight:
    """The shelf's own screen; of one cell it is known in advance what its first half hour shows.

    A shelf of twenty like cells, from which that is learned, would be an hour's work here: tests/campaign/screening.py.
    """

    def __init__(self, logs: Path) -> None:
        self._logs, self._real = logs, Screen(logs)

    def not_worth(self, cell: str, least_Ah: float | None) -> str:
        if cell == IN_ITS_NIGHT and list((self._logs / cell).glob("*-overnight")):
            return "its voltage falls too fast"
        return self._real.not_worth(cell, least_Ah)


@pytest.fixture(scope="module")
def bag(tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualBag]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plan_steps, "ENERGISED_INTERVAL_S", 20.0)
        patch.setattr(runner, "ENERGISED_AT_MOST_S", 20.0)
        patch.setattr(plan_steps, "REST_INTERVAL_S", 60.0)
        patch.setattr(os, "fsync", lambda fd: None)
        patch.setattr(os, "fdatasync", lambda fd: None)
        logs = tmp_path_factory.mktemp("screened") / "logs"
        made = VirtualBag(logs, ("a", "b", "c"), course="screened-night")
        made._screen = SeenInItsNight(logs)  # type: ignore[assignment]
        rng = random.Random(6)
        for cell, capacity_Ah, soc in ((DUD, 0.25, 0.005), (IN_ITS_NIGHT, 0.25, 0.9), (GOOD, 2.2, 0.1)):
            drawn = draw_cell(rng, "li-ion", "healthy", soc=soc, capacity_Ah=capacity_Ah)
            made.put_on_the_shelf(cell, drawn.cell, "porch lights", drawn.truth)
        made.carry_on()
        yield made


def runs_of(bag: VirtualBag, cell: str) -> list[str]:
    return [folder.name.partition("-")[2] for folder in sorted((bag.logs / cell).glob("*Z-*"))]


def test_a_dud_found_empty_is_spared_its_night_by_what_its_charge_put_in(bag: VirtualBag) -> None:
    assert runs_of(bag, DUD) == ["charge", "storage"]
    place = bag.queue.journal.room.places[DUD]
    assert place.state == "done" and place.why.startswith("not worth a night: ") and "mAh" in place.why


def test_a_dud_that_shows_in_its_night_is_ended_there_and_charged_for_the_shelf(bag: VirtualBag) -> None:
    assert runs_of(bag, IN_ITS_NIGHT) == ["charge", "overnight", "storage"]
    place = bag.queue.journal.room.places[IN_ITS_NIGHT]
    assert (place.state, place.why) == ("done", "not worth a night: its voltage falls too fast")
    night = read_run(next((bag.logs / IN_ITS_NIGHT).glob("*-overnight")))
    stopped = [event for event in night.events if event["kind"] == "stopped"]
    assert [event["reason"] for event in stopped] == ["interrupted"] and stopped[0]["t_s"] < 3600.0
    assert [event["off"] for event in night.events if event["kind"] == "made-safe"][-1]
    assert ended_as(bag, IN_ITS_NIGHT).startswith("spared its night")  # half an hour is no capacity


def test_the_good_cell_beside_them_has_its_night_and_its_grade(bag: VirtualBag) -> None:
    assert runs_of(bag, GOOD) == ["charge", "overnight", "storage"]
    assert bag.queue.journal.room.places[GOOD].why == ""
    assert not ended_as(bag, GOOD).startswith(("no grade", "apart"))
    assert bag.struck.count("screened") == 1


def test_a_charge_that_outlasts_the_evening_rests_with_outputs_off_and_goes_on_in_the_next(bag: VirtualBag) -> None:
    run = read_run(next((bag.logs / GOOD).glob("*-charge")))
    kinds = [event["kind"] for event in run.events]
    assert kinds.count("paused") == kinds.count("continued") == 1 and kinds.count("resumed") == 0
    began = datetime.fromisoformat(run.run["created_utc"])
    days, unattended = set(), []
    for row in run.iter_rows():
        at = began + timedelta(seconds=row[0])
        if abs(row[3] or 0.0) > 0.01:
            days.add(at.date())
            if not bag.hours.hold(at - timedelta(minutes=1)) and not bag.hours.hold(at):
                unattended.append(at)
    assert days == {BEGIN.date(), BEGIN.date() + timedelta(days=1)} and not unattended
