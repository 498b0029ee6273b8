"""What a certificate stands on: calibrations, the charge before, the state at hand-over (ISO/IEC 17025, 7.8)."""

import datetime
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from paper_runs import make_certificate, run_input, write_run

from amphora.harness.analysis.records import Measurement
from amphora.harness.archive.loading import measurement_of
from amphora.harness.archive.run_header import RunHeader, WiringOfRun, header_of
from amphora.harness.common.as_json import ABSENT, to_json
from amphora.harness.report.certificate import footing, verify
from amphora.harness.report.certificate.body import CycleStated, HandOver
from amphora.harness.report.certificate.keys import Signer
from amphora.harness.report.certificate.run_input import run_input as read_input
from amphora.harness.report.certificate.statement import Issue, run_statement
from tests.support.made_results import result_of


def text_of(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    text = "\n".join(page.get_textpage().get_text_bounded() for page in document)
    return " ".join(
        text.replace("\u202f", " ").replace("\xa0", " ").replace("\ufffe\r\n", "").replace("\ufffe", "").split()
    )


ISSUE = Issue(datetime.date(2026, 11, 25))
SIGNER = Signer(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
WIRED = {"voltage": "load", "current": ["load"], "temperature": "thermometer"}


def run_of(tmp_path: Path, calibration: dict[str, Any]) -> tuple[RunHeader, Measurement]:
    run: dict[str, Any] = json.loads((write_run(tmp_path) / "run.json").read_text(encoding="utf-8"))
    run["bench"] |= {"cell": WIRED, "calibration": calibration}
    for channel in run["measurement"].values():
        channel["assumed"] = False
    return header_of(run), measurement_of(run["measurement"])


@pytest.mark.parametrize(
    ("due", "basis", "words"),
    [
        ("2027-04-17", "calibration", "rests on load: calibration C-17 of 2026-04-17 by county office, due 2027-04-17"),
        ("", "calibration", "no due date stated"),
        ("2026-10-01", "calibration overdue", "Calibration overdue: voltage and current of load"),
    ],
)
def test_u_rests_on_a_calibration_or_on_one_that_was_overdue(tmp_path: Path, due: str, basis: str, words: str) -> None:
    entry = {
        "number": "C-17",
        "date": "2026-04-17",
        "due": due,
        "by": "county office",
        "channels": ["voltage", "current"],
    }
    found = footing.traceability(*run_of(tmp_path, {"load": entry}))
    by = {item.channel: item for item in found}
    assert by["voltage"].basis == by["current"].basis == basis
    assert by["current"].traceable is (basis == "calibration")
    assert by["temperature"].basis == by["time"].basis == "maker's sheet"
    said = footing.traceable_words(found)
    assert said[0].startswith("Not traceable: U of temperature and time is what the bench file states")
    assert words in " ".join(said)


def test_a_page_says_not_traceable_and_both_uncertainties(tmp_path: Path) -> None:
    item = run_input(write_run(tmp_path), capacity_item_U_Ah=0.03, item={"text": "learned from 3 pairs"})
    bench = replace(item.header.bench, cell=WiringOfRun("load", ("load",), "thermometer"))
    item = replace(item, header=replace(item.header, bench=bench))
    pdf, data = make_certificate([item], ISSUE, SIGNER)
    shown = text_of(pdf)
    assert "Not traceable: U of current, temperature and time is assumed" in shown
    assert "The cell as an item" in shown and "learned from 3 pairs" in shown
    assert "It says nothing of another day" in shown
    assert "Ah that it holds" in shown
    assert data["item_uncertainty"]["capacity_U_Ah"] == 0.03
    assert "of the claimed" not in shown


def test_a_certificate_made_before_all_this_still_agrees_with_its_run(tmp_path: Path) -> None:
    """One that states none of the new fields is compared in what it does state."""
    folder = write_run(tmp_path)
    stated = run_statement(read_input(folder))
    older = replace(stated.results, temperature_rise_U_K=ABSENT)
    stated = replace(stated, results=older, traceability=None, cycle=ABSENT, deviations=("told in other words",))
    assert not {"traceability", "cycle", "temperature_rise_U_K"} & {*to_json(stated), *to_json(stated.results)}
    differences, wrong = verify.check_run(stated, tmp_path)
    assert differences == [] and wrong == []
    assert older.capacity_Ah is not None
    stated = replace(stated, results=replace(older, capacity_Ah=1.01 * older.capacity_Ah))
    assert verify.check_run(stated, tmp_path)[0]


def test_the_charge_before_is_told_by_current_taper_and_rest() -> None:
    result = result_of(
        capacity_Ah=1.9,
        phases=[
            {"kind": "charge", "begin_s": 0.0, "end_s": 7200.0, "main_current_A": 0.5,
             "charge_metrics": {"end_current_A": 0.05, "held_voltage_V": 4.2, "tapered": True}},
            {"kind": "discharge", "begin_s": 10800.0, "end_s": 30000.0, "capacity_Ah": 1.9},
        ],
    )  # fmt: skip
    before = footing.charge_before(Path("nowhere"), RunHeader(created_utc="2026-11-24T21:00:00Z"), result)
    assert before is not None and before.rest_h == 1.0
    assert footing.charge_words(before) == (
        "at 0.500 A, held at 4.200 V, until the current had fallen to 0.050 A, rest before the discharge 60 min"
    )
    assert footing.charge_words(None) == ""


def test_hand_over_and_round_trip_in_words() -> None:
    state = HandOver(3.61, "2026-11-25T07:10+00:00", 0.3, 0.36, 2.1, 0.8, 0.1)
    rows = dict(footing.hand_over_words(state))
    assert rows["At hand-over"] == "3.610 V at rest, last read 2026-11-25 07:10 UTC; charge 30 to 36 % of what it holds"
    assert rows["Self-discharge"] == "2.1 ± 0.8 % a month"
    assert "on no shelf" in footing.hand_over_words(None)[0][1]
    cycle = CycleStated(0.995, 0.004, 0.94)
    assert footing.cycle_words(cycle) == "99.5 ± 0.4 % of the charge, 94.0 % of the energy came back in a whole cycle"
