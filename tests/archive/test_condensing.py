"""A very long record in bounded memory: condensed figures are the same, what steps stays as it was."""

import json
from pathlib import Path

import numpy as np
import pytest

from amphora.harness.archive import condensing
from amphora.harness.archive.condensing import Condenser
from amphora.harness.archive.loading import load_all
from tests.support.paper_runs import write_pulsed_run


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Treat a night of 14,401 rows as a very long record, in buffers of 2,000 rows."""
    monkeypatch.setattr(condensing, "MOST_ROWS", 10_000)
    monkeypatch.setattr(condensing, "AIM_ROWS", 3_000)
    monkeypatch.setattr(condensing, "BUFFER_ROWS", 2_000)


def test_the_figures_of_a_condensed_night_are_those_of_the_whole(tmp_path: Path, small: None) -> None:
    """Charge by the trapezoid of the very same rows, in numpy; four stops of 30 s stay row by row."""
    folder = write_pulsed_run(tmp_path)
    whole, condensed = load_all(folder, extras=False), load_all(folder, extras=False, condensed=True)
    a, b = whole.record, condensed.record
    assert b.t_s.size < 0.6 * a.t_s.size
    assert any("count as their mean" in text for text in condensed.notices)
    for weigh in (lambda r: r.current_A, lambda r: r.current_A * r.voltage_V):
        assert np.trapezoid(weigh(b), b.t_s) == pytest.approx(np.trapezoid(weigh(a), a.t_s), rel=1e-7)
    for stop in (2000, 5000, 8000, 11000):
        near = (a.t_s >= stop - 15) & (a.t_s <= stop + 90)
        also = (b.t_s >= stop - 15) & (b.t_s <= stop + 90)
        assert np.array_equal(a.t_s[near], b.t_s[also])
        assert np.array_equal(a.voltage_V[near], b.voltage_V[also])
    assert (np.diff(b.t_s) > 0).all()
    assert b.t_s[0] == a.t_s[0]


def test_a_gap_keeps_its_place(tmp_path: Path, small: None) -> None:
    folder = write_pulsed_run(tmp_path)
    path = folder / "events.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines()
    gap = {"kind": "gap", "t_s": 6001.0, "after_row": 6001, "from_s": 6000.0, "to_s": 6001.0, "charge_low_Ah": None,
           "charge_high_Ah": None}  # fmt: skip
    path.write_text("\n".join([lines[0], json.dumps(gap), *lines[1:]]) + "\n", encoding="utf-8")
    whole = load_all(folder, extras=False).record
    found = load_all(folder, extras=False, condensed=True).record
    assert len(found.gaps) == len(whole.gaps) == 1
    assert found.t_s[found.gaps[0].after_row] == whole.t_s[whole.gaps[0].after_row] == 6001.0
    assert found.t_s[found.gaps[0].after_row - 1] == 6000.0


def test_a_usual_night_is_never_condensed(tmp_path: Path) -> None:
    folder = write_pulsed_run(tmp_path)
    assert load_all(folder, condensed=True).record.t_s.size == load_all(folder).record.t_s.size
    assert Condenser(condensing.MOST_ROWS).every == 1
    assert Condenser(10_000_000).every == 4
    assert condensing.MOST_ROWS == 4_000_000  # four columns of these and two totals stay well below 400 MB
