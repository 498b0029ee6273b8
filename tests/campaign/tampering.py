"""Tampering, exhaustively: `python -m tests.campaign.tampering`; a minute or two, `--stride 20` for a short turn.

A certificate of a short run is made; then, each alone and each time from the whole one again:

- file: every byte of the PDF is changed, the attachment and both signatures as they lie in it included;
- attachment: every byte of the attached data is changed, by a forger who seals the file anew with the bench's own key,
  so that the seal says yes: the data's own signature has to say no;
- number: every number in the data is changed and the data written in their canonical form again;
- run: every byte of run.json, samples.csv and events.jsonl is changed, and the certificate checked against the run.

Each must be told, and the words must name what: the file, the attached data, the run's file. What is told without a
name, or not at all, is listed, and the exit code is 1.
"""

import argparse
import collections
import datetime
import json
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from amphora.harness.archive.run_folder import FILES
from amphora.harness.common.errors import InputError
from amphora.harness.report.certificate import seal, verify
from amphora.harness.report.certificate.body import Certificate
from amphora.harness.report.certificate.canonical import canonical_bytes, from_canonical
from amphora.harness.report.certificate.issue import to_attach
from amphora.harness.report.certificate.keys import Signer, signature_holds
from amphora.harness.report.certificate.run_input import run_input
from amphora.harness.report.certificate.statement import Issue

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from paper_runs import make_certificate, write_run

ISSUE = Issue(datetime.date(2026, 11, 25), operator="Mara Lindqvist")
SIGNER = Signer(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
ZERO = {"kind": "current-zero", "t_s": 40.0, "utc": "2026-11-24T21:00:40Z", "after_row": 0, "instrument": "load",
        "current_A": -0.0004, "standard_uncertainty_A": 5e-5, "readings": 60, "duration_s": 30.0}  # fmt: skip
Missed = list[str]


def file_bytes(pdf: bytes, stride: int) -> tuple[int, Missed]:
    """Change each byte of the file: the seal is not there, not whole, or does not hold."""
    count, missed = 0, []
    for at in range(0, len(pdf), stride):
        spoilt = bytearray(pdf)
        spoilt[at] ^= 1 << (at % 8)
        count += 1
        try:
            public, value, covered = seal.read_seal(bytes(spoilt))
        except InputError:
            continue
        if signature_holds(public, value, covered):
            missed.append(f"file: byte {at}")
    return count, missed


def _told(document: bytes) -> str:
    """Return why attached data are refused, or nothing when they are taken."""
    found = verify.Found()
    try:
        verify._signed_data(from_canonical(document, "attachment"), found)
    except InputError as error:
        return str(error)
    return "" if found.signature else "signature over the data"


def attachment_bytes(attached: bytes, stride: int) -> tuple[int, Missed]:
    """Change each byte of the attached data in all ways that keep it a byte of text, and one that does not."""
    count, missed = 0, []
    for at in range(0, len(attached), stride):
        for turn in (0x01, 0x80):
            spoilt = bytearray(attached)
            spoilt[at] ^= turn
            count += 1
            why = _told(bytes(spoilt))
            if not any(word in why for word in ("attachment", "signature", "nested")):
                missed.append(f"attachment: byte {at}: {why or 'taken as whole'}")
    return count, missed


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield where the numbers of a tree are."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, (*path, key))
    elif isinstance(value, list):
        for n, item in enumerate(value):
            yield from leaves(item, (*path, n))
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield path


def numbers(attached: bytes, folder: Path, stride: int) -> tuple[int, Missed]:
    """Change each number: the signature says no, and with the run at hand the number is named."""
    document = json.loads(attached)
    item = run_input(folder)
    count, missed = 0, []
    for path in list(leaves(document["certificate"]))[::stride]:
        changed = json.loads(attached)
        place = changed["certificate"]
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] = place[path[-1]] * 1.01 + 1e-3
        count += 1
        name = ".".join(str(part) for part in path)
        why = _told(canonical_bytes(changed))
        if why != "signature over the data" and "not of this format" not in why:  # a count that is no whole number
            missed.append(f"number: {name}: signature holds")
        if path[0] in ("runs", "item"):
            stated = Certificate.from_json(changed["certificate"])
            found, _ = verify.check_run(stated.last, folder.parents[1], lambda *_: item, stated.item)
            last = [str(part) for part in path if isinstance(part, str)][-1]
            if not any(last in entry.name or "entries" in str(entry) for entry in found or []):
                missed.append(f"number: {name}: not named")
    return count, missed


