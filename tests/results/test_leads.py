"""Promises of leads, holder and contact: measured by a run, taken out of the others, and each number says so."""

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from amphora.harness.account.answer import analyse_run
from amphora.harness.analysis.leads import leads_between
from amphora.harness.analysis.resistance import LOAD_STEP, Resistance
from amphora.harness.archive.loading import measurement_of
from amphora.harness.archive.run_header import MeasurementOfRun
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.common.as_json import known_of
from amphora.harness.common.errors import AnalysisError, InputError
from amphora.harness.results.circuit import circuit_of
from amphora.harness.results.leads import UNKNOWN_U_OHM
from amphora.harness.running.session import Request, carry_out, open_rig
from amphora.harness.running.simulated_session import SimulatedSession

LEADS_OHM = 0.045
CAPACITY_AH = 1.0


def run_on(logs: Path, cell: str, profile: str, **options: Any) -> tuple[Path, SimulatedSession]:
    """Make one run on a simulated bench, whose voltage is sensed at the load's terminals unless told."""
    shelf = Shelf(logs)
    if not (shelf.folder(cell) / "cell.json").is_file():
        shelf.add(Cell.from_dict({"id": cell, "form": "18650", "chemistry": "li-ion", "as_found_V": 3.7,
                                  "claim_Ah": CAPACITY_AH, "declared_rechargeable": True}))  # fmt: skip
    session = SimulatedSession(logs, cell, "li-ion", 4, **{"lead_ohm": LEADS_OHM, "sense": False, **options})
    rig = open_rig(session.description, session.clock, session.open)
    request = Request(cell, profile, logs, present=True, capacity_Ah=CAPACITY_AH)
    try:
        outcome = carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
    finally:
        rig.close()
        session.keep()
    return Path(outcome.folder), session


def at_half(items: list[dict[str, Any]], duration_s: float) -> list[dict[str, Any]]:
    return [item for item in items if item.method == LOAD_STEP and abs(item.duration_s - duration_s) < 0.2 * duration_s]


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    logs = tmp_path_factory.mktemp("two-wire")
    night, session = run_on(logs, "a", "overnight", start_soc=1.0)
    before = analyse_run(night)
    leads, _ = run_on(logs, "b", "leads", start_soc=0.6)
    after = analyse_run(night)
    return {"logs": logs, "night": night, "before": before, "leads": leads, "after": after, "bench": session.bench}


def test_the_leads_recipe_measures_the_leads_of_the_bench_within_its_uncertainty(evening: dict[str, Any]) -> None:
    found = analyse_run(evening["leads"]).leads_measured
    assert found.problem is None
    assert found.pulses >= 3
    assert abs(found.ohm - LEADS_OHM) < found.U_ohm
    assert found.U_ohm < 0.003  # a bound that says something
    text = CliRunner().invoke(app, ["analyse", str(evening["leads"])]).stdout
    assert "Leads and holder: " in text and "the contact holds" in text


def test_before_the_leads_are_measured_each_resistance_says_that_they_are_in(evening: dict[str, Any]) -> None:
    before = evening["before"]
    assert before.leads.state == "in"
    assert {item.leads for item in before.resistances} == {"in"}


def test_the_leads_are_taken_out_of_every_resistance_with_their_uncertainty(evening: dict[str, Any]) -> None:
    before, after = evening["before"], evening["after"]
    measured = analyse_run(evening["leads"]).leads_measured
    assert after.leads.state == "out"
    assert Path(after.leads.from_run) == evening["leads"].absolute()
    assert len(after.resistances) == len(before.resistances) > 0
    for was, now in zip(before.resistances, after.resistances, strict=True):
        assert now.leads == "out"
        assert now.ohm == pytest.approx(was.ohm - measured.ohm)
        assert was.U_ohm > UNKNOWN_U_OHM  # what nobody measured is counted
        own = was.U_ohm**2 - UNKNOWN_U_OHM**2
        assert now.U_ohm == pytest.approx((own + measured.U_ohm**2) ** 0.5)
    phase = next(p for p in after.phases if p.resistances)
    assert {item.leads for item in phase.resistances} == {"out"}


def test_what_is_left_is_the_cell_as_sensed_at_its_own_ends(evening: dict[str, Any], tmp_path: Path) -> None:
    night, _ = run_on(tmp_path, "a", "overnight", start_soc=1.0, sense=True)
    true = analyse_run(night)
    assert true.leads.state == "out" and true.leads.ohm is None
    pairs = list(zip(at_half(true.resistances, 10.0), at_half(evening["after"].resistances, 10.0), strict=False))
    assert pairs
    for cell, two_wire in pairs:
        assert abs(cell.ohm - two_wire.ohm) < (cell.U_ohm**2 + two_wire.U_ohm**2) ** 0.5
    before, after, true = (one.to_json() for one in (evening["before"], evening["after"], true))
    for name, unit in (("capacity", "Ah"), ("energy", "Wh")):  # the leads leave these alike
        key, U = f"{name}_{unit}", f"{name}_U_{unit}"
        raw = json.loads((evening["night"] / "result.json").read_text(encoding="utf-8"))["result"]
        assert abs(after[key] - true[key]) < (after[U] ** 2 + true[U] ** 2) ** 0.5
        assert raw[key] < after[key] and raw[U] < after[U] < before[U]
        assert abs(before[key] - true[key]) < before[U]  # not measured: in U, nothing taken out
        table = after["budget"][name]
        assert (table["value"], table["U"]) == (after[key], after[U])
        total = sum(line["contribution"] ** 2 for line in table["lines"]) ** 0.5
        assert table["u"] == pytest.approx(total, rel=1e-6)


