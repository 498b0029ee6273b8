"""Verification: yes when nothing was changed, no with the reason after any change, and never hurt by a hostile file."""

import contextlib
import dataclasses
import datetime
import io
import json
import os
import shutil
import zlib
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from paper_runs import make_certificate, run_input, write_run
from PIL import Image
from pypdf import PdfReader, PdfWriter

from amphora.harness.archive.run_folder import FILES
from amphora.harness.common.as_json import from_json
from amphora.harness.common.errors import InputError
from amphora.harness.report.certificate import attachment, seal, verify
from amphora.harness.report.certificate import page as sheet
from amphora.harness.report.certificate.body import Certificate, RunStated
from amphora.harness.report.certificate.canonical import canonical_bytes
from amphora.harness.report.certificate.issue import to_attach
from amphora.harness.report.certificate.keys import Signer, to_text
from amphora.harness.report.certificate.run_input import RunInput
from amphora.harness.report.certificate.statement import Issue

ISSUE = Issue(datetime.date(2026, 11, 25), operator="Mara Lindqvist")
SIGNER = Signer(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
STRANGER = Signer(Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33))))


@dataclasses.dataclass
class Made:
    logs: Path
    folder: Path
    pdf: bytes
    data: dict[str, Any]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    logs = tmp_path_factory.mktemp("logs")
    folder = write_run(logs)
    pdf, data = make_certificate([run_input(folder)], ISSUE, SIGNER)
    return Made(logs, folder, pdf, data)


PRINTED: dict[tuple[str, bytes, bytes], bytes] = {}


def printed(data: dict[str, Any] | Certificate, attached: bytes, public: bytes) -> bytes:
    """The pages, set in type once: equal data give equal bytes (test_certificate holds that)."""
    stated = data if isinstance(data, Certificate) else Certificate.from_json(data)
    asked = (json.dumps(stated.to_json()), attached, public)
    if asked not in PRINTED:
        PRINTED[asked] = sheet.render(stated, attached, public)
    return PRINTED[asked]


def check(
    tmp_path: Path, pdf: bytes, logs: Path | None = None, expect: bytes | None = None, apart: bool = False
) -> dict[str, Any]:
    """Verify; `apart`: as every caller but these tests does, the attachment in a process of its own, the pages anew."""
    path = tmp_path / "paper.pdf"
    path.write_bytes(pdf)
    with pytest.MonkeyPatch.context() as patch:
        if not apart:
            patch.setattr(verify, "extract", attachment.extract_here)
            patch.setattr(verify, "sheet", SimpleNamespace(**{**vars(sheet), "render": printed}))
        found = verify.verify_file(path, logs, expect, recompute=lambda folder, *_: run_input(folder))
        return found.to_json()


def test_an_unchanged_certificate_is_valid_and_every_number_recomputes(made: Made, tmp_path: Path) -> None:
    found = check(tmp_path, made.pdf, made.logs, apart=True)
    assert found["valid"] is found["signature"] is found["integrity"] is True
    assert found["recomputed"] == []
    assert found["page"] == "same"
    assert found["reasons"] == []
    assert found["proves"]
    assert any("who held the key" in text for text in found["proves_not"])


