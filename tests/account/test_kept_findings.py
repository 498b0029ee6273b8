"""What was found against a cell stays until something as sharp refutes it; what bounds nothing is no bound."""

from dataclasses import replace

import pytest

from amphora.harness.account import entries as entries_module
from amphora.harness.account import findings as f
from amphora.harness.account.charge_end import emptied_before, ended_full
from amphora.harness.account.fold import _leak, fold
from amphora.harness.account.standing import Move, Noted, RunSeen
from amphora.harness.account.state import FoldState
from amphora.harness.archive.run_header import header_of
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.control.events import StepBegun, StepEnded
from amphora.harness.plans.charge_permission import holds_of, is_a_guess
from amphora.harness.running import session
from tests.support.account_entries import at, cell, charge, codes, filled, night, rest

HEALTHY_VERDICTS = ("match", "certify", "grade")
WEEK_H = 4.5 + 6.2 + 168


def week(volt: float, hours: float = WEEK_H) -> Noted:
    return Noted(at(hours), "check", voltage_V=volt, resolution_V=0.001)


@pytest.mark.parametrize("volt", [0.0, -0.002, 0.8, 2.4])
def test_a_cell_that_a_week_left_below_its_window_gets_no_healthy_verdict(volt):
    """A soft leak of 11 % a day: "no" after its nights, then 0 V. Beside it a sound one, a week later at 3.10 V."""
    leaking = night(late=-0.025, early=-0.015, last_V=3.05)
    for entries in ([charge(), leaking, week(volt)], [charge(), night(), week(volt)]):
        standing = fold(cell(), entries)
        assert "below-window" in codes(standing)
        assert "yes" not in {standing.may[act].verdict for act in HEALTHY_VERDICTS}
        assert standing.may["match"].verdict == "no" and standing.may["fit"].verdict == "no"
        assert "from" not in standing.leak.high_from and f"{volt:.3f} V 1" not in standing.leak.high_from
    assert "recovery-falls" in codes(fold(cell(), [charge(), leaking, week(volt)]))
    sound = fold(cell(), [charge(), night(), week(3.10)])
    assert {sound.may[act].verdict for act in HEALTHY_VERDICTS} == {"yes"}


@pytest.mark.parametrize("key", ["li-ion", "lfp"])
def test_below_its_window_begins_at_its_least_voltage(key):
    least_V = load_chemistry(key).hard_low_V
    assert f.below_window(key, 3.0, least_V - 0.009, "") is None
    assert f.below_window(key, 3.0, least_V - 0.011, "").strength == "suspected"  # a hand meter's contact may be bad
    assert f.below_window(key, 3.0, least_V - 0.011, "run").strength == "established"
    inside = f.leak_between(3.1, least_V - 0.009, 7.0, 30.0, "discharge", 0.003, key)
    below = f.leak_between(3.1, least_V - 0.011, 7.0, 30.0, "discharge", 0.003, key)
    assert inside.high < 24.0 and below.high == 24.0 and below.low > 0.0
    assert f.below_window("nimh", 1.2, 0.0, "") is None  # nickel bears being empty


def test_a_misread_meter_is_put_right_by_the_next_reading_unless_it_was_charged():
    assert "below-window" not in codes(fold(cell(), [charge(), night(), week(0.0), week(3.10, WEEK_H + 1)]))
    again = charge(WEEK_H + 2, ah=1.0)
    again = replace(again, rests=(rest(WEEK_H + 1.97, WEEK_H + 2, "", 0.9, 0.9), again.rests[1]))
    charged = [charge(), night(), week(0.0), again, week(4.18, WEEK_H + 30)]
    assert "below-window" in codes(fold(cell(), charged))


def test_a_run_that_the_guard_ended_because_the_cell_emptied_itself_speaks_against_it():
    """An LFP cell, swapped: the night's rest came down to 1.993 V, where the guard ended it."""
    lfp = cell(chemistry="lfp", as_found_V=3.3)
    full = charge(left_V=3.40)
    stopped = replace(night(first_V=3.39, last_V=1.993), stop="guard:voltage-low")
    standing = fold(lfp, [full, stopped])
    assert standing.finding("below-window").strength == "established"
    assert standing.may["certify"].verdict == "no" and standing.may["match"].verdict == "no"
    sound = fold(lfp, [full, night(first_V=3.39, last_V=2.9)])
    assert "below-window" not in codes(sound) and sound.may["certify"].verdict == "yes"


