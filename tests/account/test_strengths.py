"""How sure a finding is, and what refutes it: each threshold by its value, a sick cell beside a sound one. Pure."""

from dataclasses import replace

import pytest

from amphora.harness.account import findings as f
from amphora.harness.account.fold import _leak, _leak_findings, _released, fold
from amphora.harness.account.gate import may, require, warning_of, with_rulings
from amphora.harness.account.standing import Bound, Noted, RunSeen, Standing
from amphora.harness.account.state import FoldState
from amphora.harness.common.errors import Refused
from amphora.harness.results.rulings import Finding
from tests.support.account_entries import SOUND, at, cell, charge, codes, night, rest


def leaks(*seen: tuple[float, float, float, str]) -> FoldState:
    """A state that has seen so many leaks: (hours, low, high, kind), each of a run of its own."""
    state = FoldState()
    state.leaks = [(at(h), f.Leak(low, high, "x", f"{h:g}", kind)) for h, low, high, kind in seen]
    return state


def leak_said(state: FoldState) -> str | None:
    found = _leak_findings(_leak(state, "li-ion"), state, "li-ion")
    return found[0].strength if found else None


@pytest.mark.parametrize(
    ("seen", "strength"),
    [
        ([(5, 0.029, 0.2, "recovery")], None),  # from 3 % a day on
        ([(5, 0.031, 0.2, "recovery")], "suspected"),
        ([(5, 0.49, 0.9, "recovery")], "suspected"),
        ([(5, 0.51, 0.9, "recovery")], "established"),  # half of it a day is no scatter
        ([(5, 0.031, 0.2, "recovery"), (30, 0.031, 0.2, "recovery")], "established"),  # twice
        ([(5, 0.04, 0.2, "recovery"), (30, 0.029, 0.2, "recovery")], "suspected"),
    ],
)
def test_how_sure_a_leak_is(seen: list[tuple[float, float, float, str]], strength: str | None) -> None:
    assert leak_said(leaks(*seen)) == strength


def test_evidence_that_contradicts_itself_speaks_against_the_cell() -> None:
    bound = _leak(leaks((5, 0.20, 0.9, "recovery"), (30, 0.0, 0.02, "balance")), "li-ion")
    assert (bound.low, bound.high) == (0.20, 0.9)


@pytest.mark.parametrize(
    ("newest", "before", "high"),
    [(0.30, 0.14, 0.30), (0.30, 0.16, 0.16), (0.049, 0.02, 0.02), (0.051, 0.02, 0.051)],
)
def test_no_bound_from_before_holds_for_a_cell_that_recovers_twice_as_badly(
    newest: float, before: float, high: float
) -> None:
    assert _leak(leaks((5, 0.0, before, "recovery"), (30, 0.0, newest, "recovery")), "li-ion").high == high


@pytest.mark.parametrize(
    ("low", "high", "kind", "refutes"),
    [(0.0, 0.049, "voltages", True), (0.0, 0.051, "voltages", False), (0.01, 0.049, "voltages", False),
     (0.0, 0.001, "balance", False)],
)  # fmt: skip
def test_only_later_voltages_that_leave_no_sick_leak_refute_one(
    low: float, high: float, kind: str, refutes: bool
) -> None:
    assert (_released(leaks((30, low, high, kind))) == at(30)) is refutes


@pytest.mark.parametrize(("run", "strength"), [("a-run", "established"), ("", "suspected")])
def test_below_the_window_the_bench_is_sure_and_a_hand_meter_is_not(run: str, strength: str) -> None:
    found = f.below_window("li-ion", 3.1, 2.489, run)  # 2.50 V, and 10 mV for the meter
    assert found is not None and found.strength == strength
    assert f.below_window("li-ion", 3.1, 2.491, run) is None
    assert f.below_window("nimh", 1.2, 0.1, run) is None


@pytest.mark.parametrize(
    ("lows", "strength"), [([0.19], "suspected"), ([0.21], "established"), ([0.05, 0.05], "established"), ([0.0], None)]
)
def test_how_sure_a_recovery_that_falls_is(lows: list[float], strength: str | None) -> None:
    run, falls = night(), rest(5, 6, "discharge", 3.04, 3.03, -0.004, -0.006)
    found = f.recovery_findings([(run, falls, f.Leak(low, 1.0, "x")) for low in lows])
    assert (found[0].strength if found else None) == strength
    rises = rest(5, 6, "discharge", 3.04, 3.10, 0.02, 0.006)
    assert f.recovery_findings([(run, rises, f.Leak(low, 1.0, "x")) for low in lows]) == []


