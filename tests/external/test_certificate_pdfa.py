"""The certificate's file against what PDF/A-3 asks for, as far as it can be seen without a full validator.

No validator of PDF/A-3 was to be had from the package registries this project builds from. So the requirements below
are checked one by one with a general PDF library.

Source: ISO 19005-3:2012 and ISO 19005-2:2011, which it refers to; clause numbers and contents from memory (common
practice of archival PDF), not read in the standards. Not checked: contents of fonts (widths, CMaps), colour values
in streams, the structure tree's roles, the XMP schema beyond the entries named.
"""

import datetime
import io
import re
from collections.abc import Iterator
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from paper_runs import cell_record, make_certificate, run_input, write_run
from pypdf import PdfReader
from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject, StreamObject

from amphora.harness.report.certificate import attachment
from amphora.harness.report.certificate.keys import Signer
from amphora.harness.report.certificate.statement import Issue

SIGNER = Signer(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
NOTES = "外壳完好 · 외장 손상 없음 · गोला · عبوة · Ячейка"


@pytest.fixture(scope="module")
def pdf(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    item = run_input(write_run(tmp_path_factory.mktemp("logs"), cell=cell_record(notes=NOTES)))
    issue = Issue(datetime.date(2026, 11, 25), operator="Mara Lindqvist", pages=2)
    return make_certificate([item], issue, SIGNER)[0]


@pytest.fixture(scope="module")
def reader(pdf: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(pdf), strict=True)


def objects(reader: PdfReader) -> Iterator[DictionaryObject]:
    """Every dictionary and stream that can be reached from the trailer, once."""
    seen: set[int] = set()
    stack: list[Any] = [reader.trailer]
    while stack:
        item = stack.pop()
        if isinstance(item, IndirectObject):
            if item.idnum in seen:
                continue
            seen.add(item.idnum)
            item = item.get_object()
        if isinstance(item, DictionaryObject):
            yield item
            stack += [item.raw_get(key) for key in item]
        elif isinstance(item, ArrayObject):
            stack += list(item)


def test_header_has_the_binary_comment_and_the_trailer_an_id_and_no_encryption(pdf: bytes, reader: PdfReader) -> None:
    # 6.1.2: header at byte 0, then a comment of at least four bytes above 127. 6.1.3: ID there, Encrypt not.
    lines = pdf.split(b"\n", 2)
    assert re.fullmatch(rb"%PDF-1\.[0-7]", lines[0])
    assert lines[1].startswith(b"%") and sum(byte > 127 for byte in lines[1]) >= 4
    assert "/ID" in reader.trailer
    assert "/Encrypt" not in reader.trailer
    assert pdf.rstrip().endswith(b"%%EOF")


def test_metadata_name_part_3_and_a_level(reader: PdfReader) -> None:
    # 6.6.2, 6.6.4: an XMP stream, not compressed by a filter, with part and conformance.
    stream = reader.trailer["/Root"]["/Metadata"]
    assert "/Filter" not in stream
    text = stream.get_data().decode("utf-8")
    assert re.search(r"<pdfaid:part>3</pdfaid:part>", text)
    assert re.search(r"<pdfaid:conformance>A</pdfaid:conformance>", text)
    # 6.6.3: what the document information says, the metadata say too
    if reader.metadata and reader.metadata.title:
        assert reader.metadata.title in text


def test_an_output_intent_with_its_profile_is_there(reader: PdfReader) -> None:
    # 6.2.3: GTS_PDFA1 with an embedded ICC profile (or no device colour at all).
    (intent,) = reader.trailer["/Root"]["/OutputIntents"]
    intent = intent.get_object()
    assert intent["/S"] == "/GTS_PDFA1"
    profile = intent["/DestOutputProfile"].get_data()
    assert profile[36:40] == b"acsp"  # ICC.1: the profile's file signature
    assert int.from_bytes(profile[:4], "big") == len(profile)


def test_every_font_is_embedded_with_a_map_to_unicode(reader: PdfReader) -> None:
    # 6.2.11.4 and 6.2.11.7
    fonts = [item for item in objects(reader) if item.get("/Type") == "/Font"]
    assert fonts
    composite = [font for font in fonts if font["/Subtype"] == "/Type0"]
    assert all("/ToUnicode" in font for font in composite)
    for font in fonts:
        if font["/Subtype"] in ("/Type0", "/Type3"):
            continue
        descriptor = font["/FontDescriptor"].get_object()
        assert any(name in descriptor for name in ("/FontFile", "/FontFile2", "/FontFile3")), font
    names = " ".join(str(font.get("/BaseFont", "")) for font in composite)
    for family in ("Inter", "DroidSansFallback", "NotoSansArabic", "NotoSansDevanagari"):
        assert family in names


def test_the_attachment_is_an_associated_file_with_type_and_relationship(reader: PdfReader) -> None:
    # ISO 19005-3, 6.8: F and UF, AFRelationship, Subtype; the catalogue's AF names it.
    (file,) = [item.get_object() for item in reader.trailer["/Root"]["/AF"]]
    assert file["/Type"] == "/Filespec"
    assert str(file["/F"]) == str(file["/UF"]) == attachment.ATTACHMENT
    assert file["/AFRelationship"] == "/Source"
    assert file["/EF"]["/F"].get_object()["/Subtype"] == "/application/json"
    assert "/ModDate" in file["/EF"]["/F"].get_object()["/Params"]


def test_nothing_forbidden_is_inside(reader: PdfReader) -> None:
    # 6.1.13, 6.2, 6.3, 6.5, 6.9: no LZW, no external streams, no PostScript, no actions or scripts, no alternates
    for item in objects(reader):
        assert item.get("/Subtype") not in ("/PS", "/Movie", "/Sound", "/3D", "/Screen", "/FileAttachment")
        assert not {"/JavaScript", "/JS", "/OpenAction", "/AA", "/XFA", "/Alternates", "/OPI", "/TR"} & set(item)
        assert item.get("/S") not in ("/JavaScript", "/Launch", "/SubmitForm", "/ResetForm", "/ImportData", "/GoToR")
        if isinstance(item, StreamObject):
            assert "/LZWDecode" not in str(item.get("/Filter", ""))
            assert not {"/FFilter", "/FDecodeParms"} & set(item)
            assert item.get("/Type") == "/EmbeddedFile" or "/F" not in item


def test_level_a_is_tagged_with_a_language_and_pictures_have_words(reader: PdfReader) -> None:
    # 6.7: Marked, a structure tree, Lang; 6.7.4: figures with alternate text
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    assert str(root["/Lang"]).startswith("en")
    figures = [item for item in objects(reader) if item.get("/S") == "/Figure"]
    assert len(figures) >= 3
    assert all(item.get("/Alt") for item in figures)
