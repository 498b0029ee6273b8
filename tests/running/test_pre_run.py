"""Promises of what is looked at before the first order, and of what a stop says; on the simulated bench."""

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from amphora.drivers.opening import open_instrument
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.scpi_server import ScpiServer
from amphora.harness.archive.journal import RunFolder, read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.common.errors import Refused
from amphora.harness.running.check_sensor import prove_sensor
from amphora.harness.running.checks_of_bench import keep
from amphora.harness.running.runner import Outcome
from amphora.harness.running.session import (
    Request,
    by_hand_now,
    carry_out,
    check_hand_voltage,
    go_on,
    make_plan,
    open_rig,
)
from tests.support.simulation.faults import CATALOGUE


class Night:
    """One run on a simulated bench that somebody spoils."""

    def __init__(self, logs: Path, kind: str = "worn-out", **options: Any) -> None:
        self.logs = logs
        self.bench = SimulatedBench(kind, 5, **options)
        self.described = bench_from_dict(self.bench.description, "simulated")
        self.record: dict[str, Any] = {
            "id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True,
            "inspection": {"wrapper": "sound", "dents": "none"},
        }  # fmt: skip
        self.told: list[str] = []
        self.instruments: dict[str, Any] = dict(self.bench.instruments)

    def run(self, profile: str, **asked: Any) -> tuple[Outcome, RunFolder]:
        Shelf(self.logs).add(Cell.from_dict(self.record))
        request = Request("c", profile, self.logs, capacity_Ah=0.5, present=True, **asked)
        bench = self.bench
        rig = open_rig(self.described, bench.clock, lambda name, table, clock: self.instruments[name])
        outcome = carry_out(
            request, self.described, rig, bench.clock, ObligingPerson(hands=bench.asked),
            tell=self.told.append, guarded=False,
        )  # fmt: skip
        assert not bench.load.on and not bench.supply.on
        return outcome, read_run(outcome.folder)


# -- protections that trip -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("profile", "fault", "soc", "words"),
    [
        ("charge", "supply trips", 0.3, "the supply's over-voltage protection has tripped (supply)"),
        ("overnight", "load trips", 1.0, "the load's over-temperature protection has tripped (load)"),
    ],
)
def test_a_stop_names_the_protection_that_tripped(
    tmp_path: Path, profile: str, fault: str, soc: float, words: str
) -> None:
    night = Night(tmp_path, start_soc=soc)
    night.bench.inject(CATALOGUE[fault](), at_s=night.bench.clock.now_s() + 2400.0)
    outcome, run = night.run(profile)
    assert fault in night.bench.fired
    assert outcome.exit_code == 3 and words in outcome.text
    assert any(event["kind"] == "guard" and words in event["text"] for event in run.events)


def test_a_trip_that_no_current_betrays_is_found_within_a_minute(tmp_path: Path) -> None:
    night = Night(tmp_path, start_soc=1.0)
    bench = night.bench

    def quietly(_: SimulatedBench) -> None:  # it says so and goes on: only the question finds it
        bench.load.tripped.append("over-temperature protection")

    bench.at(bench.clock.now_s() + 3600.0, "quiet trip", quietly)
    outcome, run = night.run("overnight")
    assert outcome.reason == "guard:protection-tripped"
    assert "over-temperature protection has tripped" in outcome.text
    at_s = next(event["t_s"] for event in run.events if event["kind"] == "guard")
    assert at_s - 3600.0 < 62.0


def test_a_trip_of_before_is_told_and_stops_nothing(tmp_path: Path) -> None:
    night = Night(tmp_path, start_soc=1.0)
    night.bench.load.tripped.append("over-current protection")
    outcome, run = night.run("overnight", current_A=0.25)
    assert outcome.reason == "cutoff"
    words = "before this run: the load's over-current protection has tripped (load)"
    assert words in night.told
    assert next(event for event in run.events if event["kind"] == "checked")["remarks"] == [words]


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as one:
        yield one


