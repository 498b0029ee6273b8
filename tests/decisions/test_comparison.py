"""Promises of comparing: ties are ties, outliers have a likely cause, claims meet figures."""

import json
import math
import random
import re
from dataclasses import replace

import pytest
from typer.testing import CliRunner

from amphora.harness.account.kept_answers import CellRun
from amphora.harness.analysis.resistance_warmth import at_temperature
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.common.as_json import from_json, to_json
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.cell_runs import best_runs
from amphora.harness.decisions.compared import Basis, ComparedRow, Comparison, OnBasis
from amphora.harness.decisions.comparison import claim_text, compare, outliers, rank
from amphora.harness.decisions.trends import CourseOfCell, trends
from amphora.harness.report.tables import comparison_table
from tests.support.duty_runs import cell_of, write_test
from tests.support.made_results import result_of


def row(name, capacity, U=0.01, ohm=0.06, rise=3.0, **changes):
    return ComparedRow(
        cell=name, run=name, capacity_Ah=capacity, capacity_U_Ah=U, resistance_ohm=ohm, temperature_rise_K=rise,
        form="18650", chemistry="li-ion", **changes,
    )  # fmt: skip


def test_cells_that_cannot_be_told_apart_share_a_rank_and_name_each_other():
    ranked = {r.cell: r for r in rank([row("a", 2.000), row("b", 2.010), row("c", 1.900), row("d", None)])}
    assert ranked["a"].rank == ranked["b"].rank == 1
    assert ranked["a"].tied_with == ("b",) and ranked["c"].tied_with == ()
    assert ranked["c"].rank == 3 and ranked["d"].rank is None


def test_a_run_from_an_unknown_start_is_not_ranked():
    ranked = rank([row("a", 2.0), row("b", 2.5, comparable=False)])
    assert [r.cell for r in ranked] == ["a", "b"] and ranked[1].rank is None


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
    assert [item.cell for item in found] == ["x"]
    assert told in found[0].text


def test_cold_alone_makes_no_outlier_and_a_bad_cell_in_the_cold_is_one():
    # 17.1 kJ/mol: a cell at 12 degC resists 1.4 times as much as at 26 (Arrhenius' law, closed form).
    def at(name, degC, ohm_at_20=0.06):
        ohm = ohm_at_20 * math.exp(17.1e3 / 8.314462618 * (1 / (degC + 273.15) - 1 / 293.15))
        found = at_temperature(ohm, 0.001, degC)
        return row(name, 2.2, ohm=ohm, resistance_at=found)

    batch = [at(f"c{n}", 24.0 + 0.3 * n, 0.06 + 0.0003 * n) for n in range(8)]
    assert outliers([*batch, at("cold", 12.0)]) == []
    assert [item.cell for item in outliers([*batch, at("cold", 12.0, 0.15)])] == ["cold"]
    raw = [replace(one, resistance_at=None) for one in [*batch, at("cold", 12.0)]]
    assert [item.cell for item in outliers(raw)] == ["cold"]  # as it was before


def test_in_an_even_batch_nobody_is_an_outlier():
    assert outliers([row(f"c{n}", 2.2 + 0.002 * n, ohm=0.06 + 0.0003 * n) for n in range(8)]) == []


def test_a_claim_is_put_beside_the_figure():
    assert claim_text("L3-a", 1.2, 0.431, 0.009) == "L3-a: claims 1200 mAh, holds 431.0 ± 9.0 mAh"
    assert claim_text("L3-a", None, 0.431, 0.009) == claim_text("L3-a", 1.2, None, None) == ""


def figures(created, capacity, start="full"):
    return {
        "cell": "a",
        "created_utc": created,
        "capacity_Ah": capacity,
        "capacity_U_Ah": 0.01,
        "start": start,
        "reached_cutoff": True,
    }


def run_of(folder, plain):
    return CellRun(folder, result_of(plain), Cell("a"), plain["created_utc"])


def test_the_course_of_a_cell_says_what_it_lost(tmp_path):
    days = (("2026-01-01T00:00:00Z", 2.2), ("2026-07-01T00:00:00Z", 2.0))
    runs = [run_of(tmp_path, figures(*day)) for day in days]
    found = trends(runs)
    assert len(found) == 1 and found[0].change_Ah == pytest.approx(-0.2) and "lost 200 ± 14 mAh" in found[0].text
    still = trends([runs[0], run_of(tmp_path, figures("2026-07-01T00:00:00Z", 2.205))])
    assert "no change" in still[0].text
    assert [from_json(CourseOfCell, json.loads(json.dumps(to_json(one)))) for one in (*found, *still)] == [
        *found,
        *still,
    ]


