"""Promises of the account over a cell's life, each as a person meets it: a sick cell beside a healthy one."""

import json
import shutil
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pypdfium2
import pytest

from amphora.harness.account.asking import standing_of
from amphora.harness.account.fold import fold
from amphora.harness.account.standing import RunSeen
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import Refused
from amphora.harness.decisions.fit import fit_run
from amphora.harness.running.session import Request, carry_out, open_rig
from amphora.harness.running.simulated_session import SimulatedSession
from tests.account.test_gate import SOUND, program, read, stand
from tests.account.test_over_runs import EVENING, add, run
from tests.support.account_entries import at, cell, charge, codes, night
from tests.support.duty_runs import cell_of, write_test
from tests.support.meddling import wait

VERDICTS = ("match", "certify", "grade")


@pytest.mark.usefixtures("coarse")
def test_a_leak_of_five_percent_a_day_or_more_passes_no_second_night_and_a_sound_cell_does(tmp_path: Path) -> None:
    """4.2 V over 4,500 ohm in a cell of 0.42 Ah: 0.93 mA, 5.3 % a day; over 1,000 ohm 24 % a day (Ohm's law)."""
    answers: dict[str, list[list[str]]] = {"sound": [], "5 % a day": [], "24 % a day": []}
    for number, (name, ohm) in enumerate(zip(answers, (None, 4500.0, 1000.0), strict=True)):
        cell_id = f"hall-{number}"
        add(tmp_path, cell_id)
        for evening in (1, 2):
            if evening == 2:
                wait(tmp_path, cell_id, timedelta(hours=20))
            with suppress(Refused):  # a cell that the guard kept apart gets no second evening
                run(tmp_path, "charge", cell_id, short_ohm=ohm)
                if evening == 2:  # what the account asks for: a day at full, and filled up before the night
                    wait(tmp_path, cell_id, timedelta(hours=24))
                    run(tmp_path, "charge", cell_id, short_ohm=ohm)
                run(tmp_path, "overnight", cell_id, short_ohm=ohm)
            standing = standing_of(Shelf(tmp_path), cell_id)
            answers[name].append([standing.may[act].verdict for act in VERDICTS])
    assert answers["sound"][1] == ["yes"] * 3
    assert "yes" not in answers["5 % a day"][1]
    assert "yes" not in answers["24 % a day"][0] and "yes" not in answers["24 % a day"][1]


def test_each_finding_says_what_settles_it() -> None:
    """Whatever speaks against a cell, a bench or a record ends in something that a person can do."""
    sick = night(late=-0.075, early=-0.060, last_V=2.95)
    rested = replace(night().rests[0], first_V=4.186, last_V=4.180)
    lives = [
        [charge(), sick],
        [charge(), night(first_V=3.9)],
        [charge(), night(), charge(12.0, ah=1.1)],
        [charge(), night(), charge(12.0, ah=1.0), night(16.5, ah=0.85)],
        [charge(), replace(night(), rests=(rested, *night().rests[1:]))],
        [charge(), replace(night(), rests=night().rests[:1])],
        [charge(), night(), RunSeen("x", at(11.5), at(11.6), "", "unknown", "", False, damaged="torn")],
        [night(start="declared-full", first_V=3.395)],
        [],
    ]
    found = [item for life in lives for item in fold(cell(inspection={}), life).findings]
    expected = {
        "leak", "recovery-falls", "same-cell-doubtful", "charge-balance", "capacity-fell", "falls-when-full",
        "leak-not-bounded", "run-damaged", "declared-full-contradicted", "never-inspected", "no-capacity",
    }  # fmt: skip
    assert {item.code for item in found} >= expected
    assert [item.code for item in found if not item.settles] == []
    assert codes(fold(cell(), [charge(), night()])) <= {"no-second-look"}


@pytest.fixture(scope="module")
def night_of_a_cell(tmp_path_factory) -> Path:
    """A shelf with one cell of 0.4 Ah, measured from full on a bench, and nothing else known."""
    logs = tmp_path_factory.mktemp("lives")
    simulated = cell_of(capacity_Ah=0.4)
    write_test(logs, simulated, "a", current_A=0.08, as_found_V=3.7, inspection=SOUND, declared_rechargeable=True)
    path = logs / "a" / "cell.json"
    volt = simulated.voltage(0.0)
    days = [read(f"2026-11-{26 + n:02d}T20:00:00Z", volt + 0.011 - 0.004 * n) for n in range(4)]
    path.write_text(json.dumps({**json.loads(path.read_text()), "state": "tested", "entries": days}))
    return logs


@pytest.fixture
def logs(night_of_a_cell: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(night_of_a_cell, tmp_path / "logs"))


def test_the_standing_is_made_anew_from_cell_json_and_the_folders_in_whatever_order_they_were_entered(
    logs: Path,
) -> None:
    def shown() -> dict:
        code, output = program(logs, "cell", "show", "a", "--json")
        assert code == 0, output
        return json.loads(output)["standing"]

    before = shown()
    assert before["capacity_Ah"] and before["self_discharge_percent_per_month"] is not None
    made = [path for path in logs.rglob("*") if path.is_file()
            and path.name not in ("cell.json", "run.json", "samples.csv", "events.jsonl")]  # fmt: skip
    assert made, "the figures that were kept"
    for path in made:
        path.unlink()
    assert shown() == before
    entries = json.loads((logs / "a" / "cell.json").read_text())["entries"]
    stand(logs, entries=entries[::-1])
    assert shown() == before


