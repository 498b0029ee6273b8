"""The certificate: refused where it must be, the same bytes for the same input, everything printed and readable."""

import dataclasses
import datetime
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pypdfium2
import pytest
import zxingcpp
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fontTools.ttLib import TTFont
from paper_runs import GRADE, cell_record, make_certificate, run_input, write_pulsed_run, write_run
from programs import run_inside
from pypdf import PdfReader

from amphora.harness.account.answer import analyse_run
from amphora.harness.account.standing import Standing
from amphora.harness.common.errors import InputError, Refused
from amphora.harness.report.certificate import attachment, page_rows, printable, statement
from amphora.harness.report.certificate import page as sheet
from amphora.harness.report.certificate.body import Certificate
from amphora.harness.report.certificate.canonical import canonical_bytes, from_canonical, sha256_hex
from amphora.harness.report.certificate.issue import certify, to_attach
from amphora.harness.report.certificate.keys import Signer
from amphora.harness.report.certificate.schema import PATH
from amphora.harness.report.certificate.statement import MOST_RESISTANCES, Issue, certificate_of, results_of
from amphora.harness.results.kept import kept_text
from tests.support.made_results import result_of

ISSUE = Issue(datetime.date(2026, 11, 25), operator="Mara Lindqvist", place="village hall, workshop")


@pytest.fixture(scope="module")
def signer() -> Signer:
    return Signer(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))


def text_of(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    text = "\n".join(page.get_textpage().get_text_bounded() for page in document)
    return " ".join(
        text.replace("\u202f", " ").replace("\xa0", " ").replace("\ufffe\r\n", "").replace("\ufffe", "").split()
    )


def payload_of(data: dict[str, Any], signer: Signer) -> str:
    return sheet.qr_payload(Certificate.from_json(data), sha256_hex(canonical_bytes(data)), signer.public)


def test_equal_input_gives_equal_bytes(tmp_path: Path, signer: Signer) -> None:
    item = run_input(write_run(tmp_path))
    first, _ = make_certificate([item], ISSUE, signer, GRADE)
    second, _ = make_certificate([item], ISSUE, signer, GRADE)
    assert first == second


def test_unknown_start_gets_no_certificate(tmp_path: Path) -> None:
    item = run_input(write_run(tmp_path, start="unknown"))
    with pytest.raises(Refused, match="not known to have been full"):
        certificate_of([item], ISSUE)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"finished": False}, "not finished"),
        ({"reached_cutoff": False}, "cut-off"),
        ({"capacity_Ah": None}, "no capacity"),
        ({"capacity_U_Ah": None}, "no uncertainty"),
        ({"capacity_U_Ah": float("nan")}, "no uncertainty"),
    ],
)
def test_a_run_without_a_sound_capacity_is_refused(tmp_path: Path, changes: dict[str, object], words: str) -> None:
    item = run_input(write_run(tmp_path), **changes)
    with pytest.raises(Refused, match=words):
        certificate_of([item], ISSUE)


def test_declared_full_is_printed_as_such(tmp_path: Path, signer: Signer) -> None:
    item = run_input(write_run(tmp_path, start="declared-full"))
    pdf, _ = make_certificate([item], ISSUE, signer)
    assert "Declared full: the operator's word, not seen by the bench" in text_of(pdf).replace("’", "'")