def test_a_cycle_that_loses_twice_is_sure() -> None:
    lost = f.Balance(1.0, 0.96, 0.96, 0.0, 24.0, "a")
    assert [item.strength for item in f.balance_findings([lost])] == ["suspected"]
    assert [item.strength for item in f.balance_findings([lost, replace(lost, run="b")])] == ["established"]


def test_later_voltages_refute_no_leak_that_a_closed_cycle_showed() -> None:
    """A short may act near full alone: 12 % lost in a cycle stay, though the empty cell kept its voltage for a week."""
    lost = [charge(), night(ah=0.88), charge(12.0, ah=1.0), night(16.5, ah=0.88)]
    kept = [Noted(at(hours), "check", voltage_V=3.10, resolution_V=0.001) for hours in (40.0, 208.0)]
    before, after = fold(cell(), lost), fold(cell(), [*lost, *kept])
    assert before.leak.low > 0.05 and after.leak.low == before.leak.low and after.leak.low_from == before.leak.low_from
    assert {"leak", "charge-balance"} <= codes(after) and after.may["match"].verdict == "no"
    # a recovery that fell, beside it, is refuted by the same two voltages
    fell = [charge(), night(late=-0.025, early=-0.015, last_V=3.09)]
    assert "leak" in codes(fold(cell(), fell)) and "leak" not in codes(fold(cell(), [*fell, *kept]))


@pytest.mark.parametrize(("ah", "released"), [(1.02, True), (1.06, False), (1.12, False)])
def test_only_a_cycle_that_leaves_no_sick_leak_releases_what_fell_when_full(ah: float, released: bool) -> None:
    """Bounds of 5 % a day: 2 % lost in half a day leave less, 6 % and 12 % (a leak of 12 and 24 % a day) more."""
    first = night()
    falling = replace(first, rests=(replace(first.rests[0], first_V=4.186, last_V=4.180), *first.rests[1:]))
    again = replace(charge(25.0, ah=ah), moves=(replace(charge(25.0, ah=ah).moves[0], U_ah=0.0),))
    standing = fold(cell(), [charge(), falling, again])
    assert ("falls-when-full" not in codes(standing)) is released


def test_what_was_read_below_the_window_is_put_right_only_with_nothing_charged_in_between() -> None:
    low = Noted(at(40), "check", voltage_V=2.30, resolution_V=0.001)
    again = Noted(at(80), "check", voltage_V=4.17, resolution_V=0.001)
    emptied = [charge(), night(last_V=2.9)]
    unseen = replace(charge(70.0, ah=1.0), rests=())  # nothing of it tells where it began
    assert "below-window" in codes(fold(cell(), [*emptied, low, unseen, again]))
    assert "below-window" not in codes(fold(cell(), [*emptied, low, replace(again, voltage_V=2.95)]))


def test_a_second_look_is_one_with_an_inspection_after_the_first_full_charge() -> None:
    looked = Noted(at(20), "check", inspection={"swelling": "none"})
    for seen, told in ((looked, False), (replace(looked, inspection={}), True), (replace(looked, at=at(-1)), True)):
        assert ("no-second-look" in codes(fold(cell(), [charge(), night(), seen]))) is told


def test_a_night_gives_four_fifths_of_the_charge_from_empty_at_least() -> None:
    put_in, gave = charge(ah=1.0).moves[0], night().moves[0]
    exact = replace(put_in, U_ah=0.0)
    assert f.gave_less(exact, replace(gave, ah=0.799, U_ah=0.0), "x") is not None
    assert f.gave_less(exact, replace(gave, ah=0.801, U_ah=0.0), "x") is None


def test_how_much_a_nickel_cell_got_before_it_counts_as_full_and_what_it_gets_next() -> None:
    assert f.overcharged(1.41, 0.0, 1.0, 0.0) and not f.overcharged(1.39, 0.0, 1.0, 0.0)
    assert not f.overcharged(1.41, 0.02, 1.0, 0.0) and not f.overcharged(1.41, 0.0, 0.0, 0.0)
    assert f.next_guess_Ah(1.24, 1.0) == 2.0 and f.next_guess_Ah(1.26, 1.0) == 1.0
    assert f.next_guess_Ah(1.12, 1.0) == 2.0 and f.next_guess_Ah(1.10, 1.0) == pytest.approx(2.2)


