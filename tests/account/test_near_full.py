"""A leak that acts near full alone: no healthy verdict rests on less than half a day at full, and a day is enough.

Each limit by its value, the sick cell beside the sound one. What drawn cells do: docs/faults.md.
"""

import random
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from amphora.drivers.simulated.cell import SimulatedCell
from amphora.harness.account import findings as f
from amphora.harness.account import near_full
from amphora.harness.account.asking import standing_of
from amphora.harness.account.fold import fold
from amphora.harness.account.standing import Noted, RunSeen, Standing
from amphora.harness.archive.shelf import Shelf
from amphora.harness.report.tables import standing_lines
from amphora.harness.running.session import Request, carry_out, open_rig
from amphora.harness.running.simulated_session import SimulatedSession
from tests.account.test_over_runs import EVENING, add
from tests.support.account_entries import at, cell, charge, codes, filled, night, rest
from tests.support.meddling import wait
from tests.support.simulation.populations import draw_cell

SICK_SEED = 13  # loses 10 % on its first day at full, above 4.02 V alone
HEALTHY = ("grade", "match", "certify")
TWO_CHARGES = [charge(taper_A=0.05), night(), charge(12.0, ah=1.0, taper_A=0.05)]  # the second ends at 15 h


def verdicts(standing: Standing) -> set[str]:
    return {standing.may[act].verdict for act in HEALTHY}


def up(hours: float = 24.0, ah: float = 0.030, taper_A: float | None = 0.05, **changes) -> RunSeen:
    """Return the charge that fills the cell up so many hours after the second one's end, its current well known.

    It does not look at the voltage before it begins.
    """
    run = filled(15.0 + hours, ah, taper_A=taper_A)
    return replace(run, rests=run.rests[1:], moves=(replace(run.moves[0], U_ah=0.0),), **changes)


def test_from_the_second_charge_on_a_healthy_verdict_wants_a_day_at_full() -> None:
    assert verdicts(fold(cell(), TWO_CHARGES[:2])) == {"yes"}
    asked = fold(cell(), TWO_CHARGES)
    assert verdicts(asked) == {"ask"} and asked.may["charge"].verdict == asked.may["discharge"].verdict == "yes"
    found = asked.finding("leak-near-full")
    assert found is not None and "charge it again before its night" in found.settles and "--at TIME" in found.settles
    assert "no rest of 12 h or more at full is on record" in found.text
    assert near_full.asked_before_a_night(asked).startswith("before its night: let it rest a day")
    assert near_full.asked_before_a_night(fold(cell(), [*TWO_CHARGES, night(16.5)])) == ""  # the night is over
    done = fold(cell(), [*TWO_CHARGES, up()])
    assert near_full.asked_before_a_night(done) == ""
    assert verdicts(done) == {"yes"} and "leak-near-full" not in codes(done)
    assert done.leak_full.high == pytest.approx(0.030 / 0.998) and "30 mAh" in done.leak_full.high_from
    assert any(line.startswith("leak near full: 3 % a day at most (30 mAh") for line in standing_lines(done))
    night_too = fold(cell(), [*TWO_CHARGES, up(), night(40.5)])
    assert verdicts(night_too) == {"yes"} and night_too.starts["40.5-overnight"] == "full"


@pytest.mark.parametrize(("key", "asked"), [("li-ion", True), ("li-ion-4.35", True), ("lfp", False), ("nimh", False)])
def test_of_which_kinds_it_is_asked(key: str, asked: bool) -> None:
    for high, charges in ((24.0, 2), (24.0, 1), (0.051, 2), (0.049, 2)):
        found = near_full.open_finding("a", key, charges, near_full.Bound(0.0, high, "", "x"))
        assert (found is not None) is (asked and high > 0.05 and charges == 2)