def test_without_the_run_nothing_is_said_to_be_recomputed(made: Made, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    assert check(tmp_path, made.pdf)["recomputed"] is None
    found = check(tmp_path, made.pdf, tmp_path / "empty")
    assert found["valid"]
    assert found["recomputed"] is None
    assert any("nothing of it was recomputed" in note for note in found["notes"])


def test_any_one_byte_changed_anywhere_in_the_file_is_told(made: Made, tmp_path: Path) -> None:
    # the seal is checked on every byte in steps of a prime, then the whole answer on a few
    for at in range(0, len(made.pdf), 97):
        spoilt = bytearray(made.pdf)
        spoilt[at] ^= 0x01
        try:
            public, value, covered = seal.read_seal(bytes(spoilt))
        except InputError:
            continue
        assert not verify.signature_holds(public, value, covered), f"byte {at}"
    for at in range(5, len(made.pdf), len(made.pdf) // 12):
        spoilt = bytearray(made.pdf)
        spoilt[at] ^= 0x01
        found = check(tmp_path, bytes(spoilt))
        assert not found["valid"], f"byte {at}"
        assert found["reasons"], f"byte {at}"


def test_every_byte_of_the_seal_counts(made: Made) -> None:
    at = made.pdf.index(seal.SEAL_START)
    for n in range(at, at + len(seal.SEAL_START) + 134):
        spoilt = bytearray(made.pdf)
        spoilt[n] ^= 0x02
        try:
            public, value, covered = seal.read_seal(bytes(spoilt))
        except InputError:
            continue
        assert not verify.signature_holds(public, value, covered), f"byte {n}"


@pytest.mark.parametrize("extra", [b"\n", b" ", b"%x\n", b"\x00", b"\n%%EOF"])
def test_bytes_added_at_the_end_are_told(made: Made, tmp_path: Path, extra: bytes) -> None:
    assert not check(tmp_path, made.pdf + extra)["valid"]


def test_truncation_anywhere_is_told(made: Made, tmp_path: Path) -> None:
    for n in (0, 4, 7, 100, len(made.pdf) // 2, len(made.pdf) - 2):
        found = check(tmp_path, made.pdf[:n])
        assert not found["valid"]
        assert found["reasons"]


def reseal(data: dict[str, Any], attached: bytes, signer: Signer) -> bytes:
    """A certificate whose seal is right but whose inside is as given: what a forger with a key can make."""
    return seal.seal(printed(data, attached, signer.public), signer)


def signed(data: dict[str, Any], signer: Signer, sign_as: dict[str, Any] | None = None) -> bytes:
    value = signer.sign(canonical_bytes(data if sign_as is None else sign_as))
    signature = {"algorithm": "Ed25519", "public_key": to_text(signer.public), "value": to_text(value)}
    return canonical_bytes({"certificate": data, "signature": signature})


def leaves(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if isinstance(value, dict):
        return [leaf for key, item in value.items() for leaf in leaves(item, (*path, key))]
    if isinstance(value, list):
        return [leaf for i, item in enumerate(value) for leaf in leaves(item, (*path, i))]
    return [path] if isinstance(value, int | float) and not isinstance(value, bool) else []


def test_each_number_changed_in_the_data_breaks_the_signature(made: Made) -> None:
    document = json.loads(to_attach(Certificate.from_json(made.data), SIGNER))
    found = verify.Found()
    verify._signed_data(document, found)
    assert found.signature
    numbers = leaves(document["certificate"])
    assert len(numbers) > 60
    for path in numbers:
        changed = json.loads(json.dumps(document))
        place = changed["certificate"]
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] = place[path[-1]] * 1.000001 + 1e-6
        found = verify.Found()
        with contextlib.suppress(InputError):  # a count that is no whole number is not of the format either
            verify._signed_data(changed, found)
        assert found.key and not found.signature, path


def test_changed_data_under_a_fresh_seal_of_the_same_key_is_told_by_name(made: Made, tmp_path: Path) -> None:
    better = json.loads(json.dumps(made.data))
    better["runs"][0]["results"]["capacity_Ah"] *= 1.1
    found = check(tmp_path, reseal(better, signed(better, SIGNER, sign_as=made.data), SIGNER))
    assert not found["valid"]
    assert not found["signature"]
    assert "signature over the data does not hold" in " ".join(found["reasons"])


def test_pages_that_show_other_numbers_than_the_signed_data_are_told(made: Made, tmp_path: Path) -> None:
    better = json.loads(json.dumps(made.data))
    better["runs"][0]["results"]["capacity_Ah"] *= 1.1
    found = check(tmp_path, reseal(better, signed(made.data, SIGNER), SIGNER))
    assert found["signature"]
    assert found["page"] == "differs"
    assert not found["valid"]
    assert "pages do not show what the data say" in " ".join(found["reasons"])


def test_numbers_signed_by_the_bench_itself_but_not_in_its_samples_are_told(made: Made, tmp_path: Path) -> None:
    better = json.loads(json.dumps(made.data))
    better["runs"][0]["results"]["capacity_Ah"] *= 1.1
    found = check(tmp_path, reseal(better, signed(better, SIGNER), SIGNER), made.logs)
    assert found["signature"]
    assert found["integrity"]
    assert not found["valid"]
    assert [item["name"] for item in found["recomputed"]] == ["capacity_Ah"]


NUMBERS = {
    "energy_Wh": ("runs", 0, "results", "energy_Wh"),
    "budget[0].contribution_Ah": ("runs", 0, "budget", 0, "contribution_Ah"),
    "curve[3][1]": ("runs", 0, "curve", 3, 1),
    "main_current_A": ("runs", 0, "main_current_A"),
    "item.mass_g": ("item", "mass_g"),
}


@pytest.mark.parametrize(
    ("names", "sound"), [*(([name], True) for name in NUMBERS), (list(NUMBERS), True), (list(NUMBERS), False)]
)
def test_with_the_run_at_hand_a_changed_number_is_named_whoever_signed(
    made: Made, tmp_path: Path, names: list[str], sound: bool
) -> None:
    better = json.loads(json.dumps(made.data))
    for name in names:
        place, path = better, NUMBERS[name]
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] *= 1.1
    found = check(tmp_path, reseal(better, signed(better, SIGNER, None if sound else made.data), SIGNER), made.logs)
    assert not found["valid"]
    assert {item["name"] for item in found["recomputed"]} == set(names)
    assert all(name in " ".join(found["reasons"]) for name in names)


def test_a_run_stated_in_another_shape_gets_a_reason_and_no_traceback(made: Made, tmp_path: Path) -> None:
    for spoil in ({"results": None}, {"cutoff_given_V": "x"}, {"curve": {"a": 1}}, {"budget": 7}):
        odd = json.loads(json.dumps(made.data))
        odd["runs"][0].update(spoil)
        pdf = seal.seal(printed(made.data, signed(odd, SIGNER), SIGNER.public), SIGNER)
        found = check(tmp_path, pdf, made.logs)
        assert not found["valid"], spoil
        assert found["reasons"], spoil


def test_a_forgers_own_key_is_told_when_another_was_expected(made: Made, tmp_path: Path) -> None:
    forged, _ = make_certificate([run_input(made.folder)], ISSUE, STRANGER)
    assert check(tmp_path, forged)["valid"]  # nothing shows who holds a key; so it is said
    assert any("not one you know" in note for note in check(tmp_path, forged)["notes"])
    found = check(tmp_path, forged, expect=SIGNER.public)
    assert not found["valid"]
    assert "not with the expected" in found["reasons"][0]


def test_seal_and_data_by_two_keys_are_told(made: Made, tmp_path: Path) -> None:
    attached = to_attach(Certificate.from_json(made.data), SIGNER)
    pdf = seal.seal(printed(made.data, attached, SIGNER.public), STRANGER)
    found = check(tmp_path, pdf)
    assert not found["valid"]
    assert "another key" in " ".join(found["reasons"])


@pytest.mark.parametrize("name", FILES)
def test_one_byte_changed_in_the_runs_files_is_told_by_file(tmp_path: Path, name: str) -> None:
    folder = write_run(tmp_path / "logs")
    pdf, _ = make_certificate([run_input(folder)], ISSUE, SIGNER)
    path = folder / name
    content = bytearray(path.read_bytes())
    spot = content.rindex(b"0")
    content[spot] = ord("1")
    path.write_bytes(content)
    found = check(tmp_path, pdf, tmp_path / "logs")
    assert not found["valid"]
    assert not found["integrity"]
    assert f"{name} is not the file that was certified" in " ".join(found["reasons"])


def test_a_missing_file_of_the_run_is_told(tmp_path: Path) -> None:
    folder = write_run(tmp_path / "logs")
    pdf, _ = make_certificate([run_input(folder)], ISSUE, SIGNER)
    (folder / "events.jsonl").unlink()
    found = check(tmp_path, pdf, tmp_path / "logs")
    assert not found["valid"]
    assert "events.jsonl is not there" in " ".join(found["reasons"])


@pytest.mark.parametrize("run_id", ["../../etc", "/etc/x", "a/../../b", "", "..", "a/b/c/d", "a\x00b", "C:\\x"])
def test_a_run_id_never_leads_out_of_the_logs(tmp_path: Path, run_id: str) -> None:
    (tmp_path / "logs").mkdir()
    write_run(tmp_path / "etc")
    assert verify.run_folder(tmp_path / "logs", run_id) is None


def test_a_link_out_of_the_logs_is_not_followed(tmp_path: Path) -> None:
    folder = write_run(tmp_path / "elsewhere")
    (tmp_path / "logs" / "L3-a").mkdir(parents=True)
    (tmp_path / "logs" / "L3-a" / folder.name).symlink_to(folder)
    assert verify.run_folder(tmp_path / "logs", f"L3-a/{folder.name}") is None


def test_another_layout_is_not_compared_and_said_so(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheet, "layout_digest", lambda: "0" * 64)
    found = check(tmp_path, made.pdf)
    assert found["valid"]
    assert found["page"] == "not compared"
    assert any("another layout" in note for note in found["notes"])


def rewritten(pdf: bytes, change: Callable[[PdfWriter], None]) -> bytes:
    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(pdf)))
    change(writer)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def extracted(tmp_path: Path, pdf: bytes) -> bytes:
    path = tmp_path / "hostile.pdf"
    path.write_bytes(pdf)
    return attachment.extract(path)