def test_what_may_have_been_drawn_unseen_from_an_unidentified_cell_has_a_most() -> None:
    assert f.unseen_share("auto", 3.40, 3.20) == 0.30


def test_a_cell_below_its_window_is_so_until_it_was_charged() -> None:
    low = Noted(at(40), "check", voltage_V=2.30, resolution_V=0.001)
    again = Noted(at(60), "check", voltage_V=2.60, resolution_V=0.001)
    emptied = [charge(), night(last_V=2.9)]
    assert "below-window" in codes(fold(cell(), [*emptied, low]))
    assert "below-window" not in codes(fold(cell(), [*emptied, low, again]))  # it was misread
    charged = charge(70.0, ah=1.0)
    from_low = replace(charged, rests=(replace(charged.rests[0], first_V=2.30, last_V=2.30), *charged.rests[1:]))
    assert "below-window" in codes(fold(cell(), [*emptied, low, from_low]))  # a charge makes no sound cell of it
    no_rest_before = replace(charged, rests=charged.rests[1:])
    assert "below-window" in codes(fold(cell(), [*emptied, low, no_rest_before]))


def test_a_voltage_that_rose_by_more_than_a_recovery_is_no_cell_at_rest() -> None:
    """60 mV of recovery, 50 mV of grace, 15 mV for another meter."""
    for volt, told in ((3.1 + 0.12, False), (3.1 + 0.13, True)):
        found = Noted(at(40), "check", voltage_V=volt, resolution_V=0.001)
        assert ("same-cell-or-charged" in codes(fold(cell(), [charge(), night(), found]))) is told


@pytest.mark.parametrize(
    ("percent", "strength"), [(28.0, None), (32.0, "suspected"), (56.0, "suspected"), (64.0, "established")]
)
def test_how_much_a_month_is_a_soft_short(percent: float, strength: str | None) -> None:
    """Lithium: 15 % a month, and twice that for sure, beyond U; the slope of the cell's own curve knows one half."""
    curve = ((4.17, 0.0), (3.95, 0.3), (3.75, 0.6), (3.55, 0.9), (3.05, 1.0))
    fall_mV = 1000.0 * percent / (100 * f.MONTH_DAYS) * (0.2 / 0.3)
    kept = RunSeen(
        "retention", at(20), at(188), "retention", "unknown", "time", True, (), (rest(20, 188, "", 3.75, 3.75),),
        retention_mV_per_day=fall_mV, retention_U_mV_per_day=0.0, retention_V=3.75,
    )  # fmt: skip
    found = fold(cell(), [charge(), night(curve=curve), kept]).finding("soft-short")
    assert (found.strength if found else None) == strength


# -- the gate ------------------------------------------------------------------------------------------------


def test_words_that_are_no_inspection_are_none() -> None:
    told = with_rulings(cell(inspection={**SOUND}), Standing("a", capacity_Ah=1.0, leak=Bound(0.0, 0.01)))
    assert "never-inspected" not in codes(told)
    none = with_rulings(cell(inspection={}), Standing("a", capacity_Ah=1.0, leak=Bound(0.0, 0.01)))
    assert none.may["charge"].verdict == "ask"


def test_a_simulated_cell_needs_no_nose_and_is_held_to_all_else() -> None:
    standing = Standing("a", capacity_Ah=1.0, leak=Bound(0.0, 0.2), simulated=True)
    ruled = with_rulings(cell(inspection={}), standing)
    assert ruled.may["charge"].verdict == "yes"
    assert ruled.may["match"].findings == ("leak-not-bounded",)
    shorted = replace(standing, findings=(Finding("leak", "established", "cell", "x"),))
    assert may(cell(), shorted, "charge").verdict == "no"


def test_no_is_no_whatever_somebody_takes_upon_themselves() -> None:
    leak = Standing("a", findings=(Finding("leak", "established", "cell", "it leaks"),))
    with pytest.raises(Refused, match="it leaks"):
        require(cell(), leak, ["charge"], in_spite_of=["leak"])
    doubt = Standing("a", findings=(Finding("soft-short", "established", "cell", "a soft short"),))
    with pytest.raises(Refused, match="--in-spite-of soft-short"):
        require(cell(), doubt, ["charge"])
    with pytest.raises(Refused, match="--in-spite-of soft-short"):
        require(cell(), doubt, ["charge"], simulated=True)  # a bench without a nose, not without limits
    with pytest.raises(Refused):
        require(cell(), doubt, ["charge"], in_spite_of=["leak"])  # another finding than the one named
    assert [item.code for item in require(cell(), doubt, ["charge"], in_spite_of=["soft-short"])] == ["soft-short"]


