"""The answers of 0.1.0, asked again: which commands, how their answers are kept, and how two answers are compared.

`python tests/support/old_answers.py DEMO` asks the demo in that folder what 0.1.0 was asked of its own
(tests/fixtures/v0_1_0/demo-answers), and prints each difference; `--shape` leaves figures and texts out and looks at
keys and types alone, for a demo whose simulated cells have changed.
"""

import contextlib
import json
import math
import os
import re
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).parent))
from programs import run_inside

FIXTURES = Path(__file__).parents[1] / "fixtures" / "v0_1_0"
NEAR = 1e-6  # relative: figures are the same, sums may be taken in another order
FITTED = 1e-4  # relative: of what a search ends at (`model`, `fit`), which another processor ends elsewhere
Question = tuple[str, tuple[str, ...]]  # a name, and the words of the command without --json


def _runs(logs: Path) -> list[Path]:
    return sorted(path.parent.relative_to(logs.parent) for path in logs.glob("*/*/run.json"))


def shelf_questions(what: str, logs: Path | None = None) -> list[Question]:
    """Return what is asked of the fixtures' shelf: `making` writes papers and imports, `asking` changes nothing."""
    logs = logs or Path("logs").absolute()

    def night(cell: str) -> str:
        return str(next(run for run in _runs(logs) if run.parent.name == cell and run.name.endswith("overnight")))

    if what == "making":
        return [
            ("import", ("import", "tables/night.csv", "--cell", "table-18", "--map",
                        "t=Zeit,v=Spannung,i=Strom mA*0.001", "--discharge-sign", "positive", "--cutoff", "3.0 V",
                        "--start", "full", "--chemistry", "li-ion")),
            ("certify", ("certify", night("gate-1"), "--out", "papers/gate-1.pdf", "--operator", "A. Keeper",
                         "--place", "village hall", "--issued", "2026-03-14", "--budget")),
            ("certify", ("certify", night("gate-2"), "--out", "papers/gate-2.pdf", "--issued", "2026-03-14")),
            ("certify", ("certify", night("box-11"), "--out", "papers/box-11.pdf", "--issued", "2026-03-14")),
            ("label", ("label", "gate-1", "gate-2", "pond-4", "tin-17", "--out", "papers/labels.pdf")),
            ("report", ("report", "--all", "--out", "papers/cells.html")),
            ("key-export", ("key", "export", "papers/bench-key.pem")),
        ]  # fmt: skip
    answers: list[Question] = [
        ("cell-list", ("cell", "list")),
        ("cell-list-tested", ("cell", "list", "--state", "tested", "--sort", "-capacity")),
        ("compare-all", ("compare", "--all")),
        ("compare-each-run", ("compare", "--all", "--each-run", "--sort", "cell")),
        ("compare-basis", ("compare", "--all", "--common-basis")),
        ("grade-all", ("grade", "--all")),
        ("grade-lenient", ("grade", night("gate-1"), "--criteria", "lenient", "--load-current", "350 mA")),
        ("match-parallel", ("match", "--size", "2", "--wiring", "parallel", "--oldest", "36500 d")),
        ("match-series", ("match", "--size", "2", "--wiring", "series", "--oldest", "36500 d")),
        ("verify-gate-1", ("verify", "papers/gate-1.pdf", "--logs", "logs", "--key", "papers/bench-key.pem")),
        ("verify-gate-1-alone", ("verify", "papers/gate-1.pdf")),
        ("verify-gate-2", ("verify", "papers/gate-2.pdf", "--logs", "logs")),
        ("duty-list", ("duty", "list")),
        ("duty-check", ("duty", "check", "path-light")),
        ("duty-from-run", ("duty", "from-run", _of(logs, "lamp-12"), "--panel", _of(logs, "panel-13"),
                           "--name", "lamp")),
        ("plan-overnight", ("plan", "--cell", "gate-1", "--profile", "overnight")),
        ("plan-charge-kitchen", ("plan", "--cell", "gate-2", "--profile", "charge", "--present",
                                 "--bench", "benches/kitchen.toml")),
        ("plan-charge-nickel", ("plan", "--cell", "clock-5", "--profile", "charge", "--present")),
        ("plan-identify", ("plan", "--cell", "shed-6", "--profile", "identify", "--present")),
        ("plan-resistor", ("plan", "--cell", "gate-1", "--profile", "watch-resistor",
                           "--bench", "benches/resistor.toml")),
        ("bench-check", ("bench", "check", "--bench", "simulated")),
        ("analyse-cutoff", ("analyse", night("gate-1"), "--cutoff", "3.3 V", "--budget")),
    ]  # fmt: skip
    for cell in sorted(path.parent.name for path in logs.glob("*/cell.json")):
        answers.append((f"cell-show-{cell}", ("cell", "show", cell)))
        if any(run.parent.name == cell for run in _runs(logs)):
            answers.append((f"identify-{cell}", ("identify", cell)))
    for run in _runs(logs):
        name = f"{run.parent.name}-{run.name.partition('-')[2]}"
        taken = sum(asked == f"analyse-{name}" for asked, _ in answers)
        name += f"-{taken + 1}" if taken else ""
        answers.append((f"analyse-{name}", ("analyse", str(run))))
        answers.append((f"watch-{name}", ("watch", str(run), "--once")))
        if run.name.endswith(("overnight", "imported")):
            answers.append((f"grade-{name}", ("grade", str(run))))
            answers.append((f"fit-{name}", ("fit", str(run), "--duty", "path-light")))
            answers.append((f"model-{name}", ("model", str(run))))
    return answers


