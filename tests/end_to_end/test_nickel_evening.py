"""A NiMH cell's evenings and nights by commands: a healthy one is measured in two of them, and certified after a week.

A leaking one is neither.
"""

import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from programs import run_inside

from amphora.drivers.simulated import bench as simulated_bench
from amphora.harness.account.asking import standing_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.plans import steps as plan_steps
from amphora.harness.running import runner
from amphora.harness.running.simulated_session import KeptCell, store_kept
from tests.support.meddling import wait
from tests.support.simulation.populations import draw_cell

TRUE_AH = 0.55
RUN = ("run", "--cell", "aa", "--bench", "simulated", "--present", "--profile")
FULL = "start             full"


@pytest.fixture(autouse=True)
def _coarse(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(plan_steps, "ENERGISED_INTERVAL_S", 30.0)
    monkeypatch.setattr(runner, "ENERGISED_AT_MOST_S", 30.0)
    monkeypatch.setattr(plan_steps, "REST_INTERVAL_S", 60.0)
    monkeypatch.setattr(simulated_bench, "STEP_S", 10.0)
    monkeypatch.setenv("AMPHORA_KEY", str(tmp_path / "key.pem"))


def lived(logs: Path, leak_ohm: float | None) -> list[int]:
    """Charge and discharge an old AA cell twice, by commands; return the exit codes of the four runs."""
    cell, _ = draw_cell(random.Random(5), "nimh", "healthy", soc=0.4, ambient_degC=20.0)
    cell.spec = replace(cell.spec, capacity_Ah=TRUE_AH)
    cell.short_ohm = leak_ohm
    words = ("--form", "AA", "--chemistry", "nimh", "--claim", "0.6 Ah", "--as-found", f"{cell.voltage(0.0):.2f} V")
    shelf = ("--logs", str(logs))
    added = run_inside("cell", "add", "aa", *words, "--rechargeable", "--inspection", "sound", *shelf)
    assert added.returncode == 0, added.stderr
    store_kept(logs, "aa", KeptCell("real-nimh", 1, datetime.now(UTC), cell))
    codes = []
    for recipe in ("charge", "overnight") * 2:
        done = run_inside(*RUN, recipe, *shelf)
        codes.append(done.returncode)
    return codes


def test_a_healthy_one_is_measured_in_two_nights_and_graded_and_certified_after_a_week_of_rest(tmp_path: Path) -> None:
    logs, shelf = tmp_path / "logs", ("--logs", str(tmp_path / "logs"))
    assert lived(logs, None) == [0, 0, 0, 0]
    said = run_inside("analyse", "aa@overnight", *shelf)
    assert said.returncode == 0 and FULL in said.stdout, said.stdout
    standing = standing_of(Shelf(logs), "aa")
    assert standing.capacity_Ah == pytest.approx(TRUE_AH, rel=0.06) and not [f for f in standing.findings if f.runs]
    paper = tmp_path / "aa.pdf"
    asked = run_inside("certify", "aa", "--out", str(paper), *shelf)  # two nights tell nothing of a leak
    assert asked.returncode == 1 and "let it rest for 7 days" in asked.stderr and not paper.exists()
    assert run_inside(*RUN, "charge", *shelf).returncode == 0
    wait(logs, "aa", timedelta(days=7))
    assert run_inside(*RUN, "overnight", *shelf).returncode == 0
    graded = run_inside("grade", "aa", *shelf)
    assert graded.returncode == 0 and "standby duty (decided by capacity against its form)" in graded.stdout
    assert run_inside("certify", "aa", "--out", str(paper), *shelf).returncode == 0
    checked = run_inside("verify", str(paper), *shelf)
    assert checked.returncode == 0 and "start full" in checked.stdout, checked.stdout + checked.stderr


def test_one_that_loses_a_third_a_day_gets_no_figure_no_grade_and_no_certificate(tmp_path: Path) -> None:
    logs, shelf = tmp_path / "logs", ("--logs", str(tmp_path / "logs"))
    lived(logs, 150.0)
    standing = standing_of(Shelf(logs), "aa")
    assert standing.capacity_Ah is None
    assert [standing.may[act].verdict for act in ("match", "certify", "grade")] == ["no", "no", "ask"]
    assert run_inside("certify", "aa", "--out", str(tmp_path / "aa.pdf"), *shelf).returncode == 1
    assert run_inside("grade", "aa", *shelf).returncode == 1
