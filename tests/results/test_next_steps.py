"""Each next step that identification names is a command that works, and the way ends: never a circle."""

import re
import shlex
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.results.identify import identify_runs
from amphora.harness.running.session import Request, carry_out, open_rig
from amphora.harness.running.simulated_session import SimulatedSession

EVENING = datetime(2026, 3, 13, 17, 30, tzinfo=UTC)


def typed(text: str) -> list[list[str]]:
    """Return the commands in a next step, without the program's name."""
    return [shlex.split(command) for command in re.findall(r"`amphora ([^`]*)`", text)]


@pytest.mark.parametrize(
    ("kind", "soc", "declared", "ends"),
    [
        ("real-li-ion", 0.11, True, "li-ion"),  # found at 3.31 V: LFP, or a Li-ion cell nearly empty?
        ("real-lfp", 0.61, True, "lfp"),  # found at 3.31 V as well
        ("real-nimh", 0.5, True, "nimh"),
        ("empty", 0.0, True, "question"),
        ("lithium-primary", 0.6, False, "question"),
    ],
)
def test_the_named_steps_end_in_an_answer_or_one_question(
    tmp_path: Path, kind: str, soc: float, declared: bool, ends: str
) -> None:
    session = SimulatedSession(tmp_path, "c", kind, 3, start_soc=soc, begin_utc=EVENING)
    found_V = round(session.bench.cell.voltage(0.0), 2)
    form = "AA" if kind == "real-nimh" else "18650"
    Shelf(tmp_path).add(
        Cell.from_dict(
            {"id": "c", "form": form, "chemistry": "auto", "as_found_V": found_V,
             "as_found_utc": EVENING.isoformat(), "declared_rechargeable": declared, "inspection": {"swelling": "none"}}
        )
    )  # fmt: skip
    rig = open_rig(session.description, session.clock, session.open)
    request = Request("c", "identify", tmp_path, present=True)
    carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
    rig.close()
    session.keep()
    shelf, steps, seen = Shelf(tmp_path), 1, set()
    while True:
        found = identify_runs(shelf.runs("c"))
        if (not found.recipes and found.charge_to_V is None) or found.confidence == "sure":
            break
        assert steps <= 6, found.next_step
        state = (len(shelf.runs("c")), found.evidence)
        assert state not in seen
        seen.add(state)
        for words in typed(found.next_step):
            done = CliRunner().invoke(app, words)
            assert done.exit_code == 0, (words, done.output, done.exception)
            steps += words[0] == "run"
    if ends == "question":
        assert found.chemistry is None and found.asks in ("chemistry", "rechargeable")
        (*_, last) = typed(found.next_step)
        assert found.next_step.count("the question:") == 1
        assert CliRunner().invoke(app, last).exit_code == 0 and shelf.get("c").state == "retired"
    else:
        assert found.chemistry == ends
    if not declared:  # nobody's primary cell is charged
        assert not any("step-begun" in line and '"charge"' in line for folder in shelf.runs("c")
                       for line in (folder / "events.jsonl").read_text(encoding="utf-8").splitlines())  # fmt: skip
