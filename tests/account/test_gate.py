"""The one gate: whatever decides about a cell asks it, and each verb gives what the gate answers for that standing."""

import copy
import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from amphora.harness.account import gate
from amphora.harness.account.asking import standing_of
from amphora.harness.account.standing import ACTS, Standing
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli import papers
from amphora.harness.cli.app import app
from amphora.harness.common.errors import AmphoraError, Refused
from amphora.harness.report import label
from amphora.harness.running import session
from tests.support.duty_runs import cell_of, write_test

SOUND = {"swelling": "none", "leak": "none", "dents": "none", "rust": "none", "wrapper": "sound", "smell": "none"}
AT_4, AT_20 = "2026-11-25T04:00:00Z", "2026-11-25T20:00:00Z"  # 5 h and 21 h after the night


def read(at: str, volt: float) -> dict:
    return {"at": at, "noted_utc": at, "kind": "check", "voltage_V": round(volt, 3), "resolution_V": 0.001}


@pytest.fixture(scope="module")
def sound(tmp_path_factory) -> Path:
    """A shelf with one cell measured from full, and its voltage on the evening after: nothing speaks against it."""
    logs = tmp_path_factory.mktemp("gate")
    cell = cell_of(capacity_Ah=0.4)
    write_test(logs, cell, "a", current_A=0.2, as_found_V=3.7, inspection=SOUND, declared_rechargeable=True)
    volt = cell.voltage(0.0)
    entries = [read(AT_4, volt + 0.010), read(AT_20, volt + 0.011)]
    shelf = Shelf(logs)
    shelf.save(Cell.from_dict({**shelf.get("a").to_dict(), "state": "tested", "entries": entries}))
    return logs


@pytest.fixture
def logs(sound: Path, tmp_path: Path) -> Path:
    shutil.copytree(sound, tmp_path / "logs")
    return tmp_path / "logs"


def stand(logs: Path, **changes) -> None:
    """Have the cell stand so: the register's own words changed, its run as it was."""
    path = logs / "a" / "cell.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), **changes}))


def program(logs: Path, *words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, [*words, "--logs", str(logs)] if "fit" not in words and "grade" not in words
                              else [*words])  # fmt: skip
    if isinstance(done.exception, AmphoraError):
        return done.exception.exit_code, str(done.exception)
    return done.exit_code, done.output


@pytest.fixture(scope="module")
def plans(sound: Path) -> dict:
    """Checked plans of a run that discharges and of one that charges, made while nothing spoke against the cell."""
    now = datetime(2026, 11, 26, 18, 0, tzinfo=UTC)
    requests = [session.Request("a", profile, sound, present=True) for profile in ("overnight", "charge")]
    return {request.profile: session.make_plan(request, None, now)[0] for request in requests}


KITCHEN = SimpleNamespace(simulated=False, where="kitchen", speed_up=1.0)
CLOCK = SimpleNamespace(utc=lambda: datetime(2026, 11, 26, 18, 0, tzinfo=UTC))


def ordered(logs: Path, plan: object, resumed: bool, monkeypatch) -> str:
    """Tell whether a run may begin, or go on: "yes", or the refusal's "ask" or "no". Nothing is ordered."""
    plan = copy.deepcopy(plan)
    try:
        if resumed:
            monkeypatch.setattr(session, "resumable", lambda folder: (SimpleNamespace(run={}), plan))
            monkeypatch.setattr(session, "Runner", lambda *a, **k: "runner")
            monkeypatch.setattr(session, "_unproven", lambda *a: None)
            monkeypatch.setattr(session, "why_not_proven", lambda *a: None)
            monkeypatch.setattr(session, "_guarded", lambda *a: "went on")
            assert session.go_on(logs / "a" / "cut-short", KITCHEN, None, CLOCK, None) == "went on"
        else:
            session.check_account(session.Request("a", "any", logs), plan, KITCHEN, CLOCK.utc())
    except Refused as refusal:
        return "ask" if "--in-spite-of" in str(refusal) else "no"
    return "yes"


# For each standing: what a run that charges, one that discharges, import, certify, label, match, fit, grade answer.
# label: "warns" prints it with a warning; grade: the best grade that is left.
CELLS = {
    "sound": ({}, "yes yes yes yes plain yes yes any"),
    "swollen": ({"inspection": {**SOUND, "swelling": "yes"}}, "no no ask no warns no no retire"),
    "too light": ({"mass_g": 25.0}, "no no ask no warns no no retire"),
    "retired": ({"state": "retired"}, "no no ask no warns no no retire"),
    "quarantined": ({"state": "quarantined"}, "no no yes ask warns no no bench only"),
    "dented": ({"inspection": {**SOUND, "dents": "slight"}}, "no no yes ask warns no no bench only"),
    "light": ({"mass_g": 33.0}, "no no yes ask warns no no bench only"),
    "never inspected": ({"inspection": {}}, "ask yes yes ask plain yes yes any"),
    "leaks": ({"entries": [read(AT_4, 2.9), read(AT_20, 1.5)]}, "yes yes yes ask leaks no no standby duty"),
    "leak not bounded": ({"entries": []}, "yes yes yes ask plain ask yes standby duty"),
}


