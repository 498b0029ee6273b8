"""Promises about what version 0.1.0 wrote: its folders, benches, cells, papers are read, and answer as they did.

What they are is told in tests/fixtures/v0_1_0/README.md. An answer may say more than it did: keys that were added pass.
What another issue changes on purpose stands in `CHANGED_ON_PURPOSE`, with the reason; nothing else may differ.
"""

import functools
import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from old_answers import FIXTURES, ask, differences, excused, near, read_answers

from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.loading import load
from amphora.harness.archive.run_folder import resumable
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import InputError
from amphora.harness.control.events import stamped
from amphora.harness.control.replay import RESULT_KINDS, replay
from amphora.harness.control.step_records import Sample
from amphora.harness.plans.plan import plan_from_dict, plan_to_dict
from amphora.harness.plans.recipe import load_recipe

# (answer's name, key path, reason); `*` stands for anything in both, `[*]` for any index. An entry that excuses nothing
# fails. Key paths begin with `exit`, `json` or `errors`; see `old_answers.differences`.
CHANGED_ON_PURPOSE: tuple[tuple[str, str, str], ...] = (
    (
        "fit-box-11-overnight",
        "exit",
        "a smaller current than the test's reaches more of the charge",
    ),
    ("fit-box-11-overnight", "json.fits", "a smaller current than the test's reaches more of the charge"),
    ("fit-box-11-overnight", "json.reasons*", "a smaller current than the test's reaches more of the charge"),
    ("fit-*", "json.notes[*]", "the curve holds no slow resistance that only the empty end has shown"),
    ("analyse-gate-2-retention", "json.retention.loss*", "load steps at one place of the charge stay together"),
    (
        "bench-check",
        "json.instruments.*",
        "each instrument is read once more, to see how often its readings are renewed",
    ),
    ("analyse-pond-4-charge", "json.warnings", "a full cell that is charged ends by its taper"),
    ("compare-*", "json.cells[*].rank", "cells are told apart by the U of each as an item"),
    ("compare-*", "json.cells[*].tied_with", "cells are told apart by the U of each as an item"),
    ("compare-*", "json.cells[*].common_basis.capacity_U_Ah", "repeats of the cell count in the common basis"),
    ("analyse-*", "json.thermal.*", "resistance at the empty end explains no heat of the whole discharge"),
    ("identify-*", "json.evidence*", "the voltage that the run's own first rest shows counts, not the register's"),
    ("identify-*", "json.next_step", "the next command names its bench, or ends in one question"),
    ("identify-*", "json.confidence", "the shape of the charge comes first"),
    ("identify-steps-3", "json.recipes", "the voltage that the run's own first rest shows counts"),
    ("match-*", "json.how", "the best sets are proven by an integer program"),
    ("cell-list", "json.cells[*].capacity*", "what was left in a cell is not what it holds"),
    ("compare-*", "json.cells[*].capacity*", "what was left in a cell is not what it holds"),
    ("compare-*", "json.cells[*].grade", "a grade above standby duty wants a bound of the leak"),
    ("compare-*", "json.cells[*].needs", "a grade above standby duty wants a bound of the leak"),
    ("grade-*", "json.grades[*]*", "the account's findings and its self-discharge count for a grade"),
    ("match-*", "exit", "a set wants a bound of each cell's leak"),
    ("match-*", "json.sets", "a set wants a bound of each cell's leak"),
    ("match-*", "json.leftovers*", "a set wants a bound of each cell's leak"),
    ("match-*", "json.total", "a set wants a bound of each cell's leak"),
    ("match-*", "json.at_*", "a set wants a bound of each cell's leak"),
    ("match-*", "json.within", "a set wants a bound of each cell's leak"),
    ("fit-*", "json.modes[*].*", "self-discharge is counted in"),
    ("fit-*", "json.night.*", "self-discharge is counted in"),
    ("fit-*", "json.course[*].*", "self-discharge is counted in"),
    ("fit-*", "json.notes", "self-discharge is counted in"),
    ("plan-*", "json.plan.*", "It is what was measured, once it was"),
    ("cell-show-*", "json.judgement.to_do", "said in plainer words"),
    ("match-*", "json.caution", "said in plainer words"),
    ("verify-*", "json.page", "the certificate's page states what was taken on, so its layout is another"),
    ("verify-*", "json.notes*", "the certificate's page states what was taken on, so its layout is another"),
)

