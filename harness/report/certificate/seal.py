"""The seal of a certificate: a signature over the whole file, in a PDF comment before the cross reference table.

PDF allows comments there. The data inside the file are signed a second time by themselves, so that they can be taken
out and still be checked.
"""

import re

from amphora.harness.common.errors import InputError
from amphora.harness.report.certificate.keys import Signer, from_text, to_text

SEAL_START = b"%amphora-seal Ed25519 "
_SEAL = re.compile(rb"%amphora-seal Ed25519 ([A-Za-z0-9+/=]{44}) ([A-Za-z0-9+/=]{88})\n")


def seal(pdf: bytes, signer: Signer) -> bytes:
    """Sign the whole file: a comment of fixed length before the cross reference table.

    The signature is over all bytes of the result but the comment itself.
    """
    at = pdf.rfind(b"\nxref\n") + 1
    match = re.search(rb"startxref\n(\d+)\n%%EOF\s*$", pdf)
    if at == 0 or match is None or int(match[1]) != at:
        raise InputError("certificate: typst wrote its cross reference in a form that cannot be sealed")
    length = len(SEAL_START) + 44 + 1 + 88 + 1
    moved = pdf[at : match.start(1)] + str(at + length).encode() + pdf[match.end(1) :]
    value = signer.sign(pdf[:at] + moved)
    line = SEAL_START + to_text(signer.public).encode() + b" " + to_text(value).encode() + b"\n"
    if len(line) != length:
        raise InputError("certificate: the seal has an unexpected length")
    return pdf[:at] + line + moved


def read_seal(pdf: bytes) -> tuple[bytes, bytes, bytes]:
    """Return public key, signature, and the bytes that the seal covers.

    Raises:
        InputError: no seal, or more than one, or not in its place.
    """
    found = list(_SEAL.finditer(pdf))
    if SEAL_START not in pdf:
        raise InputError(
            "the file carries no seal: it is no certificate of this program, or another program saved or printed it "
            "anew; ask for the file as it was issued"
        )
    if pdf.count(SEAL_START) != 1 or len(found) != 1:
        raise InputError("the file carries no whole seal of a certificate, or more than one")
    match = found[0]
    if not pdf[match.end() :].startswith(b"xref\n"):
        raise InputError("the seal is not in its place before the cross reference table")
    public = from_text(match[1].decode("ascii"), 32)
    value = from_text(match[2].decode("ascii"), 64)
    return public, value, pdf[: match.start()] + pdf[match.end() :]
