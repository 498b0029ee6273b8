"""What each source of cells gives: medians and shares with their intervals, few cells said, and words that follow."""

import json
import random
from pathlib import Path

import pytest
from night_of_bays import write_bay
from scipy import stats
from typer.testing import CliRunner

from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.decisions.sources import One, by_source, compared, middle_of, wilson, worth


@pytest.mark.parametrize(("count", "n"), [(0, 1), (1, 1), (0, 12), (3, 12), (12, 12), (17, 40), (1, 400)])
def test_the_interval_of_a_share_is_scipys(count: int, n: int) -> None:
    # Source: scipy.stats.binomtest(...).proportion_ci(method="wilson"), a general reference library
    ours = wilson(count, n)
    theirs = stats.binomtest(count, n).proportion_ci(0.95, method="wilson")
    assert (ours.low, ours.high) == (pytest.approx(theirs.low, abs=1e-12), pytest.approx(theirs.high, abs=1e-12))
    assert 0.0 <= ours.low <= count / n <= ours.high <= 1.0


def test_of_no_cell_nothing_is_known() -> None:
    assert (wilson(0, 0).low, wilson(0, 0).high, wilson(0, 0).share) == (0.0, 1.0, None)


@pytest.mark.parametrize("n", [6, 7, 9, 12, 20, 41, 100])
def test_the_interval_of_a_median_is_the_narrowest_pair_that_holds_95_percent(n: int) -> None:
    # Source: binomial sums of scipy.stats.binom
    middle = middle_of([float(value) for value in range(n)])
    assert middle.low is not None and middle.high is not None
    below = int(middle.low)
    assert middle.high == n - 1 - below
    assert 2 * stats.binom.cdf(below, n, 0.5) <= 0.05 < 2 * stats.binom.cdf(below + 1, n, 0.5)


def test_the_interval_of_a_median_covers_on_skewed_values() -> None:
    rng = random.Random(11)
    held = 0
    for _ in range(2000):
        middle = middle_of([rng.lognormvariate(0.0, 0.8) for _ in range(15)])
        assert middle.low is not None and middle.high is not None
        held += middle.low <= 1.0 <= middle.high  # the median of that distribution is 1
    assert held / 2000 >= 0.95 - 0.015


def test_of_five_values_no_interval_is_given() -> None:
    middle = middle_of([1.0, 2.0, 3.0, 4.0, 5.0])
    assert (middle.median, middle.low, middle.high) == (3.0, None, None)


def some(source: str, good: int, duds: int, open_: int = 0, month: str = "2026-10") -> list[One]:
    return (
        [One(f"{source}-g{k}", source, month, 1.8 + 0.01 * k, 0.06, 2.0, False) for k in range(good)]
        + [One(f"{source}-d{k}", source, month, 0.6, 0.20, None, True) for k in range(duds)]
        + [One(f"{source}-o{k}", source, month) for k in range(open_)]
    )


def test_which_source_is_worth_opening_is_said_in_words() -> None:
    found = by_source([*some("bin", 1, 24, 2), *some("hall", 28, 2, 3), *some("shed", 0, 0, 4)])
    assert [one.source for one in found] == ["hall", "bin", "shed"]
    hall, bin_, shed = found
    assert hall.text.startswith("worth opening: 2 of 30 are duds")
    assert bin_.text.startswith("not worth opening: 24 of 25 are duds")
    assert shed.text == "none of 4 cells decided yet"
    assert compared(found) == ["hall before bin: fewer duds (7 against 96 %)"]
    assert hall.cells == 33 and hall.duds.n == 30  # undecided cells are in no share
    assert hall.usable_Ah == pytest.approx(28 / 30 * (hall.capacity.median or 0))


def test_few_cells_are_said_and_decide_nothing() -> None:
    assert worth(wilson(0, 3), 3) == "cannot tell yet: 0 of 3 are duds (0 to 56 %); only 3 decided cells"
    assert worth(wilson(0, 5), 5).startswith("worth opening: 0 of 5 are duds (0 to 43 %); only 5 decided cells")
    near = by_source([*some("a", 9, 3), *some("b", 8, 4)])
    assert compared(near) == ["no two sources differ for sure in their share of duds yet"]


def test_months_stand_apart_and_what_has_none_says_so() -> None:
    found = by_source([*some("hall", 3, 0), *some("hall", 2, 1, month="2026-11"), One("x", "", "")], months=True)
    assert {(one.source, one.month) for one in found} == {
        ("hall", "2026-10"), ("hall", "2026-11"), ("(no source)", "(no date)"),
    }  # fmt: skip


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    logs = tmp_path / "logs"
    for number in range(8):
        source = "hall lights" if number < 5 else "<b>bin"
        state = "retired" if number >= 6 else "found"
        Shelf(logs).add(Cell(f"c{number}", "18650", "li-ion", source, state=state, as_found_utc="2026-10-03T10:00:00Z"))
    return logs


def test_the_command_gives_table_json_csv_and_picture(shelf: Path, tmp_path: Path) -> None:
    csv, plot = tmp_path / "s.csv", tmp_path / "s.png"
    done = CliRunner().invoke(app, ["sources", "--logs", str(shelf), "--csv", str(csv), "--plot", str(plot)])
    assert done.exit_code == 0, done.output
    assert "hall lights" in done.stdout and "cannot tell yet: 2 of 2 are duds" in done.stdout
    assert csv.read_text(encoding="utf-8").splitlines()[0].startswith("source,month,cells")
    assert plot.read_bytes().startswith(b"\x89PNG")
    answer = json.loads(CliRunner().invoke(app, ["sources", "--logs", str(shelf), "--json", "--months"]).stdout)
    assert {(one["source"], one["month"], one["cells"]) for one in answer["sources"]} == {
        ("hall lights", "2026-10", 5), ("<b>bin", "2026-10", 3),
    }  # fmt: skip


def test_the_report_has_the_sources_and_lets_no_name_in_as_a_tag(shelf: Path, tmp_path: Path) -> None:
    from datetime import UTC, datetime

    write_bay(shelf, "c0", "", 1.0, datetime(2026, 11, 1, tzinfo=UTC), events=({"kind": "stopped", "reason": "time"},))
    out = tmp_path / "r.html"
    done = CliRunner().invoke(app, ["report", "--all", "--logs", str(shelf), "--out", str(out)])
    assert done.exit_code == 0, done.output
    text = out.read_text(encoding="utf-8")
    assert "<h2>By source</h2>" in text and "&lt;b&gt;bin" in text and "<b>bin" not in text


def test_an_empty_shelf_is_one_sentence(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["sources", "--logs", str(tmp_path)])
    assert done.exit_code != 0
