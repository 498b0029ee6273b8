"""Records of pulses and drives: an answer that fits them, and never a capacity out of a pulse."""

import csv
import random
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.importing.columns import parse_map
from amphora.harness.importing.import_run import import_table
from amphora.harness.report.analysis_text import analysis_lines
from amphora.harness.report.plots import plot_run
from amphora.harness.results.pulses import told_once
from amphora.harness.results.result import PhaseResult, RunWarning

Row = tuple[float, float, float]


def analysed(tmp_path: Path, rows: list[Row]) -> tuple[Path, dict[str, Any]]:
    table, logs = tmp_path / "table.csv", tmp_path / "logs"
    with table.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["time / s", "voltage / V", "current / A"])
        writer.writerows(rows)
    Shelf(logs).add(Cell.from_dict({"id": "a", "form": "18650", "chemistry": "li-ion"}))
    folder = import_table(table, "a", parse_map("t=1,v=2,i=3"), logs=logs)
    return folder, analyse_run(folder)


def pulsed(pulses: int, gap_s: float) -> list[Row]:
    """Rests with 10 s pulses of 3 A, hours without rows between them in which the cell was discharged."""
    rows, t = [], 0.0
    for n in range(pulses):
        open_V = 4.1 - 1.2 * n / pulses
        for k in range(-120, 131):
            amps = -3.0 if 0 < k <= 10 else 0.0
            slow = -0.06 * (1 - 2.718 ** (-max(0, min(k, 10)) / 5)) * (2.718 ** (-max(0, k - 10) / 5))
            rows.append((t + k, open_V + 0.05 * amps + slow, amps))
        t += 260.0 + gap_s
    return rows


def test_a_record_of_pulses_with_gaps_shows_resistance_over_charge_and_no_capacity(tmp_path: Path) -> None:
    folder, result = analysed(tmp_path, pulsed(20, 5400.0))
    assert result.record_kind == "pulses" and result.gaps_unknown == 19
    assert result.capacity_Ah is None and not result.complete
    assert all(phase.pulse and not phase.complete for phase in result.phases)
    assert abs(result.discharged_Ah - 20 * 30 / 3600) < 0.001 and result.net_charge_Ah < 0
    assert len({item.t_s for item in result.resistances}) >= 20
    table = result.resistance_table
    assert table.along == "before_V" and table.at[0] < 3.1 and table.at[-1] > 4.0
    at_10_s = [row[table.times_s.index(10.0)] for row in table.ohm]
    assert all(value is not None and 0.06 < value < 0.075 for value in at_10_s)
    text = "\n".join(analysis_lines(result))
    assert "A record of pulses" in text and "left in it" not in text and "Resistance over charge" in text
    assert len(text.splitlines()) < 60
    assert [path.name for path in plot_run(folder, tmp_path / "run.png", ["resistance"])]


def test_a_gap_is_no_rest(tmp_path: Path) -> None:
    rows = [(float(t), 3.70, 0.0) for t in range(0, 900, 10)]
    rows += [(float(t), 3.702, 0.0) for t in range(9000, 9900, 10)]
    rows += [(9900.0 + t, 3.6, -1.0) for t in range(0, 600, 10)]
    _, result = analysed(tmp_path, rows)
    assert [round(rest.end_s - rest.begin_s) for rest in result.rests] == [890, 890]


def test_a_changing_load_gives_net_charge_and_few_lines(tmp_path: Path) -> None:
    draw = random.Random(3)
    rows, t, moved_As, into_As = [(float(k), 3.7, 0.0) for k in range(30)], 30.0, 0.0, 0.0
    for _ in range(400):
        amps = draw.choice([-4.0, -2.0, -1.0, 0.0, 1.0, 2.0])
        for _ in range(draw.randint(2, 12)):
            rows.append((t, 3.7 + moved_As / 3600 * 0.1 + 0.04 * amps, amps))
            t, moved_As, into_As = t + 1, moved_As + amps, into_As + max(0.0, amps)
    _, result = analysed(tmp_path, rows)
    assert result.record_kind == "changing load"
    assert result.capacity_Ah is None and result.charge_Ah is None
    assert abs(result.net_charge_Ah - moved_As / 3600) < 0.02
    assert abs(result.charged_Ah - into_As / 3600) < 0.03
    assert len(result.phases) > 50 and len(analysis_lines(result)) < 60


def test_many_warnings_of_one_kind_are_one_line() -> None:
    many = tuple(RunWarning("counter-differs", f"number {n}") for n in range(269))
    gap = RunWarning("gap", "one")
    assert told_once([*many, gap]) == (RunWarning("counter-differs", "269 times, first: number 0"), gap)
    assert told_once(many[:3]) == many[:3]


def test_a_short_discharge_of_our_own_is_one(tmp_path: Path) -> None:
    from amphora.harness.analysis.records import Measurement, RunInfo, Specification
    from amphora.harness.results.pulses import kind_of

    nothing = Specification(0.0, 0.0)
    bench = Measurement(nothing, nothing, nothing, nothing)
    entry = PhaseResult("discharge", capacity_Ah=0.001, main_current_A=-1.0)
    ours = RunInfo("r", "c", "18650", "li-ion", "unknown", 3.0, bench, step_kinds=("rest", "discharge"))
    theirs = RunInfo("r", "c", "18650", "li-ion", "unknown", 3.0, bench)
    assert kind_of(ours, [entry]) == "" and kind_of(theirs, [entry]) == "pulses"


def test_the_command_shows_it(tmp_path: Path) -> None:
    folder, _ = analysed(tmp_path, pulsed(6, 3600.0))
    shown = CliRunner().invoke(app, ["analyse", str(folder)])
    assert shown.exit_code == 0 and "says nothing about capacity" in shown.stdout
