"""Say a cell, mean its run: an id, `id@recipe` or a path works wherever a run is asked for."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from programs import Inside
from typer.testing import CliRunner

from amphora.harness.cli.app import app
from amphora.harness.cli.output import run_named
from amphora.harness.common.errors import InputError

OLD = Path(__file__).parents[2] / "tests" / "fixtures" / "v0_1_0" / "logs"


@pytest.fixture
def logs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(OLD / "gate-1", tmp_path / "logs" / "gate-1")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("AMPHORA_LOGS", raising=False)
    return tmp_path / "logs"


def recipe_of(run: Path) -> str:
    return str(json.loads((run / "run.json").read_text(encoding="utf-8"))["profile"])


def test_an_id_is_the_newest_run_and_a_recipe_chooses(logs: Path) -> None:
    newest = sorted(logs.glob("gate-1/*/run.json"))[-1].parent
    assert run_named(Path("gate-1")).resolve() == newest.resolve()
    assert recipe_of(run_named(Path("gate-1@charge"))) == "charge"
    # The newest run is a storage from an unknown start: what the cell holds is in the night before.
    assert recipe_of(newest) == "storage"
    assert recipe_of(run_named(Path("gate-1"), capacity=True)) == "overnight"


def test_a_path_stays_a_path_and_what_is_no_cell_is_left_to_the_command(logs: Path) -> None:
    run = next(logs.glob("gate-1/*-charge"))
    assert run_named(run) == run and run_named(Path("nobody")) == Path("nobody")
    assert recipe_of(run_named(logs / "gate-1")) == "storage"  # the cell's folder


def test_a_recipe_that_the_cell_never_ran_is_refused_with_those_it_ran(logs: Path) -> None:
    with pytest.raises(
        InputError, match=r"gate-1@identify: .* no run of identify; recipes run: charge, overnight, storage"
    ):
        run_named(Path("gate-1@identify"))


@pytest.mark.parametrize(
    ("words", "key"),
    [(("analyse", "gate-1@overnight"), "capacity_Ah"), (("grade", "gate-1"), "grades"), (("watch", "gate-1"), "state")],
)
def test_by_command(logs: Path, words: tuple[str, ...], key: str) -> None:
    done: Any = CliRunner().invoke(app, [*words, "--json"])
    assert done.exit_code == 0, done.stderr
    assert key in json.loads(done.stdout)


@pytest.mark.parametrize(
    ("typed", "near"),
    [
        ("compare --all --sort capcity", "capacity"),
        ("cell list --sort capcity", "capacity"),
        ("cell list --state teste", "tested"),
        ("match --size 2 --wiring paralel", "parallel"),
        ("plot gate-1 --out x.png --kind incremantal", "incremental"),
        ("analyse gate-1@overnigt", "overnight"),
        ("analyse gate-2", "gate-1"),
        ("grade gate-1 --criteria genral", "general"),
        ("fit gate-1 --duty path-ligt", "path-light"),
        ("plan --cell gate-1 --profile overnigt --bench simulated", "overnight"),
        ("queue add gate-1 --course one-nigth", "one-night"),
        ("cell state gate-1 retird", "retired"),
        ("cell edit gate-1 --chemistry liion", "li-ion"),
        ("key exprot", "export"),
        ("lable gate-1", "label"),
        ("bench check --bench benhc.toml", "bench.toml"),
    ],
)
def test_a_misspelt_name_of_any_kind_gets_the_near_one(logs: Path, typed: str, near: str) -> None:
    (logs.parent / "bench.toml").write_text("", encoding="utf-8")
    code, said = Inside(logs.parent).ends(*typed.split())
    assert code == 2 and f"{near}' is near" in said, said