@pytest.mark.parametrize(
    ("changes", "count"),
    [
        ({}, 2),
        ({"ah": 0.41, "whole": False}, 2),  # its end was not seen: cheap meters near the taper
        ({"ah": 0.39, "whole": False}, 1),
        ({"ah": 0.39, "whole": True}, 2),
        ({"ah": 0.60, "whole": False, "profile": "storage"}, 1),
    ],
)
def test_which_charges_count(changes: dict, count: int) -> None:
    profile = changes.pop("profile", "charge")
    second = replace(charge(12.0, **{"ah": 1.0, **changes}), profile=profile)
    standing = fold(cell(), [charge(), night(), second])
    assert standing.charges == count and ("leak-near-full" in codes(standing)) is (count == 2)
    twice = replace(charge(), moves=(charge().moves[0], *night().moves, charge(12.0).moves[0]))
    assert near_full.charges([twice], 1.0) == 2 and near_full.charges([second], None) == int(changes.get("whole", True))


@pytest.mark.parametrize(
    ("changes", "high"),
    [
        ({}, 0.030),
        ({"ah": 0.0495}, 0.0495),
        ({"ah": 0.0510}, 0.0510),  # 5 % a day: sick by this project's measure
        ({"hours": 12.1}, 0.030 / 12.1 * 24),
        ({"hours": 11.9}, None),  # too short to tell
        ({"hours": 48.0}, 0.030),  # a short that stopped itself took all of it on the first day
        ({"taper_A": 0.062}, 0.030),
        ({"taper_A": 0.063}, None),  # it ended less full than the one before
        ({"taper_A": None}, 0.030 + 0.015),
    ],
)
def test_what_filling_up_bounds(changes: dict, high: float | None) -> None:
    standing = fold(cell(), [*TWO_CHARGES, up(**changes)])
    expected = 24.0 if high is None else high / 0.998
    assert standing.leak_full.high == pytest.approx(expected, rel=1e-3)
    assert verdicts(standing) == ({"yes"} if expected < 0.05 else {"ask"})


def test_what_filling_up_does_not_show() -> None:
    colder = {"temperature_degC": 14.9}
    warm = [*TWO_CHARGES[:2], replace(TWO_CHARGES[2], temperature_degC=20.0)]
    assert fold(cell(), [*warm, up(**colder)]).leak_full.high == pytest.approx((0.030 + 0.015 * 0.998) / 0.998)
    assert fold(cell(), [*warm, up(temperature_degC=15.1)]).leak_full.high == pytest.approx(0.030 / 0.998)
    torn = RunSeen("x", at(20), at(20.1), "", "unknown", "", False, damaged="torn")
    cut = up()
    not_to_its_end = replace(cut, moves=(replace(cut.moves[0], whole=False),), charge_full=False)
    drawn_night = night(40.5, ah=0.03, start="unknown")
    for life in (
        [*TWO_CHARGES, torn, up()],
        [*TWO_CHARGES, up(gaps_unknown=1)],
        [*TWO_CHARGES, up(dated=False)],
        [*TWO_CHARGES, not_to_its_end],
        [TWO_CHARGES[0], *TWO_CHARGES[1:2], up()],  # it was empty before
        [*TWO_CHARGES[:2], replace(TWO_CHARGES[2], dated=False), up()],
        [*TWO_CHARGES[:2], charge(12.0, ah=1.0, whole=False, taper_A=0.05), up()],  # it was not full before
        [*TWO_CHARGES, replace(drawn_night, rests=drawn_night.rests[1:])],  # what was drawn fills nothing
    ):
        assert fold(cell(), life).leak_full.high == 24.0
    unsure = replace(cut, moves=(replace(cut.moves[0], U_ah=0.025),))  # a coarse meter
    assert fold(cell(), [*TWO_CHARGES, unsure]).leak_full.high == pytest.approx(0.055 / 0.998)


@pytest.mark.parametrize(
    ("left_V", "now_V", "hours", "U_V", "high"),
    [
        (4.185, 4.185, 24.0, 0.003, 0.003 / 0.4),  # 0.4 V per unit of charge at least: the flattest of Li-ion when full
        (4.185, 4.168, 24.0, 0.003, 0.020 / 0.4),
        (4.185, 4.168, 12.0, 0.003, 2 * 0.020 / 0.4),
        (4.185, 4.168, 72.0, 0.003, 0.020 / 0.4),
        (4.185, 4.168, 11.9, 0.003, None),
    ],
)
def test_what_a_voltage_at_full_bounds(left_V, now_V, hours, U_V, high) -> None:
    found = near_full.by_voltage(left_V, now_V, hours, U_V, at(0), "li-ion")
    assert (None if found is None else found.high) == (None if high is None else pytest.approx(high))
    assert near_full.by_voltage(left_V, now_V, hours, U_V, at(0), "lfp") is None