def test_a_person_reads_whether_leads_are_in(evening: dict[str, Any]) -> None:
    text = CliRunner().invoke(app, ["analyse", str(evening["night"])]).stdout
    assert "leads and holder, " in text and "are taken out" in text


def test_the_circuit_is_the_cells_own_too(evening: dict[str, Any]) -> None:
    found = circuit_of(evening["night"])
    circuit = found.circuit
    measured = analyse_run(evening["leads"]).leads_measured
    true_ohm = evening["bench"].truth()["r0_ohm"]
    assert found.leads.state == "out"
    assert circuit.u_r0_ohm >= measured.U_ohm / 2
    assert abs(circuit.r0_ohm - true_ohm) < 0.3 * LEADS_OHM + 2 * circuit.u_r0_ohm


def test_a_later_leads_run_changes_nothing_that_had_an_earlier_one(evening: dict[str, Any]) -> None:
    begin_utc = evening["bench"].clock.utc() + timedelta(days=1)
    later, _ = run_on(evening["logs"], "c", "leads", start_soc=0.6, lead_ohm=0.2, begin_utc=begin_utc)
    assert analyse_run(later).leads_measured.ohm == pytest.approx(0.2, abs=0.005)
    assert analyse_run(evening["night"]).leads.ohm == evening["after"].leads.ohm


def test_a_holder_that_touches_elsewhere_when_reseated_is_told_as_the_contact(tmp_path: Path) -> None:
    folder, session = run_on(tmp_path, "a", "leads", start_soc=0.6, contact_spread_ohm=0.05)
    assert "reseated" in session.bench.fired
    added = session.bench.lead_ohm - LEADS_OHM
    assert added > 0.008  # the fault is there
    result = analyse_run(folder)
    found = result.leads_measured
    assert found.contact_is_bad is True
    assert found.contact_difference_ohm == pytest.approx(added, abs=0.002)
    assert found.U_ohm > found.contact_difference_ohm  # another seat may be as far off
    told = [item.text for item in result.warnings if item.code == "contact"]
    assert len(told) == 1 and "that is the contact, not the cell" in told[0]


def test_clips_at_the_wrong_places_are_told_and_nothing_is_taken_out(tmp_path: Path) -> None:
    folder, _ = run_on(tmp_path, "a", "leads", start_soc=0.6)
    path = folder / "run.json"
    run = json.loads(path.read_text(encoding="utf-8"))
    for step in run["plan"]["steps"]:
        swap = {"sensed at the cell": "sensed at the load", "sensed at the load": "sensed at the cell"}
        step["name"] = swap.get(step["name"], step["name"])
    path.write_text(json.dumps(run), encoding="utf-8")
    result = analyse_run(folder)
    assert result.leads_measured.ohm is None
    assert any(item.code == "leads" and "wrong places" in item.text for item in result.warnings)


def one(ohm: float, duration_s: float = 1.0) -> Resistance:
    return Resistance(LOAD_STEP, ohm, 0.001, -0.5, duration_s, None, 0.0)


def test_leads_from_few_pulses_carry_students_factor() -> None:
    # Two groups of three, pooled standard deviation 1 mohm: s*sqrt(2/3) = 0.816 mohm; Student's factor for 95.45 %
    # and 4 degrees of freedom is 2.87 (JCGM 100:2008, table G.2), so U is 2.34 mohm.
    at_load = [one(0.099), one(0.100), one(0.101)]
    at_cell = [one(0.059), one(0.060), one(0.061)]
    found = leads_between(
        at_load,
        at_cell,
        measurement_of(known_of(MeasurementOfRun, {"voltage": {"gain": 0.0}, "current": {"gain": 0.0}})),
    )
    assert found.ohm == pytest.approx(0.040)
    assert found.U_ohm == pytest.approx(0.00234, abs=0.00001)


def test_leads_need_pulses_of_one_length_at_both_places() -> None:
    with pytest.raises(AnalysisError, match="both places"):
        leads_between([one(0.1, 1.0)], [one(0.1, 10.0)], measurement_of(MeasurementOfRun()))


def test_a_bench_that_senses_nowhere_known_is_refused(tmp_path: Path) -> None:
    from amphora.harness.bench.bench_file import bench_from_dict

    data = {"instruments": {"load": {"role": "load", "resource": "simulated"}}, "sensed_at": "holder"}
    with pytest.raises(InputError, match="sensed_at = 'holder' is not accepted; 'cell', 'load' are"):
        bench_from_dict(data, "bench.toml")