def test_the_run_that_says_most_stands_for_a_cell(tmp_path):
    full = run_of(tmp_path / "1", figures("2026-01-01T00:00:00Z", 2.2))
    later = run_of(tmp_path / "2", figures("2026-02-01T00:00:00Z", 1.1, start="unknown"))
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
    assert [r.rank for r in found.cells] == [1, 2]
    assert from_json(Comparison, json.loads(json.dumps(to_json(found)))) == found


def recorded(file, amps, share=1.0, more_ohm=1.0, degC=20.0, stop_V=3.0):
    """Write a table as a person's logger would: a rest, then a discharge broken by short rests."""
    made = cell_of(degC=degC)
    cell = cell_of(
        degC=degC,
        capacity_Ah=share * made.spec.capacity_Ah,
        r0_ohm=more_ohm * made.spec.r0_ohm,
    )
    rows, t, done = ["time_s,voltage_V,current_A,temperature_degC"], 0.0, False
    parts = [(600.0, 0.0, 5.0)]
    while not done:
        for seconds, current_A, every_s in parts:
            for _ in range(round(seconds / every_s)):
                volt = cell.voltage(-current_A)
                rows.append(f"{t:.1f},{volt:.5f},{-current_A:.5f},{cell.temperature_degC:.2f}")
                done = done or volt <= stop_V
                if done:
                    break
                cell.advance(every_s, -current_A)
                t += every_s
        parts = [(360.0 * 0.4 / amps, amps, 5.0), (30.0, 0.0, 1.0)]
    file.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return file


def call(*args):
    return CliRunner().invoke(app, [str(arg) for arg in args])


def brought_in(tmp_path, cell, *runs, cutoff_V=3.0, start="full"):
    """Put a cell on the shelf and import a record for each run."""
    logs = tmp_path / "logs"
    if not (logs / cell).exists():
        added = call("cell", "add", cell, "--form", "18650", "--chemistry", "li-ion", "--as-found", "3.7 V",
                     "--inspection", "sound", "--logs", logs)  # fmt: skip
        assert added.exit_code == 0, added.output
    for number, run in enumerate(runs):
        file = recorded(tmp_path / f"{cell}-{number}-{len(list(tmp_path.iterdir()))}.csv", **run)
        taken = call("import", file, "--cell", cell, "--start", start, "--discharge-sign", "negative", "--cutoff",
                     f"{cutoff_V} V", "--map", "t=time_s,v=voltage_V,i=current_A,temp=temperature_degC",
                     "--logs", logs)  # fmt: skip
        assert taken.exit_code == 0, taken.output
    return logs


def compared(logs, *options):
    done = call("compare", "--all", "--logs", logs, "--json", *options)
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout)
    return data, {entry["cell"]: entry for entry in data["cells"]}


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    """A shelf whose cells are all the same one, run at different currents and temperatures, by import."""
    tmp_path = tmp_path_factory.mktemp("mixed")
    brought_in(tmp_path, "two-rates", {"amps": 0.2}, {"amps": 0.8})
    brought_in(tmp_path, "there", {"amps": 0.4})
    brought_in(tmp_path, "one-rate", {"amps": 0.2})
    brought_in(tmp_path, "cold", {"amps": 0.4, "degC": 2.0})
    return brought_in(tmp_path, "not-full", {"amps": 0.4}, start="unknown")


def test_on_a_common_basis_an_estimate_meets_what_the_same_cell_holds_there(mixed):
    data, rows = compared(mixed, "--at-current", "0.4 A", "--at-temperature", "20 degC")
    estimate, held = rows["two-rates"]["common_basis"], rows["there"]["common_basis"]
    assert estimate["estimate"] is True and estimate["converted"] is True and estimate["runs"] == 2
    assert held["estimate"] is True and held["converted"] is False
    assert held["capacity_Ah"] == rows["there"]["capacity_Ah"]
    assert abs(estimate["capacity_Ah"] - held["capacity_Ah"]) < 0.015 * held["capacity_Ah"]
    assert estimate["capacity_Ah"] != rows["two-rates"]["capacity_Ah"]
    assert estimate["capacity_U_Ah"] > rows["two-rates"]["capacity_U_Ah"]
    assert held["capacity_U_Ah"] > rows["there"]["capacity_U_Ah"]
    assert estimate["basis"] == {"current_A": 0.4, "temperature_degC": 20.0, "cutoff_V": 3.0}
    assert data["ranked_on"] == "measured" and rows["one-rate"]["rank"] == 1


