"""Promises of `import amphora`: the same answers as the command line, and the page about it runs as written."""

import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import amphora
from amphora.harness.common.errors import InputError

ROOT = Path(__file__).parents[2]
OLD = ROOT / "tests" / "fixtures" / "v0_1_0" / "logs"


@pytest.fixture
def logs(tmp_path: Path) -> Path:
    shutil.copytree(OLD / "gate-1", tmp_path / "logs" / "gate-1")
    return tmp_path / "logs"


def line(hours: float = 2.0, current_A: float = -0.5) -> pd.DataFrame:
    t = np.arange(0.0, hours * 3600.0 + 1.0, 10.0)
    return pd.DataFrame({"t_s": t, "voltage_V": 4.15 - 1.2 * t / t[-1], "current_A": np.full(t.size, current_A)})


def test_readings_carry_their_units_and_give_the_charge_that_the_result_states(logs: Path) -> None:
    run = next((logs / "gate-1").glob("*-overnight"))
    frame = amphora.readings(run)
    assert frame.attrs["units"]["current_A"] == "A" and frame.attrs["cell"] == "gate-1"
    found = amphora.result(run)
    out_A = frame["current_A"].clip(upper=0.0)  # second method: the plain rule over all rows
    by_hand_Ah = -np.trapezoid(out_A, frame["t_s"]) / 3600.0
    assert found.capacity_Ah == pytest.approx(by_hand_Ah, rel=0.02)


def test_a_frame_in_memory_is_analysed_by_the_closed_form(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    found = amphora.analyse(line(), cutoff_V=3.0, start="full", chemistry="li-ion")
    # 0.5 A for the time to 3.00 V on a straight line from 4.15 to 2.95 V in two hours (closed form).
    assert found.capacity_Ah == pytest.approx(0.5 * 2.0 * 1.15 / 1.2, rel=1e-3)
    assert found.reached_cutoff and found.start == "declared-full"
    assert list(tmp_path.iterdir()) == []  # nothing is kept


def test_a_frame_without_a_column_is_refused_in_one_sentence() -> None:
    with pytest.raises(InputError, match="no column 'current_A'"):
        amphora.analyse(line().drop(columns="current_A"))


def test_the_standing_of_a_cell_is_that_of_the_command(logs: Path) -> None:
    standing = amphora.standing("gate-1", logs)
    assert standing.cell == "gate-1" and set(standing.to_dict()["may"]) == {
        "charge",
        "discharge",
        "grade",
        "match",
        "certify",
    }
    assert [cell.id for cell in amphora.shelf(logs).cells()] == ["gate-1"]


def test_the_page_runs_as_written(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(logs.parent)
    page = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", page, re.DOTALL)
    assert len(blocks) >= 4
    space: dict[str, object] = {}
    for block in blocks:
        exec(compile(block, "docs/python.md", "exec"), space)  # the page's own code, ours
