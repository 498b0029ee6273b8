"""`amphora screen` on a shelf of imported nights: a dud, a good cell beside it, and a shelf that is too small."""

import json
import math
import random
from pathlib import Path
from typing import Any

import pytest
from programs import run_inside

SHAPE = ((0.0, 90.0, 10.0), (0.2, 10.0, 1.0), (1.0, 1.0, 0.2), (0.0, 180.0, 5.0), (0.5, 10.0, 1.0), (0.0, 180.0, 5.0))


def table(capacity_Ah: float, rng: random.Random, whole: bool = True) -> str:
    """A night as a table: a line of voltage against charge with a knee, resistance that goes with the capacity."""
    ohm = 0.12 / math.sqrt(capacity_Ah) * rng.lognormvariate(0.0, 0.06)
    rows, t_s, given_Ah, slow_V = [], 0.0, 0.0, 0.0
    hours = capacity_Ah / 0.2
    for amps, seconds, every_s in (*SHAPE, (0.2, (hours * 3600.0 * 1.2 if whole else 640.0), 20.0), (0.0, 300.0, 20.0)):
        end_s = t_s + seconds
        while t_s < end_s - 1e-6:
            t_s += every_s
            given_Ah += amps * every_s / 3600.0
            slow_V += (amps * ohm * 0.4 - slow_V) * (1.0 - math.exp(-every_s / 40.0))
            share = given_Ah / capacity_Ah
            at_V = 4.18 - 0.9 * share - 0.6 * max(share - 0.9, 0.0) * 10.0 - amps * ohm - slow_V
            rows.append(f"{t_s:.1f},{at_V:.4f},{-amps:.4f}")
            if amps == 0.2 and at_V <= 3.0:
                break
    return "t_s,voltage_V,current_A\n" + "\n".join(rows) + "\n"


def put(logs: Path, name: str, capacity_Ah: float, rng: random.Random, whole: bool = True) -> None:
    file = logs.parent / f"{name}.csv"
    file.write_text(table(capacity_Ah, rng, whole), encoding="utf-8")
    run_inside("cell", "add", name, "--form", "18650", "--chemistry", "li-ion", "--logs", str(logs))
    made = run_inside(
        "import", str(file), "--cell", name, "--start", "full", "--cutoff", "3.0", "--logs", str(logs), "--json"
    )
    assert made.returncode == 0, made.stderr


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shelf") / "logs"
    rng = random.Random(6)
    for number in range(22):
        put(folder, f"K{number:02d}", rng.uniform(0.25, 2.4), rng)
    put(folder, "dud", 0.42, rng, whole=False)
    put(folder, "good", 2.0, rng, whole=False)
    return folder


def asked(logs: Path, *words: str) -> tuple[int, Any]:
    said = run_inside("screen", *words, "--logs", str(logs), "--json")
    return said.returncode, json.loads(said.stdout)


def test_a_dud_and_a_good_cell_beside_it(logs: Path) -> None:
    code, dud = asked(logs, "dud", "--least", "750 mAh")
    assert (code, dud["answer"], dud["like_cells"]) == (1, "not worth a night", 22)
    assert dud["low_Ah"] < 0.42 < dud["high_Ah"] < 0.75
    code, good = asked(logs, "good", "--least", "750 mAh")
    assert (code, good["answer"]) == (0, "worth one") and 0.75 < good["low_Ah"] < good["high_Ah"]


def test_what_is_asked_for_decides(logs: Path) -> None:
    code, said = asked(logs, "dud", "--for", "path-light")  # a night of it takes a quarter of an ampere-hour
    assert said["least_Ah"] == pytest.approx(0.08 * 2 + 0.08 * 0.15 * 8 + 60e-6 * 24)
    assert (code, said["answer"]) == (0, "worth one")
    assert asked(logs, "dud")[1]["least_Ah"] == pytest.approx(0.30 * 2.5)  # steady duty of an 18650


def test_for_a_person_it_says_what_it_is_and_what_comes_next(logs: Path) -> None:
    said = run_inside("screen", "dud", "--logs", str(logs)).stdout
    assert "dud: not worth a night: " in said and "no capacity" in said and "--profile storage" in said
    assert "--profile overnight" in run_inside("screen", "good", "--logs", str(logs)).stdout


def test_cells_of_another_kind_are_not_learned_from(logs: Path) -> None:
    run_inside("cell", "add", "lfp", "--form", "18650", "--chemistry", "lfp", "--logs", str(logs))
    code, said = asked(logs, "lfp")
    assert (code, said["answer"], said["like_cells"]) == (0, "cannot tell", 0)


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("nobody",), "nobody"),
        (("dud", "--least", "0 mAh"), "not above 0"),
        (("dud", "--least", "1 Ah", "--for", "path-light"), "one of the two"),
        (("dud", "--for", "path-lihgt"), "path-light"),
    ],
)
def test_what_is_not_accepted_is_said_in_one_sentence(logs: Path, words: tuple[str, ...], text: str) -> None:
    said = run_inside("screen", *words, "--logs", str(logs))
    assert said.returncode == 2 and text in said.stderr and said.stderr.count("\n") <= 2
