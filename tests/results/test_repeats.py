"""Promises of passes: two full passes agree or it is said, within one run and against the cell's earlier run."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from amphora.harness.account.answer import analyse_run
from amphora.harness.analysis.charge import passes_agree
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.importing.import_run import import_table


def discharge(hours: float, current_A: float = 0.5, begin_s: float = 0.0) -> tuple[np.ndarray, ...]:
    """A straight discharge from 4.15 to just below 3.0 V after ten minutes of rest."""
    t = np.arange(0.0, hours * 3600 + 1, 10.0)
    v = 4.15 - 1.151 * t / t[-1]
    rest = np.arange(0.0, 600.0, 10.0)
    return (
        np.concatenate((rest, 600.0 + t)) + begin_s,
        np.concatenate((np.full(rest.size, 4.18), v)),
        np.concatenate((np.zeros(rest.size), np.full(t.size, -current_A))),
    )


def charge(begin_s: float, hours: float = 2.0) -> tuple[np.ndarray, ...]:
    t = np.arange(0.0, hours * 3600, 10.0)
    fall = np.maximum(0.0, t - 3600.0)
    return t + begin_s, np.minimum(4.2, 3.3 + 0.9 * t / 3600.0), 0.5 * np.exp(-fall / 1200.0)


def rest(begin_s: float, volts: float) -> tuple[np.ndarray, ...]:
    t = np.arange(10.0, 1800.0, 10.0)
    return t + begin_s, np.full(t.size, volts), np.zeros(t.size)


def put(logs: Path, name: str, parts: list[tuple[np.ndarray, ...]], chemistry: str = "li-ion", made: str = "") -> Path:
    t, v, i = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    table = logs.parent / f"{name}.csv"
    rows = "\n".join(f"{a:.1f},{b:.4f},{c:.4f}" for a, b, c in zip(t, v, i, strict=True))
    table.write_text(f"time_s,voltage_V,current_A\n{rows}\n", encoding="utf-8")
    if not (Shelf(logs).folder("a") / "cell.json").is_file():
        Shelf(logs).add(Cell(id="a", chemistry=chemistry))
    folder = import_table(table, "a", cutoff=3.0, start="full", logs=logs)
    path = folder / "run.json"
    run = json.loads(path.read_text(encoding="utf-8"))
    run["created_utc"] = made or run["created_utc"]
    path.write_text(json.dumps(run), encoding="utf-8")
    return folder


def two_passes(second_hours: float) -> list[tuple[np.ndarray, ...]]:
    parts = [discharge(2.0)]
    parts.append(rest(parts[-1][0][-1], 3.4))
    parts.append(charge(parts[-1][0][-1] + 10.0))
    parts.append(rest(parts[-1][0][-1], 4.18))
    parts.append(discharge(second_hours, begin_s=parts[-1][0][-1] + 10.0))
    return parts


def codes(result: dict[str, Any]) -> list[str]:
    return [item.code for item in result.warnings]


@pytest.mark.parametrize(("hours", "agree"), [(2.02, True), (2.10, False)])
def test_two_full_passes_of_one_run_are_compared_by_themselves(tmp_path: Path, hours: float, agree: bool) -> None:
    result = analyse_run(put(tmp_path / "logs", "two", two_passes(hours)))
    assert len([p for p in result.phases if p.kind == "discharge" and p.complete]) == 2
    assert result.passes.agree is agree
    assert result.passes.difference == pytest.approx(hours / 2.0 - 1, abs=0.002)
    assert ("passes-differ" in codes(result)) is not agree


@pytest.mark.parametrize(("hours", "agree"), [(1.98, True), (1.90, False)])
def test_a_pass_is_compared_with_the_earlier_run_which_is_named(tmp_path: Path, hours: float, agree: bool) -> None:
    logs = tmp_path / "logs"
    first = put(logs, "first", [discharge(2.0)], made="2026-03-01T20:00:00Z")
    second = put(logs, "second", [discharge(hours)], made="2026-03-03T20:00:00Z")
    result = analyse_run(second)
    assert result.passes.earlier_run == str(first.absolute())
    assert result.passes.agree is agree
    assert result.passes.difference == pytest.approx(hours / 2 - 1, abs=0.002)
    text = CliRunner().invoke(app, ["analyse", str(second)]).stdout
    assert f"{first.name} {'agree within' if agree else 'differ by'}" in text
    assert ("passes-differ" in codes(result)) is not agree
    assert analyse_run(first).passes is None  # the earlier one had nothing to be compared with


def test_passes_at_other_currents_or_from_an_unknown_start_are_not_compared(tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    put(logs, "first", [discharge(1.0, current_A=1.0)], made="2026-03-01T20:00:00Z")
    second = put(logs, "second", [discharge(2.4)], made="2026-03-03T20:00:00Z")
    assert analyse_run(second).passes is None
    third = put(logs, "third", [discharge(2.0)], made="2026-03-05T20:00:00Z")
    run = json.loads((third / "run.json").read_text(encoding="utf-8"))
    (third / "run.json").write_text(json.dumps({**run, "start": "unknown"}), encoding="utf-8")
    assert analyse_run(third).passes is None


def test_an_earlier_run_to_a_lower_cutoff_is_brought_to_the_same_one(tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    put(logs, "first", [discharge(2.0)], made="2026-03-01T20:00:00Z")
    second = put(logs, "second", [discharge(2.0)], made="2026-03-03T20:00:00Z")
    assert analyse_run(second, 3.5).passes.difference == pytest.approx(0.0, abs=1e-9)
    assert analyse_run(second, 3.5).passes.first_Ah < 0.6  # of 1.0 Ah to 3.0 V


def test_nickel_cells_are_given_five_percent_and_it_is_said() -> None:
    assert passes_agree(1.0, 1.03, "nimh")[0] and not passes_agree(1.0, 1.03, "li-ion")[0]
    assert "up to five passes" in passes_agree(1.0, 1.03, "nimh")[2]
    assert not passes_agree(1.0, 1.06, "nimh")[0]
    assert "more than 5 %" in passes_agree(1.0, 1.06, "nimh")[2]