def test_a_voltage_that_fell_itself_refutes_no_recovery_that_fell():
    """3.10 to 2.95 V in a week is below 5 % a day, and yet more than a sound cell's fall: the finding stays."""
    odd = night(late=-0.012, early=-0.004, last_V=3.10)
    fell = fold(cell(), [charge(), odd, week(2.95)])
    assert "recovery-falls" in codes(fell) and fell.may["match"].verdict == "no"
    steady = fold(cell(), [charge(), odd, week(3.10)])
    assert "recovery-falls" not in codes(steady) and steady.may["match"].verdict == "yes"


@pytest.mark.parametrize(("second", "high"), [(0.059, 0.03), (0.061, 0.061), (0.049, 0.03), (0.20, 0.20)])
def test_a_recovery_much_worse_than_the_one_before_takes_away_the_older_bounds(second, high):
    """A short that began after the first night: what bounded the leak before says nothing of the cell as it is now."""
    state, first = FoldState(), 0.03 if second != 0.049 else 0.02
    state.leaks = [
        (at(1), f.Leak(0.0, first, "first", "a", "recovery")),
        (at(2), f.Leak(0.0, 0.03, "a cycle", "b", "balance")),
        (at(3), f.Leak(0.0, second, "second", "c", "recovery")),
    ]
    assert _leak(state, "li-ion").high == min(high, first if high == 0.03 else high)


@pytest.mark.parametrize(("current_A", "ah", "told"), [(-0.15, 0.85, True), (-0.15, 0.95, False), (-0.30, 0.85, False)])
def test_less_by_a_gentler_discharge_is_a_capacity_that_fell(current_A, ah, told):
    """An LFP cell of 0.816 Ah, drained unseen before its second night: 0.670 Ah at less current than the first."""
    second = night(41.0, ah=ah)
    second = replace(second, moves=(replace(second.moves[0], current_A=current_A),))
    standing = fold(cell(), [charge(), night(), charge(12.0, ah=1.0), filled(39.0), second])
    assert ("capacity-fell" in codes(standing)) is told
    assert (standing.may["certify"].verdict == "yes") is not told


# ---- nickel: measured, although nobody knows beforehand what it holds -----------------------------------

NICKEL = {"chemistry": "nimh", "form": "AA", "as_found_V": 1.25, "claim_Ah": 2.0}


def timed(put_in_Ah: float, begin_h: float = 0.0, emptied: bool = True) -> RunSeen:
    """Return a charge by the clock, for a guess."""
    end, moves = begin_h + 17, (Move("charge", at(begin_h + 1), at(begin_h + 17), put_in_Ah, 0.0, False, 0.03),)
    before = (Move("discharge", at(begin_h), at(begin_h + 0.8), 0.05, 0.0, True, -0.06, 1.0),)
    return RunSeen(
        f"{begin_h:g}-charge", at(begin_h), at(end + 0.2), "charge", "unknown", "time", True,
        (*(before if emptied else ()), *moves), (rest(end, end + 0.2, "charge", 1.42, 1.40),),
    )  # fmt: skip


def emptied(gave_Ah: float, begin_h: float = 18.5, first_V: float = 1.38) -> RunSeen:
    found = night(begin_h, ah=gave_Ah, first_V=first_V, start="unknown", last_V=1.2, late=None)
    return replace(found, capacity_U_Ah=0.001, moves=(replace(found.moves[0], U_ah=0.0, cutoff_V=1.0),))


@pytest.mark.parametrize(
    ("put_in_Ah", "from_empty", "first_V", "measured"),
    [(0.57, True, 1.38, True), (0.55, True, 1.38, False), (0.9, False, 1.38, False), (0.9, True, 1.25, False)],
)
def test_a_nickel_cell_that_got_far_more_than_it_gave_was_full(put_in_Ah, from_empty, first_V, measured):
    """0.4 Ah came out: from 1.4 times that on the rest went into heat, so it was full, whatever it was taken for."""
    standing = fold(cell(**NICKEL), [timed(put_in_Ah, emptied=from_empty), emptied(0.4, first_V=first_V)])
    assert (standing.capacity_Ah == 0.4) is measured
    assert (standing.may["match"].verdict != "no") is measured


def test_a_nickel_cell_that_was_not_filled_yet_says_how_far_it_was() -> None:
    """More than 2 Ah on cheap meters: 2.87 Ah in, 2.28 out, 1.13 times at least; the third charge is for 2.28 Ah."""
    charged, gave = timed(2.873), emptied(2.284)
    charged = replace(charged, moves=(charged.moves[0], replace(charged.moves[1], U_ah=0.193)))
    gave = replace(gave, moves=(replace(gave.moves[0], U_ah=0.080),))
    once = fold(cell(**{**NICKEL, "claim_Ah": 2.5}), [charged, gave])
    assert once.capacity_Ah is None and once.filled_times == pytest.approx(2.680 / 2.364)
    text = once.finding("no-capacity").text
    assert "1.13 times" in text and "from 1.4 times on it was full" in text
    again, end = timed(1.6 * 2.284, 40.0, emptied=False), emptied(2.284, 58.5)
    assert fold(cell(**NICKEL), [charged, gave, again, end]).capacity_Ah == 2.284
    assert "times what came out" not in fold(cell(**NICKEL), [charged]).finding("no-capacity").text


