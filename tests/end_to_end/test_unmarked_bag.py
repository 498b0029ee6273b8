"""A bag of unmarked cells, five kinds, none declared: each is carried through identification by what is printed.

The person answers what is asked with what is true of the cell, and types what is printed. Nothing charges a cell before
somebody declared it rechargeable, no primary is ever charged, none is named wrongly, and none goes in a circle.
"""

import random
import shlex
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from programs import run_inside

from amphora.drivers.simulated import bench as simulated_bench
from amphora.drivers.simulated.cell import SimulatedCell, make_cell
from amphora.harness.archive.loading import load
from amphora.harness.archive.shelf import Shelf
from amphora.harness.plans import steps as plan_steps
from amphora.harness.running import runner
from amphora.harness.running.simulated_session import KeptCell, store_kept
from tests.end_to_end.test_unmarked_cell import at_rest, typed_next
from tests.support.simulation.populations import draw_cell

MOST_RUNS = 7
NAMES = {"li-ion": "Li-ion", "lfp": "LFP", "nimh": "NiMH"}


@pytest.fixture(autouse=True)
def _coarse(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plan_steps, "ENERGISED_INTERVAL_S", 60.0)
    monkeypatch.setattr(runner, "ENERGISED_AT_MOST_S", 60.0)
    monkeypatch.setattr(simulated_bench, "STEP_S", 20.0)
    monkeypatch.setattr(plan_steps, "REST_INTERVAL_S", 60.0)


def bag() -> dict[str, tuple[str, str, SimulatedCell]]:
    """Return the cells: what each is in truth, its form, and itself as it is found."""
    rng = random.Random(11)
    found = {
        "a1": ("li-ion", "18650", draw_cell(rng, "li-ion", "healthy", soc=0.3).cell),
        "a2": ("lfp", "18650", draw_cell(rng, "lfp", "healthy", soc=0.3).cell),
        "a3": ("primary", "18650", make_cell("lithium-primary", rng, 0.7)),
        "a4": ("nimh", "AA", draw_cell(rng, "nimh", "healthy", soc=0.5).cell),
        "a5": ("primary", "AA", make_cell("alkaline", rng, 0.5)),
    }
    for name in ("a1", "a2", "a4"):  # worn far down, so that their watched charges are short ones
        cell = found[name][2]
        cell.spec = replace(cell.spec, capacity_Ah=0.6)
    at_rest(found["a1"][2], 3.90)
    at_rest(found["a2"][2], 3.29)
    return found


def charged_Ah(logs: Path, cell_id: str) -> float:
    """Return the most that any run's rows put into it, by what the meter showed beyond its zero."""
    put_in = 0.0
    for folder in sorted(logs.glob(f"{cell_id}/*-*")):
        record, _ = load(folder)
        steps = zip(record.t_s[:-1], record.t_s[1:], record.current_A[1:], strict=True)
        put_in += sum(max(amp - 0.003, 0.0) * (t1 - t0) / 3600.0 for t0, t1, amp in steps)
    return put_in


def test_each_cell_of_an_unmarked_bag_is_named_or_ends_in_one_question_and_no_primary_is_charged(
    tmp_path: Path,
) -> None:
    shelf = ("--logs", str(tmp_path))
    todo: dict[str, list[list[str]]] = {}
    for name, (_, form, cell) in bag().items():
        volts = f"{cell.voltage(0.0):.2f} V"
        run_inside("cell", "add", name, "--form", form, "--as-found", volts, "--inspection", "sound", *shelf)
        store_kept(tmp_path, name, KeptCell("unmarked", 1, datetime.now(UTC), cell))
        todo[name] = [["run", "--cell", name, "--profile", "identify", "--bench", "simulated", "--present", *shelf],
                      ["identify", name, "--save", *shelf]]  # fmt: skip
    ended: dict[str, str] = {}
    runs = dict.fromkeys(todo, 0)
    declared: set[str] = set()
    while todo:  # one command of each cell in turn, as somebody goes along the tray
        for name in list(todo):
            words = todo[name].pop(0)
            if "--profile" in words and words[words.index("--profile") + 1] == "charge":  # it has a name, and may be
                ended[name] = shlex.join(words[:3])
                del todo[name]
                continue
            done = run_inside(*words)
            # one of 1.25 V that may be anything stays kept apart, and may be charged slowly
            kept_apart = words[:2] == ["cell", "check"]
            assert done.returncode == 0 or (kept_apart and done.returncode == 1), (words, done.stderr[-400:])
            runs[name] += words[0] == "run"
            assert runs[name] <= MOST_RUNS, (name, words)
            truth = bag()[name][0]
            if words[0] == "run" and name not in declared:
                assert charged_Ah(tmp_path, name) == 0.0, name  # nobody has said that it may be charged
            if words[:2] == ["cell", "state"]:
                ended[name] = shlex.join(words[:3])
                del todo[name]
            elif words[0] == "identify" and not todo[name]:
                said = " ".join(done.stdout.split())
                answers = typed_next(done.stdout)
                assert answers, said
                if "is it known to be rechargeable" not in said:
                    if "the question: " in said:
                        ended[name] = said
                        del todo[name]
                    else:
                        todo[name] = answers
                elif truth == "primary":
                    todo[name] = [one for one in answers if one[:2] == ["cell", "state"]]
                else:
                    declared.add(name)
                    todo[name] = [*(one for one in answers if one[:2] != ["cell", "state"]),
                                  ["identify", name, "--save", *shelf]]  # fmt: skip
    for name, (truth, _, _) in bag().items():
        cell = Shelf(tmp_path).get(name)
        if truth == "primary":
            assert cell.state == "retired" and charged_Ah(tmp_path, name) == 0.0 and not cell.declared_rechargeable
        else:
            assert (cell.identified.chemistry or truth) == truth or cell.identified.confidence == "open", name
            assert cell.state != "retired" and name in declared
    assert set(ended) == set(bag())
    named = {name for name, (truth, _, _) in bag().items() if Shelf(tmp_path).get(name).identified.chemistry == truth}
    assert named >= {"a2", "a4"}, (ended, named)
