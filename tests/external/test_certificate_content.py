"""The certificate against outside lists: contents of a test report, and claims it must never make."""

import datetime
import itertools
from pathlib import Path

import pypdfium2
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from paper_runs import GRADE, cell_record, make_certificate, run_input, write_run

from amphora.harness.decisions.compared import ComparedRow
from amphora.harness.decisions.grades import Graded
from amphora.harness.report import comparison_page as page
from amphora.harness.report import label
from amphora.harness.report.certificate.keys import Signer
from amphora.harness.report.certificate.statement import Issue
from amphora.harness.report.comparison_rows import PageRow

SIGNER = Signer(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
ISSUE = Issue(
    datetime.date(2026, 11, 25),
    operator="Mara Lindqvist",
    place="village hall, workshop at the back",
    bench="hall bench, 4 Orchard Lane",
    customer="the path lights' keeper",
)


def text_of(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    text = "\n".join(sheet.get_textpage().get_text_bounded() for sheet in document)
    for hyphen in ("\ufffe\r\n", "\ufffe", "\x02\r\n", "\x02"):
        text = text.replace(hyphen, "")
    for old, new in (("\u202f", " "), ("\xa0", " "), ("’", "'"), ("“", '"'), ("”", '"')):
        text = text.replace(old, new)
    return " ".join(text.split())


@pytest.fixture(scope="module")
def text(tmp_path_factory: pytest.TempPathFactory) -> str:
    item = run_input(write_run(tmp_path_factory.mktemp("logs"), cell=cell_record(claim_Ah=2.6)))
    return text_of(make_certificate([item], ISSUE, SIGNER, GRADE)[0])


# Source: ISO/IEC 17025:2017, clause 7.8.2.1, items a to p and its note; the list was read second-hand (a
# public page that quotes the clause), not in the standard itself.
ITEMS = {
    "a title": ["Capacity certificate", "A private bench's report on one used cell, not accredited"],
    "b name and address of the laboratory": ["Issued by hall bench, 4 Orchard Lane"],
    "c location of the activity": ["Place of test village hall, workshop at the back"],
    "d unique identification, on each part, and a clear end": ["No 20261125-", "page 1 of 2", "end of the certificate"],
    "e customer": ["Made for the path lights' keeper"],
    "f method": ["Bench method of this software", "capacity is the sum of measured current over measured time"],
    "g item, unambiguous, with its condition": [
        "Identification L3-a",
        "Condition dents: none, wrapper: sound",
        "3.312 V",
    ],
    "h date of receipt": ["received 2026-11-20"],
    "i dates of the activity": ["Tested (UTC) 2026-11-24"],
    "j date of issue": ["Issued 2026-11-25"],
    "k sampling": ["Sampling: none, the one item was tested"],
    "l results relate only to the item": ["The results relate only to the one item described here"],
    "m results with units": ["1 983 ± 12 mAh", "± 0.046 Wh", "63.1 ± 1.8 mΩ"],
    "n deviations from the method": [
        "Where it departs from IEC 61960-3",
        "0.25 It of the 1.98 Ah that it holds",
        "not controlled",
    ],
    "o who authorises": ["Answered for by Mara Lindqvist"],
    "note: copied only in full": ["To be copied only in full"],
}


@pytest.mark.parametrize("item", list(ITEMS))
def test_every_applicable_item_of_17025_is_there(text: str, item: str) -> None:
    for words in ITEMS[item]:
        assert words in text


def test_item_p_results_from_others_are_named_as_such(tmp_path: Path) -> None:
    run = run_input(write_run(tmp_path, imported={"file": "table.csv"}))
    shown = text_of(make_certificate([run], ISSUE, SIGNER)[0])
    assert "External provider: the readings were taken by others and imported" in shown


def test_what_is_not_known_is_said_to_be_not_known(tmp_path: Path) -> None:
    cell = cell_record(source="", mass_g=None, as_found_V=None, as_found_utc="", inspection={})
    run = run_input(
        write_run(tmp_path, cell=cell, profile=""), temperature_rise_K=None, temperature_degC=None, resistances=[]
    )
    shown = text_of(make_certificate([run], Issue(ISSUE.issued), SIGNER)[0])
    for words in (
        "Place of test not stated", "Answered for by not stated", "Came out of not stated", "none known",
        "voltage not recorded, date of receipt not recorded", "no inspection recorded", "Temperature: not measured",
        "DC resistance not measured", "of the rated capacity, which is not known",
    ):  # fmt: skip
        assert words in shown


# Source: ISO/IEC 17025:2017, clause 7.8.3.1 (uncertainty, from memory) and JCGM 100:2008, 7.2.3 (k and probability).
def test_uncertainty_is_stated_with_its_factor(text: str) -> None:
    assert "U is expanded, k = 2 (JCGM 100:2008)" in text and "about 95 of 100 such tests" in text
    assert "Value ± U (k = 2)" in text


# Source: ISO/IEC 17025:2017, clauses 7.8.6.1 and 7.8.6.2 (read second-hand): a statement of conformity names its
# decision rule.
def test_a_grade_comes_with_its_decision_rule(text: str) -> None:
    assert "Decision rule of the grade" in text
    assert "beyond it by its expanded uncertainty" in text
    assert "not those of a standard" in text


def test_without_a_grade_there_is_no_decision_rule(tmp_path: Path) -> None:
    shown = text_of(make_certificate([run_input(write_run(tmp_path))], ISSUE, SIGNER)[0])
    assert "Decision rule" not in shown
    assert "Grade" not in shown


def test_what_was_not_tested_is_listed(text: str) -> None:
    for words in ("Safety in misuse", "any protective circuit", "cycle life", "UN 38.3"):
        assert words in text


# Source: IEC 63338:2024, scope (read): it does not permit reuse of single cells whose lifetime data are not
# recorded. So nothing we print may claim it, for any cell, start or grade; nor an accreditation (ILAC P8, common
# practice), an approval, or a state of health (Regulation (EU) 2023/1542, Art. 3(28), from memory: it needs the
# initial condition, which is not known here).
FORBIDDEN = (
    "63338", "63330", "UL 1974", "reused according to", "in accordance with", "complies with", "conforms to",
    "certified to", "state of health", "SoH", "guarantee", "warrant", "safe to use", "CE mark", "IATA approved",
)  # fmt: skip
ONLY_DENIED = {
    "accredited": ("No accredited", "not an accredited", "one used cell, not accredited"),
    "approval": ("No safety approval", "no type approval"),
    "conformity": ("not in conformity with it", "No statement of conformity"),
}


@pytest.mark.parametrize(
    ("start", "chemistry", "grade"),
    list(itertools.product(("full", "declared-full"), ("li-ion", "lfp", "nimh"), (None, GRADE))),
)
def test_claims_that_must_not_be_made_are_not_made(
    tmp_path: Path, start: str, chemistry: str, grade: Graded | None
) -> None:
    folder = write_run(tmp_path, start=start, cell=cell_record(chemistry=chemistry))
    item = run_input(folder, chemistry=chemistry)
    shown = text_of(make_certificate([item], ISSUE, SIGNER, grade)[0])
    for words in FORBIDDEN:
        assert words.lower() not in shown.lower()
    for word, denials in ONLY_DENIED.items():
        rest = shown
        for denial in denials:
            assert denial in shown
            rest = rest.replace(denial, "")
        assert word not in rest.lower(), word


def test_labels_and_page_make_no_such_claim_either(tmp_path: Path) -> None:
    item = run_input(write_run(tmp_path))
    content = label.label_content(item.header.cell, item.result, "steady duty")
    texts = [text_of(label.make_labels([content], label.size_mm("card"))), content.payload]
    row = PageRow(item.header.cell, ComparedRow(grade="steady duty"), item.result, item.curve)
    texts.append(page.build_page([row]))
    for shown, words in itertools.product(texts, FORBIDDEN):
        assert words.lower() not in shown.lower()


# Source: university safety pages on lithium cells and one air carrier association's page on PI 965 (read, see the
# texts' wording): 0 to 45 °C, at most 30 % charged by air, damaged or undiagnosed cells not posted, tape terminals.
def test_usual_cautions_are_on_it_posting_included(text: str) -> None:
    for words in (
        "between 0 and 45 °C", "swollen, dented, leaking, reversed", "by air at most 30 % charged",
        "a damaged or undiagnosed cell is not posted at all", "Never into household waste", "Local rules and "
                                                                                            "qualified people",
    ):  # fmt: skip
        assert words in text
