"""Promises of matching: like with like, exact when small, near the best and bounded when large."""

import itertools
import json

import numpy as np
import pytest
from typer.testing import CliRunner

from harness.cli.app import app
from harness.errors import InputError
from harness.matching import Candidate, best_sets, choose_sets, lower_bound, match
from tests.support.duty_runs import cell_of, write_test


def crowd(n: int, seed: int = 1, chemistry: str = "li-ion") -> list[Candidate]:
    rng = np.random.default_rng(seed)
    return [
        Candidate(f"{chemistry}-{k}", chemistry, float(c), float(r), form="18650")
        for k, (c, r) in enumerate(zip(rng.normal(2.2, 0.3, n), rng.lognormal(-2.5, 0.3, n), strict=True))
    ]


def exhaustive(points, size, count):
    """Every way to choose `count` disjoint sets: a plain second implementation."""

    def cost(members):
        part = points[list(members)]
        return float((part.max(axis=0) - part.min(axis=0)).sum())

    def go(free, left):
        if left == 0:
            return 0.0
        best = np.inf
        for skip in range(len(free) - left * size + 1):
            head, rest = free[skip], free[skip + 1 :]
            for others in itertools.combinations(rest, size - 1):
                remaining = tuple(x for x in rest if x not in others)
                best = min(best, cost((head, *others)) + go(remaining, left - 1))
        return best

    return go(tuple(range(len(points))), count)


@pytest.mark.parametrize(("n", "size", "count"), [(6, 2, 3), (7, 2, 3), (8, 2, 3), (7, 3, 2), (9, 4, 2), (8, 4, 2)])
def test_small_shelves_are_solved_exactly(n, size, count):
    for seed in range(4):
        points = np.random.default_rng(seed).random((n, 2))
        sets, total = best_sets(points, size, count)
        assert total == pytest.approx(exhaustive(points, size, count))
        assert len({k for s in sets for k in s}) == size * count


@pytest.mark.parametrize(("n", "size", "count"), [(8, 2, 4), (10, 3, 3), (12, 4, 3), (9, 2, 4)])
def test_the_bound_is_never_above_the_best(n, size, count):
    for seed in range(10):
        points = np.random.default_rng(seed).random((n, 2))
        assert lower_bound(points, size, count) <= best_sets(points, size, count)[1] + 1e-12


def test_search_is_within_a_few_percent_of_the_exact_answer(monkeypatch):
    import harness.matching as module

    for seed in range(4):
        points = np.random.default_rng(seed).random((12, 2))
        exact = best_sets(points, 3, 4)[1]
        monkeypatch.setattr(module, "EXACT_UP_TO", 0)
        _, total, bound = choose_sets(points, 3, 4, seconds=0.3)
        monkeypatch.undo()
        assert bound - 1e-12 <= exact <= total + 1e-12
        assert total <= 1.05 * exact


def test_two_hundred_cells_are_all_used_once_and_the_bound_is_said():
    found = match(crowd(202), 4, seconds=1.5)
    used = [cell for item in found["sets"] for cell in item["cells"]]
    assert len(found["sets"]) == 50 and len(set(used)) == 200 and len(found["leftovers"]) == 2
    assert set(used) | {item["cell"] for item in found["leftovers"]} == {c.cell for c in crowd(202)}
    assert 0 <= found["within"] < 0.6 and "at most" in found["how"]
    best_by_chance = match(crowd(202), 4, seconds=1e-6)["total"]
    assert found["total"] <= best_by_chance


def test_chemistries_are_never_mixed():
    found = match([*crowd(5), *crowd(5, 2, "lfp")], 2)
    for item in found["sets"]:
        assert len({cell.rsplit("-", 1)[0] for cell in item["cells"]}) == 1
    assert len(found["sets"]) == 4 and len(found["leftovers"]) == 2


def test_wiring_decides_what_matters():
    # Two pairs alike in capacity, the other two alike in resistance.
    cells = [
        Candidate("a", "li-ion", 2.0, 0.050), Candidate("b", "li-ion", 2.0, 0.080),
        Candidate("c", "li-ion", 2.4, 0.050), Candidate("d", "li-ion", 2.4, 0.080),
    ]  # fmt: skip
    parallel = {tuple(item["cells"]) for item in match(cells, 2, "parallel")["sets"]}
    assert parallel == {("a", "c"), ("b", "d")}
    cells = [Candidate(c.cell, c.chemistry, c.capacity_Ah, 0.06 + (c.resistance_ohm - 0.065) / 5) for c in cells]
    series = {tuple(item["cells"]) for item in match(cells, 2, "series")["sets"]}
    assert series == {("a", "b"), ("c", "d")}


def test_left_overs_have_reasons():
    cells = [
        *crowd(4),
        Candidate("old", "li-ion", 2.2, 0.08, age_days=800, form="18650"),
        Candidate("x", "nimh", 2.0, 0.03),
    ]
    found = match(cells, 2, refused={"r": "it is retired"}, oldest_days=365)
    reasons = {item["cell"]: item["reason"] for item in found["leftovers"]}
    assert "800 days" in reasons["old"] and "only 1" in reasons["x"] and reasons["r"] == "it is retired"
    assert "trained" in found["caution"] and "local rules" in found["caution"]


def test_sets_wider_than_wanted_are_not_offered():
    found = match(crowd(8), 4, widest=1e-6)
    assert found["sets"] == [] and len(found["leftovers"]) == 8


@pytest.mark.parametrize(("size", "wiring"), [(1, "parallel"), (25, "parallel"), (2, "diagonal")])
def test_senseless_wishes_are_refused(size, wiring):
    with pytest.raises(InputError):
        match(crowd(4), size, wiring)


def test_by_command_unlike_cells_are_not_offered_and_alike_ones_are(tmp_path):
    write_test(tmp_path, cell_of(seed=1), "a")
    write_test(tmp_path, cell_of(seed=1, capacity_Ah=2.4), "b")
    done = CliRunner().invoke(app, ["match", "--size", "2", "--logs", str(tmp_path), "--json"])
    found = json.loads(done.stdout)
    assert done.exit_code == 1 and found["sets"] == []
    assert all("no set below a spread" in item["reason"] for item in found["leftovers"])
    write_test(tmp_path, cell_of(seed=2), "c")
    done = CliRunner().invoke(app, ["match", "--size", "2", "--wiring", "series", "--logs", str(tmp_path), "--json"])
    found = json.loads(done.stdout)
    assert done.exit_code == 0 and [item["cells"] for item in found["sets"]] == [["a", "c"]]
    assert [item["cell"] for item in found["leftovers"]] == ["b"]