def run_bytes(stated: Certificate, folder: Path, stride: int) -> tuple[int, Missed]:
    """Change each byte of the run's files: the file is named. Every 97th time all is worked out again as well."""
    item = run_input(folder)
    count, missed = 0, []
    for name in FILES:
        path = folder / name
        whole = path.read_bytes()
        for at in range(0, len(whole), stride):
            spoilt = bytearray(whole)
            spoilt[at] ^= 1 << (at % 7)
            path.write_bytes(spoilt)
            count += 1
            again = run_input if at % (97 * stride) == 0 else lambda *_: item
            _, wrong = verify.check_run(stated.last, folder.parents[1], again, stated.item)
            if f"{name} is not the file that was certified" not in " ".join(wrong):
                missed.append(f"{name}: byte {at}: {wrong[:1]}")
        path.write_bytes(whole)
    return count, missed


def whole_answers(pdf: bytes, folder: Path, places: int) -> tuple[int, Missed]:
    """Change bytes spread over the file and ask for the whole answer, as a person does."""
    count, missed = 0, []
    path = folder.parents[1] / "paper.pdf"
    for at in range(3, len(pdf), max(1, len(pdf) // places)):
        spoilt = bytearray(pdf)
        spoilt[at] ^= 0x04
        path.write_bytes(spoilt)
        found = verify.verify_file(path, folder.parents[1])
        count += 1
        if found.valid or not found.reasons:
            missed.append(f"answer: byte {at}")
    path.write_bytes(pdf)
    found = verify.verify_file(path, folder.parents[1])
    if not found.valid or found.recomputed != []:
        missed.append(f"answer: the unchanged one is refused: {found['reasons']}")
    return count, missed


def campaign(stride: int) -> int:
    """Run all parts, print what was seen, return the exit code."""
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as scratch:
        folder = write_run(Path(scratch), rows=120)
        events = folder / "events.jsonl"
        begun, stopped = events.read_text(encoding="utf-8").splitlines()
        events.write_text("\n".join((begun, json.dumps(ZERO), stopped, "")), encoding="utf-8")
        pdf, data = make_certificate([run_input(folder)], ISSUE, SIGNER)
        stated = Certificate.from_json(data)
        attached = to_attach(stated, SIGNER)
        assert _told(attached) == "", "the unchanged attachment must be taken"
        parts = {
            "bytes of the file": file_bytes(pdf, stride),
            "bytes of the attached data, two ways each": attachment_bytes(attached, stride),
            "numbers in the data": numbers(attached, folder, stride),
            "bytes of the run's files": run_bytes(stated, folder, stride),
            "whole answers": whole_answers(pdf, folder, max(6, 60 // stride)),
        }
    missed = collections.Counter({name: len(part[1]) for name, part in parts.items()})
    for name, (count, untold) in parts.items():
        print(f"{name}: {count} changed, {count - len(untold)} told")
        for text in untold[:10]:
            print(f"  not told: {text}")
    print(f"{sum(missed.values())} not told, {time.monotonic() - began:.0f} s")
    return 1 if sum(missed.values()) else 0


def main() -> int:
    """Read the options and run the campaign."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--stride", type=int, default=1, help="take every n-th byte or number only")
    return campaign(max(1, parser.parse_args().stride))


if __name__ == "__main__":
    sys.exit(main())
