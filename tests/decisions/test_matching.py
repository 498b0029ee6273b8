"""Promises of matching: like with like, exact when small, near the best and bounded when large."""

import itertools
import json
import time
import types

import numpy as np
import pytest
import scipy.optimize
from typer.testing import CliRunner

from amphora.harness.cli.app import app
from amphora.harness.common.errors import InputError
from amphora.harness.decisions.matching import Candidate, match
from amphora.harness.decisions.set_bound import lower_bound_of, lower_bounds, most_sets_of
from amphora.harness.decisions.set_choice import best_sets, choose_sets
from tests.support.duty_runs import cell_of, write_test


def crowd(n: int, seed: int = 1, chemistry: str = "li-ion") -> list[Candidate]:
    rng = np.random.default_rng(seed)
    return [
        Candidate(f"{chemistry}-{k}", chemistry, float(c), float(r), form="18650")
        for k, (c, r) in enumerate(zip(rng.normal(2.2, 0.3, n), rng.lognormal(-2.5, 0.3, n), strict=True))
    ]


def exhaustive(points, size, count, widest=np.inf):
    """Every way to choose up to `count` disjoint sets, none too wide: (sets, total); a plain second implementation."""

    def cost(members):
        part = points[list(members)]
        return float((part.max(axis=0) - part.min(axis=0)).sum())

    def go(free, left):
        best = (0, 0.0)
        if left == 0 or len(free) < size:
            return best
        for skip in range(len(free) - size + 1):
            head, rest = free[skip], free[skip + 1 :]
            for others in itertools.combinations(rest, size - 1):
                width = cost((head, *others))
                if width > widest:
                    continue
                sets, total = go(tuple(x for x in rest if x not in others), left - 1)
                best = min(best, (sets - 1, width + total))
        return best

    sets, total = go(tuple(range(len(points))), count)
    return -sets, total


@pytest.mark.parametrize(("n", "size", "count"), [(6, 2, 3), (7, 2, 3), (8, 2, 3), (7, 3, 2), (9, 4, 2), (8, 4, 2)])
@pytest.mark.parametrize("widest", [np.inf, 0.7, 0.35, 0.1])
def test_small_shelves_are_solved_exactly_also_when_wide_sets_are_left_out(n, size, count, widest):
    for seed in range(4):
        points = np.random.default_rng(seed).random((n, 2))
        sets, total = best_sets(points, size, count, widest)
        assert (len(sets), pytest.approx(total)) == exhaustive(points, size, count, widest)
        assert len({k for s in sets for k in s}) == size * len(sets)


def test_another_choice_is_made_when_the_best_one_holds_a_set_that_is_too_wide():
    points = np.array([[0.0], [0.30], [0.40], [0.75]])
    assert best_sets(points, 2, 2)[0] == [(0, 1), (2, 3)]
    narrow, total = best_sets(points, 2, 2, widest=0.32)
    assert narrow == [(1, 2)] and total == pytest.approx(0.1)  # 0.35 is too wide: the tightest pair, not (0, 1)


@pytest.mark.parametrize(("n", "size", "count"), [(8, 2, 4), (10, 3, 3), (12, 4, 3), (9, 2, 4)])
@pytest.mark.parametrize("widest", [np.inf, 0.6])
def test_the_bound_is_never_above_the_best(n, size, count, widest):
    for seed in range(10):
        points = np.random.default_rng(seed).random((n, 2))
        sets, total = best_sets(points, size, count, widest)
        assert lower_bound_of(lower_bounds(points, size, widest)[0], size, len(sets)) <= total + 1e-12


@pytest.mark.parametrize(("size", "count"), [(2, 6), (3, 4), (4, 3), (5, 2)])
@pytest.mark.parametrize("widest", [np.inf, 0.8, 0.4])
def test_worths_from_any_prices_hold_for_every_set(size, count, widest):
    for seed in range(4):
        rng = np.random.default_rng(seed)
        points = rng.random((12, 2))
        combos = np.array(list(itertools.combinations(range(12), size)))
        part = points[combos]
        costs = (part.max(axis=1) - part.min(axis=1)).sum(axis=1)
        for prices in (None, rng.random(12) * 0.3, rng.normal(size=12)):
            for most in (60_000, 3):  # 3: bounded by distances alone
                worths, _ = lower_bounds(points, size, widest, prices, None, most)
                assert (worths[combos].sum(axis=1) <= costs + 1e-9)[costs <= widest].all()
        sets, total = best_sets(points, size, count, widest)
        assert lower_bound_of(worths, size, len(sets)) <= total + 1e-9
        if np.isfinite(widest):
            assert len(sets) <= most_sets_of(worths, size, count, widest, 20.0) <= count