@pytest.mark.parametrize(
    "entry",
    [
        b"/OpenAction<</S/JavaScript/JS(app.alert\\(1\\))>>",
        b"/AA<</WC<</S/JavaScript/JS(1)>>>>",
        b"/Names<</JavaScript<</Names[(a)<</S/JavaScript/JS(1)>>]>>>>",
    ],
)
def test_script_in_the_file_is_told(tmp_path: Path, entry: bytes) -> None:
    pdf = simple_pdf([b"<</Type/Catalog/Pages 2 0 R" + entry + b">>", b"<</Type/Pages/Kids[]/Count 0>>"])
    with pytest.raises(InputError, match=r"script|active content"):
        extracted(tmp_path, pdf)


def test_a_second_attachment_is_told(made: Made, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="attachment"):
        extracted(tmp_path, rewritten(made.pdf, lambda w: w.add_attachment("more.json", b"{}")))


def test_two_attachments_of_one_name_are_told(made: Made, tmp_path: Path) -> None:
    name = attachment.ATTACHMENT.encode()
    twice = simple_pdf(
        [
            b"<</Type/Catalog/Pages 2 0 R/Names<</EmbeddedFiles<</Names[("
            + name
            + b") 3 0 R("
            + name
            + b") 3 0 R]>>>>>>",
            b"<</Type/Pages/Kids[]/Count 0>>",
            b"<</Type/Filespec/F(" + name + b")/EF<</F 4 0 R>>>>",
            b"<</Length 2>>stream\n{}\nendstream",
        ]
    )
    with pytest.raises(InputError, match="2 attachments"):
        extracted(tmp_path, twice)


