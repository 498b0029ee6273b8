"""The bag's pure core: what may begin, what waits, and that nothing is ever in two places."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from bag_room import BEGIN, COURSE, COURSES, EVENING, acted, bag, bay, ended, event, facts, minutes
from hypothesis import given, settings
from hypothesis import strategies as st

from amphora.harness.bench.bays import Hours
from amphora.harness.common.errors import InputError
from amphora.harness.queue.course import course_from_dict, load_course, shipped, stage_to_begin_with
from amphora.harness.queue.decide import LEAST_CHARGE_S, Act, Facts, charges, decide, forecast, hand_event, hands
from amphora.harness.queue.room import MOST_TRIES, OVER, Room, fold


def settle(room: Room, known: Facts, at: datetime) -> Room:
    """Do all that may be done now, hands at once."""
    while True:
        for hand in hands(room):
            room = fold([hand_event(hand, at.isoformat())], COURSES, room)
        acts = decide(room, known, at)
        if not acts:
            return room
        for act in acts:
            room = acted(room, act, at)


def running(cells: list[str], bays: list[str], at: datetime = BEGIN) -> tuple[Room, Facts]:
    known = facts(cells, [bay(name) for name in bays])
    return settle(bag(cells), known, at), known


def test_cells_go_into_the_bays_in_their_order_and_are_charged_while_somebody_is_there() -> None:
    room, _ = running(["A1", "A2", "A3"], ["a", "b"])
    assert [(room.places[cell].state, room.places[cell].bay) for cell in ("A1", "A2", "A3")] == [
        ("running", "a"), ("running", "b"), ("waiting", None),
    ]  # fmt: skip
    known = facts(["A3", "A1"], [bay("a")])
    moved = fold([event("moved", BEGIN, cell="A3", to=1)], COURSES, bag(["A1", "A3"]))
    assert settle(moved, known, BEGIN).places["A3"].state == "running"


@pytest.mark.parametrize(
    ("at", "begins"),
    [
        (BEGIN - minutes(1), False),
        (BEGIN, True),
        (BEGIN.replace(hour=23) - timedelta(seconds=LEAST_CHARGE_S), True),
        (BEGIN.replace(hour=23) - timedelta(seconds=LEAST_CHARGE_S - 1), False),
        (BEGIN.replace(hour=23), False),
    ],
)
def test_a_charge_begins_in_attended_hours_only(at: datetime, begins: bool) -> None:
    known = facts(["A1"], [bay("a")])
    assert (settle(bag(["A1"]), known, at).places["A1"].state == "running") is begins


def test_without_hours_or_without_a_sensor_nothing_is_charged() -> None:
    for known in (facts(["A1"], [bay("a")], None), facts(["A1"], [bay("a", sensor=None)])):
        assert settle(bag(["A1"]), known, BEGIN).places["A1"].state != "running"


def test_the_night_begins_with_nobody_there_after_an_hour_of_rest_and_not_earlier() -> None:
    room, known = running(["A1"], ["a"])
    full = BEGIN.replace(hour=22, minute=50)
    room = ended(room, "A1", full)
    assert decide(room, known, full + minutes(59)) == []
    assert decide(room, known, full + minutes(60)) == [Act("begin", "A1", "a", 1)]


def test_a_cell_that_stood_full_for_too_long_is_charged_again() -> None:
    # IEC 61960-3, 7.3.1: 1 to 4 h between charge and discharge (from memory).
    room, known = running(["A1"], ["a"])
    room = ended(room, "A1", BEGIN + minutes(180))
    assert decide(room, known, BEGIN + minutes(180 + 240)) == [Act("begin", "A1", "a", 1)]
    assert decide(room, known, BEGIN + minutes(180 + 241)) == []  # 01:01: nobody is there
    assert decide(room, known, BEGIN + timedelta(days=1)) == [Act("begin", "A1", "a", 0)]


def test_the_charge_for_the_shelf_is_never_too_late() -> None:
    assert stage_to_begin_with(COURSE, 2, None) == 2
    assert stage_to_begin_with(COURSE, 2, 10 * 86400.0) == 2


def test_bays_use_what_they_share_one_after_another_and_discharge_side_by_side() -> None:
    both = [bay(name, {"supply": "supply"}) for name in ("a", "b")]
    known = facts(["A1", "A2"], both)
    room = settle(bag(["A1", "A2"]), known, BEGIN)
    assert [room.places[cell].state for cell in ("A1", "A2")] == ["running", "ready"]
    room = settle(ended(room, "A1", BEGIN + minutes(60)), known, BEGIN + minutes(60))
    assert room.places["A2"].state == "running"
    room = ended(room, "A2", BEGIN + minutes(120))
    room = settle(room, known, BEGIN + minutes(180))
    assert [room.places[cell].state for cell in ("A1", "A2")] == ["running", "running"]  # both nights at once


def test_a_guards_stop_stops_that_bay_and_no_other() -> None:
    room, known = running(["A1", "A2", "A3"], ["a", "b"])
    room = ended(room, "A1", BEGIN + minutes(30), 3)
    assert room.places["A1"].state == "apart" and room.places["A2"].state == "running"
    assert [hand.what for hand in hands(room)] == ["out"]
    assert settle(room, known, BEGIN + minutes(31)).places["A3"].bay == "a"


def test_a_cell_is_taken_out_before_the_next_one_is_put_in_at_the_same_moment() -> None:
    room, known = running(["A1", "A2"], ["a"])
    room = ended(room, "A1", BEGIN + minutes(30), 3)
    for act in decide(room, known, BEGIN + minutes(31)):
        room = acted(room, act, BEGIN + minutes(31))
    assert [(hand.cell, hand.what) for hand in hands(room)] == [("A1", "out"), ("A2", "in")]
    assert decide(room, known, BEGIN + minutes(32)) == []  # nothing begins before the hands have done it


def test_a_bay_whose_output_may_still_be_on_waits_for_a_person() -> None:
    room, known = running(["A1"], ["a"])
    room = ended(room, "A1", BEGIN + minutes(30), 4, safe=False)
    assert room.bays["a"].stopped and decide(room, known, BEGIN + minutes(31)) == []


def test_a_stop_that_says_nothing_against_the_cell_waits_for_a_person() -> None:
    room, known = running(["A1"], ["a"])
    room = ended(room, "A1", BEGIN + minutes(30), 3, final=False, reason="guard:sensor-lost")
    assert room.places["A1"].state == "paused" and decide(room, known, BEGIN + minutes(31)) == []
    room = fold([event("bay-cleared", BEGIN, bay="a")], COURSES, room)
    assert decide(room, known, BEGIN + minutes(31)) == [Act("go-on", "A1", "a", 0)]


@pytest.mark.parametrize(("reason", "became"), [
    ("guard:voltage-falls", "apart"), ("guard:temperature-lost", "paused"), ("guard:no-reading", "paused"),
])  # fmt: skip
def test_what_comes_twice_after_a_person_looked_is_the_cells_unless_a_sensor_says_it(reason: str, became: str) -> None:
    room, known = running(["A1", "A2"], ["a"])
    room = ended(room, "A1", BEGIN + minutes(30), 3, final=False, reason=reason)
    assert room.places["A1"].state == "paused" and room.bays["a"].stopped
    room = settle(fold([event("bay-cleared", BEGIN, bay="a")], COURSES, room), known, BEGIN + minutes(31))
    room = ended(room, "A1", BEGIN + minutes(60), 3, final=False, reason=reason)
    assert room.places["A1"].state == became
    freed = became == "apart"
    assert bool(room.bays["a"].stopped) != freed
    assert [(hand.cell, hand.what) for hand in hands(room)] == ([("A1", "out")] if freed else [])


def test_a_stop_against_the_cell_frees_the_bay_also_where_its_run_could_go_on() -> None:
    room, known = running(["A1", "A2"], ["a"])
    room = ended(room, "A1", BEGIN + minutes(30), 3, final=False, reason="guard:short-inside")
    assert room.places["A1"].state == "apart" and not room.bays["a"].stopped
    room = settle(room, known, BEGIN + minutes(31))
    assert room.bays["a"].cell == "A2" and room.places["A2"].state == "running"


def test_a_killed_run_goes_on_and_a_bay_that_fails_again_and_again_loses_its_cell() -> None:
    room, known = running(["A1"], ["a", "b"])
    for turn in range(MOST_TRIES - 1):
        room = ended(room, "A1", BEGIN + minutes(turn), 143)
        assert decide(room, known, BEGIN + minutes(turn)) == [Act("go-on", "A1", "a", 0)]
        room = settle(room, known, BEGIN + minutes(turn))
    room = settle(ended(room, "A1", BEGIN + minutes(9), 4), known, BEGIN + minutes(9))
    assert room.bays["a"].stopped and room.places["A1"].bay == "b" and room.places["A1"].state == "running"


def test_pausing_counts_as_no_failure() -> None:
    room, known = running(["A1"], ["a"])
    for day in range(5):
        room = ended(room, "A1", BEGIN + minutes(day), 143, reason="paused")
        assert room.places["A1"].state == "paused"
        room = settle(room, known, BEGIN + minutes(day))
    assert room.places["A1"].state == "running" and not room.bays["a"].stopped


def test_an_alarm_stops_all_until_it_is_cleared() -> None:
    known = facts(["A1", "A2"], [bay("a"), bay("b")])
    room = fold([event("alarm", BEGIN, text="smoke")], COURSES, bag(["A1", "A2"]))
    assert decide(room, known, BEGIN) == []
    room = fold([event("alarm-cleared", BEGIN, text="toast")], COURSES, room)
    assert len(decide(room, known, BEGIN)) == 2


def test_a_group_with_a_welded_relay_begins_nothing() -> None:
    room, known = running(["A1", "A2", "A3"], ["a", "b", "c"])
    for cell in ("A1", "A2"):
        room = ended(room, cell, BEGIN + minutes(5))
    room = fold([event("group-stopped", BEGIN, bays=["a", "b"], why="shared leads: live")], COURSES, room)
    assert decide(room, known, BEGIN + minutes(90)) == []
    assert room.places["A3"].state == "running"


def test_a_cell_that_the_gate_refuses_is_kept_apart_and_its_reason_kept() -> None:
    known = facts(["A1", "A2"], [bay("a")], A1="it may not be charged: swollen")
    room = settle(bag(["A1", "A2"]), known, BEGIN)
    assert room.places["A1"].state == "apart" and "swollen" in room.places["A1"].why
    assert room.places["A2"].state == "running"


def test_a_day_on_which_nobody_is_there_pauses_a_charge() -> None:
    weekdays = Hours(18.0, 23.0, (0, 1, 2, 3, 4))
    known = facts(["A1"], [bay("a")], weekdays)
    room = settle(bag(["A1"]), known, BEGIN)
    late = BEGIN.replace(hour=23)
    assert [act.what for act in decide(room, known, late)] == ["pause"]
    room = ended(acted(room, decide(room, known, late)[0], late), "A1", late, 143, reason="paused")
    assert decide(room, known, BEGIN + timedelta(days=1)) == []  # Saturday
    assert [act.what for act in decide(room, known, BEGIN + timedelta(days=3))] == ["go-on"]


def test_hours_over_midnight_hold_on_both_sides() -> None:
    late = Hours(22.0, 1.0)
    assert late.hold(BEGIN.replace(hour=23)) and late.hold(BEGIN.replace(hour=0, minute=30))
    assert not late.hold(BEGIN.replace(hour=1)) and not late.hold(BEGIN.replace(hour=21, minute=59))


def test_the_plan_says_who_is_where_until_when_and_puts_hands_together() -> None:
    cells = ["A1", "A2", "A3", "A4"]
    plan = forecast(bag(cells), facts(cells, [bay("a"), bay("b")]), BEGIN)
    assert plan.done is not None and not plan.stuck
    by_cell = {(slot.cell, slot.recipe): slot for slot in plan.slots}
    assert by_cell["A1", "charge"].end == BEGIN + timedelta(hours=4)
    assert by_cell["A1", "overnight"].begin == BEGIN + timedelta(hours=5)
    assert by_cell["A1", "storage"].begin == BEGIN + timedelta(days=1)
    # two bays change hands together: in, swapped, out
    assert [len(moment.what) for moment in plan.moments] == [2, 4, 2]
    assert plan.moments[1].at == BEGIN + timedelta(days=1, hours=2)
    # a charge that outlasts the evening goes on in the next one
    assert by_cell["A3", "charge"].end == BEGIN + timedelta(days=2, hours=1)


def test_a_course_ends_with_the_charge_for_the_shelf() -> None:
    with pytest.raises(InputError, match="a course ends with 'storage'"):
        course_from_dict({"name": "x", "stage": [{"recipe": "overnight"}]}, "mine.toml")
    for name in shipped():
        assert load_course(name).stages[-1].recipe == "storage"
    with pytest.raises(InputError, match="course"):
        load_course("one-nihgt")


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_whatever_happens_nothing_is_in_two_places_and_nothing_charges_unattended(data: st.DataObject) -> None:
    names = ["a", "b", "c", "d"][: data.draw(st.integers(1, 4))]
    shared = data.draw(st.lists(st.sampled_from(names), unique=True))
    bays = [bay(name, {"supply": "supply"} if name in shared else {}) for name in names]
    cells = [f"A{n}" for n in range(data.draw(st.integers(1, 6)))]
    known = facts(cells, bays)
    room, at = bag(cells), BEGIN
    for _ in range(60):
        at += timedelta(minutes=data.draw(st.sampled_from([1, 20, 65, 240])))
        busy = [place for place in room.places.values() if place.state == "running"]
        if busy and data.draw(st.booleans()):
            one = data.draw(st.sampled_from(busy))
            room = ended(room, one.cell, at, data.draw(st.sampled_from([0, 0, 0, 3, 4, 143])))
        for hand in hands(room) if data.draw(st.booleans()) else []:
            room = fold([hand_event(hand, at.isoformat())], COURSES, room)
        for act in decide(room, known, at):
            if act.what in ("begin", "go-on"):
                stage = COURSE.stages[act.stage]
                assert EVENING.hold(at) or not charges(stage)
                assert (
                    room.bays[act.bay].cell == act.cell
                    and not room.bays[act.bay].out
                    and (not room.bays[act.bay].stopped)
                )
            room = acted(room, act, at)
        now = [place for place in room.places.values() if place.state == "running"]
        assert len({place.bay for place in now}) == len(now)
        on_supply = [p for p in now if p.bay in shared and "supply" in COURSE.stages[p.stage].roles]
        assert len(on_supply) <= 1
    # from wherever it got to: with bays in order and hands there, every cell gets through or is kept apart
    room = fold([event("bay-cleared", at, bay=name) for name in names], COURSES, room)
    plan = forecast(room, known, at.astimezone(UTC))
    assert not plan.stuck
    assert all(place.state in OVER or any(s.cell == place.cell for s in plan.slots) for place in room.places.values())


# -- the screen -----------------------------------------------------------------------------------


def at_its_night(state: str = "ready") -> tuple[Room, Facts]:
    """A cell of the course with a screen, charged, before its night or in it, and one of the plain course beside it."""
    known = facts(["A1", "A2"], [bay("a"), bay("b")])
    room = fold([event("added", BEGIN, cell="A1", course="screened-night")], COURSES)
    room = settle(fold([event("added", BEGIN, cell="A2", course="one-night")], COURSES, room), known, BEGIN)
    for cell in ("A1", "A2"):
        room = ended(room, cell, BEGIN + minutes(120))
    if state == "running":
        room = settle(room, known, BEGIN + minutes(181))
    return room, replace(known, not_worth={"A1": "not worth a night: 210 mAh went in"})


def test_a_dud_goes_from_its_charge_to_the_shelf_and_the_cell_beside_it_has_its_night() -> None:
    room, known = at_its_night()
    room = settle(room, known, BEGIN + minutes(181))
    assert room.places["A1"].stage == len(COURSE.stages) - 1 and room.places["A1"].state == "running"
    assert room.places["A2"].stage == 1 and room.places["A2"].state == "running"
    room = ended(room, "A1", BEGIN + minutes(240))
    assert room.places["A1"].state == "done" and room.places["A1"].why == "not worth a night: 210 mAh went in"


def test_a_dud_that_shows_in_its_night_is_ended_and_never_gone_on_with() -> None:
    room, known = at_its_night("running")
    acts = decide(room, known, BEGIN + minutes(220))
    assert [(act.what, act.cell) for act in acts] == [("spare", "A1")]
    room = acted(room, acts[0], BEGIN + minutes(220))
    assert room.places["A1"].state == "running"  # until its run has ended, outputs off
    assert decide(room, known, BEGIN + minutes(221)) == []  # said once
    room = ended(room, "A1", BEGIN + minutes(221), 143, final=False)
    place = room.places["A1"]
    assert (place.state, place.stage, place.run, place.tries) == ("ready", len(COURSE.stages) - 1, "", 0)


def test_a_stop_of_the_guard_counts_also_where_the_screen_had_spoken() -> None:
    room, known = at_its_night("running")
    room = acted(room, decide(room, known, BEGIN + minutes(220))[0], BEGIN + minutes(220))
    room = ended(room, "A1", BEGIN + minutes(221), 3)
    assert room.places["A1"].state == "apart"
    room, known = at_its_night("running")
    room = acted(room, decide(room, known, BEGIN + minutes(220))[0], BEGIN + minutes(220))
    room = ended(room, "A1", BEGIN + minutes(221), 143, final=False, safe=False)
    assert room.bays["a"].stopped and room.places["A1"].stage == len(COURSE.stages) - 1
    assert decide(room, known, BEGIN + minutes(222)) == []  # a person looks first


def test_a_course_says_what_is_screened() -> None:
    assert [stage.screened for stage in load_course("screened-night").stages] == [False, True, False]
    data = {"name": "x", "least": "1 Ah", "stage": [{"recipe": "charge"}, {"recipe": "storage"}]}
    assert course_from_dict(data, "x").least_Ah == 1.0
    for bad, said in (
        ({"stage": [{"recipe": "storage", "screened": True}]}, "no cell is spared its 'storage'"),
        ({"stage": [{"recipe": "charge", "screened": 1}, {"recipe": "storage"}]}, "screened = 1"),
        ({"least": "0 mAh", "stage": [{"recipe": "storage"}]}, "is not above 0"),
    ):
        with pytest.raises(InputError, match=said):
            course_from_dict({"name": "x", **bad}, "x")