@pytest.mark.parametrize(
    ("cell", "told"),
    [("one-rate", "only run was made at 0.2 A"), ("cold", "2.03 °C|2 °C"), ("not-full", "full start")],
)
def test_a_cell_whose_runs_do_not_carry_the_basis_gets_none_and_the_reason(mixed, cell, told):
    _, rows = compared(mixed, "--at-current", "0.4 A", "--at-temperature", "20 degC")
    found = rows[cell]["common_basis"]
    assert found["capacity_Ah"] is None and found["capacity_U_Ah"] is None and found["estimate"] is True
    assert re.search(told, found["why"])


def test_ranking_stays_on_what_was_measured_unless_asked_and_says_so(mixed, tmp_path):
    plain, rows = compared(mixed)
    assert plain["ranked_on"] == "measured" and "common_basis" not in rows["cold"]
    data, rows = compared(mixed, "--at-current", "0.4 A", "--at-temperature", "20 degC", "--rank-on-basis")
    assert data["ranked_on"] == "common basis"
    assert rows["two-rates"]["rank"] == rows["there"]["rank"] == 1
    assert rows["two-rates"]["tied_with"] == ["there"]
    assert rows["one-rate"]["rank"] is rows["cold"]["rank"] is None
    table = tmp_path / "t.csv"
    shown = call("compare", "--all", "--logs", mixed, "--at-current", "0.4 A", "--csv", table)
    assert "ranked on what was measured" in shown.stdout and "estimate from 2 runs" in shown.stdout
    assert table.read_text(encoding="utf-8").splitlines()[0].endswith("basis_Ah,basis_U_Ah,basis_why")
    assert "ranked on the common basis, an estimate" in call(
        "compare", "--all", "--logs", mixed, "--rank-on-basis"
    ).stdout  # fmt: skip


def test_records_to_different_cut_offs_are_brought_to_the_higher_one(tmp_path):
    brought_in(tmp_path, "deep", {"amps": 0.4, "stop_V": 2.7}, cutoff_V=2.7)
    logs = brought_in(tmp_path, "shallow", {"amps": 0.4, "stop_V": 3.3}, cutoff_V=3.3)
    _, rows = compared(logs, "--common-basis")
    deep, shallow = rows["deep"], rows["shallow"]
    assert deep["common_basis"]["basis"]["cutoff_V"] == 3.3
    assert deep["common_basis"]["capacity_Ah"] < deep["capacity_Ah"]
    assert deep["common_basis"]["capacity_Ah"] == pytest.approx(shallow["common_basis"]["capacity_Ah"], rel=1e-3)
    _, rows = compared(logs, "--at-cutoff", "2.7 V")
    assert rows["deep"]["common_basis"]["capacity_Ah"] == rows["deep"]["capacity_Ah"]
    assert "does not reach 2.7 V" in rows["shallow"]["common_basis"]["why"]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--at-current", "much"], "--at-current: 'much'"),
        (["--at-current=-1 A"], "--at-current '-1 A' is not accepted"),
        (["--at-cutoff", "0 V"], "--at-cutoff '0 V' is not accepted"),
        (["--each-run", "--rank-on-basis"], "a cell has one such figure"),
    ],
)
def test_a_basis_that_is_none_is_refused_in_one_sentence(mixed, options, told):
    done = call("compare", "--all", "--logs", mixed, *options)
    assert isinstance(done.exception, InputError) and told in str(done.exception)
    assert done.exception.exit_code == 2 and done.stdout == ""


def test_the_course_of_a_worn_cell_tells_capacity_and_resistance(tmp_path):
    worn = [{"amps": 0.4, "share": 1.0 - 0.07 * n, "more_ohm": 1.0 + 0.5 * n} for n in range(3)]
    logs = brought_in(tmp_path, "worn", *worn)
    brought_in(tmp_path, "same", *[{"amps": 0.4}] * 3)
    data, _ = compared(logs)
    found = {entry["cell"]: entry for entry in data["trends"]}
    capacity, resistance = found["worn"]["capacity"], found["worn"]["resistance"]
    held = cell_of().spec.capacity_Ah
    assert capacity["significant"] and capacity["runs"] == 3
    assert capacity["change_Ah"] == pytest.approx(-0.14 * held, abs=0.03 * held)
    assert resistance["significant"] and resistance["runs"] == 3
    grown = cell_of().spec.r0_ohm
    assert abs(resistance["change_ohm"] - grown) < 0.1 * grown + resistance["change_U_ohm"]
    assert {"method", "duration_s", "current_A", "charge_state", "leads"} <= set(resistance["like"])
    for part in (found["same"]["capacity"], found["same"]["resistance"]):
        assert not part["significant"] and "no change larger than its uncertainty" in part["text"]
    shown = call("compare", "--all", "--logs", logs).stdout
    assert re.search(r"over time: worn: .* lost \d+ ± \d+ mAh; resistance .* grew by [\d.]+ ± [\d.]+ mΩ", shown)
    # an imported table that names no date says in which order it came in, not when it was measured
    assert found["worn"]["days"] is None and "days" not in found["worn"]["text"]