def test_an_update_appended_to_the_file_is_told(made: Made, tmp_path: Path) -> None:
    # a later version of an object and a cross reference of its own, as PDF allows: the old bytes stay as they were
    start = int(made.pdf.rsplit(b"startxref", 1)[1].split()[0])
    catalogue = PdfReader(io.BytesIO(made.pdf)).trailer.raw_get("/Root").idnum
    at = len(made.pdf) + 1
    update = b"\n%d 0 obj\n<</Type/Catalog/Pages 1 0 R>>\nendobj\n" % catalogue
    xref = b"xref\n%d 1\n%010d 00000 n \n" % (catalogue, at)
    xref += b"trailer\n<</Size 9999/Root %d 0 R/Prev %d>>\nstartxref\n%d\n%%%%EOF\n" % (
        catalogue,
        start,
        at + len(update) - 1,
    )
    found = check(tmp_path, made.pdf + update + xref, apart=True)
    assert not found["valid"]
    assert "changed after it was sealed" in " ".join(found["reasons"])


def test_an_attachment_of_another_name_is_told(tmp_path: Path) -> None:
    writer = PdfWriter()
    writer.add_blank_page(100, 100)
    writer.add_attachment("certificate.json", b"{}")
    out = io.BytesIO()
    writer.write(out)
    with pytest.raises(InputError, match="is called"):
        extracted(tmp_path, out.getvalue())