def test_dated_voltages_count_for_the_grade_and_for_what_a_lamp_gets(logs: Path) -> None:
    """Near empty 100 mV a day are far more than a cell may lose. The night is the same."""
    (folder,) = logs.glob("a/*-overnight")
    days = json.loads((logs / "a" / "cell.json").read_text())["entries"]
    found = {}
    for name, fall_V in (("keeps", 0.0), ("loses", 0.100), ("not known", None)):
        changed = [{**day, "voltage_V": round(days[0]["voltage_V"] - fall_V * n, 3)} for n, day in enumerate(days)] \
            if fall_V is not None else []  # fmt: skip
        stand(logs, entries=changed)
        _, output = program(logs, "grade", str(folder), "--json")
        (graded,) = json.loads(output)["grades"]
        row = next(row for row in graded["criteria"] if row["name"].startswith("self-discharge"))
        fitted = fit_run(folder, "path-light")
        found[name] = (row["value"], next(text for text in fitted.notes if text.startswith("self-discharge is")))
    assert found["not known"][0] is None and "not measured" in found["not known"][1]
    assert found["keeps"][0] < 0.03 < found["loses"][0]
    assert "measured" in found["keeps"][1] and "not measured" not in found["keeps"][1]
    assert found["keeps"][1] != found["loses"][1]


def words_of(path: Path) -> str:
    document = pypdfium2.PdfDocument(path)
    return " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())


def test_a_certificate_of_a_cell_that_nobody_inspected_says_so_and_one_that_was_inspected_does_not(
    logs: Path, tmp_path: Path
) -> None:
    (folder,) = logs.glob("a/*-overnight")
    for inspection, told in ((SOUND, False), ({}, True)):
        stand(logs, inspection=inspection)
        paper = tmp_path / f"{told}.pdf"
        code, output = program(logs, "certify", str(folder), "--out", str(paper))
        assert code == int(told), output
        if told:
            assert "--in-spite-of never-inspected" in output and "cell check a --inspection" in output
            assert not paper.exists()
            words = ("certify", str(folder), "--out", str(paper), "--in-spite-of", "never-inspected")
            assert program(logs, *words)[0] == 0
        shown = words_of(paper)
        assert ("In spite of: never-inspected" in shown) is told
        assert ("nobody has looked at, felt and smelled it" in shown) is told


@pytest.mark.usefixtures("coarse")
def test_what_a_charge_was_let_through_by_stands_in_the_run_and_on_the_certificate_of_the_night_after_it(
    tmp_path: Path,
) -> None:
    """Charged without a look on somebody's word, inspected only afterwards: the paper still says so."""
    for name, inspection in (("seen", {"swelling": "none"}), ("unseen", {})):
        add(tmp_path, name, inspection=inspection)
        for profile in ("charge", "overnight"):
            first = {"start_soc": 0.4, "begin_utc": EVENING} if profile == "charge" else {}
            session = SimulatedSession(tmp_path, name, "worn-out", 3, **first)
            rig = open_rig(session.description, session.clock, session.open)
            taken_on = ("never-inspected",) if name == "unseen" and profile == "charge" else ()
            request = Request(name, profile, tmp_path, present=profile == "charge", in_spite_of=taken_on)
            outcome = carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
            rig.close()
            session.keep()
            noted = json.loads((outcome.folder / "run.json").read_text())["plan"]["notes"]["account"]["in_spite_of"]
            assert [item["code"] for item in noted] == list(taken_on)
        shelf = Shelf(tmp_path)
        shelf.save(Cell.from_dict({**shelf.get(name).to_dict(), "inspection": {"swelling": "none"}}))
        paper = tmp_path / f"{name}.pdf"
        words = ("certify", str(outcome.folder), "--out", str(paper), "--in-spite-of", "leak-not-bounded")
        code, output = program(tmp_path, *words)
        assert code == 0, output
        assert ("In spite of: never-inspected (at the charge" in words_of(paper)) is (name == "unseen")


@pytest.mark.parametrize(("form", "wrong"), [("18650", False), ("14430", True)])
def test_a_capacity_that_no_cell_of_its_size_holds_is_not_certified_whatever_somebody_takes_upon_themselves(
    form: str, wrong: bool, tmp_path: Path
) -> None:
    simulated = cell_of(capacity_Ah=0.9)
    folder = write_test(tmp_path / "logs", simulated, "a", current_A=0.6, as_found_V=3.7, inspection=SOUND, form=form,
                        declared_rechargeable=True)  # fmt: skip
    paper = tmp_path / "c.pdf"
    words = ("certify", str(folder), "--out", str(paper), "--in-spite-of", "leak-not-bounded")
    code, output = program(tmp_path / "logs", *words, "--in-spite-of", "capacity-implausible")
    assert (code, paper.exists()) == (int(wrong), not wrong), output
    assert ("known to be wrong is not certified" in output) is wrong
    standing = standing_of(Shelf(tmp_path / "logs"), "a")
    assert (standing.capacity_Ah is None) is wrong


def test_half_a_volt_below_what_it_was_left_at_is_a_lead_or_a_drain_and_less_is_judged_by_its_leak() -> None:
    """A run that was refused for how the cell was found is a look of the bench at it."""
    whole = night()
    left_V = whole.rests[-1].last_V
    for below_V, open_ in ((0.49, False), (0.51, True)):
        refused = RunSeen("x", at(30), at(30), "charge", "unknown", "guard:as-found", True, refused_V=left_V - below_V)
        found = codes(fold(cell(), [charge(), whole, refused]))
        assert ("found-without-its-voltage" in found) == open_