@pytest.mark.parametrize("name", CELLS)
def test_every_verb_passes_the_one_gate(name, logs, plans, tmp_path, monkeypatch):
    changes, expected = CELLS[name]
    stand(logs, **changes)
    charge, discharge, imported, certified, labelled, matched, fitted, graded = expected.split(" ", 7)
    (night,) = logs.glob("a/*-overnight")
    standing = standing_of(Shelf(logs), "a")
    found = {act: standing.may[act].verdict for act in ACTS}
    assert (found["charge"], found["discharge"], found["certify"], found["match"]) == (
        charge, discharge, certified, matched)  # fmt: skip
    for resumed in (False, True):
        assert ordered(logs, plans["overnight"], resumed, monkeypatch) == discharge
        assert ordered(logs, plans["charge"], resumed, monkeypatch) == (charge if discharge == "yes" else "no")
    # certify
    paper = tmp_path / "c.pdf"
    code, output = program(logs, "certify", str(night), "--out", str(paper))
    assert (code, paper.exists()) == ((0, True) if certified == "yes" else (1, False)), output
    assert ("--in-spite-of" in output) == (certified == "ask")
    # label: what it warns of is what the gate says
    warned = []
    monkeypatch.setattr(papers, "answer", lambda *a: None)
    monkeypatch.setattr(label, "label_content", lambda *a: warned.append(a[-1]) or SimpleNamespace(id="a"))
    monkeypatch.setattr(label, "make_labels", lambda *a: b"")
    assert program(logs, "label", "a", "--out", str(tmp_path / "l.pdf"))[0] == 0
    assert warned == [
        {"plain": "", "warns": "DO NOT USE: by its account", "leaks": "KEEP APART: leaks inside"}[labelled]
    ]
    # match: the sets; what it leaves out says why
    from amphora.harness.decisions.comparison import compare
    from amphora.harness.decisions.matching import candidate_of

    (row,) = compare([night]).cells
    taken = candidate_of(row, 1.0, None)
    assert isinstance(taken, str) == (matched != "yes")
    if isinstance(taken, str):
        assert ("says no" in taken) == (matched == "no") and ("--in-spite-of" in taken) == (matched == "ask")
    # fit and grade
    from amphora.harness.decisions.fit import fit_run

    reasons = fit_run(night, "path-light").reasons
    assert any("may not be used" in text for text in reasons) == (fitted == "no"), reasons
    if graded == "any":
        assert row.grade not in ("retire", "bench only", None) or name == "sound"
    else:
        order = ("full duty", "steady duty", "standby duty", "bench only", "retire")
        assert order.index(row.grade) >= order.index(graded)
    # import
    table = tmp_path / "t.csv"
    table.write_text("t,v,i\n" + "".join(f"{60 * n},{4.1 - 0.005 * n:.4f},-0.2\n" for n in range(100)))
    before = len(Shelf(logs).runs("a"))
    words = ("import", str(table), "--cell", "a", "--map", "t=t,v=v,i=i", "--began", "2026-11-26T10:00+00:00")
    code, output = program(logs, *words)
    assert code == (0 if imported == "yes" else 1), output
    assert len(Shelf(logs).runs("a")) == before + (imported == "yes")
    if imported == "ask":
        taken_on = standing.may["import"].findings
        assert f"--in-spite-of {taken_on[0]}" in output
        code, output = program(logs, *words, *(word for item in taken_on for word in ("--in-spite-of", item)))
        assert code == 0, output
        run = json.loads((Shelf(logs).runs("a")[-1] / "run.json").read_text())
        assert [item["code"] for item in run["imported"]["in_spite_of"]] == list(taken_on)


def test_what_a_run_was_let_through_by_is_asked_for_no_more_when_it_goes_on(logs, plans, monkeypatch):
    stand(logs, inspection={})
    assert ordered(logs, plans["charge"], True, monkeypatch) == "ask"
    taken_on = copy.deepcopy(plans["charge"])
    taken_on.notes["account"]["in_spite_of"] = [{"code": "never-inspected"}]
    assert ordered(logs, taken_on, True, monkeypatch) == "yes"