def test_a_file_without_attachment_is_told(tmp_path: Path) -> None:
    writer = PdfWriter()
    writer.add_blank_page(100, 100)
    out = io.BytesIO()
    writer.write(out)
    with pytest.raises(InputError, match="no attachment"):
        extracted(tmp_path, out.getvalue())


def simple_pdf(objects: list[bytes]) -> bytes:
    out = bytearray(b"%PDF-1.7\n")
    places = []
    for n, content in enumerate(objects, start=1):
        places.append(len(out))
        out += b"%d 0 obj\n" % n + content + b"\nendobj\n"
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    for place in places:
        out += b"%010d 00000 n \n" % place
    out += b"trailer\n<</Size %d/Root 1 0 R>>\nstartxref\n%d\n%%%%EOF" % (len(objects) + 1, start)
    return bytes(out)


def with_attachment(stream: bytes) -> bytes:
    name = attachment.ATTACHMENT.encode()
    return simple_pdf(
        [
            b"<</Type/Catalog/Pages 2 0 R/Names<</EmbeddedFiles<</Names[(" + name + b") 3 0 R]>>>>>>",
            b"<</Type/Pages/Kids[]/Count 0>>",
            b"<</Type/Filespec/F(" + name + b")/EF<</F 4 0 R>>>>",
            stream,
        ]
    )