def test_a_voltage_at_full_counts_from_what_the_charge_left_and_with_what_two_meters_differ_by() -> None:
    """Left at 4.185 V; 8 mV lower a day later: by the bench's own meter 11 mV at most, by hand 23."""
    looked = RunSeen(
        "look", at(39.0), at(39.1), "log", "unknown", "time", True, (), (rest(39, 39.1, "", 4.177, 4.177),)
    )
    by_bench = fold(cell(), [*TWO_CHARGES, looked])
    assert by_bench.leak_full.high == pytest.approx(0.011 / 0.4) and verdicts(by_bench) == {"yes"}
    by_hand = [*TWO_CHARGES, Noted(at(39.0), "check", voltage_V=4.177, resolution_V=0.001)]
    assert fold(cell(), by_hand).leak_full.high == pytest.approx(0.023 / 0.4)
    # later ones count from there too: a short that stopped itself shows no fall from one day to the next
    stopped = [*TWO_CHARGES, *(replace(looked, run=f"look-{h}", at=at(h), rests=(rest(h, h + 0.1, "", 4.10, 4.10),))
                               for h in (39.0, 63.0))]  # fmt: skip
    assert fold(cell(), stopped).leak_full.high == pytest.approx(0.088 / 0.4)
    # and a recipe with its own long rest counts from the rest's beginning
    long_rest = (TWO_CHARGES[2].rests[0], rest(15.0, 39.0, "charge", 4.190, 4.140))
    slow = fold(cell(), [*TWO_CHARGES[:2], replace(TWO_CHARGES[2], rests=long_rest)])
    assert slow.leak_full.high == pytest.approx(0.053 / 0.4)
    first_look = replace(filled(39.0, 0.30, found_V=4.177), charge_full=False)  # the charge after it was a long one
    seen_first = replace(first_look, moves=(replace(first_look.moves[0], whole=False),))
    assert fold(cell(), [*TWO_CHARGES, seen_first]).leak_full.high == pytest.approx(0.011 / 0.4, rel=5e-3)
    gap = [*TWO_CHARGES[:2], replace(TWO_CHARGES[2], gaps_unknown=1)]  # something may have flowed that nobody counted
    assert fold(cell(), [*gap, looked]).leak_full.high == 24.0
    used = Noted(at(16.0), "check", voltage_V=4.00, resolution_V=0.001)  # it was used meanwhile: nothing follows
    assert fold(cell(), [*TWO_CHARGES, used, looked]).leak_full.high == 24.0


@pytest.mark.parametrize(("full_h", "high"), [(12.1, (0.02 + 0.007) / 12.1 * 24), (11.9, None), (30.0, 0.027)])
def test_a_closed_cycle_counts_when_half_a_day_at_full_is_in_it(full_h: float, high: float | None) -> None:
    """98 % given back; 0.7 % is the least that a ratio is uncertain by."""
    cycle = f.Balance(1.0, 0.98, 0.98, 0.0, 40.0, "x", full_h=full_h, at=at(40))
    found = near_full.by_balance([cycle])
    assert [item.high for item in found] == ([] if high is None else [pytest.approx(high)])
    life = [charge(taper_A=0.05), night(27.5, start="unknown"), charge(34.0, ah=1.0 / 0.98, taper_A=0.05)]
    (closed,) = f.balances([(run, run.moves[0]) for run in life])
    assert closed.full_h == pytest.approx(24.7) and closed.at == at(37.0)
    (again,) = f.balances([(run, run.moves[0]) for run in (night(-20.0), life[0], night(27.5))])
    assert again.full_h == pytest.approx(24.7)


def test_a_later_day_at_full_that_costs_far_more_takes_back_the_earlier_one() -> None:
    first = [*TWO_CHARGES, up()]
    for ah, high in ((0.059, 0.030), (0.062, 0.062)):
        again = replace(up(48.5, ah), run="again")
        assert fold(cell(), [*first, again]).leak_full.high == pytest.approx(high / 0.998)
    worse = near_full.bound_of(
        [near_full.AtFull(at(1), 0.01, "", True), near_full.AtFull(at(2), 0.9, "", False)], at(0)
    )
    assert worse.high == 0.01  # a poor voltage takes nothing back
    assert near_full.bound_of([near_full.AtFull(at(1), 0.01, "", True)], at(2)).high == 24.0