def test_a_nickel_cell_that_gives_more_after_a_week_than_it_holds_was_not_full_before() -> None:
    """A drawn cell of 0.77 Ah, swapped for one of 1.20 at 86 %: that gave 1.015 Ah, and 1.12 after a week."""
    met = [timed(1.5), emptied(1.015)]
    week = charge(30.0, ah=1.6, hours=16.0, found_V=1.2, left_V=1.40)
    for ah, doubted in ((1.117, True), (1.02, False), (0.90, False)):
        rested = replace(emptied(ah, 46.2 + 7 * 24, first_V=1.32), capacity_Ah=None)
        standing = fold(cell(**NICKEL), [*met, week, rested])
        assert standing.capacity_Ah == 1.015 and ("same-cell-doubtful" in codes(standing)) is doubted
        assert (standing.may["certify"].verdict == "yes") is not doubted
        assert (standing.leak.high >= 1.0) is doubted


def test_a_nickel_cell_met_a_day_after_that_charge_was_full_for_nobody():
    assert fold(cell(**NICKEL), [timed(0.57), emptied(0.4, 17 + 4.2)]).capacity_Ah == 0.4
    assert fold(cell(**NICKEL), [timed(0.57), emptied(0.4, 17 + 5.0)]).capacity_Ah is None


def test_a_nickel_cell_that_gave_all_back_is_charged_for_more_the_next_time():
    unmarked = {**NICKEL, "claim_Ah": None}
    assert fold(cell(**unmarked), []).it_Ah == 0.3 and fold(cell(**NICKEL), []).it_Ah == 0.25 * 2.0
    took_all = fold(cell(**unmarked), [timed(0.48), emptied(0.40)])
    assert took_all.capacity_Ah is None and took_all.it_Ah == pytest.approx(2 * 0.40)
    assert took_all.it_from == "assumed"
    nearly = fold(cell(**unmarked), [timed(0.48), emptied(0.36)])
    assert nearly.it_Ah == pytest.approx(0.36)
    assert fold(cell(**{**NICKEL, "claim_Ah": 0.7}), [timed(0.48), emptied(0.46)]).it_Ah == 0.7  # never beyond a claim
    # at 0.1 It of the next guess the cell is never charged above 0.2 It of what it gave (LIMITS: nickel by the clock)
    assert 0.1 * took_all.it_Ah <= 0.2 * 0.40 + 1e-12
    # nine tenths given back: it was not near its end, and holds a tenth more at least
    assert fold(cell(**unmarked), [timed(0.48), emptied(0.46)]).it_Ah == pytest.approx(2.2 * 0.46)
    lithium = holds_of(cell(), "18650", load_chemistry("li-ion"), None, None, [], gave_Ah=3.0)
    assert lithium.capacity_Ah == 1.0  # a lithium cell ends by its taper; nothing has to be guessed


def test_a_nickel_cell_holds_no_less_than_it_once_gave_whatever_it_began_with():
    met_full = replace(timed(0.48), moves=(replace(timed(0.48).moves[0], ah=0.94), timed(0.48).moves[1]))
    assert fold(cell(**NICKEL), [met_full]).it_Ah == pytest.approx(0.94)
    assert fold(cell(**NICKEL), [replace(met_full, gaps_unknown=1)]).it_Ah == 0.5


def test_a_nickel_cell_that_gives_far_less_than_before_is_not_a_small_full_one():
    """0.49 Ah it gave, and 0.355 Ah after a charge for three times that: swapped, drained, or it leaks inside."""
    lived = [timed(0.51), emptied(0.49), timed(1.72, 40.0, emptied=False)]
    swapped = fold(cell(**NICKEL), [*lived, emptied(0.355, 58.5)])
    assert swapped.capacity_Ah is None and "same-cell-doubtful" in codes(swapped)
    sound = fold(cell(**NICKEL), [*lived, emptied(0.48, 58.5)])
    assert sound.capacity_Ah == 0.48 and "same-cell-doubtful" not in codes(sound)
    # measured once more, the doubt is over: from there it is the account of what lies there now
    again = [timed(0.57, 80.0, emptied=False), emptied(0.355, 98.5)]
    settled = fold(cell(**NICKEL), [*lived, emptied(0.355, 58.5), *again])
    assert settled.capacity_Ah == 0.355 and "same-cell-doubtful" not in codes(settled)


