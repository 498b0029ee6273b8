"""Promises of comparing: ties are ties, outliers have a likely cause, claims meet figures."""

import json
import random

import pytest
from typer.testing import CliRunner

from harness.cli.app import app
from harness.comparing import best_runs, claim_text, compare, outliers, rank, trends
from tests.support.duty_runs import cell_of, write_test


def row(name, capacity, U=0.01, ohm=0.06, rise=3.0, **changes):
    return {"cell": name, "run": name, "capacity_Ah": capacity, "capacity_U_Ah": U, "resistance_ohm": ohm,
            "temperature_rise_K": rise, "form": "18650", "chemistry": "li-ion", "comparable": True, "rank": None,
            "tied_with": [], **changes}  # fmt: skip


def test_cells_that_cannot_be_told_apart_share_a_rank_and_name_each_other():
    ranked = {r["cell"]: r for r in rank([row("a", 2.000), row("b", 2.010), row("c", 1.900), row("d", None)])}
    assert ranked["a"]["rank"] == ranked["b"]["rank"] == 1
    assert ranked["a"]["tied_with"] == ["b"] and ranked["c"]["tied_with"] == []
    assert ranked["c"]["rank"] == 3 and ranked["d"]["rank"] is None


def test_a_run_from_an_unknown_start_is_not_ranked():
    ranked = rank([row("a", 2.0), row("b", 2.5, comparable=False)])
    assert [r["cell"] for r in ranked] == ["a", "b"] and ranked[1]["rank"] is None


@pytest.mark.parametrize(
    ("odd", "told"),
    [
        (row("x", 1.0, ohm=0.2), "worn"),
        (row("x", 2.2, ohm=0.3), "contacts"),
        (row("x", 1.2), "low capacity"),
        (row("x", 2.2, ohm=0.06, rise=25.0), "warmer"),
    ],
)
def test_an_outlier_is_named_with_its_likely_cause(odd, told):
    rng = random.Random(3)
    batch = [row(f"c{n}", rng.gauss(2.2, 0.03), ohm=rng.gauss(0.06, 0.002)) for n in range(8)]
    found = outliers([*batch, odd])
    assert [item["cell"] for item in found] == ["x"]
    assert told in found[0]["text"]


def test_in_an_even_batch_nobody_is_an_outlier():
    assert outliers([row(f"c{n}", 2.2 + 0.002 * n, ohm=0.06 + 0.0003 * n) for n in range(8)]) == []


def test_a_claim_is_put_beside_the_figure():
    assert claim_text(row("L3-a", 0.431, 0.009, claim_Ah=1.2)) == "L3-a: claims 1200 mAh, holds 431 ± 9 mAh"
    assert claim_text(row("L3-a", 0.431, 0.009, claim_Ah=None)) == ""


def figures(created, capacity, start="full"):
    return {
        "cell": "a",
        "created_utc": created,
        "capacity_Ah": capacity,
        "capacity_U_Ah": 0.01,
        "start": start,
        "reached_cutoff": True,
    }


def test_the_course_of_a_cell_says_what_it_lost(tmp_path):
    runs = [(tmp_path, figures("2026-01-01T00:00:00Z", 2.2), {}), (tmp_path, figures("2026-07-01T00:00:00Z", 2.0), {})]
    found = trends(runs)
    assert len(found) == 1 and found[0]["change_Ah"] == pytest.approx(-0.2) and "lost 200 ± 14 mAh" in found[0]["text"]
    still = trends([runs[0], (tmp_path, figures("2026-07-01T00:00:00Z", 2.205), {})])
    assert "no change" in still[0]["text"]


def test_the_run_that_says_most_stands_for_a_cell(tmp_path):
    full = (tmp_path / "1", figures("2026-01-01T00:00:00Z", 2.2), {})
    later = (tmp_path / "2", figures("2026-02-01T00:00:00Z", 1.1, start="unknown"), {})
    assert best_runs([full, later]) == [full]


def test_runs_are_compared_by_command_and_a_damaged_one_hides_none(tmp_path):
    for seed in range(2):
        write_test(tmp_path, cell_of(seed=seed), f"c{seed}", claim_Ah=2.0)
    (tmp_path / "c0" / "20261125T210000Z-overnight").mkdir()
    answered = CliRunner().invoke(
        app, ["compare", "--all", "--logs", str(tmp_path), "--csv", str(tmp_path / "t.csv"), "--json"]
    )
    assert answered.exit_code == 0, answered.output
    data = json.loads(answered.stdout)
    assert {r["cell"] for r in data["cells"]} == {"c0", "c1"} and data["outliers"] == []
    assert {"cell", "run", "capacity_Ah", "capacity_U_Ah", "resistance_ohm", "grade", "rank", "tied_with"} <= set(
        data["cells"][0]
    )
    assert "damaged" in answered.stderr
    assert (tmp_path / "t.csv").read_text(encoding="utf-8").startswith("rank,cell,")
    assert "claims 2000 mAh" in data["cells"][0]["claim_text"]


def test_a_table_is_never_written_over(tmp_path):
    write_test(tmp_path, cell_of(), "c0")
    (tmp_path / "t.csv").write_text("mine")
    answered = CliRunner().invoke(app, ["compare", "--all", "--logs", str(tmp_path), "--csv", str(tmp_path / "t.csv")])
    assert answered.exit_code != 0 and (tmp_path / "t.csv").read_text() == "mine"


def test_compare_reads_each_folder_whole(tmp_path):
    runs = [write_test(tmp_path, cell_of(seed=s), f"c{s}") for s in range(2)]
    found = compare(runs)
    assert [r["rank"] for r in found["cells"]] == [1, 2]