def test_the_worst_finding_decides() -> None:
    found = [Finding("soft-short", "established", "cell", "x"), Finding("leak", "established", "cell", "y")]
    for order in (found, found[::-1]):
        ruling = may(cell(), Standing("a", findings=tuple(order)), "charge")
        assert (ruling.verdict, ruling.findings) == ("no", ("leak",))


@pytest.mark.parametrize("key", ["auto", "li-ion", "li-ion-4.35", "lfp", "lto"])
def test_every_lithium_cell_is_held_to_the_bound_of_its_leak(key: str) -> None:
    as_found = {"lto": 2.3, "lfp": 3.3, "auto": 3.3}.get(key, 3.6)
    standing = with_rulings(cell(chemistry=key, as_found_V=as_found), Standing("a", capacity_Ah=1.0))
    assert "leak-not-bounded" in codes(standing) and standing.may["match"].verdict == "ask"


def test_the_slow_pre_charge_is_the_test_of_a_quarantine_by_voltage_alone() -> None:
    low = cell(as_found_V=2.2, state="quarantined")
    assert may(low, with_rulings(low, Standing("a")), "charge").verdict == "yes"
    dented = cell(as_found_V=2.2, state="quarantined", inspection={**SOUND, "dents": "slight"})
    assert may(dented, with_rulings(dented, Standing("a")), "charge").verdict == "no"


def test_an_inspection_in_words_that_nobody_asked_for_is_none() -> None:
    standing = Standing("a", capacity_Ah=1.0, leak=Bound(0.0, 0.01))
    assert "never-inspected" in codes(with_rulings(replace(cell(), inspection={"colour": "blue"}), standing))
    assert "never-inspected" not in codes(with_rulings(replace(cell(), inspection={"smell": "none"}), standing))


@pytest.mark.parametrize(("high", "told"), [(0.0999, None), (0.10, "up to 10 %"), (0.99, "up to 99 %"), (1.0, "short")])
def test_a_bound_at_its_limit_asks_and_one_of_a_whole_cell_a_day_is_called_no_bound(
    high: float, told: str | None
) -> None:
    found = with_rulings(cell(), Standing("a", capacity_Ah=1.0, leak=Bound(0.0, high))).finding("leak-not-bounded")
    assert (found is None) is (told is None)
    assert told is None or (told in found.text and ("short" in found.text) is (told == "short"))  # type: ignore[union-attr]


def test_a_voltage_at_the_door_is_never_final_and_what_eye_and_scale_found_is() -> None:
    for code, answers in (("as-found", "ask yes ask"), ("inspection", "no ask ask"), ("mass", "no ask ask"),
                          ("retired", "no ask ask")):  # fmt: skip
        standing = Standing("a", findings=(Finding(code, "established", "cell", "x"),))
        found = [may(cell(as_found_V=2.2), standing, act).verdict for act in ("grade", "import", "label")]
        assert found == answers.split(), code


def test_a_cell_kept_apart_goes_into_no_set_and_no_device_and_its_label_warns_of_the_right_thing() -> None:
    sound = Standing("a", capacity_Ah=1.0, leak=Bound(0.0, 0.01))
    assert warning_of(cell(), with_rulings(cell(), sound)) == ""
    apart = with_rulings(cell(state="quarantined"), sound)
    acts = ("fit", "match", "discharge", "certify")
    assert [apart.may[act].verdict for act in acts] == ["no", "no", "no", "ask"]  # type: ignore[index]
    assert warning_of(cell(state="quarantined"), apart) == "DO NOT USE: by its account"
    leaks = with_rulings(cell(), replace(sound, findings=(Finding("soft-short", "suspected", "cell", "x"),)))
    assert warning_of(cell(), leaks) == "KEEP APART: leaks inside"


@pytest.mark.parametrize(("code", "said"), [("leak", False), ("recovery-falls", False), ("capacity-fell", True)])
def test_a_short_that_was_found_is_not_also_called_a_leak_that_nobody_bounded(code: str, said: bool) -> None:
    standing = Standing("a", capacity_Ah=1.0, findings=(Finding(code, "suspected", "cell", "x"),))
    assert ("leak-not-bounded" in codes(with_rulings(cell(), standing))) is said