@pytest.mark.parametrize(
    ("source", "guess"),
    [("assumed (common practice)", True), ("assumed, by what it gave so far", True),
     ("half of the claim on the label", True), ("a quarter of the claim on the label", True),
     ("measured from full", False), ("as asked for", False), ("claim on the label", False)],
)  # fmt: skip
def test_a_nickel_cell_charged_by_the_clock_for_a_guess_is_not_known_to_be_full(source, guess):
    """Half of a label of 0.5 Ah, 1.6 times, is 0.4 Ah: a sound cell of 0.5 Ah is not full by that."""
    assert is_a_guess(source) is guess
    plan = {"chemistry": "nimh", "capacity_source": source}
    ended = StepEnded(reason="time", text="57600 s are over")
    assert ended_full(header_of({"profile": "charge", "plan": plan}), ended, emptied=True) is not guess


KNOWN, GUESS = "measured from full", "a quarter of the claim on the label"


@pytest.mark.parametrize(
    ("reason", "text", "known", "guess"),
    [
        ("time", "57600 s are over", True, False),
        ("charge", "0.8 Ah went in", True, False),
        ("condition", "voltage_drop_V >= 0.007", True, True),  # tells by itself, and ends a charge from 0.3 It up only
        ("condition", "temperature_rate_K_per_min >= 1", True, False),  # at 0.1 It a short or the room does so, too
        ("condition", "temperature_rise_K >= 10", True, False),
        ("condition", "voltage_V >= 1.6", False, False),  # a dry cell does so
        ("guard:time", "", False, False),
        ("interrupted", "", False, False),
    ],
)
def test_by_which_end_a_nickel_cell_is_full(reason, text, known, guess):
    """Only after a discharge to empty (IEC 61951-2, 7.3), and only where a charge to full was meant."""
    ended = StepEnded(reason=reason, text=text)
    for source, full in ((KNOWN, known), (GUESS, guess)):
        run = {"profile": "charge", "plan": {"chemistry": "nimh", "capacity_source": source}}
        assert ended_full(header_of(run), ended, emptied=True) is full
        assert ended_full(header_of(run), ended, emptied=False) is False
        for profile in ("storage", "identify"):
            assert ended_full(header_of({**run, "profile": profile}), ended, emptied=True) is False
        for chemistry in ("li-ion", "lead-acid"):
            other = {**run, "plan": {**run["plan"], "chemistry": chemistry}}
            assert ended_full(header_of(other), ended, emptied=True) is False


def test_what_emptied_a_cell_before_its_charge():
    drain, fill = StepBegun(t_s=0.0, step=1, step_kind="discharge"), StepBegun(t_s=60.0, step=2, step_kind="charge")
    ended = StepEnded(t_s=900.0, step=2, reason="time")
    for reason, t_s, step, emptied in (
        ("cutoff", 50.0, 1, True), ("time", 50.0, 1, False), ("cutoff", 950.0, 1, False), ("cutoff", 50.0, 2, False)
    ):  # fmt: skip
        before = StepEnded(t_s=t_s, step=step, reason=reason)
        assert emptied_before([drain, before, fill, ended], ended) is emptied


def test_plan_and_account_ask_one_function_whether_a_charge_ended_full():
    assert entries_module.ended_full is session.ended_full is ended_full


def test_the_discharge_of_the_night_before_empties_a_nickel_cell_too():
    """The second charge begins at once: what its own discharge still takes out ends before it counts."""
    entries = [timed(0.48), emptied(0.46), timed(1.48, 40.0, emptied=False), emptied(0.57, 58.5)]
    assert fold(cell(**NICKEL), entries).capacity_Ah == 0.57


@pytest.mark.parametrize(("chemistry", "full"), [("auto", False), ("li-ion", True), ("lfp", True)])
def test_no_charge_of_an_unidentified_cell_is_full(chemistry, full):
    """To 3.60 V a Li-ion cell takes a tenth of what it holds; the night after it would be certified as the whole."""
    run = {"profile": "charge", "plan": {"chemistry": chemistry, "capacity_source": "assumed (common practice)"}}
    ended = StepEnded(reason="taper", text="current_A <= 0.05 at 3.600 V")
    assert ended_full(header_of(run), ended, emptied=False) is full


def test_an_unidentified_cell_without_a_capacity_says_how_it_is_named():
    unknown, known = fold(cell(chemistry="auto"), []), fold(cell(), [])
    assert "--profile identify" in unknown.finding("no-capacity").settles
    assert known.finding("no-capacity").settles == "charge it full, then the overnight recipe"