def test_a_recovery_that_got_far_worse_takes_back_what_a_day_at_full_said_until_something_bounds_it_again() -> None:
    worse = night(40.5, late=-0.003, early=0.020)
    changed = fold(cell(), [*TWO_CHARGES, up(), worse])
    assert changed.leak.high >= 0.05 and changed.leak_full.high == 24.0
    steady = Noted(at(40.5 + 6.2 + 36), "check", voltage_V=3.10, resolution_V=0.001)
    again = fold(cell(), [*TWO_CHARGES, up(), worse, steady])
    assert again.leak.high < 0.05 and again.leak_full.high == pytest.approx(0.030 / 0.998)


@pytest.mark.parametrize(("ah", "released"), [(0.030, True), (0.060, False)])
def test_a_day_at_full_that_cost_little_takes_back_what_an_hour_seemed_to_say(ah: float, released: bool) -> None:
    """12 % did not come back over the cycle, for whatever reason: the balance alone releases nothing."""
    first = night()
    falling = replace(first, rests=(replace(first.rests[0], first_V=4.186, last_V=4.180), *first.rests[1:]))
    life = [charge(taper_A=0.05), falling, charge(12.0, ah=1.12, taper_A=0.05), up(ah=ah)]
    assert ("falls-when-full" not in codes(fold(cell(), life))) is released

    def fell_again(begin_h: float) -> RunSeen:
        short = replace(falling.rests[0], begin_utc=at(begin_h + 0.1), end_utc=at(begin_h + 0.27))
        return replace(night(begin_h), rests=(short, *night(begin_h).rests[1:]))

    # the night after that day is of the same charge; what fell after a later one stays
    same = fold(cell(), [*life, fell_again(40.6)])
    assert ("falls-when-full" not in codes(same)) is released
    assert "falls-when-full" in codes(fold(cell(), [*life, charge(50.0, ah=1.0), fell_again(54.2)]))


def bench_run(logs: Path, profile: str, name: str, **first) -> None:
    session = SimulatedSession(logs, name, "real-li-ion", 3, **first)
    rig = open_rig(session.description, session.clock, session.open)
    request = Request(name, profile, logs, present=True)
    try:
        carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
    finally:
        rig.close()
        session.keep()


def drawn(seed: int, kind: str, sickness: str = "") -> SimulatedCell:
    return draw_cell(random.Random(seed), "li-ion", kind, sickness=sickness, soc=0.3).cell  # type: ignore[arg-type]


@pytest.mark.usefixtures("coarse")
def test_a_cell_that_leaks_near_full_alone_gets_no_healthy_verdict_and_an_aged_one_gets_all(tmp_path: Path) -> None:
    """A night, a second charge, the day at full that the account asks for, the second night.

    Without that day nothing tells the two apart: the sick one's recovery and balance are those of a sound cell.
    """
    said: dict[str, list[set[str]]] = {}
    for name, simulated in (("aged", drawn(4, "aged")), ("sick", drawn(SICK_SEED, "sick", "near full"))):
        add(tmp_path, name)
        stages = said.setdefault(name, [])
        bench_run(tmp_path, "charge", name, cell=simulated, begin_utc=EVENING)
        bench_run(tmp_path, "overnight", name)
        wait(tmp_path, name, timedelta(hours=12))
        bench_run(tmp_path, "charge", name)
        stages.append(verdicts(standing_of(Shelf(tmp_path), name)))
        wait(tmp_path, name, timedelta(hours=23))
        bench_run(tmp_path, "charge", name)
        stages.append(verdicts(standing_of(Shelf(tmp_path), name)))
        bench_run(tmp_path, "overnight", name)
        stages.append(verdicts(standing_of(Shelf(tmp_path), name)))
    assert said == {"aged": [{"ask"}, {"yes"}, {"yes"}], "sick": [{"ask"}] * 3}
    standing = standing_of(Shelf(tmp_path), "sick")
    assert standing.leak_full.high > 0.05 > standing.leak.high  # nothing else speaks against it