def test_over_tcp_the_run_names_the_supplys_protection_too(tmp_path: Path, stack: ExitStack) -> None:
    night = Night(tmp_path, start_soc=0.3)
    bench = night.bench
    server = stack.enter_context(ScpiServer(bench.supply, "supply-plain", identity=bench.supply.identity))
    table = {"role": "supply", "resource": server.resource, "dialect": "supply-plain", "timeout": "2 s"}
    supply = open_instrument("supply", {**table, "measures_with_output_off": False}, bench.clock)
    stack.callback(supply.close)
    night.instruments["supply"] = supply
    bench.inject(CATALOGUE["supply trips"](), at_s=bench.clock.now_s() + 600.0)
    outcome, _ = night.run("charge", current_A=0.2)
    assert outcome.exit_code == 3
    assert "the supply's over-voltage protection has tripped (supply)" in outcome.text


# -- the room ---------------------------------------------------------------------------------------------------


def warms_slowly(bench: SimulatedBench) -> None:
    """A cell that heats itself more and more, but never faster than the rate that the guard allows."""
    for k in range(1, 6):
        bench.at(
            bench.clock.now_s() + 1500.0 + 900.0 * k,
            f"self-heating {k}",
            lambda b, watt=0.4 * k: setattr(b.cell, "extra_heat_W", watt),  # type: ignore[misc]
        )


def test_a_cell_that_warms_slowly_in_a_cold_room_is_stopped_15_kelvin_above_it(tmp_path: Path) -> None:
    night = Night(tmp_path, start_soc=1.0, room=True, ambient_degC=5.0)
    bench = night.bench
    warms_slowly(bench)
    outcome, run = night.run("overnight")
    assert outcome.reason == "guard:room-rise" and "above the room" in outcome.text
    assert "room.temperature_degC" in run.columns
    last = list(run.iter_rows())[-1]
    assert last[4] is not None and 14.0 < last[4] - last[5]["room.temperature_degC"] < 17.0
    assert run.run["bench"]["cell"]["room_temperature"] == "room"


def test_without_a_second_sensor_the_same_cell_gets_warmer(tmp_path: Path) -> None:
    night = Night(tmp_path, start_soc=1.0, ambient_degC=5.0)
    bench = night.bench
    warms_slowly(bench)
    outcome, _ = night.run("overnight")
    assert outcome.reason != "guard:room-rise"


# -- the pre-charge ----------------------------------------------------------------------------------------------


def empty(night: Night) -> None:
    """A cell that was found in the quarantine band, at the end of its curve: just below 2.5 V."""
    night.record["as_found_V"] = night.bench.hand_meter_V()
    assert 2.4 < night.record["as_found_V"] < 2.5


def test_a_cell_that_takes_the_pre_charge_is_done_with_it(tmp_path: Path) -> None:
    night = Night(tmp_path, start_soc=0.0)
    empty(night)
    outcome, run = night.run("charge")
    assert outcome.exit_code == 0
    ended = [event for event in run.events if event["kind"] == "step-ended" and event["reason"] == "condition"]
    assert len(ended) == 1


def test_a_cell_that_does_not_take_it_is_stopped_with_that_reason(tmp_path: Path) -> None:
    night = Night(tmp_path, start_soc=0.0)
    empty(night)
    # takes 40 mA of the 50 mA, once current flows: before, the rest would show it
    night.bench.at(200.0, "short", lambda bench: setattr(bench.cell, "short_ohm", 60.0))
    outcome, _ = night.run("charge")
    assert outcome.reason == "guard:takes-no-charge"
    assert "does not take charge" in outcome.text


# -- a resistor, and logging ---------------------------------------------------------------------------------------


class Wired(SimulatedBench):
    """A logger that reads voltage and temperature, and a resistor that is put on by hand."""

    def __init__(self, **options: Any) -> None:
        super().__init__("worn-out", 5, **options)
        self.shunt_ohm = 10.0
        self.load.set_discharge("resistance", self.shunt_ohm)

    def asked(self, what: str) -> None:
        super().asked(what)
        if what == "drain-through-resistor":
            self.load.set_input(True)
        elif what == "resistor-off-cell":
            self.load.set_input(False)