def zeros(size: int) -> bytes:
    """So many bytes of nothing, packed: one block of them packed, that again and again, and the sum over all."""
    block = bytes(10_000_000)
    packing = zlib.compressobj(9)
    once = packing.compress(block) + packing.flush(zlib.Z_FULL_FLUSH)
    total = 1
    for _ in range(size // len(block)):
        total = zlib.adler32(block, total)
    return once + once[2:] * (size // len(block) - 1) + b"\x03\x00" + total.to_bytes(4)


def bomb(size: int, times: int = 1) -> bytes:
    data = zeros(size)
    for _ in range(times - 1):
        data = zlib.compress(data, 9)
    filters = b"[" + b"/FlateDecode" * times + b"]"
    return b"<</Length %d/Filter" % len(data) + filters + b">>stream\n" + data + b"\nendstream"


def test_the_packed_nothing_is_what_it_says() -> None:
    assert zlib.decompress(zeros(30_000_000)) == bytes(30_000_000)


HOSTILE = {
    "unpacks to a lot": with_attachment(bomb(300_000_000)),
    "packed twice": with_attachment(bomb(200_000_000, 2)),
    "nested arrays": simple_pdf([b"<</Type/Catalog/Names " + b"[" * 200_000 + b">>"]),
    "nested dictionaries": simple_pdf([b"<</Names" * 50_000]),
    "name tree that holds itself": simple_pdf(
        [b"<</Type/Catalog/Names<</EmbeddedFiles 2 0 R>>>>", b"<</Kids[2 0 R]>>"]
    ),
    "reference to itself": simple_pdf([b"<</Type/Catalog/Names 2 0 R>>", b"2 0 R"]),
    "cross reference in a circle": b"%PDF-1.7\nxref\n0 0\ntrailer\n<</Size 1/Root 1 0 R/Prev 9>>\nstartxref\n9\n%%EOF",
    "a negative size": b"%PDF-1.7\nxref\n0 -5\ntrailer\n<</Size -1/Root 1 0 R>>\nstartxref\n9\n%%EOF",
    "an enormous table": b"%PDF-1.7\nxref\n0 999999999\ntrailer\n<</Root 1 0 R>>\nstartxref\n9\n%%EOF",
    "very many objects": simple_pdf([b"<<>>"] * 300_000),
    "objects that hold each other": simple_pdf(
        [b"<</Type/Catalog/Names 2 0 R>>", b"<</EmbeddedFiles 3 0 R>>", b"<</Kids[4 0 R]>>", b"<</Kids[3 0 R]>>"]
    ),
    "only a header": b"%PDF-1.7\n",
    "noise": b"%PDF-1.7\n" + bytes(range(256)) * 400,
    "deep JSON": with_attachment(b"<</Length 100000>>stream\n" + b"[" * 100_000 + b"\nendstream"),
    "JSON that is not ours": with_attachment(b"<</Length 2>>stream\n{}\nendstream"),
}


def spent_s() -> float:
    """Processor time of this process and of those it waited for: what a file costs, also beside busy neighbours."""
    return sum(os.times()[:4])


@pytest.mark.parametrize("name", list(HOSTILE))
def test_hostile_files_are_refused_soon_and_with_a_reason(tmp_path: Path, name: str) -> None:
    began_s = spent_s()
    found = check(tmp_path, HOSTILE[name], apart=True)
    assert not found["valid"]
    assert found["reasons"]
    assert all(len(reason) < 500 for reason in found["reasons"])
    assert spent_s() - began_s < attachment.EXTRACT_SECONDS + 5


def test_a_sealed_hostile_file_is_no_better_off(tmp_path: Path) -> None:
    found = check(tmp_path, seal_any(HOSTILE["unpacks to a lot"]), apart=True)
    assert not found["valid"]


def seal_any(pdf: bytes) -> bytes:
    at = pdf.rfind(b"\nxref\n") + 1
    head, tail = pdf[:at], pdf[at:]
    line = seal.SEAL_START + to_text(STRANGER.public).encode() + b" " + to_text(STRANGER.sign(pdf)).encode() + b"\n"
    return head + line + tail


def test_a_file_too_large_to_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify, "MAX_PDF_BYTES", 1000)
    found = check(tmp_path, b"%PDF-" + b"x" * 2000)
    assert "more than the 1000" in found["reasons"][0]


def test_reading_that_takes_too_long_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(attachment, "EXTRACT_SECONDS", 0.01)
    with pytest.raises(InputError, match="took longer"):
        extracted(tmp_path, HOSTILE["noise"])


def test_a_file_that_is_not_there_is_bad_input_not_a_no(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.pdf"):
        verify.verify_file(tmp_path / "gone.pdf")


def test_a_renamed_certificate_is_as_good(made: Made, tmp_path: Path) -> None:
    path = tmp_path / "copy of something (1).PDF"
    path.write_bytes(made.pdf)
    assert verify.verify_file(path, recompute=lambda folder, *_: run_input(folder)).valid


def test_a_folder_is_bad_input_not_a_no(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is no file; accepted: a certificate"):
        verify.verify_file(tmp_path)


def test_a_data_file_with_the_line_ends_of_another_system_is_told_as_that(made: Made, tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    shutil.copytree(made.logs, logs)
    folder = logs / made.folder.relative_to(made.logs)
    for name in FILES:
        whole = (folder / name).read_bytes()
        (folder / name).write_bytes(whole.rstrip(b"\n").replace(b"\n", b"\r\n") + b"\r\n")
        found = check(tmp_path, made.pdf, logs)
        (folder / name).write_bytes(whole)
        if name == "run.json":  # its one line had no end at all: other bytes, not other line ends
            assert [r for r in found["reasons"] if f"{name} is not the file that was certified" in r]
            continue
        (reason,) = found["reasons"]
        assert not found["valid"] and not found["integrity"]
        assert f"{name} is not the file that was certified: only the ends of its lines differ" in reason
        changed = whole.replace(b"4", b"5", 1).replace(b"\n", b"\r\n")
        (folder / name).write_bytes(changed)
        found = check(tmp_path, made.pdf, logs)
        (folder / name).write_bytes(whole)
        assert not any("ends of its lines" in reason for reason in found["reasons"])


def without_attachment(pdf: bytes) -> bytes:
    writer = PdfWriter(clone_from=io.BytesIO(pdf))
    for name in ("/Names", "/AF"):
        writer._root_object.pop(name)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def foreign() -> bytes:
    writer = PdfWriter()
    writer.add_blank_page(200, 200)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def picture(kind: str) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (20, 20), "white").save(out, kind)
    return out.getvalue()


def saved_anew(pdf: bytes) -> bytes:
    out = io.BytesIO()
    PdfWriter(clone_from=io.BytesIO(pdf)).write(out)
    return out.getvalue()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (without_attachment, ("carries no seal", "the PDF has no attachment")),
        (lambda _: foreign(), ("carries no seal: it is no certificate of this program", "the PDF has no attachment")),
        (saved_anew, ("another program saved or printed it anew; ask for the file as it was issued",)),
        (lambda _: picture("JPEG"), ("no PDF but a JPEG picture; a picture of a certificate cannot be checked",)),
        (lambda _: picture("PNG"), ("no PDF but a PNG picture",)),
        (lambda _: picture("TIFF"), ("no PDF but a TIFF picture",)),
        (lambda _: b"", ("the file is no PDF",)),
        (lambda pdf: pdf[: len(pdf) // 2], ("carries no seal", "damaged, cut short or no whole PDF")),
        (lambda pdf: pdf + b"\n", ("the file was changed after it was sealed",)),
        (lambda pdf: pdf.replace(b"\n", b"\r\n"), ("no whole seal",)),
    ],
)
def test_what_is_no_certificate_or_no_longer_one_is_told_in_words(
    made: Made, tmp_path: Path, make: Callable[[bytes], bytes], words: tuple[str, ...]
) -> None:
    found = check(tmp_path, make(made.pdf))
    assert not found["valid"] and found["proves"] == []
    for part in words:
        assert any(part in reason for reason in found["reasons"]), found["reasons"]
    assert not any("Error" in reason for reason in found["reasons"])


def test_a_warning_that_came_or_went_is_told_by_its_words(made: Made, tmp_path: Path) -> None:
    def worried(folder: Path, *_: Any) -> RunInput:
        return run_input(folder, warnings=[{"code": "contact", "text": "Bad contact."}])

    _, wrong = verify.check_run(from_json(RunStated, made.data["runs"][0]), made.logs, worried)
    assert wrong == [
        f"{made.data['runs'][0]['run_id']}: warnings is Bad contact. from the run's folder, not so on the certificate"
    ]


def test_hostile_data_signed_and_sealed_by_a_stranger_gets_a_reason(made: Made, tmp_path: Path) -> None:
    for spoil in ({"runs": []}, {"runs": [{}]}, {"item": None}, {"layout": {}}, {"issued": "9" * 50}, {"format": "x"}):
        data = {**made.data, **spoil}
        pdf = seal.seal(printed(made.data, signed(data, STRANGER), STRANGER.public), STRANGER)
        found = check(tmp_path, pdf)
        assert not found["valid"], spoil
        assert found["reasons"], spoil


@pytest.mark.parametrize(
    "spoil", [{"statements": ["x " * 500_000]}, {"statements": ["x"] * 200_000}, {"cautions": [["y"] * 90] * 2_000}]
)
def test_data_too_large_to_print_cost_no_time(made: Made, tmp_path: Path, spoil: dict[str, Any]) -> None:
    data = {**made.data, **spoil}
    pdf = seal.seal(printed(made.data, signed(data, STRANGER), STRANGER.public), STRANGER)
    began_s = spent_s()
    found = check(tmp_path, pdf)
    assert not found["valid"]
    assert "more than a certificate does" in " ".join(found["reasons"])
    assert spent_s() - began_s < 5


def test_modules_lying_in_the_current_folder_are_not_run(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("pypdf", "harness", "cryptography"):
        (tmp_path / f"{name}.py").write_text("import pathlib; pathlib.Path('ran').write_text('yes')")
    monkeypatch.chdir(tmp_path)
    assert check(tmp_path, made.pdf, apart=True)["valid"]
    assert not (tmp_path / "ran").exists()


def test_numbers_of_another_version_come_with_a_note(made: Made, tmp_path: Path) -> None:
    older = json.loads(json.dumps(made.data))
    older["software"]["version"] = "0.0.1"
    older["runs"][0]["results"]["energy_Wh"] *= 1.01
    found = check(tmp_path, reseal(older, signed(older, SIGNER), SIGNER), made.logs)
    assert [item["name"] for item in found["recomputed"]] == ["energy_Wh"]
    assert any("version 0.0.1" in note for note in found["notes"])