def test_the_cell_as_an_item_has_the_u_that_its_account_gives_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flat curve hides a drain, another current changes it: analyse said ± 23 mAh, and the certificate ± 21."""
    item = run_input(write_run(tmp_path))
    name = item.folder.resolve().name
    given = {}
    for share in (0.0, 0.05):
        standing = Standing("L3-a", conditions={name: share})
        monkeypatch.setattr(statement, "standing_beside", lambda folder, at=standing: (None, at))
        given[share] = certificate_of([item], ISSUE).to_json()["item_uncertainty"]
    before, after = (given[share]["capacity_U_Ah"] for share in (0.0, 0.05))
    assert after == pytest.approx((before**2 + (0.05 * item.result.capacity_Ah) ** 2) ** 0.5)
    assert "another charge or current may change it by 5 %" in given[0.05]["text"]


def test_runs_of_two_cells_are_refused(tmp_path: Path) -> None:
    one = run_input(write_run(tmp_path / "a"))
    two = run_input(write_run(tmp_path / "b", cell=cell_record(id="L4-b")))
    with pytest.raises(InputError, match=r"L3-a, L4-b.*one item"):
        certificate_of([one, two], ISSUE)


def test_several_runs_of_one_cell_each_have_their_results(tmp_path: Path, signer: Signer) -> None:
    one = run_input(write_run(tmp_path / "a"))
    two = run_input(write_run(tmp_path / "b", run_id="L3-a/20261126T210000Z-overnight"))
    pdf, data = make_certificate([one, two], ISSUE, signer, GRADE)
    shown = text_of(pdf)
    for item in data["runs"]:
        assert item["run_id"].split("/")[1] in shown
    assert "last of 2 runs" in shown
    assert "Each run, the last one first" in shown
    assert len(PdfReader(io.BytesIO(pdf)).pages) <= 2


def test_two_pages_and_the_budget_only_when_asked(tmp_path: Path, signer: Signer) -> None:
    item = run_input(write_run(tmp_path))
    one, _ = make_certificate([item], ISSUE, signer, GRADE)
    two, _ = make_certificate([item], dataclasses.replace(ISSUE, pages=2), signer, GRADE)
    assert len(PdfReader(io.BytesIO(one)).pages) <= 2
    assert 2 <= len(PdfReader(io.BytesIO(two)).pages) <= 4
    assert "Uncertainty budget" in text_of(two)
    assert "end of the certificate" in text_of(two)


LONG = "Außenleuchte neben dem Gewächshaus, drittes Feld von links, hinterer Weg, unter der Eiche; " * 3
EAST_ASIAN = "锂离子电池 · 村の街灯 · 리튬이온 전지"
SCRIPTS = "גוף תקין · عبوة سليمة · कोशिका ठीक · Ячейка цела · Κελί · เซลล์ · უჯრედი · Բջիջ"


def test_long_names_missing_data_and_other_scripts_stay_on_two_pages_without_boxes(
    tmp_path: Path, signer: Signer
) -> None:
    cell = cell_record(source=LONG, markings="x" * 300, notes=SCRIPTS, mass_g=None, as_found_V=None, inspection={})
    item = run_input(write_run(tmp_path, cell=cell), resistances=[], temperature_rise_K=None)
    pdf, _ = make_certificate([item], ISSUE, signer)
    reader = PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) <= 2
    shown = text_of(pdf)
    assert "Ячейка цела" in shown
    assert "Κελί" in shown
    assert "voltage not recorded" in shown
    assert "no inspection recorded" in shown
    sheet = pypdfium2.PdfDocument(pdf)[0]
    words = sheet.get_textpage()
    right = sheet.get_width() - 17 / 25.4 * 72 + 1  # the margin
    assert all(words.get_charbox(n)[2] <= right for n in range(words.count_chars()))
    for word in ("תקין", "เซลล์", "უჯრედი", "Բջիջ"):
        assert word in shown or word[::-1] in shown
    assert "U+" not in shown


def test_a_character_no_typeface_draws_is_printed_by_number() -> None:
    assert printable.printable("\U00020000 ok") == "[U+20000] ok"
    assert printable.printable(SCRIPTS) == SCRIPTS
    assert printable.printable(EAST_ASIAN) == EAST_ASIAN


def test_coverage_file_is_what_the_fonts_hold() -> None:
    points: set[int] = set()
    for path in [*printable.FONTS.glob("*.otf"), *printable.FONTS.glob("*.ttf")]:
        with TTFont(path) as font:
            points.update(font.getBestCmap())
    ranges = json.loads((printable.FONTS / "coverage.json").read_text())
    assert {p for low, high in ranges for p in range(low, high + 1)} == points


def test_every_font_is_shipped_with_a_licence_and_all_stay_small() -> None:
    fonts = [*printable.FONTS.glob("*.otf"), *printable.FONTS.glob("*.ttf")]
    for font in fonts:
        family = next(name for name in ("Inter", "Noto", "DejaVu", "Droid") if font.name.startswith(name))
        assert (printable.FONTS / f"LICENSE-{family}.txt").is_file()
    assert sum(font.stat().st_size for font in fonts) < 7_000_000


def test_fonts_are_embedded_and_the_file_claims_pdf_a_3(tmp_path: Path, signer: Signer) -> None:
    pdf, _ = make_certificate([run_input(write_run(tmp_path))], ISSUE, signer)
    reader = PdfReader(io.BytesIO(pdf), strict=True)
    fonts = reader.pages[0]["/Resources"]["/Font"]
    assert len(fonts) >= 2
    for font in fonts.values():
        descendant = font.get_object()["/DescendantFonts"][0].get_object()
        descriptor = descendant["/FontDescriptor"].get_object()
        assert "/FontFile2" in descriptor or "/FontFile3" in descriptor
    metadata = reader.trailer["/Root"]["/Metadata"].get_data().decode("utf-8")
    assert "<pdfaid:part>3</pdfaid:part>" in metadata
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    with pypdfium2.PdfDocument(pdf) as document:
        assert document.count_attachments() == 1


def test_qr_code_on_the_page_names_number_results_and_digest(tmp_path: Path, signer: Signer) -> None:
    pdf, data = make_certificate([run_input(write_run(tmp_path))], ISSUE, signer, GRADE)
    image = pypdfium2.PdfDocument(pdf)[0].render(scale=200 / 72).to_pil()
    codes = zxingcpp.read_barcodes(image)
    assert [code.text for code in codes] == [payload_of(data, signer)]
    lines = codes[0].text.split("\n")
    assert f"no {data['number']}" in lines
    assert "grade steady duty" in lines
    assert any(line.startswith("capacity 19") and line.endswith("mAh k=2") for line in lines)


def test_attachment_is_canonical_and_fits_the_published_schema(tmp_path: Path, signer: Signer) -> None:
    pdf, data = make_certificate([run_input(write_run(tmp_path))], ISSUE, signer, GRADE)
    (content,) = PdfReader(io.BytesIO(pdf)).attachments[attachment.ATTACHMENT]
    document = from_canonical(content)
    assert document["certificate"] == data
    schema = json.loads(PATH.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(document)


@pytest.mark.parametrize("spoil", ["number", "runs", "format", "surplus"])
def test_schema_refuses_what_is_not_a_certificate(tmp_path: Path, signer: Signer, spoil: str) -> None:
    data = certificate_of([run_input(write_run(tmp_path))], ISSUE)
    document = json.loads(to_attach(data, signer))
    if spoil == "surplus":
        document["certificate"]["runs"][0]["results"]["state_of_health"] = 0.9
    else:
        document["certificate"][spoil] = "no"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(json.loads(PATH.read_text(encoding="utf-8"))).validate(document)


@pytest.mark.parametrize(
    ("value", "U", "scale", "shown"),
    [
        (2.0134, 0.0121, 1000, "2\u202f013 ± 12"),
        (0.0621, 0.0018, 1000, "62.1 ± 1.8"),
        (7.312, 0.047, 1, "7.312 ± 0.047"),
        (3.5, 0.0, 1, "3.5"),
        (None, None, 1, "not measured"),
        (2.0134, 0.456, 1000, "2\u202f010 ± 460"),
        (12.3456, 1e-12, 1, "12.35"),
    ],
)
def test_values_are_shown_to_two_digits_of_their_uncertainty(
    value: float | None, U: float | None, scale: float, shown: str
) -> None:
    assert page_rows.with_U(value, U, scale) == shown


@pytest.mark.parametrize(
    "content", [b'{"a": 1}', b'{"b":1,"a":2}', b'{"a":1,"a":1}', b'{"a":NaN}', b'{"a":1.0e0}', b'{"a"', b"[" * 100_000]
)
def test_only_the_one_canonical_form_is_read(content: bytes) -> None:
    with pytest.raises(InputError):
        from_canonical(content)


def test_canonical_form_comes_back_as_it_was() -> None:
    value = {"b": [1, 2.5, None, True], "a": {"Ω": "é\u2028"}, "c": 1e-09}
    assert from_canonical(canonical_bytes(value)) == value


def test_numbers_that_are_not_finite_are_never_written() -> None:
    with pytest.raises(InputError):
        canonical_bytes({"a": float("inf")})


def test_a_text_that_looks_like_markup_is_printed_as_it_is(tmp_path: Path, signer: Signer) -> None:
    evil = '#panic("x") *bold* $x^2$ <script> \\u{41} `raw` @ref //c'
    pdf, _ = make_certificate([run_input(write_run(tmp_path, cell=cell_record(notes=evil)))], ISSUE, signer)
    assert evil.replace('"', "").replace("'", "") in text_of(pdf).replace('"', "").replace("”", "").replace("“", "")


# ---- the whole way, from raw samples to the file -------------------------------------------------


@pytest.fixture
def own_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("AMPHORA_KEY", str(tmp_path / "settings" / "key.pem"))
    monkeypatch.delenv("AMPHORA_KEY_PASSWORD", raising=False)
    return tmp_path / "settings" / "key.pem"


def amphora(*arguments: str) -> subprocess.CompletedProcess[str]:
    return run_inside(*arguments)


def test_certify_and_verify_from_raw_samples_by_command(tmp_path: Path, own_key: Path) -> None:
    folder = write_pulsed_run(tmp_path / "logs")
    out = tmp_path / "L3-a.pdf"
    done = amphora("certify", str(folder), "--out", str(out), "--issued", "2026-11-25", "--json")
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["cell"] == "L3-a"
    assert said["grade"]
    assert own_key.exists()
    first = out.read_bytes()
    again = amphora("certify", str(folder), "--out", str(out), "--issued", "2026-11-25")
    assert again.returncode == 0
    assert (
        again.stdout.splitlines()[-1] == f"Next: amphora verify {out} --logs {folder.parent.parent}"
    )  # where the run is
    assert out.read_bytes() == first
    assert (tmp_path / "L3-a.1.pdf").read_bytes() == first  # what stood there was kept
    elsewhere = amphora("verify", str(out), "--logs", str(tmp_path), "--json")
    found = json.loads(elsewhere.stdout)
    assert (elsewhere.returncode, found["valid"], found["recomputed"]) == (1, True, None)
    assert "no number was recomputed" in elsewhere.stderr
    checked = amphora("verify", str(out), "--logs", str(tmp_path / "logs"), "--json")
    assert checked.returncode == 0, checked.stdout
    found = json.loads(checked.stdout)
    assert (found["valid"], found["signature"], found["integrity"], found["recomputed"]) == (True, True, True, [])
    # by hand: 0.5 A for the time to 3.00 V on a straight line, less four stops of half a minute
    by_hand = 0.5 * (14400 * 1.1 / 1.11 - 4 * 30) / 3600
    assert found["results"][0]["capacity_Ah"] == pytest.approx(by_hand, rel=2e-4)


def test_other_hash_seed_time_zone_and_locale_give_the_same_bytes(tmp_path: Path, own_key: Path) -> None:
    folder = write_pulsed_run(tmp_path / "logs", cell=cell_record(notes=SCRIPTS + EAST_ASIAN))
    made = []
    for n, changed in enumerate(
        (
            {"PYTHONHASHSEED": "1", "TZ": "UTC", "LC_ALL": "C"},
            {"PYTHONHASHSEED": "77", "TZ": "Pacific/Kiritimati", "LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"},
        )
    ):
        out = tmp_path / f"{n}.pdf"
        done = subprocess.run(
            [sys.executable, "-c", "from amphora.harness.cli.app import main; main()", "certify", str(folder),
             "--out", str(out),
             "--issued", "2026-11-25", "--budget"],
            capture_output=True, text=True, timeout=60, env={**os.environ, **changed},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        made.append(out.read_bytes())
    assert made[0] == made[1]


def test_samples_changed_after_certifying_are_told_with_the_number_that_differs(tmp_path: Path, own_key: Path) -> None:
    folder = write_pulsed_run(tmp_path / "logs")
    out = tmp_path / "L3-a.pdf"
    assert run_inside("certify", str(folder), "--out", str(out)).returncode == 0
    samples = folder / "samples.csv"
    samples.write_text(samples.read_text().replace("\n7000,0,3.56042,-0.5000", "\n7000,0,3.56042,-0.9000"))
    checked = run_inside("verify", str(out), "--logs", str(tmp_path / "logs"), "--json")
    assert checked.returncode == 1
    found = json.loads(checked.stdout)
    assert not found["valid"]
    assert {item["name"] for item in found["recomputed"]} >= {"sha256 of samples.csv", "capacity_Ah", "energy_Wh"}
    assert "samples.csv is not the file that was certified" in checked.stderr


def test_a_result_kept_beside_the_run_cannot_answer_for_the_samples(tmp_path: Path, own_key: Path) -> None:
    folder = write_pulsed_run(tmp_path / "logs")
    analyse_run(folder)
    kept = json.loads((folder / "result.json").read_text())
    kept["result"]["capacity_Ah"] *= 1.5
    (folder / "result.json").write_text(
        kept_text(kept["result"], {key: value for key, value in kept.items() if key != "result"})
    )
    certify(folder, tmp_path / "a.pdf", ISSUE)
    checked = run_inside("verify", str(tmp_path / "a.pdf"), "--logs", str(tmp_path / "logs"), "--json")
    assert checked.returncode == 0, checked.stdout
    found = json.loads(checked.stdout)
    assert found["results"][0]["capacity_Ah"] == pytest.approx(kept["result"]["capacity_Ah"] / 1.5, rel=1e-8)


def test_refusal_ends_with_1_and_bad_input_with_2_and_nothing_is_written(tmp_path: Path, own_key: Path) -> None:
    folder = write_pulsed_run(tmp_path / "logs", start="unknown")
    out = tmp_path / "no.pdf"
    refused = amphora("certify", str(folder), "--out", str(out))
    assert refused.returncode == 1
    assert "not known to have been full" in refused.stderr
    missing = run_inside("certify", str(tmp_path / "nowhere"), "--out", str(out))
    assert missing.returncode == 2
    dated = run_inside("certify", str(folder), "--out", str(out), "--issued", "25.11.2026")
    assert dated.returncode == 2
    assert "2026-11-25" in dated.stderr
    assert not out.exists()
    assert not own_key.exists()
    assert all("Traceback" not in item.stderr for item in (refused, missing, dated))


def test_a_night_of_36_000_rows_is_certified(tmp_path: Path, own_key: Path) -> None:
    folder = write_run(tmp_path / "logs", rows=36_000)
    done = run_inside("certify", str(folder), "--out", str(tmp_path / "x.pdf"))
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "x.pdf").read_bytes().startswith(b"%PDF-")


def test_report_of_runs_by_command_is_one_page_with_curves(tmp_path: Path) -> None:
    write_pulsed_run(tmp_path / "logs")
    write_pulsed_run(tmp_path / "logs", cell=cell_record(id="L4-b"))
    runs = sorted(str(path) for path in (tmp_path / "logs").glob("*/*"))
    out = tmp_path / "cells.html"
    done = run_inside("report", *runs, "--out", str(out), "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["cells"] == ["L3-a", "L4-b"]
    page = out.read_text(encoding="utf-8")
    assert page.count("<polyline") == 2
    assert "L4-b" in page


def test_a_run_on_the_simulated_bench_says_so_on_page_and_code(tmp_path: Path, signer: Signer) -> None:
    bench = {
        "name": "simulated bench",
        "instruments": {"load": {"role": "load", "identity": "AMPHORA SIM,LOAD,0012,1.0"}},
    }
    pdf, data = make_certificate([run_input(write_run(tmp_path, bench=bench))], ISSUE, signer)
    assert data["runs"][0]["simulated"]
    assert "Simulated bench: no real cell was tested" in text_of(pdf)
    assert "SIMULATED, no real cell" in payload_of(data, signer)
    real, _ = make_certificate([run_input(write_run(tmp_path / "real"))], ISSUE, signer)
    assert "imulated" not in text_of(real)


def test_a_bench_file_that_says_simulated_makes_a_simulated_certificate(tmp_path: Path) -> None:
    bench = {"name": "poor man's bench", "simulated": True, "instruments": {"logger": {"role": "logger"}}}
    assert certificate_of([run_input(write_run(tmp_path, bench=bench))], ISSUE).last.simulated


@pytest.mark.parametrize(("with_load", "falls"), [(False, True), (True, False)])
def test_a_current_that_was_reckoned_over_a_resistor_is_said_to_be(
    tmp_path: Path, with_load: bool, falls: bool
) -> None:
    instruments: dict[str, object] = {"logger": {"role": "logger", "shunt": "10.02 ohm"}}
    if with_load:
        instruments["load"] = {"role": "load"}
    bench = {"name": "poor man's bench", "instruments": instruments, "cell": {"current": ["logger"]}}
    data = certificate_of([run_input(write_run(tmp_path, bench=bench))], ISSUE)
    (said,) = [text for text in data.last.deviations if text.startswith("Current:")]
    assert "computed from the voltage over 10.02 ohm" in said
    assert ("falls with the voltage" in said) is falls


def test_a_start_is_called_full_by_words_that_hold_for_every_chemistry(tmp_path: Path, signer: Signer) -> None:
    # a nickel cell's charge has no taper: it ends by time, charge or warming
    folder = write_run(tmp_path, cell=cell_record(chemistry="nimh", form="AA"))
    shown = text_of(make_certificate([run_input(folder, chemistry="nimh")], ISSUE, signer)[0])
    assert "full: charged on this bench to its normal end, at most 4 h before" in shown
    assert "taper" not in shown


def test_what_is_to_be_noted_is_never_cut_on_a_usual_certificate(tmp_path: Path, signer: Signer) -> None:
    warnings = [
        "That the cell was full at the start was declared, not seen.",
        "No temperature was recorded: warming went unseen.",
        "308 mΩ, nearly all of it at once: leads or holder are measured with the cell. Connect the sense leads at "
        "the cell's own ends.",
        "The instruments' accuracy was not given; the uncertainty rests on assumed values for a cheap bench.",
    ]
    item = run_input(write_run(tmp_path), warnings=[{"code": "x", "text": text} for text in warnings])
    pdf, _ = make_certificate([item], ISSUE, signer, GRADE)
    shown = text_of(pdf).replace("’", "'")
    for text in warnings:
        assert text in shown
    assert len(PdfReader(io.BytesIO(pdf)).pages) <= 2


@pytest.mark.parametrize(
    ("state", "note"), [("quarantined", "not while in quarantine"), ("", "this bench's own grades")]
)
def test_a_grade_is_not_for_use_while_the_cell_is_in_quarantine(
    tmp_path: Path, signer: Signer, state: str, note: str
) -> None:
    item = run_input(write_run(tmp_path))
    item = dataclasses.replace(item, state_now=state)
    shown = text_of(make_certificate([item], ISSUE, signer, GRADE)[0]).replace("’", "'")
    assert f"steady duty {note}" in shown


def test_a_share_too_small_to_round_is_not_called_none() -> None:
    shown = [page_rows._share(part) for part in (0.0, 0.0001, 0.0099, 0.01, 0.67)]
    assert shown == ["0 %", "< 1 %", "< 1 %", "1 %", "67 %"]


def test_resistances_at_one_charge_state_make_no_curve(tmp_path: Path, signer: Signer) -> None:
    one = [
        {"method": "pulse", "ohm": 0.06 + n / 1e4, "U_ohm": 0.001, "current_A": -1.0, "duration_s": 10.0,
         "charge_state": 0.99, "t_s": 1.0}
        for n in range(3)
    ]  # fmt: skip
    data = certificate_of([run_input(write_run(tmp_path), resistances=one)], ISSUE)
    shown = sheet.view(data, signer.public)
    assert shown["plots"]["resistance"] == ""
    assert [row[0] for row in shown["results"]].count("DC resistance") == 1


def test_joined_letters_stay_joined_and_turns_of_direction_are_dropped(tmp_path: Path) -> None:
    cell = cell_record(notes="می\u200cرود \u202egnorw\u202c\x00\n\tend")
    data = certificate_of([run_input(write_run(tmp_path, cell=cell))], ISSUE)
    assert data.item.notes == "می\u200cرود gnorw end"


def test_very_many_resistances_are_thinned_and_the_chosen_one_stays(tmp_path: Path) -> None:
    many = [
        {"method": "pulse", "ohm": 0.06, "U_ohm": 0.001, "current_A": -1.0, "duration_s": 1.0 + (n == 1237) * 9.0,
         "charge_state": n / 5000, "t_s": float(n)}
        for n in range(5000)
    ]  # fmt: skip
    stated = results_of(result_of(resistances=many))
    assert len(stated.resistances) <= MOST_RESISTANCES + 1
    assert stated.main_resistance is not None and stated.main_resistance.t_s == 1237


def test_more_runs_than_a_page_can_carry_are_refused(tmp_path: Path) -> None:
    item = run_input(write_run(tmp_path))
    with pytest.raises(InputError, match="at most 12"):
        certificate_of([item] * 13, ISSUE)


def test_a_retired_cell_gets_no_certificate_and_quarantine_is_printed(
    tmp_path: Path, signer: Signer, own_key: Path
) -> None:
    folder = write_pulsed_run(tmp_path / "logs")
    (folder.parent / "cell.json").write_text(json.dumps({"id": "L3-a", "state": "quarantined"}))
    with pytest.raises(Refused, match="--in-spite-of"):
        certify(folder, tmp_path / "a.pdf", ISSUE)
    taken_on = ("quarantined", "never-inspected", "leak-not-bounded")
    certify(folder, tmp_path / "a.pdf", ISSUE, in_spite_of=taken_on)
    shown = text_of((tmp_path / "a.pdf").read_bytes())
    assert all(f"In spite of: {code}" in shown for code in taken_on)
    assert "In quarantine: not cleared for use" in shown.split("Capacity certificate")[1][:200]  # at the very top
    assert "in quarantine on the register: not cleared for use" in shown
    code = zxingcpp.read_barcodes(pypdfium2.PdfDocument(tmp_path / "a.pdf")[0].render(scale=200 / 72).to_pil())[0]
    assert "IN QUARANTINE" in code.text
    (folder.parent / "cell.json").write_text(json.dumps({"id": "L3-a", "state": "retired"}))
    with pytest.raises(Refused, match="retired on the register"):
        certify(folder, tmp_path / "b.pdf", ISSUE, in_spite_of=("retired", *taken_on))
    assert not (tmp_path / "b.pdf").exists()