def test_runs_that_are_not_alike_make_no_course_and_are_named(tmp_path):
    logs = brought_in(tmp_path, "c", {"amps": 0.4}, {"amps": 0.8}, {"amps": 0.4, "degC": 2.0}, {"amps": 0.4})
    data, _ = compared(logs)
    capacity, resistance = data["trends"][0]["capacity"], data["trends"][0]["resistance"]
    assert capacity["runs"] == resistance["runs"] == 2 and not capacity["significant"]
    assert sorted(entry["why"] for entry in capacity["left_out"]) == ["another current", "another temperature"]
    assert len(resistance["left_out"]) == 2
    (tmp_path / "other").mkdir()
    other = brought_in(tmp_path / "other", "d", {"amps": 0.4}, {"amps": 0.8})
    assert "another current" in compared(other)[0]["trends"][0]["capacity"]["why"]


def pulses(created, ohm, degC=20.0, state=0.5, duration=10.0, amps=-0.5, sensed_at="cell"):
    pulse = {"method": "load step", "ohm": ohm, "U_ohm": 0.0005, "current_A": amps, "duration_s": duration,
             "charge_state": state, "leads": "out"}  # fmt: skip
    return {"cell": "a", "created_utc": created, "resistances": [pulse], "temperature_degC": degC,
            "bench": {"sensed_at": sensed_at}}  # fmt: skip


def test_a_growth_within_what_a_contact_makes_is_not_told_unless_sensed_at_the_cell(tmp_path):
    days = ("2026-01-01T00:00:00Z", "2026-07-01T00:00:00Z")

    def course(**changes):
        values = zip(days, (0.060, 0.063), strict=True)
        return trends([run_of(tmp_path, pulses(day, ohm, **changes)) for day, ohm in values])[0].resistance

    assert course().significant and course().days == 181
    assert "grew by 3.0 ± 0.7 mΩ" in course().text
    assert not course(sensed_at="load").significant


@pytest.mark.parametrize(
    "other", [{"state": 0.8}, {"duration": 1.0}, {"amps": -1.0}, {"degC": 30.0}, {"sensed_at": "load"}, {"state": None}]
)
def test_pulses_that_are_not_alike_make_no_course(tmp_path, other):
    tests = [
        {**figures(day, 2.2), **pulses(day, ohm, **more)}
        for day, ohm, more in (("2026-01-01T00:00:00Z", 0.06, {}), ("2026-07-01T00:00:00Z", 0.09, other))
    ]
    assert "alike" in trends([run_of(tmp_path, test) for test in tests])[0].resistance.why


def test_a_charge_and_a_test_are_no_repeated_runs_and_are_not_spoken_of(tmp_path):
    charge = pulses("2026-01-01T00:00:00Z", 0.06, amps=0.3)
    test = {**figures("2026-01-02T00:00:00Z", 2.2), **pulses("2026-01-02T00:00:00Z", 0.09)}
    assert trends([run_of(tmp_path, charge), run_of(tmp_path, test)]) == []


def test_bases_that_differ_by_chemistry_are_said_to():
    def line(*volts):
        none = [OnBasis(None, None, Basis(0.2, None, volt), why="no run") for volt in volts]
        rows = tuple(row(f"c{found.basis.cutoff_V}", 2.0, common_basis=found) for found in none)
        return comparison_table(Comparison(cells=rows, ranked_on="common basis"))

    assert "a basis of its own" in line(3.0, 2.5) and "a basis of its own" not in line(3.0, 3.0)
    assert "none: no run" in line(3.0)


def test_of_many_ties_the_table_names_a_few_and_counts_the_rest():
    def line(ties):
        return comparison_table(Comparison(cells=(replace(row("c-0", 1.0), rank=1, tied_with=ties),)))

    names = tuple(f"c-{k}" for k in range(1, 10))
    assert "c-1, c-2, c-3 and 6 more" in line(names) and "c-4" not in line(names)
    assert "c-1, c-2, c-3, c-4  " in line(names[:4])