def test_one_cell_measured_under_five_claims_gets_one_plan(logs):
    """EVIDENCE: claims of 3600, 2600, 1200, none and 430 mAh gave five figures, and 3.5 It through one of them."""
    found = set()
    for claim in (3.6, 2.6, 1.2, None, 0.43):
        stand(logs, claim_Ah=claim)
        for profile in ("overnight", "charge"):
            plan, _ = session.make_plan(session.Request("a", profile, logs, present=True), None, datetime.now(UTC))
            assert plan.capacity_source == "measured from full" and plan.notes["account"]["it_from"] == "measured"
            levels = [
                (step.name, segment.order.value, segment.order.current_A, step.limits.charge_Ah)
                for step in plan.steps
                for segment in step.segments
            ]
            found.add((profile, plan.capacity_Ah, plan.max_current_A, tuple(levels)))
    assert len(found) == 2  # one each of the two recipes


# ---- a charge and a discharge that both come as tables --------------------------------------------------------


def tables(tmp_path: Path, apart_h: float, first_V: float = 4.16, tapered: bool = True) -> list[tuple[Path, str]]:
    """Write a charge and the discharge `apart_h` after its end, 0.4 Ah, with times of 10 and 30 s."""
    rows = ["t,v,i", "0,3.4,0", "60,3.4,0"]
    t = 60
    for n in range(100):
        t += 60
        rows.append(f"{t},{3.6 + 0.006 * n:.4f},0.2")
    for n in range(60 if tapered else 2):
        t += 60
        rows.append(f"{t},4.2,{0.2 * 0.95**n:.5f}")
    for n in range(1, 11):
        rows.append(f"{t + 60 * n},{4.19 - 0.001 * n:.4f},0")
    charge = tmp_path / "charge.csv"
    charge.write_text("\n".join(rows) + "\n")
    rows = ["t,v,i", *(f"{60 * n},{first_V:.4f},0" for n in range(6))]
    rows += [f"{300 + 60 * n},{first_V - 0.03 - 0.0096 * n:.4f},-0.2" for n in range(1, 121)]
    discharge = tmp_path / "discharge.csv"
    discharge.write_text("\n".join(rows) + "\n")
    begin = datetime(2026, 11, 20, 18, 0, tzinfo=UTC).timestamp()
    later = begin + t + 3600 * apart_h - 300
    return [(charge, datetime.fromtimestamp(begin, UTC).isoformat()),
            (discharge, datetime.fromtimestamp(later, UTC).isoformat())]  # fmt: skip


@pytest.mark.parametrize(
    ("options", "dated", "expected"),
    [
        ({"apart_h": 1.5}, True, "full"),
        ({"apart_h": 3.9}, True, "full"),
        ({"apart_h": 6.0}, True, "unknown"),
        ({"apart_h": 1.5, "first_V": 3.9}, True, "unknown"),  # drained, or another cell
        ({"apart_h": 1.5, "tapered": False}, True, "unknown"),
        ({"apart_h": 1.5}, False, "unknown"),  # files' own dates prove no interval
    ],
)
@pytest.mark.parametrize("order", [1, -1])
def test_a_charge_table_and_a_discharge_table_within_4_h_make_the_start_full(tmp_path, options, dated, expected, order):
    from amphora.harness.account.answer import analyse_run

    logs = tmp_path / "logs"
    Shelf(logs).add(Cell("a", "18650", "li-ion", as_found_V=3.6, inspection=SOUND))
    for file, began in tables(tmp_path, **options)[::order]:
        words = ["import", str(file), "--cell", "a", "--map", "t=t,v=v,i=i", "--cutoff", "3.0 V"]
        code, output = program(logs, *words, *(["--began", began] if dated else []))
        assert code == 0, output
    (run,) = [folder for folder in Shelf(logs).runs("a") if analyse_run(folder).capacity_Ah]
    result = analyse_run(run)
    assert result.start == expected
    assert any(item.code == "start-unknown" for item in result.warnings) == (expected == "unknown")
    standing = standing_of(Shelf(logs), "a")
    assert (standing.capacity_run == run.name) == (expected == "full")
    assert (standing.capacity_Ah is not None) == (expected == "full")


def test_a_clock_may_be_set_back_by_a_minute_while_it_is_kept_right():
    known = Standing("a", last_current=CLOCK.utc(), last_V_at=CLOCK.utc() - timedelta(days=3))
    assert gate.clock_behind(known, CLOCK.utc() - timedelta(seconds=60)) is None
    assert gate.clock_behind(known, CLOCK.utc() - timedelta(seconds=61)).code == "clock-behind"
    seen = Standing("a", last_V_at=CLOCK.utc())
    assert gate.clock_behind(seen, CLOCK.utc() - timedelta(hours=1)) is not None
    assert gate.clock_behind(Standing("a"), CLOCK.utc()) is None