class Logger:
    """Reads what a serial logger with a known resistor reads."""

    name, role = "logger", "logger"

    def __init__(self, bench: Wired, sign: float = 1.0) -> None:
        self.bench, self.sign = bench, sign
        self.abilities = bench.thermometer.abilities

    def read(self) -> dict[str, float]:
        self.bench.update()
        volts = self.sign * round(self.bench.sense_voltage(), 4)
        return {"voltage_V": volts, "current_A": -volts / self.bench.shunt_ohm}

    def identify(self) -> str:
        return "logger 7"

    def read_errors(self) -> list[str]:
        return []

    def read_setup(self) -> dict[str, object]:
        return {"on": None}

    def make_safe(self) -> Any:
        return self.bench.thermometer.make_safe()

    def reopen(self) -> None:
        """Nothing to open."""

    def close(self) -> None:
        """Nothing to close."""


def poor_mans_night(
    tmp_path: Path,
    profile: str,
    soc: float,
    sign: float = 1.0,
    hand_V: float | None = None,
    chemistry: str = "li-ion",
) -> tuple[Outcome, RunFolder, list[str], Wired]:
    bench = Wired(start_soc=soc)
    table = {"role": "logger", "port": "x", "shunt": "10 ohm"}
    described = bench_from_dict(
        {"name": "poor", "simulated": True, "leads": "by hand", "instruments": {"logger": table}}, "simulated"
    )
    rig = Rig(described, {"logger": Logger(bench, sign)})  # type: ignore[dict-item]
    Shelf(tmp_path).add(Cell.from_dict({"id": "c", "form": "18650", "chemistry": chemistry}))
    request = Request(
        "c", profile, tmp_path, capacity_Ah=0.5, start="unknown" if hand_V else "declared-full", hand_voltage_V=hand_V
    )
    told: list[str] = []
    person = ObligingPerson(hands=bench.asked)
    outcome = carry_out(request, described, rig, bench.clock, person, tell=told.append, guarded=False)
    return outcome, read_run(outcome.folder), told, bench


@pytest.mark.parametrize(
    ("soc", "sign", "hand_V", "words"),
    [
        (0.0, 1.0, None, "below"),
        (0.9, -1.0, None, "the wrong way round"),
        (0.9, 1.0, 3.2, "the hand meter read 3.200 V"),
    ],
)
def test_a_cell_that_a_resistor_would_drain_is_looked_at_first(
    tmp_path: Path, soc: float, sign: float, hand_V: float | None, words: str
) -> None:
    outcome, run, _, bench = poor_mans_night(tmp_path, "watch-resistor", soc, sign, hand_V)
    assert (outcome.reason, outcome.exit_code) == ("guard:as-found", 3)
    assert words in outcome.text
    assert not bench.load.on and not any(event["kind"] == "begin" for event in run.events)


def test_a_good_cell_drains_through_the_resistor_to_its_cut_off(tmp_path: Path) -> None:
    outcome, run, _, bench = poor_mans_night(tmp_path, "watch-resistor", 0.9)
    assert outcome.reason == "cutoff" and not bench.load.on
    # a current that is reckoned from the voltage has no zero
    assert not any(event["kind"] == "current-zero" for event in run.events)


def test_logging_only_remarks_what_it_finds(tmp_path: Path) -> None:
    outcome, run, told, _ = poor_mans_night(tmp_path, "log", 0.9, chemistry="lfp")
    assert (outcome.reason, outcome.exit_code) == ("time", 0)
    assert any("above 3.65 V" in line and "this run only reads" in line for line in told)
    assert next(event for event in run.events if event["kind"] == "checked")["remarks"]


# -- by hand -------------------------------------------------------------------------------------------------------


def test_a_cell_that_the_hand_meter_shows_reversed_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    with pytest.raises(Refused, match=r"reads -3\.310 V: the cell is in the wrong way round"):
        check_hand_voltage(Request("c", "overnight", tmp_path, hand_voltage_V=-3.31))
    check_hand_voltage(Request("c", "overnight", tmp_path, hand_voltage_V=3.31))


