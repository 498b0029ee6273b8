"""What was done to the readings stands on the papers: the zero of the current taken out, leads in or out."""

import dataclasses
import datetime
import json
import shutil
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from paper_runs import RESISTANCE_OHM, cell_record, make_certificate, run_input, write_pulsed_run, write_run
from pypdf import PdfReader

from amphora.harness.account.answer import analyse_run
from amphora.harness.analysis.records import MeasuredZero
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import from_json
from amphora.harness.report import label
from amphora.harness.report.certificate import attachment
from amphora.harness.report.certificate.body import ResultsStated
from amphora.harness.report.certificate.issue import certify
from amphora.harness.report.certificate.keys import Signer
from amphora.harness.report.certificate.statement import Issue
from amphora.harness.report.certificate.verify import verify_file
from amphora.harness.results.chosen import chosen_resistance
from amphora.harness.results.kept import kept_text
from amphora.harness.running.session import Request, carry_out, open_rig
from amphora.harness.running.simulated_session import SimulatedSession
from tests.support.made_results import result_of

ISSUE = Issue(datetime.date(2026, 11, 25), operator="Mara Lindqvist")
SIGNER = Signer(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
LEADS_OHM = 0.020
ZERO = MeasuredZero("load", -0.00123, 5e-5, 40.0, readings=60, duration_s=30.0)


def text_of(pdf: bytes) -> str:
    text = "\n".join(page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(pdf))
    for old, new in (("\u202f", " "), ("\xa0", " "), ("\ufffe\r\n", ""), ("\ufffe", "")):
        text = text.replace(old, new)
    return " ".join(text.split())


def printed(folder: Path, zeros: list[MeasuredZero], taken_out: bool = True, **result: Any) -> str:
    item = run_input(folder, **result)
    item = dataclasses.replace(item, zeros=tuple(zeros), zero_taken_out=taken_out)
    return text_of(make_certificate([item], ISSUE, SIGNER)[0])


def leads(state: str, ohm: float | None = None) -> dict[str, Any]:
    return {"state": state, "ohm": ohm, "U_ohm": None if ohm is None else 0.0012,
            "from_run": None if ohm is None else "b/20261120T200000Z-leads", "files_sha256": {}}  # fmt: skip


@pytest.mark.parametrize(
    ("zeros", "words"),
    [
        ([], "not measured: nothing was taken out of the current"),
        ([ZERO], "load −1.23 ± 0.10 mA taken out, shown with all off at the start, 60 readings in 30 s"),
        (
            [ZERO, dataclasses.replace(ZERO, instrument="supply", current_A=0.0004)],
            "load −1.23 ± 0.10, supply +0.40 ± 0.10 mA taken out, shown",
        ),
        (
            [ZERO, dataclasses.replace(ZERO, t_s=7380.0, current_A=-0.0008)],
            "−0.80 ± 0.10 mA taken out, shown with all off 2 h 03",
        ),
        ([ZERO, dataclasses.replace(ZERO, t_s=7380.0)], "1 earlier attached"),
    ],
)
def test_the_zero_of_the_current_is_printed_with_its_uncertainty_and_rest(
    tmp_path: Path, zeros: list[MeasuredZero], words: str
) -> None:
    assert words in printed(write_run(tmp_path), zeros)


def test_a_zero_that_was_not_taken_out_says_so(tmp_path: Path) -> None:
    shown = printed(write_run(tmp_path), [ZERO], taken_out=False)
    assert "mA not taken out (the specification is better), shown with all off" in shown


def test_the_zero_of_imported_readings_is_not_known(tmp_path: Path) -> None:
    assert "Current zero not known of imported readings" in printed(write_run(tmp_path, imported={"file": "x.csv"}), [])


@pytest.mark.parametrize(
    ("told", "words", "short"),
    [
        (None, "not known whether leads and holder are in", "leads not known"),
        (leads("not known"), "not known whether leads and holder are in", "leads not known"),
        (leads("in"), "leads and holder are in: sensed at the load, two wires", "leads in"),
        (leads("out"), "leads and holder are out: sensed at the cell, four wires", "leads out"),
        (leads("out", 0.0123), "leads and holder, 12.3 ± 1.2 mΩ, are taken out (measured by b/", "leads out"),
    ],
)
def test_whether_leads_are_in_the_resistance_stands_at_the_figure_and_in_words(
    tmp_path: Path, told: dict[str, Any] | None, words: str, short: str
) -> None:
    shown = printed(write_run(tmp_path), [], leads=told)
    assert words in shown
    assert f"10 s, 50 % charge, {short}" in shown


def test_without_a_resistance_nothing_is_said_of_leads(tmp_path: Path) -> None:
    assert "leads" not in printed(write_run(tmp_path), [], resistances=[], leads=leads("in"))


def test_runs_of_one_cell_that_differ_in_leads_say_so_in_their_rows(tmp_path: Path) -> None:
    one = run_input(write_run(tmp_path / "a"), leads=leads("in"))
    two = run_input(write_run(tmp_path / "b", run_id="L3-a/20261126T210000Z-overnight"), leads=leads("out"))
    shown = text_of(make_certificate([one, two], ISSUE, SIGNER)[0])
    assert "at 0.500 A, leads in" in shown and "at 0.500 A, leads out" in shown


@pytest.mark.parametrize(
    ("told", "words"),
    [("in", "(leads in, 10 s, 22 °C)"), ("out", "(10 s, 22 °C)"), (None, "(leads?, 10 s, 22 °C)")],
)
def test_a_label_says_when_leads_are_in_or_may_be(tmp_path: Path, told: str | None, words: str) -> None:
    result = run_input(write_run(tmp_path)).result
    result = result_of(result, leads={"state": told}) if told else result
    item = label.label_content(Cell.from_dict(cell_record()), result, "steady duty")
    assert words in next(line.text for line in item.lines if "mΩ" in line.text)
    kept = {"in": "mohm leads in", "out": "mohm\n", None: "mohm leads?"}[told]
    assert kept in item.payload


# ---- a bench of two wires whose leads another run measured ---------------------------------------


@pytest.fixture(scope="module")
def two_wires(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf with a night sensed at the load and, on the same bench, a run that measured the leads."""
    logs = tmp_path_factory.mktemp("logs")
    Shelf(logs).add(Cell.from_dict({"id": "b", "form": "18650", "chemistry": "li-ion", "claim_Ah": 1.0}))
    session = SimulatedSession(logs, "b", "li-ion", 4, start_soc=0.6, lead_ohm=LEADS_OHM, sense=False)
    rig = open_rig(session.description, session.clock, session.open)
    request = Request("b", "leads", logs, present=True, capacity_Ah=1.0)
    try:
        outcome = carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
    finally:
        rig.close()
    measured = Path(outcome.folder)
    bench = json.loads((measured / "run.json").read_text(encoding="utf-8"))["bench"]
    write_pulsed_run(logs, bench={"name": bench["name"], "sensed_at": "load", "instruments": {}})
    return logs


@pytest.fixture
def key(tmp_path: Path) -> Path:
    path = tmp_path / "key.pem"
    private = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    kind = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    path.write_bytes(private.private_bytes(*kind))
    path.chmod(0o600)
    return path


def shelf_of(two_wires: Path, tmp_path: Path) -> tuple[Path, Path, Path]:
    """Return a copy of the shelf, the night's folder and that of the run that measured the leads."""
    logs = tmp_path / "shelf"
    shutil.copytree(two_wires, logs)
    return logs, next(logs.glob("L3-a/*/run.json")).parent, next(logs.glob("b/*-leads/run.json")).parent


def data_of(pdf: Path) -> dict[str, Any]:
    (content,) = PdfReader(pdf).attachments[attachment.ATTACHMENT]
    data: dict[str, Any] = json.loads(content)["certificate"]
    return data


def test_the_certificate_takes_measured_leads_out_as_the_analysis_does_and_verifies(
    two_wires: Path, tmp_path: Path, key: Path
) -> None:
    logs, night, measured = shelf_of(two_wires, tmp_path)
    pdf = tmp_path / "paper.pdf"
    certify(night, pdf, ISSUE, key)
    stated = data_of(pdf)["runs"][0]
    ours = from_json(ResultsStated, stated["results"]).main_resistance
    analysed = chosen_resistance(analyse_run(night))
    assert ours is not None and analysed is not None
    assert ours.ohm == pytest.approx(analysed.ohm, rel=1e-8)
    assert ours.ohm == pytest.approx(RESISTANCE_OHM - LEADS_OHM, abs=0.004)
    assert stated["leads"]["from_run"] == f"b/{measured.name}"
    assert "leads and holder," in (shown := text_of(pdf.read_bytes())) and "are taken out (measured by b/" in shown
    found = verify_file(pdf, logs)
    assert found.valid and found.recomputed == [] and found.page == "same", found.reasons
    assert not any("leads" in note for note in found.notes)


def test_without_the_leads_run_at_hand_its_value_is_taken_as_stated_and_told(
    two_wires: Path, tmp_path: Path, key: Path
) -> None:
    logs, night, measured = shelf_of(two_wires, tmp_path)
    pdf = tmp_path / "paper.pdf"
    certify(night, pdf, ISSUE, key)
    shutil.rmtree(measured)
    found = verify_file(pdf, logs)
    assert found.valid and found.recomputed == [], found.reasons
    assert any("which measured leads and holder, is not below" in note for note in found.notes)


def test_a_changed_leads_run_is_told(two_wires: Path, tmp_path: Path, key: Path) -> None:
    logs, night, measured = shelf_of(two_wires, tmp_path)
    pdf = tmp_path / "paper.pdf"
    certify(night, pdf, ISSUE, key)
    events = measured / "events.jsonl"
    events.write_bytes(events.read_bytes() + b'{"kind":"person","t_s":1,"utc":"","after_row":1}\n')
    found = verify_file(pdf, logs)
    assert not found.valid
    assert any("leads.files_sha256.events.jsonl" in reason for reason in found.reasons)


def test_a_leads_run_made_later_leaves_an_earlier_certificate_valid(two_wires: Path, tmp_path: Path, key: Path) -> None:
    logs, night, measured = shelf_of(two_wires, tmp_path)
    aside = tmp_path / "aside"
    shutil.move(measured, aside)
    pdf = tmp_path / "paper.pdf"
    certify(night, pdf, ISSUE, key)
    stated = data_of(pdf)["runs"][0]
    assert stated["leads"]["state"] == "in" and stated["leads"]["from_run"] == ""
    shutil.move(aside, measured)
    found = verify_file(pdf, logs)
    assert found.valid and found.recomputed == [], found.reasons


def test_a_forged_result_beside_the_leads_run_changes_no_certificate(
    two_wires: Path, tmp_path: Path, key: Path
) -> None:
    _, night, measured = shelf_of(two_wires, tmp_path)
    one, two = tmp_path / "one.pdf", tmp_path / "two.pdf"
    certify(night, one, ISSUE, key)
    analyse_run(measured)
    kept = json.loads((measured / "result.json").read_text(encoding="utf-8"))
    result = {**kept["result"], "leads_measured": {**kept["result"]["leads_measured"], "ohm": 0.001}}
    head = {name: value for name, value in kept.items() if name not in ("result", "result_sha256")}
    (measured / "result.json").write_text(kept_text(result, head) + "\n", encoding="utf-8")
    assert analyse_run(measured).leads_measured.ohm == 0.001  # whoever reads what is kept is misled
    certify(night, two, ISSUE, key)
    assert one.read_bytes() == two.read_bytes()
