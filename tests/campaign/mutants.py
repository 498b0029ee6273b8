"""Mutants: small changes of the code, drawn with a seed, each held against the tests of its own room.

`python -m tests.campaign.mutants --count 300 --seed 1 --workers 2`. A mutant that no test of its room notices has
survived: a promise without a test, or a change that changes nothing. They are named with their line.

What is changed comes from cosmic-ray (extra `mutants`): operators, comparisons, numbers, conditions, breaks. Each place
in the code has the same chance, whatever the number of changes that are possible there. Each worker has a copy of the
repository of its own; nothing here is touched. Tests that take `LONGER` times as long have noticed.
"""

import argparse
import collections
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import Queue
from typing import Any, NamedTuple

ROOT = Path(__file__).parents[2]
COPIED = ("harness", "drivers", "profiles", "tests", "docs")
ROOMS: dict[str, tuple[Sequence[str], Sequence[str]]] = {  # what is changed; what has to notice
    "control": (("harness/control/*.py",), ("tests/control",)),
    "analysis": (("harness/analysis/*.py",), ("tests/analysis",)),
    "archive": (("harness/archive/*.py",), ("tests/archive",)),
    "switching off": (
        ("drivers/off.py", "harness/running/switch_off.py"),
        ("tests/running/test_switch_off.py", "tests/running/test_watchdog.py"),
    ),
}
LEFT_OUT = ("BitOr", "ExceptionReplacer", "Variable")  # annotations; what needs names to be given
LONGER = 4.0
LEAST_S = 120.0


class Spot(NamedTuple):
    """One change. at: line and column, from 1 and 0."""

    room: str
    file: str
    operator: str
    occurrence: int
    at: tuple[int, int]


class Judged(NamedTuple):
    """What became of one: `noticed`, `survived`, or `slow` (noticed by taking too long)."""

    spot: Spot
    outcome: str
    line: str


def spots(room: str) -> Iterator[Spot]:
    """Return every change that is possible in a room, in order of file, operator and place."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.plugins import get_operator, operator_names

    for pattern in ROOMS[room][0]:
        for path in sorted(ROOT.glob(pattern)):
            tree = get_ast(path.read_text(encoding="utf-8"))
            nodes = list(ast_nodes(tree))
            for name in operator_names():
                if any(word in name for word in LEFT_OUT):
                    continue
                operator = get_operator(name)()
                places = [place for node in nodes for place in operator.mutation_positions(node)]
                for occurrence, (begin, _) in enumerate(places):
                    yield Spot(room, str(path.relative_to(ROOT)), name, occurrence, begin)


def drawn(count: int, seed: int, rooms: Sequence[str]) -> list[Spot]:
    """Return changes, the same number from each room; each place has the same chance."""
    rng = random.Random(seed)
    found: list[Spot] = []
    for number, room in enumerate(rooms):
        by_place: dict[tuple[str, tuple[int, int], str], list[Spot]] = collections.defaultdict(list)
        for spot in spots(room):
            by_place[(spot.file, spot.at, spot.operator.partition("_")[0])].append(spot)
        wanted = count // len(rooms) + (number < count % len(rooms))
        places = rng.sample(sorted(by_place), min(wanted, len(by_place)))
        found += [rng.choice(by_place[place]) for place in places]
    rng.shuffle(found)
    return found


def copy_of_the_repository(where: Path) -> Path:
    """Return a copy that is imported as `amphora` with its `.links` ahead of all else."""
    for name in COPIED:
        shutil.copytree(ROOT / name, where / name, ignore=shutil.ignore_patterns("__pycache__", "*.pyc"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "Makefile"):
        shutil.copy(ROOT / name, where / name)
    links = where / ".links" / "amphora"
    links.mkdir(parents=True)
    for name in ("harness", "drivers", "profiles"):
        (links / name).symlink_to(where / name)
    (links / "__init__.py").symlink_to(where / "harness" / "library" / "__init__.py")
    return where


def notice(copy: Path, room: str, timeout_s: float) -> str:
    """Run a room's tests on a copy; return `noticed`, `survived` or `slow`."""
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-n0", "-p", "no:cacheprovider", *ROOMS[room][1]]
    env = {**os.environ, "PYTHONPATH": str(copy / ".links"), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            command, cwd=copy, env=env, timeout=timeout_s, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            check=False, start_new_session=True,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return "slow"
    return "survived" if done.returncode == 0 else "noticed"


def judge(copy: Path, spot: Spot, timeout_s: float) -> Judged:
    """Change a copy, run the tests of the room, put it back."""
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    path = copy / spot.file
    before = path.read_text(encoding="utf-8")
    after: Any = mutate_code(before, get_operator(spot.operator)(), spot.occurrence)
    line = next((new for old, new in zip(before.splitlines(), after.splitlines(), strict=False) if old != new), "")
    path.write_text(after, encoding="utf-8")
    try:
        return Judged(spot, notice(copy, spot.room, timeout_s), line.strip())
    finally:
        path.write_text(before, encoding="utf-8")


def main(words: Sequence[str] | None = None) -> int:
    """Draw, judge, print: a line for each that survived, then the score of each room."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--room", action="append", choices=list(ROOMS))
    parser.add_argument("--until", type=float, help="begin none after this many minutes")
    given = parser.parse_args(words)
    rooms = given.room or list(ROOMS)
    begun = time.monotonic()
    chosen = drawn(given.count, given.seed, rooms)
    outcomes: dict[str, collections.Counter[str]] = {room: collections.Counter() for room in rooms}
    with tempfile.TemporaryDirectory() as scratch:
        copies: Queue[Path] = Queue()
        for number in range(given.workers):
            copies.put(copy_of_the_repository(Path(scratch) / str(number)))
        usual: dict[str, float] = {}
        for room in rooms:
            copy, at = copies.get(), time.monotonic()
            if notice(copy, room, 3600.0) != "survived":
                print(f"{room}: its tests fail without any change", flush=True)
                return 1
            usual[room] = max(LEAST_S, LONGER * (time.monotonic() - at))
            copies.put(copy)

        def one(spot: Spot) -> Judged | None:
            if given.until is not None and time.monotonic() - begun > 60.0 * given.until:
                return None
            copy = copies.get()
            try:
                return judge(copy, spot, usual[spot.room])
            finally:
                copies.put(copy)

        with ThreadPoolExecutor(given.workers) as pool:
            for judged in pool.map(one, chosen):
                if judged is None:
                    continue
                outcomes[judged.spot.room][judged.outcome] += 1
                if judged.outcome == "survived":
                    spot = judged.spot
                    print(f"survived: {spot.file}:{spot.at[0]}: {spot.operator}: {judged.line}", flush=True)
    for room, counted in outcomes.items():
        total = counted.total()
        print(f"{room:14} {total - counted['survived']:4d} of {total:4d} noticed ({counted['slow']} by their time)")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
