"""Records from elsewhere: a charge that ends by its taper, and a discharge after it, make a start full."""

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