def _of(logs: Path, cell: str) -> str:
    return str(next(run for run in _runs(logs) if run.parent.name == cell))


def demo_questions(logs: Path) -> list[Question]:
    """Return what is asked of the demo."""
    answers: list[Question] = [
        ("cell-list", ("cell", "list")),
        ("compare-all", ("compare", "--all")),
        ("grade-all", ("grade", "--all")),
        ("match-parallel", ("match", "--size", "2", "--oldest", "36500 d")),
        ("verify", ("verify", "hall-2-certificate.pdf", "--logs", "logs")),
    ]
    for cell in sorted(path.parent.name for path in logs.glob("*/cell.json")):
        answers += [(f"cell-show-{cell}", ("cell", "show", cell)), (f"identify-{cell}", ("identify", cell))]
    for run in _runs(logs):
        name = f"{run.parent.name}-{run.name.partition('-')[2]}"
        answers += [
            (f"analyse-{name}", ("analyse", str(run))), (f"watch-{name}", ("watch", str(run), "--once"))
        ]  # fmt: skip
        if run.name.endswith("overnight"):
            answers += [
                (f"fit-{name}", ("fit", str(run), "--duty", "path-light")), (f"model-{name}", ("model", str(run)))
            ]  # fmt: skip
    return answers


def ask(question: Question, home: Path) -> dict[str, Any]:
    """Ask one question in `home`; returns `words`, `exit`, `json` (null where there was none), `errors`."""
    name, words = question
    environment = {"AMPHORA_LOGS": "logs", "XDG_CONFIG_HOME": str(home / "config")}
    with contextlib.chdir(home), patch.dict(os.environ, environment), _clock_of("UTC"):
        done = run_inside(*words, "--json")
    text, errors = (_anywhere(stream, home) for stream in (done.stdout, done.stderr))
    found = json.loads(text) if text.strip() else None
    return {"name": name, "words": list(words), "exit": done.returncode, "json": found, "errors": errors.splitlines()}


def _anywhere(text: str, home: Path) -> str:
    """Return a text without the place in which the question was asked: paths in it stand as seen from there."""
    for place in (str(home.resolve()), str(home)):
        text = text.replace(f"{place}/", "").replace(place, ".")
    return text


@contextlib.contextmanager
def _clock_of(zone: str) -> Iterator[None]:
    """Have answers name times of day in one zone, wherever the tests run (Windows has no such switch)."""
    if not hasattr(time, "tzset"):
        yield
        return
    before = os.environ.get("TZ")
    os.environ["TZ"] = zone
    time.tzset()
    try:
        yield
    finally:
        if before is None:
            del os.environ["TZ"]
        else:
            os.environ["TZ"] = before
        time.tzset()


