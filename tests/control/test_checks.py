"""Promises of the table of guard checks: each name is raised once, and nothing is decided anywhere else."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from amphora.harness.account.after_run import after_run
from amphora.harness.cells.cell import Cell
from amphora.harness.control.checks import (
    CHECKS,
    OF_THE_BENCH,
    against_the_cell,
    check_of,
    is_final,
    tells_when_repeated,
)
from amphora.harness.control.memory import watch_of
from amphora.harness.decisions.criteria import GRADES
from amphora.harness.decisions.grades import _anomalies
from amphora.harness.plans.plan import plan_from_dict, plan_to_dict
from tests.support.made_results import result_of
from tests.support.plans import build_plan

ROOT = Path(__file__).parents[2]
SPEAK_OF_THE_CELL = {
    "voltage-high", "reversed", "short-inside", "falls-at-rest", "climbs-as-lfp", "charge", "takes-no-charge",
    "no-taper", "temperature-high", "temperature-rate", "temperature-rise", "room-rise", "warms-when-off",
}  # fmt: skip
SENSOR = ("temperature-lost", "temperature-frozen", "temperature-low")


def named_in_the_code() -> set[str]:
    """Every name that a `Violation` carries anywhere."""
    found: set[str] = set()
    for path in (ROOT / "harness").rglob("*.py"):
        for part in re.findall(r"Violation\(\s*([^,]*),", path.read_text(encoding="utf-8")):
            found.update(re.findall(r'(?<!== )"([a-z][a-z-]+)"', part))
    return found


def test_every_name_that_a_violation_carries_is_in_the_table() -> None:
    names = named_in_the_code()
    assert len(names) > 25 and not names - set(CHECKS)
    assert set(CHECKS) - names <= {"no-taper", "smoke-alarm"}  # by the charge, by the runner


def test_every_check_is_raised_by_a_test_of_the_guard() -> None:
    tests = "".join(path.read_text(encoding="utf-8") for path in Path(__file__).parent.glob("test_guard*.py"))
    elsewhere = {"no-taper", "protection-tripped", "smoke-alarm"}  # by the charge, by the runner
    for name in set(CHECKS) - elsewhere:
        assert f'"{name}"' in tests, name


@pytest.mark.parametrize("name", sorted(CHECKS))
def test_what_speaks_of_the_cell_keeps_it_apart_and_is_final_and_what_speaks_of_the_bench_does_not(name: str) -> None:
    check = CHECKS[name]
    reason = f"guard:{name}"
    assert check.words and (check.grade is None or check.grade in GRADES)
    assert bool(against_the_cell(reason)) == (name in SPEAK_OF_THE_CELL)
    apart = after_run(Cell("a"), None, reason, "20261124T210000Z-overnight")
    assert (apart.state == "quarantined") == (name in SPEAK_OF_THE_CELL)
    if name in SPEAK_OF_THE_CELL:
        assert is_final(reason) and check.against_cell in apart.notes
    costs = [row.grade for row in _anomalies(result_of(stop=reason), Cell("a"))]
    assert costs == ([check.grade] if check.grade else [])


@pytest.mark.parametrize("name", SENSOR)
def test_sensor_trouble_costs_no_cell_its_grade_and_can_be_gone_on_from(name: str) -> None:
    assert CHECKS[name].grade is None and not is_final(f"guard:{name}")


def test_what_a_person_can_put_right_is_not_the_end_of_a_night() -> None:
    for name in (
        "voltage-lost", "voltage-jump", "no-current", "protection-tripped", "no-reading", "frozen", "voltage-falls",
        "current-off-order", "current-when-off", "temperature-lost", "too-warm", "too-cold",
    ):  # fmt: skip
        assert not is_final(f"guard:{name}"), name


def test_reasons_that_are_no_check_are_final_as_they_were() -> None:
    assert is_final("cutoff") and is_final("guard:as-found") and check_of("taper") is None


def test_the_documentation_names_each_check() -> None:
    page = (ROOT / "docs" / "safety.md").read_text(encoding="utf-8")
    for check in CHECKS.values():
        of = "the cell" if check.against_cell else "the bench"
        goes_on = "only calls" if check.calls_only else "no" if check.final else "by `resume`"
        assert f"| `{check.name}` | {check.words} | {of} | {goes_on} | {check.grade or 'any'} |" in page


def test_a_plan_holds_the_cell_to_its_window_and_a_used_one_to_50_degC() -> None:
    for chemistry, kind, floor_V, below_V, share in (
        ("li-ion", "li-ion", 2.5, 3.0, 0.1), ("lfp", "lfp", 2.0, 2.5, 0.1), ("nimh", "nickel", 0.9, 0.9, 0.1),
        ("lead-acid", "lead-acid", 1.70, 1.75, 0.05),
    ):  # fmt: skip
        record = {"id": "c", "form": "18650", "chemistry": chemistry, "declared_rechargeable": True}
        plan = build_plan("charge", record, None, capacity_Ah=1.0, present=True)
        cell = plan.cell
        assert cell is not None and cell.kind == kind and cell.hottest_degC == 50.0
        assert (cell.floor_V, cell.precharge_below_V) == (floor_V, below_V)
        assert cell.precharge_A == pytest.approx(share)
        assert plan_from_dict(json.loads(json.dumps(plan_to_dict(plan)))) == plan
        old = replace(plan, cell=None)  # as 0.1.0 wrote it: what its notes say
        kept = watch_of(old).cell
        assert kept is not None and (kept.kind, kept.floor_V, kept.hottest_degC) == (kind, floor_V, 50.0)


def test_the_guard_takes_digits_and_uncertainty_from_the_bench() -> None:
    plan = build_plan("charge", {"id": "c", "form": "18650", "chemistry": "li-ion"}, None, present=True)
    measurement = {
        "voltage": {"resolution": 0.01}, "current": {"resolution": 0.01, "offset": 0.009},
        "temperature": {"offset": 0.5, "resolution": 0.1},
    }  # fmt: skip
    watch = watch_of(plan, measurement)
    assert watch.meters[:3] == (0.01, 0.01, 0.6) and watch.nothing_A == pytest.approx(0.039)
    assert watch_of(plan).nothing_A == 0.020 and watch_of(plan).meters.temperature_U_K == 2.0


def test_what_a_sensor_says_is_never_the_cells_however_often() -> None:
    assert set(CHECKS) >= OF_THE_BENCH and not any(CHECKS[name].against_cell for name in OF_THE_BENCH)
    assert tells_when_repeated("guard:voltage-falls") and tells_when_repeated("guard:no-current")
    assert not tells_when_repeated("guard:temperature-lost") and not tells_when_repeated("instrument")


# Name: whether a second reading is asked for, whether it is final though nobody looked for a while, the best grade,
# whether it only calls. A change of any of these changes what a cell's life ends in.
TABLE = {
    "voltage-low": (True, True, "bench only", False), "voltage-high": (True, True, "bench only", False),
    "voltage-lost": (True, False, None, False), "reversed": (True, True, "bench only", False),
    "voltage-jump": (True, False, None, False), "voltage-rises": (False, False, None, False),
    "voltage-falls": (False, False, None, False), "short-inside": (False, True, "bench only", False),
    "falls-at-rest": (False, True, "bench only", False), "climbs-as-lfp": (False, True, None, False),
    "above-pre-charge": (True, False, None, False), "current-low": (True, False, None, False),
    "current-high": (True, False, None, False), "current-when-off": (False, False, None, False),
    "no-current": (False, False, None, False), "current-off-order": (False, False, None, False),
    "charge": (False, True, "bench only", False), "takes-no-charge": (False, True, "retire", False),
    "no-taper": (False, True, "bench only", False), "temperature-high": (True, True, "retire", False),
    "temperature-rate": (False, True, "retire", False), "temperature-rise": (True, True, "bench only", False),
    "room-rise": (True, True, "bench only", False), "warms-when-off": (False, True, "bench only", True),
    "nickel-warm": (True, False, None, False), "temperature-low": (True, False, None, False),
    "temperature-lost": (False, False, None, False), "temperature-frozen": (False, False, None, False),
    "too-cold": (False, False, None, False), "too-warm": (False, False, None, False),
    "drained": (True, False, None, True), "frozen": (False, False, None, False),
    "no-reading": (False, False, None, False), "protection-tripped": (False, False, None, False),
    "smoke-alarm": (False, False, None, False), "time": (False, False, None, False),
}  # fmt: skip


def test_what_follows_from_each_check_stands_as_it_was_decided() -> None:
    found = {one.name: (one.confirm, one.final_after_gap, one.grade, one.calls_only) for one in CHECKS.values()}
    assert found == TABLE


def test_a_refusal_before_the_first_order_and_any_other_end_is_no_check() -> None:
    for reason in ("guard:as-found", "cutoff", "taper", "guard:", "frozen"):
        assert check_of(reason) is None and against_the_cell(reason) == "", reason
        assert is_final(reason) and not tells_when_repeated(reason), reason


def test_what_says_something_of_the_bench_alone_is_these_and_nothing_else_twice_is_the_bench() -> None:
    """Twice on one cell, with a look at the contacts in between: what is not in this list is then the cell's."""
    bench = {
        "temperature-low", "temperature-lost", "temperature-frozen", "too-cold", "too-warm", "drained", "frozen",
        "no-reading", "protection-tripped", "smoke-alarm", "time",
    }  # fmt: skip
    assert bench == OF_THE_BENCH
    for name in CHECKS:
        assert tells_when_repeated(f"guard:{name}") is (name not in bench), name
