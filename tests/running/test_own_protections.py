"""What instruments guard by themselves: how often they are asked, what is news, when the supply's timer ran out."""

from types import SimpleNamespace
from typing import Any

import pytest

from amphora.harness.running.charge_watch import ChargeWatch
from amphora.harness.running.orders import WARM_MOST_S
from amphora.harness.running.own_protections import TRIPS_EVERY_S, SupplyTimer, Trips
from amphora.harness.running.run_so_far import Stop

OFF_AFTER_S = 1800.0


def rig(trips: list[str], on: bool | None = False, renewable: bool = False) -> Any:
    able = SimpleNamespace(off_timer=True, off_timer_renewable=renewable)
    supply = SimpleNamespace(abilities=able, read_setup=lambda: {"on": on})
    return SimpleNamespace(read_trips=lambda: trips, supply=supply)


def timer(
    since_s: float, trips: list[str], on: bool | None = False, kind: str = "charge", before: tuple[str, ...] = ()
) -> str:
    state, plan = SimpleNamespace(order=SimpleNamespace(kind=kind)), SimpleNamespace(max_gap_s=10.0)
    so_far = SimpleNamespace(now_s=lambda: since_s, state=state, plan=plan)
    made = rig(trips, on)
    return SupplyTimer(so_far, made, Trips(made, before), OFF_AFTER_S).ran_out()  # type: ignore[arg-type]


def test_protections_are_asked_once_a_minute_and_what_had_tripped_before_is_no_news() -> None:
    trips = Trips(rig(["supply: over-voltage"]))
    assert TRIPS_EVERY_S == 60.0
    assert not trips.due(59.9) and trips.due(60.0) and not trips.due(119.9) and trips.due(120.0)
    assert trips.new() == "supply: over-voltage"
    assert trips.remember() == ("supply: over-voltage",) and trips.new() == ""


@pytest.mark.parametrize(
    ("since_s", "trips", "on", "kind", "ran_out"),
    [
        (1800.0, ["supply: off-timer"], False, "charge", True),
        (1800.0, [], False, "charge", True),  # it is off, and says nothing
        (900.0, [], False, "charge", True),
        (899.0, [], False, "charge", False),  # far too early: somebody switched it off
        (1800.0, [], True, "charge", False),
        (1800.0, [], None, "charge", False),  # it does not say whether it is on
        (1800.0, ["supply: over-voltage"], False, "charge", False),  # another protection acted: no pause, but a stop
        (1800.0, [], False, "discharge", False),
    ],
)
def test_only_a_supply_that_its_timer_switched_off_is_gone_on_with(
    since_s: float, trips: list[str], on: bool | None, kind: str, ran_out: bool
) -> None:
    assert bool(timer(since_s, trips, on, kind)) is ran_out


def test_a_protection_that_had_tripped_before_the_run_hides_no_timer() -> None:
    assert timer(1800.0, ["supply: over-voltage"], before=("supply: over-voltage",))


@pytest.mark.parametrize(("since_s", "paused_s", "ends"), [(WARM_MOST_S, 0.0, False), (WARM_MOST_S + 1, 0.0, True),
                                                           (WARM_MOST_S + 1, None, False)])  # fmt: skip
def test_a_warm_cell_is_waited_for_two_hours(since_s: float, paused_s: float | None, ends: bool) -> None:
    assert WARM_MOST_S == 2 * 3600.0
    state = SimpleNamespace(paused_s=paused_s, below_degC=45.0)
    so_far = SimpleNamespace(state=state, degC=47.0, plan=SimpleNamespace(cell_id="c"))
    watch = ChargeWatch(SimpleNamespace(so_far=so_far), None, None)  # type: ignore[arg-type]
    if not ends:
        return watch.stays_warm(since_s)
    with pytest.raises(Stop, match="too warm to be charged") as found:
        watch.stays_warm(since_s)
    assert found.value.reason == "guard:too-warm"


@pytest.mark.parametrize(
    ("on", "trips", "believed"),
    [(True, [], True), (None, [], True), (False, [], False), (True, ["supply: over-voltage"], False)],
)
def test_a_small_current_is_a_taper_only_while_the_supply_is_on_and_has_not_tripped(
    on: bool | None, trips: list[str], believed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("amphora.harness.control.taper.vanished", lambda course, end: "")
    noted: list[Any] = []
    state = SimpleNamespace(course=None, order=SimpleNamespace(kind="charge"))
    so_far = SimpleNamespace(
        state=state, step=SimpleNamespace(ends=()), plan=SimpleNamespace(cell_id="c"), now_s=lambda: 10.0
    )  # fmt: skip
    made = rig(trips, on)
    orders = SimpleNamespace(so_far=so_far, rig=made, record=noted.append)
    its = Trips(made)
    watch = ChargeWatch(orders, its, SupplyTimer(so_far, made, its, OFF_AFTER_S))  # type: ignore[arg-type]
    if believed:
        watch.ask_supply()
    else:
        with pytest.raises(Stop, match="this was no taper"):
            watch.ask_supply()
    assert [event.believed for event in noted] == [believed]