@pytest.mark.parametrize("widest", [np.inf, 0.5, 0.3])
def test_search_is_within_a_few_percent_of_the_exact_answer(monkeypatch, widest):
    import amphora.harness.decisions.set_choice as module

    fewer = 0
    for seed in range(4):
        points = np.random.default_rng(seed).random((12, 2))
        exact, exact_total = best_sets(points, 3, 4, widest)
        monkeypatch.setattr(module, "EXACT_UP_TO", 0)
        monkeypatch.setattr(module, "MOST_FOR_PROOF", 0)
        found = choose_sets(points, 3, 4, seconds=60.0, widest=widest)
        monkeypatch.undo()
        assert not found.exact and len(found.sets) <= len(exact) <= found.at_most_sets
        fewer += len(exact) - len(found.sets)
        if len(found.sets) == len(exact):
            assert found.at_least - 1e-9 <= exact_total <= found.total + 1e-9
            assert found.total <= 1.05 * exact_total + 1e-12
    assert fewer == 0


@pytest.mark.parametrize(("n", "size", "widest"), [(16, 2, np.inf), (15, 3, np.inf), (18, 3, 0.4), (14, 4, 0.5)])
def test_a_choice_that_is_called_the_best_is_the_best_by_a_plain_integer_program(n, size, widest):
    # Second method: every set there is as a column of scipy's integer program (HiGHS), nothing left out beforehand.
    points = np.random.default_rng(n).random((n, 2))
    rows = np.array(list(itertools.combinations(range(n), size)))
    costs = (points[rows].max(axis=1) - points[rows].min(axis=1)).sum(axis=1)
    rows, costs = rows[costs <= widest], costs[costs <= widest]
    inside = np.zeros((n, len(rows)))
    for k, row in enumerate(rows):
        inside[row, k] = 1
    answer = scipy.optimize.milp(
        costs - 100.0, constraints=scipy.optimize.LinearConstraint(inside, -np.inf, 1.0),
        integrality=np.ones(len(rows)), bounds=scipy.optimize.Bounds(0, 1), options={"mip_rel_gap": 0.0},
    )  # fmt: skip
    taken = answer.x > 0.5
    found = choose_sets(points, size, n // size, seconds=60.0, widest=widest)
    assert found.exact and len(found.sets) == taken.sum()
    assert found.total == pytest.approx(costs[taken].sum(), abs=1e-9)


def test_what_the_search_alone_misses_the_integer_program_finds(monkeypatch):
    import amphora.harness.decisions.set_choice as module

    points = np.random.default_rng(60).random((45, 2)) * 0.5
    proven = choose_sets(points, 3, 15, seconds=60.0, widest=0.1)
    monkeypatch.setattr(module, "MOST_FOR_PROOF", 0)
    searched = choose_sets(points, 3, 15, seconds=60.0, widest=0.1)
    assert proven.exact and not searched.exact
    assert (-len(proven.sets), proven.total) <= (-len(searched.sets), searched.total + 1e-9)
    assert len(proven.sets) <= searched.at_most_sets and len({k for s in proven.sets for k in s}) == 3 * len(
        proven.sets
    )


def test_two_hundred_cells_are_all_used_once_and_the_bound_is_said_and_near(monkeypatch):
    # Processor seconds: beside busy neighbours those of the clock would be fewer.
    monkeypatch.setattr("amphora.harness.decisions.set_choice.time", types.SimpleNamespace(monotonic=time.process_time))
    found = match(crowd(202), 4, seconds=5.0)
    used = [cell for item in found.sets for cell in item.cells]
    assert len(found.sets) == 50 and len(set(used)) == 200 and len(found.leftovers) == 2
    assert set(used) | {item.cell for item in found.leftovers} == {c.cell for c in crowd(202)}
    assert 0 <= found.within < 0.2 and "at most" in found.how
    best_by_chance = match(crowd(202), 4, seconds=1e-6).total
    assert found.total <= best_by_chance


def test_no_set_is_wider_than_wanted_and_each_left_over_cell_is_told_why():
    found = match(crowd(101), 4, widest=0.12, seconds=5.0)
    assert found.sets and max(item.spread for item in found.sets) <= 0.12
    assert len(found.sets) <= found.at_most_sets < 25
    used = [cell for item in found.sets for cell in item.cells]
    assert len(used) == len(set(used)) and len(used) + len(found.leftovers) == 101
    reasons = " ".join(item.reason for item in found.leftovers)
    assert "no set below a spread of 12 %" in reasons and "fitted least" in reasons
    assert found.total == pytest.approx(sum(item.spread for item in found.sets))


def test_chemistries_are_never_mixed():
    found = match([*crowd(5), *crowd(5, 2, "lfp")], 2)
    for item in found.sets:
        assert len({cell.rsplit("-", 1)[0] for cell in item.cells}) == 1
    assert len(found.sets) == 4 and len(found.leftovers) == 2


def test_wiring_decides_what_matters():
    # Two pairs alike in capacity, the other two alike in resistance.
    cells = [
        Candidate("a", "li-ion", 2.0, 0.050), Candidate("b", "li-ion", 2.0, 0.080),
        Candidate("c", "li-ion", 2.4, 0.050), Candidate("d", "li-ion", 2.4, 0.080),
    ]  # fmt: skip
    parallel = {tuple(item.cells) for item in match(cells, 2, "parallel").sets}
    assert parallel == {("a", "c"), ("b", "d")}
    cells = [Candidate(c.cell, c.chemistry, c.capacity_Ah, 0.06 + (c.resistance_ohm - 0.065) / 5) for c in cells]
    series = {tuple(item.cells) for item in match(cells, 2, "series").sets}
    assert series == {("a", "b"), ("c", "d")}


def test_left_overs_have_reasons():
    cells = [
        *crowd(4),
        Candidate("old", "li-ion", 2.2, 0.08, age_days=800, form="18650"),
        Candidate("x", "nimh", 2.0, 0.03),
    ]
    found = match(cells, 2, refused={"r": "it is retired"}, oldest_days=365)
    reasons = {item.cell: item.reason for item in found.leftovers}
    assert "800 days" in reasons["old"] and "only 1" in reasons["x"] and reasons["r"] == "it is retired"
    assert "trained" in found.caution and "local rules" in found.caution


def test_sets_wider_than_wanted_are_not_offered():
    found = match(crowd(8), 4, widest=1e-6)
    assert found.sets == () and len(found.leftovers) == 8


@pytest.mark.parametrize(("size", "wiring"), [(1, "parallel"), (25, "parallel"), (2, "diagonal")])
def test_senseless_wishes_are_refused(size, wiring):
    with pytest.raises(InputError):
        match(crowd(4), size, wiring)


def test_by_command_unlike_cells_are_not_offered_and_alike_ones_are(tmp_path):
    write_test(tmp_path, cell_of(seed=1), "a")
    write_test(tmp_path, cell_of(seed=1, capacity_Ah=2.4), "b")
    words = ["match", "--size", "2", "--logs", str(tmp_path), "--json"]
    done = CliRunner().invoke(app, words)  # one night, and no rest after it: the account asks first
    assert done.exit_code == 1
    assert all("leak-not-bounded" in item["reason"] for item in json.loads(done.stdout)["leftovers"])
    words += ["--in-spite-of", "leak-not-bounded"]
    done = CliRunner().invoke(app, words)
    found = json.loads(done.stdout)
    assert done.exit_code == 1 and found["sets"] == []
    assert all("no set below a spread" in item["reason"] for item in found["leftovers"])
    write_test(tmp_path, cell_of(seed=2), "c")
    done = CliRunner().invoke(app, [*words, "--wiring", "series"])
    found = json.loads(done.stdout)
    assert done.exit_code == 0 and [item["cells"] for item in found["sets"]] == [["a", "c"]]
    assert [item["cell"] for item in found["leftovers"]] == ["b"]
