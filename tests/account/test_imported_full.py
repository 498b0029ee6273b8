"""Records from elsewhere: a charge that ends by its taper, and a discharge after it, make a start full."""

import json
import math
from pathlib import Path

import pytest
from typer.testing import CliRunner

from amphora.harness.account.asking import standing_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cli.app import app

CUTOFF_Ah, CURRENT_A = 1.0, 0.2


def charged() -> list[str]:
    """Return a charge as others log it: constant current, then held at 4.20 V to the taper, then 10 min of rest."""
    rows = [f"{60 * n},{3.3 + 0.9 * n / 150:.4f},0.4" for n in range(150)]
    taper = [f"{60 * n},4.2000,{0.4 * math.exp(-(n - 150) / 20):.4f}" for n in range(150, 192)]
    rest = [f"{60 * n},{4.185 - 0.0002 * (n - 192):.4f},0" for n in range(192, 204)]
    return ["t,v,i", *rows, *taper, *rest]


def discharged(first_V: float = 4.18) -> list[str]:
    """Return a discharge of 5 h to 3.0 V, rested before and for three hours after it."""
    before = [f"{60 * n},{first_V:.4f},0" for n in range(10)]
    down = [f"{60 * n},{4.1 - 1.1 * ((n - 10) / 300):.4f},-{CURRENT_A}" for n in range(10, 311)]
    after = [f"{60 * n},{3.12 - 0.08 * math.exp(-(n - 311) / 30):.4f},0" for n in range(311, 491)]
    return ["t,v,i", *before, *down, *after]


def taken_in(logs: Path, lines: list[str], name: str, began: str) -> None:
    table = logs.parent / name
    table.write_text("\n".join(lines) + "\n")
    words = ["import", str(table), "--cell", "far-1", "--map", "t=t,v=v,i=i", "--cutoff", "3.0 V", "--began", began,
             "--chemistry", "li-ion", "--logs", str(logs), "--json"]  # fmt: skip
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize("order", ["charge first", "discharge first"])
def test_a_discharge_after_a_charge_from_elsewhere_began_full(tmp_path, order):
    logs = tmp_path / "logs"
    both = [(charged(), "c.csv", "2026-03-14T17:00"), (discharged(), "d.csv", "2026-03-14T21:15")]
    for one in both if order == "charge first" else reversed(both):
        taken_in(logs, *one)
    standing = standing_of(Shelf(logs), "far-1")
    assert standing.capacity_Ah == pytest.approx(CUTOFF_Ah, rel=0.01) and "full" in standing.starts.values()


@pytest.mark.parametrize(("first_V", "began"), [(3.90, "2026-03-14T21:15"), (4.18, "2026-03-15T21:15")])
def test_one_that_was_used_in_between_or_came_a_day_later_is_not(tmp_path, first_V, began):
    logs = tmp_path / "logs"
    taken_in(logs, charged(), "c.csv", "2026-03-14T17:00")
    taken_in(logs, discharged(first_V), "d.csv", began)
    assert standing_of(Shelf(logs), "far-1").capacity_Ah is None


def call(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, list(words))
    return done.exit_code, " ".join(f"{done.output} {done.exception or ''}".split())


def test_such_a_discharge_is_certified_with_the_charge_named_and_checked_under_its_new_name(tmp_path, monkeypatch):
    monkeypatch.setenv("AMPHORA_KEY", str(tmp_path / "key.pem"))
    logs = tmp_path / "logs"
    for one in ((charged(), "c.csv", "2026-03-14T17:00"), (discharged(), "d.csv", "2026-03-14T21:15")):
        taken_in(logs, *one)
    words = ("--logs", str(logs), "--out")
    seen = ("cell", "check", "far-1", "--logs", str(logs))
    assert call(*seen, "--as-found", "3.119 V", "--at", "2026-03-16T21:00", "--inspection", "sound")[0] == 0
    code, said = call("certify", "far-1", *words, str(tmp_path / "a.pdf"))
    assert code == 0, said
    charge, _ = sorted(run.parent for run in logs.glob("far-1/*/run.json"))
    paper = tmp_path / "a.pdf"
    data = json.loads(call("verify", str(paper), "--logs", str(logs), "--json")[1])
    assert data["valid"], data
    assert call("cell", "rename", "far-1", "near-1", "--why", "typed wrongly", "--logs", str(logs))[0] == 0
    assert call("verify", str(paper), "--logs", str(logs))[0] == 0  # the one from before stays good
    assert call("certify", "near-1", *words, str(tmp_path / "b.pdf"))[0] == 0
    paper = tmp_path / "b.pdf"
    assert call("verify", str(paper), "--logs", str(logs))[0] == 0
    moved = logs / "near-1" / charge.name / "samples.csv"
    moved.write_text(moved.read_text().replace(",3.306", ",3.307", 1))
    code, said = call("verify", str(paper), "--logs", str(logs))
    assert code == 1 and "start_from" in said, said