OLD = {answer["name"]: answer for answer in read_answers(FIXTURES / "answers")}
RUNS = sorted(path.parent.relative_to(FIXTURES / "logs") for path in FIXTURES.glob("logs/*/*/run.json"))
CUT_SHORT = {"porch-8": "samples.csv, line", "porch-9": ""}  # cell: what its reader remarks on
TRUTH = ("run.json", "samples.csv", "events.jsonl", "cell.json", "simulated.json", "bench-checks.jsonl")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of all that 0.1.0 left, but its index: nothing here writes to the fixtures themselves."""
    place = tmp_path_factory.mktemp("old") / "home"
    left_out = ("*.py", "answers", "demo-answers", ".shelf-index.sqlite")
    shutil.copytree(FIXTURES, place, ignore=shutil.ignore_patterns(*left_out))
    return place


@functools.cache
def changes(name: str, home: Path) -> tuple[tuple[str, str], ...]:
    """Return where an answer differs from that of 0.1.0, asked once."""
    old = OLD[name]
    new = ask((name, tuple(old["words"])), home)
    kept = {key: old[key] for key in ("exit", "json", "errors")}
    return tuple(differences(kept, new, apart=near(name)))


@pytest.fixture(scope="module")
def untouched(home: Path) -> dict[str, str]:
    return truth(home / "logs")


def truth(logs: Path) -> dict[str, str]:
    """Return a digest of each file that is no derived one."""
    found = (path for path in logs.rglob("*") if path.name in TRUTH)
    return {str(path.relative_to(logs)): hashlib.sha256(path.read_bytes()).hexdigest() for path in found}


# -- answers ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(OLD))
def test_a_command_answers_as_0_1_0_did(name: str, home: Path, untouched: dict[str, str]) -> None:
    wrong = [f"{path}: {what}" for path, what in changes(name, home) if not excused(name, path, CHANGED_ON_PURPOSE)]
    assert not wrong, f"amphora {' '.join(OLD[name]['words'])}\n" + "\n".join(wrong[:20])
    after = truth(home / "logs")
    assert {path: after.get(path) for path in untouched} == untouched, "a question changed what 0.1.0 wrote"


def test_each_change_on_purpose_is_one(home: Path) -> None:
    used = {excused(name, path, CHANGED_ON_PURPOSE) for name in OLD for path, _ in changes(name, home)}
    assert [entry for entry in CHANGED_ON_PURPOSE if entry not in used] == []
    assert all(reason for _, _, reason in CHANGED_ON_PURPOSE)


def test_the_comparison_sees_what_it_should() -> None:
    old = {"a": {"b": [{"c": 1.0}, {"c": None}]}, "text": "as it was", "yes": True}
    assert not list(differences(old, {**old, "more": 1, "a": {"b": [{"c": 1.0 + 1e-9, "d": 2}, {"c": None}]}}))
    seen = {path for path, _ in differences(old, {"a": {"b": [{"c": 1.001}]}, "yes": 1})}
    assert seen == {"a.b", "a.b[0].c", "text", "yes"}
    assert [path for path, _ in differences(old, {**old, "a": {"b": [{"c": 1.0}, {"c": 0.0}]}})] == ["a.b[1].c"]
    table = (("analyse-*", "json.phases[*].charge_Ah", "why"), ("watch", "json.rows[3]", "why"))
    assert excused("analyse-x", "json.phases[12].charge_Ah", table) == table[0]
    assert excused("watch", "json.rows[3]", table) == table[1]
    assert excused("grade-x", "json.phases[12].charge_Ah", table) is None
    assert excused("analyse-x", "json.phases[12].charge_U_Ah", table) is None


# -- run folders --------------------------------------------------------------------------------------


@pytest.mark.parametrize("run", RUNS, ids=str)
def test_a_run_folder_is_read_whole(run: Path, home: Path) -> None:
    folder = home / "logs" / run
    kept = read_run(folder)
    record, info = load(folder)
    lines = (folder / "samples.csv").read_text(encoding="utf-8").splitlines()
    torn = 1 if run.parts[0] == "porch-8" else 0
    assert len(list(kept.iter_rows())) == len(lines) - 1 - torn == record.t_s.size
    assert len(kept.events) == len((folder / "events.jsonl").read_text(encoding="utf-8").splitlines())
    assert info.cell_id == run.parts[0] and kept.run["software"]["version"] == "0.1.0"
    assert (kept.stopped is None) == (run.parts[0] in CUT_SHORT)
    assert [line for line in kept.notices if CUT_SHORT.get(run.parts[0], "none") not in line] == []
    assert bool(kept.notices) == bool(torn)


@pytest.mark.parametrize("run", [run for run in RUNS if not run.name.endswith("-import")], ids=str)
def test_a_run_of_0_1_0_replays_to_the_bit(run: Path, home: Path) -> None:
    kept = read_run(home / "logs" / run)
    plan = plan_from_dict(kept.run["plan"])
    written = json.loads(json.dumps(plan_to_dict(plan)))
    assert not list(differences(kept.run["plan"], written))
    _, again = replay(plan, kept.events, [Sample(row[0], *row[2:5]) for row in kept.iter_rows()])
    told = [stamped(event, 0.0, "", 0) for event in kept.events if event.kind in RESULT_KINDS]
    assert told and again == told


@pytest.mark.parametrize("cell", sorted(CUT_SHORT))
def test_a_run_that_0_1_0_left_in_the_middle_can_be_gone_on_with(cell: str, home: Path) -> None:
    (run,) = Shelf(home / "logs").runs(cell)
    before, plan = resumable(run)
    assert plan.profile == "overnight" and plan.steps[-1].kind == "rest"
    assert before.events[-1]["kind"] == ("ordered" if cell == "porch-8" else "stopped")


def test_resume_brings_an_old_run_to_its_end(tmp_path: Path) -> None:
    shutil.copytree(FIXTURES / "logs" / "porch-9", tmp_path / "logs" / "porch-9")
    run = next((tmp_path / "logs" / "porch-9").glob("*-overnight"))
    before = (run / "samples.csv").read_bytes()
    answer = ask(("resume", ("resume", str(run), "--same-cell")), tmp_path)
    assert answer["exit"] == 0, answer["errors"]
    kept = read_run(run)
    assert kept.stopped is not None and kept.stopped["reason"] == "cutoff"
    assert (run / "samples.csv").read_bytes().startswith(before)
    assert [event["kind"] for event in kept.events].count("resumed") == 1
    assert analyse_run(run).reached_cutoff is True


@pytest.mark.parametrize("run", [run for run in RUNS if run.parts[0] not in CUT_SHORT], ids=str)
def test_a_run_that_0_1_0_ended_stays_ended(run: Path, home: Path) -> None:
    with pytest.raises(InputError, match="cannot be resumed"):
        resumable(home / "logs" / run)


def test_a_cache_of_0_1_0_is_no_figure_of_today(tmp_path: Path) -> None:
    """A `result.json` whose figure was changed is worked out again, and gives what 0.1.0 found."""
    shutil.copytree(FIXTURES / "logs" / "gate-1", tmp_path / "gate-1")
    run = next((tmp_path / "gate-1").glob("*-overnight"))
    cache = json.loads((run / "result.json").read_text(encoding="utf-8"))
    old = OLD["analyse-gate-1-overnight"]["json"]["capacity_Ah"]
    changed = (run / "result.json").read_text(encoding="utf-8").replace(str(old), "9.9")
    assert changed.count("9.9") and cache
    (run / "result.json").write_text(changed, encoding="utf-8")
    assert analyse_run(run).capacity_Ah == pytest.approx(old, rel=1e-6)


# -- cells, index, benches, recipes, papers -----------------------------------------------------------


@pytest.mark.parametrize("path", sorted(FIXTURES.glob("logs/*/cell.json")), ids=lambda path: path.parent.name)
def test_a_cell_is_read_and_written_as_it_was(path: Path) -> None:
    old = json.loads(path.read_text(encoding="utf-8"))
    again = json.loads(json.dumps(Cell.from_dict(old).to_dict()))
    assert not list(differences(old, again))


def test_an_index_of_0_1_0_from_another_place_is_brought_up_to_date(home: Path, tmp_path: Path) -> None:
    with sqlite3.connect(FIXTURES / "logs" / ".shelf-index.sqlite") as base:
        (held,) = base.execute("select count(*) from runs where folder like '/home/hall/%'").fetchone()
    base.close()
    assert held > 15, "the index that was kept is one of another place"
    shutil.copytree(FIXTURES / "logs", tmp_path / "logs")
    for folder in (tmp_path / "logs").glob("*/*/"):
        os.utime(folder)  # new, as a clone has them; what was moved with its old times: see the fixtures' page
    entries = Shelf(tmp_path / "logs").list_cells()
    assert {entry.id for entry in entries} == {path.parent.name for path in FIXTURES.glob("logs/*/cell.json")}
    shown = ask(("cell-show", ("cell", "show", "gate-1")), tmp_path)["json"]["runs"]
    assert len(shown) == 3 and all((tmp_path / run["folder"]).is_dir() for run in shown)


def bench_facts() -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
    """Yield each bench file's name, what 0.1.0 made of it, and what is made of it now."""
    for name, old in json.loads((FIXTURES / "benches.json").read_text(encoding="utf-8")).items():
        bench = load_bench(FIXTURES / "benches" / name)
        resistor = bench.check_resistor
        now = {
            "name": bench.name, "leads": bench.leads, "instruments": bench.instruments,
            "cell_voltage": bench.cell_voltage, "cell_current": list(bench.cell_current),
            "cell_temperature": bench.cell_temperature, "cell_voltage_when_off": bench.cell_voltage_when_off,
            "room_temperature": bench.room_temperature, "speed_up": bench.speed_up, "simulated": bench.simulated,
            "alarms": bench.alarms, "measurement": to_json(bench.measurement()),
            "check_resistor": None if resistor is None else {
                "resistance_ohm": resistor.resistance_ohm, "tolerance": resistor.tolerance, "power_W": resistor.power_W,
            },
        }  # fmt: skip
        yield name, old, json.loads(json.dumps(now))


