"""From a stop of the guard through the one test of release to the end, and one that fails it and stays."""

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from amphora.harness.account.after_run import after_run
from amphora.harness.account.asking import standing_of
from amphora.harness.account.corrections import checked, named
from amphora.harness.account.gate import with_rulings
from amphora.harness.account.standing import Standing
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cells.incoming import judge_at_the_door, parse_inspection, release_of
from amphora.harness.common.errors import Refused
from amphora.harness.control.checks import CHECKS
from tests.account.test_over_runs import add, cli, run
from tests.support.account_entries import SOUND, cell

AGAINST_THE_CELL = sorted(name for name, check in CHECKS.items() if check.against_cell)
LOOKED = parse_inspection(["sound"])


def now() -> datetime:
    return datetime.now(UTC)


def stopped(name: str) -> Cell:
    return after_run(cell(state="tested"), None, f"guard:{name}", "20261124T190000Z-charge")


@pytest.mark.parametrize("name", AGAINST_THE_CELL)
def test_a_stop_for_the_cells_sake_is_released_by_looking_and_measuring_after_it_and_by_nothing_less(name: str) -> None:
    kept = stopped(name)
    assert kept.state == "quarantined" and "--inspection sound --as-found V" in release_of(kept)
    ruled = with_rulings(kept, Standing("a", capacity_Ah=1.0))
    assert {ruled.may[act].verdict for act in ("charge", "discharge", "match")} == {"no"}
    for less in (
        {"mass_g": 45.0},
        {"voltage_V": 3.70},
        {"inspection": LOOKED},
        {"inspection": {"swelling": "none"}, "voltage_V": 3.70},
        {"inspection": LOOKED, "voltage_V": 3.70, "at": now() - timedelta(days=2)},  # of before the stop
    ):
        assert checked(kept, **{"at": now(), **less}).state == "quarantined", less
    out = checked(kept, at=now(), inspection=LOOKED, voltage_V=3.70)
    assert (out.state, out.entries[-1].state) == ("found", "found")
    in_two_goes = checked(checked(kept, at=now(), inspection=LOOKED), at=now(), voltage_V=3.70, tested=True)
    assert in_two_goes.state == "tested"
    free = with_rulings(out, Standing("a", capacity_Ah=1.0))
    assert {free.may[act].verdict for act in ("charge", "discharge")} == {"yes"}


@pytest.mark.parametrize("name", AGAINST_THE_CELL)
def test_one_that_fails_the_test_of_its_release_stays(name: str) -> None:
    swollen = checked(stopped(name), at=now(), inspection={**LOOKED, "swelling": "yes"}, voltage_V=3.70)
    assert swollen.state == "retired"
    for failed in ({"voltage_V": 2.2}, {"voltage_V": 3.7, "inspection": {**LOOKED, "rust": "slight"}}):
        kept = checked(stopped(name), **{"at": now(), "inspection": LOOKED, **failed})
        assert kept.state == "quarantined"
        assert with_rulings(kept, Standing("a")).may["match"].verdict == "no"
    # let out once and stopped again: what was looked at before the second stop releases nothing
    out = checked(stopped(name), at=now(), inspection=LOOKED, voltage_V=3.70)
    later = now() + timedelta(hours=3)
    entry = {
        "at": later.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "kind": "state",
        "state": "quarantined",
        "text": f"guard:{name}",
    }
    again = Cell.from_dict({**out.to_dict(), "state": "quarantined", "entries": [*out.to_dict()["entries"], entry]})
    assert checked(again, at=now() + timedelta(hours=1), mass_g=45.0).state == "quarantined"
    assert checked(again, at=later, inspection=LOOKED, voltage_V=3.70).state == "found"


@pytest.mark.parametrize(
    ("changes", "released", "not_released"),
    [
        ({"inspection": {**SOUND, "rust": "slight"}}, {"inspection": {"rust": "none"}}, {"mass_g": 45.0}),
        ({"inspection": {**SOUND, "dents": "slight"}}, {"inspection": {"dents": "none"}}, {"voltage_V": 3.7}),
        ({"inspection": {**SOUND, "wrapper": "torn"}}, {"inspection": {"wrapper": "sound"}}, {"mass_g": 45.0}),
        ({"mass_g": 33.0}, {"mass_g": 45.0}, {"mass_g": 34.0}),
        ({"as_found_V": 2.2}, {"voltage_V": 3.6}, {"voltage_V": 2.3}),
        ({"as_found_V": -3.7}, {"voltage_V": 3.7}, {"voltage_V": -3.7}),
    ],
)
def test_what_was_found_at_the_door_is_released_by_its_own_test(changes, released, not_released) -> None:
    kept = cell(state="quarantined", **changes)
    assert judge_at_the_door(kept).verdict == "quarantine" and release_of(kept)
    assert checked(kept, at=now(), **not_released).state == "quarantined"
    assert checked(kept, at=now(), **released).state == "found"


def test_one_kept_apart_for_a_voltage_that_nobody_could_place_is_out_once_a_run_has_named_it() -> None:
    nickel = {"chemistry": "auto", "form": "AA", "as_found_V": 1.25, "declared_rechargeable": True}
    apart = cell(state="quarantined", **nickel)
    assert judge_at_the_door(apart).verdict == "quarantine" and named(apart, now()) == apart
    known = {"chemistry": "nimh", "confidence": "likely"}
    out = named(cell(state="quarantined", identified=known, **nickel), now())
    assert out.state == "found" and "named nimh" in (out.entries[-1].text or "")
    for other in (
        {"inspection": {**SOUND, "dents": "slight"}},
        {"identified": {"chemistry": "lfp"}},
        {"as_found_V": 0.2},
    ):
        stays = cell(**{"state": "quarantined", "identified": known, **nickel, **other})
        assert named(stays, now()) == stays
    stopped_before = after_run(cell(identified=known, **nickel), None, "guard:temperature-high", "r")
    assert named(stopped_before, now()) == stopped_before


@pytest.mark.usefixtures("coarse")
def test_from_a_stop_of_the_guard_to_its_night_and_the_one_that_still_is_sick_stops_again(tmp_path: Path) -> None:
    """25 ohm in a cell of 0.42 Ah hold the charge's current up. One was a strand across the holder, and is gone."""
    for name, still_ohm in (("strand", None), ("short", 25.0)):
        add(tmp_path, name)
        outcome = run(tmp_path, "charge", name, short_ohm=25.0)
        assert outcome.reason.startswith("guard:") and Shelf(tmp_path).get(name).state == "quarantined"
        with pytest.raises(Refused, match="quarantine"):
            run(tmp_path, "charge", name)
        code, output = cli(tmp_path, "cell", "check", name, "--as-found", "3.90 V")  # measured alone releases nothing
        assert code == 1 and "kept apart still; look, feel, smell and measure" in output
        assert cli(tmp_path, "cell", "check", name, "--inspection", "sound", "--as-found", "3.90 V")[0] == 0
        assert Shelf(tmp_path).get(name).state == "found"
        with suppress(Refused):
            for profile in ("charge", "overnight"):
                run(tmp_path, profile, name, short_ohm=still_ohm or float("inf"))
    healed, sick = (Shelf(tmp_path).get(name) for name in ("strand", "short"))
    assert (healed.state, sick.state) == ("tested", "quarantined")
    assert standing_of(Shelf(tmp_path), "strand").capacity_Ah
    assert standing_of(Shelf(tmp_path), "short").may["match"].verdict == "no"