def test_hand_meter_and_bench_have_to_agree_within_50_mv(tmp_path: Path) -> None:
    night = Night(tmp_path, start_soc=1.0)
    volts = night.bench.hand_meter_V()
    outcome, _ = night.run("overnight", hand_voltage_V=volts + 0.07)
    assert outcome.reason == "guard:as-found" and "within 50 mV" in outcome.text


def test_the_start_of_a_run_names_the_fuse_and_says_when_nobody_looked_at_the_polarity(tmp_path: Path) -> None:
    Shelf(tmp_path).add(Cell.from_dict({"id": "c", "form": "18650", "chemistry": "li-ion"}))
    data = {**SimulatedBench().description, "simulated": False}
    real = bench_from_dict(data, "bench.toml")
    request = Request("c", "overnight", tmp_path)
    plan, _ = make_plan(request, real, SimulatedBench().clock.utc())
    fuse, polarity = by_hand_now(plan, request, real)
    assert "a fuse of 2 A" in fuse and "at most twice" in fuse
    assert polarity.startswith("! no hand-meter voltage was typed in")
    typed = Request("c", "overnight", tmp_path, hand_voltage_V=4.1)
    assert len(by_hand_now(plan, typed, real)) == 1


# -- two voltmeters, and going on the next evening ---------------------------------------------------------------------


class Voltmeter(Logger):
    """A separate voltmeter at the same cell, off by so much."""

    name, role = "meter", "meter"

    def __init__(self, bench: SimulatedBench, off_V: float) -> None:
        self.at, self.off_V = bench, off_V
        self.abilities = bench.thermometer.abilities

    def read(self) -> dict[str, float]:
        self.at.update()
        return {"voltage_V": round(self.at.sense_voltage() + self.off_V, 4)}

    def make_safe(self) -> Any:
        return self.at.thermometer.make_safe()


@pytest.mark.parametrize(
    ("specification", "off_V", "refused"),
    [
        ({"gain": "0.05 %", "offset": "2 mV"}, 0.003, False),
        ({"gain": "0.05 %", "offset": "2 mV"}, 0.020, True),  # together they may be some 8 mV apart
        (None, 0.020, False),  # nobody knows what it may be off by: 50 mV
        (None, 0.060, True),
    ],
)
def test_two_voltmeters_at_one_cell_agree_within_their_specifications(
    tmp_path: Path, specification: dict[str, str] | None, off_V: float, refused: bool
) -> None:
    night = Night(tmp_path, start_soc=1.0)
    table: dict[str, Any] = {"role": "meter", "resource": "x"}
    if specification is not None:
        table["specification"] = {"voltage": specification}
    data = night.bench.description
    data = {**data, "instruments": {**data["instruments"], "meter": table}}
    night.described = bench_from_dict(data, "simulated")
    night.instruments["meter"] = Voltmeter(night.bench, off_V)
    outcome, _ = night.run("overnight", current_A=0.25)
    assert (outcome.reason == "guard:as-found") is refused
    assert ("meter reads" in outcome.text and "leads on another cell" in outcome.text) is refused


def test_a_charge_goes_on_the_next_evening_only_with_a_sensor_proven_anew(tmp_path: Path) -> None:
    night = Night(tmp_path, start_soc=0.3)
    bench = night.bench
    night.described = bench_from_dict({**bench.description, "simulated": False}, "bench.toml")
    bench.inject(CATALOGUE["Ctrl-C"](), at_s=bench.clock.now_s() + 1800.0)
    outcome, _ = night.run("charge")
    assert outcome.reason == "interrupted"
    bench.clock.sleep(25 * 3600.0)
    rig = Rig(night.described, night.instruments)
    person = ObligingPerson(hands=bench.asked)

    def again() -> Outcome:
        return go_on(outcome.folder, night.described, rig, bench.clock, person, same_cell=True, guarded=False)

    with pytest.raises(Refused, match="has not been proven in the last 24 h"):
        again()
    assert not bench.supply.on
    who = {"thermometer": bench.thermometer.identify()}
    made = prove_sensor(rig, "thermometer", bench.clock, person, lambda text: None)
    keep(tmp_path, night.described, who, made, bench.clock.utc())
    assert again().reason == "taper"