def test_bench_files_say_what_they_said() -> None:
    seen = {name: list(differences(old, now)) for name, old, now in bench_facts()}
    assert len(seen) == len(list(FIXTURES.glob("benches/*.toml"))) >= 5
    assert [found for found in seen.items() if found[1]] == []


@pytest.mark.parametrize("path", sorted(FIXTURES.glob("recipes/*.toml")), ids=lambda path: path.stem)
def test_a_recipe_of_ones_own_is_still_a_recipe(path: Path) -> None:
    assert load_recipe(str(path)).name == path.stem


def test_a_certificate_that_was_touched_is_still_found_out(home: Path, tmp_path: Path) -> None:
    data = bytearray((home / "papers" / "gate-1.pdf").read_bytes())
    at = data.index(b"%PDF") + len(data) // 2
    data[at] ^= 1
    (tmp_path / "touched.pdf").write_bytes(bytes(data))
    answer = ask(("verify", ("verify", "touched.pdf")), tmp_path)
    assert answer["exit"] == 1 and answer["json"]["valid"] is False


def test_labels_and_the_table_that_was_imported_are_kept_too(home: Path) -> None:
    made = {one["words"][0]: one for one in json.loads((home / "papers" / "made.json").read_text(encoding="utf-8"))}
    assert (home / "papers" / "labels.pdf").read_bytes().startswith(b"%PDF")
    words = [*made["import"]["words"], "--logs", "again"]
    words[words.index("table-18")] = "table-19"  # in a shelf of its own
    again = ask(("import", tuple(words)), home)
    assert again["exit"] == 0
    new = ask(("analyse", ("analyse", again["json"]["run"])), home)["json"]
    old = OLD["analyse-table-18-import"]["json"]
    figures = ("capacity_Ah", "capacity_U_Ah", "energy_Wh", "energy_U_Wh", "reached_cutoff", "start", "cutoff_V")
    assert not list(differences({key: old[key] for key in figures}, new))