def ask_all(questions: Sequence[Question], home: Path) -> list[dict[str, Any]]:
    """Ask several questions in `home`."""
    (home / "papers").mkdir(exist_ok=True)
    return [ask(question, home) for question in questions]


def write_answers(folder: Path, answers: Sequence[dict[str, Any]], home: Path) -> None:
    """Keep answers, a file each."""
    folder.mkdir(exist_ok=True)
    for old in folder.glob("*.json"):
        old.unlink()
    for one in answers:
        text = json.dumps(one, ensure_ascii=False, indent=None, separators=(",", ":"))
        assert str(home) not in text
        path = folder / f"{one['name']}.json"
        assert not path.exists(), one["name"]
        path.write_text(text + "\n", encoding="utf-8")


def read_answers(folder: Path) -> list[dict[str, Any]]:
    """Return the kept answers."""
    return [json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.json"))]


def near(name: str) -> float:
    """Return how far the figures of an answer of that name may be apart, relative."""
    return FITTED if name.startswith(("model", "fit")) else NEAR


def differences(
    old: Any, new: Any, path: str = "", shape: bool = False, apart: float = NEAR
) -> Iterator[tuple[str, str]]:
    """Yield what an old answer says and a new one does not: key path, and what differs. Keys that were added pass.

    A path reads `key.key[3].key`. A list has to be as long as it was.

    Args:
        old, new: Two answers.
        path: Where they stand.
        shape: Only keys and types are compared, and lists by their first entries.
        apart: How far two numbers may be apart, relative.
    """
    if isinstance(old, dict) and isinstance(new, dict):
        for key, value in old.items():
            here = f"{path}.{key}" if path else key
            if key not in new:
                yield here, "is gone"
            else:
                yield from differences(value, new[key], here, shape, apart)
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new) and not shape:
            yield path, f"had {len(old)} entries, has {len(new)}"
        for index, (one, other) in enumerate(zip(old[: 1 if shape else None], new, strict=False)):
            yield from differences(one, other, f"{path}[{index}]", shape, apart)
    elif shape:
        if None not in (old, new) and _kind(old) is not _kind(new):
            yield path, f"was {type(old).__name__}, is {type(new).__name__}"
    elif _kind(old) is float and _kind(new) is float:
        if not math.isclose(old, new, rel_tol=apart, abs_tol=1e-9):
            yield path, f"was {old!r}, is {new!r}"
    elif type(old) is not type(new) or old != new:
        yield path, f"was {old!r}, is {new!r}"


def _kind(value: Any) -> type:
    return float if isinstance(value, int | float) and not isinstance(value, bool) else type(value)


def excused(command: str, path: str, table: Sequence[tuple[str, str, str]]) -> tuple[str, str, str] | None:
    """Return the entry of a table (command, key path, reason) that a difference falls under.

    `*` in a command or a path stands for anything; a list's index may be written `[*]`.
    """
    for entry in table:
        name, where = (re.escape(part).replace(r"\*", ".*") for part in entry[:2])
        if re.fullmatch(name, command) and re.fullmatch(where, path):
            return entry
    return None


def main() -> int:
    """Compare a demo with that of 0.1.0; returns how many answers differ."""
    demo = Path(sys.argv[1]).resolve()
    wrong = 0
    for old in read_answers(FIXTURES / "demo-answers"):
        new = ask((old["name"], tuple(old["words"])), demo)
        kept, shape = {key: old[key] for key in ("exit", "json")}, "--shape" in sys.argv
        found = list(differences(kept, new, shape=shape, apart=near(old["name"])))
        found = [(path, what) for path, what in found if path != "json.key"]  # each demo makes a key of its own
        wrong += bool(found)
        for path, what in found:
            print(f"{' '.join(old['words'])}: {path}: {what[:200]}")
    return wrong


if __name__ == "__main__":
    raise SystemExit(1 if main() else 0)
