"""Promises of what an evening proves of a bench: sensor, check resistor, leakage; and that each check fires."""

import dataclasses
import json
import subprocess
import sys
import tempfile
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from amphora.drivers.errors import DriverError
from amphora.drivers.opening import open_instrument
from amphora.drivers.roles import Abilities, SafeState
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.scpi_server import ScpiServer
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import BenchDescription, CheckResistor, bench_from_dict
from amphora.harness.bench.opened import Rig
from amphora.harness.bench.operator import ObligingPerson
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.common.errors import BenchError, InputError, JournalDamaged, Refused
from amphora.harness.control.events import LeakageChecked, ResistorChecked, SensorChecked
from amphora.harness.running import checks_of_bench as proofs
from amphora.harness.running.check_leakage import LEAK_V_PER_H, check_leakage
from amphora.harness.running.check_resistor import check_resistor
from amphora.harness.running.check_sensor import prove_sensor
from amphora.harness.running.runner import Outcome
from amphora.harness.running.session import Request, carry_out, open_rig
from tests.support.simulation.faults import CATALOGUE

TEN_OHM = CheckResistor(10.0, 0.001)


class Bench:
    """A simulated bench with its person, and what was told."""

    def __init__(self, **options: Any) -> None:
        self.sim = SimulatedBench("li-ion", 5, start_soc=0.4, **options)
        self.described: BenchDescription = bench_from_dict(self.sim.description, "simulated")
        self.person = ObligingPerson(hands=self.sim.asked)
        self.told: list[str] = []

    @property
    def rig(self) -> Rig:
        return open_rig(self.described, self.sim.clock, lambda name, table, clock: self.sim.instruments[name])

    def sensor(self) -> SensorChecked:
        return prove_sensor(self.rig, "thermometer", self.sim.clock, self.person, self.told.append)

    def resistor(self, through: str | None = None) -> ResistorChecked:
        made = check_resistor(self.rig, TEN_OHM, self.sim.clock, self.person, self.told.append, through)
        assert not self.sim.load.on and not self.sim.supply.on
        return made

    def run(self, logs: Path, profile: str = "charge", person: ObligingPerson | None = None) -> Outcome:
        if not (logs / "c").is_dir():
            Shelf(logs).add(
                Cell.from_dict(
                    {
                        "id": "c",
                        "form": "18650",
                        "chemistry": "li-ion",
                        "declared_rechargeable": True,
                        "inspection": {"wrapper": "sound", "dents": "none"},
                    }
                )
            )
        request = Request("c", profile, logs, capacity_Ah=1.0, present=True)
        return carry_out(
            request, self.described, self.rig, self.sim.clock, person or self.person,
            tell=self.told.append, guarded=False,
        )  # fmt: skip


# -- the sensor -----------------------------------------------------------------------------------------


def test_fingers_prove_a_sensor_and_it_cools_before_anything_begins() -> None:
    bench = Bench()
    made = bench.sensor()
    assert made.proven and made.rise_K >= 3.0 and made.seconds <= 120.0
    assert bench.sim.thermometer.read()["temperature_degC"] - made.before_degC < 1.1  # and a digit


@pytest.mark.parametrize("fault", ["sensor frozen", "sensor lost"])
def test_a_sensor_that_does_not_move_is_not_proven(fault: str) -> None:
    bench = Bench()
    bench.sim.inject(CATALOGUE[fault](), at_s=bench.sim.clock.now_s())
    bench.sim.update()
    made = bench.sensor()
    assert not made.proven and fault in bench.sim.fired
    assert "3 K are needed" in made.text or "gives no temperature" in made.text


def test_a_sensor_that_nobody_warms_is_not_proven() -> None:
    bench = Bench()
    bench.person = ObligingPerson(hands=lambda act: None)
    made = bench.sensor()
    assert not made.proven and made.seconds >= 120.0 and made.rise_K < 3.0


def test_fingers_tell_which_sensor_is_at_the_cell_of_a_bay() -> None:
    """Three benches with two named sensors on one line: right, swapped, and both between the same fingers."""
    for own_K, other_K, proven, words in (
        (True, False, True, "thermometer rose by 4.0 K between fingers"),
        (False, True, False, "28-0b07 rose by 4.0 K instead: that is the one at this cell"),
        (True, True, False, "which of them is at this cell is not shown"),
    ):
        bench = Bench()
        bench.described = dataclasses.replace(bench.described, where="bench.toml#a")
        warm = [False]
        thermometer = bench.sim.thermometer
        thermometer.sensor = "28-0a31"  # type: ignore[attr-defined]
        thermometer.sensors = {}  # type: ignore[attr-defined]

        def read(own_K: bool = own_K, other_K: bool = other_K, warm: list[bool] = warm, one: Any = thermometer) -> Any:
            degC = {"28-0a31": 20.0 + 4.0 * (warm[0] and own_K), "28-0b07": 21.0 + 4.0 * (warm[0] and other_K)}
            one.sensors = degC
            return {"temperature_degC": degC["28-0a31"]}

        thermometer.read = read  # type: ignore[method-assign]
        bench.person = ObligingPerson(hands=lambda act, warm=warm: warm.__setitem__(0, act == "warm-sensor"))
        made = prove_sensor(bench.rig, "thermometer", bench.sim.clock, bench.person, bench.told.append)
        assert (made.proven, words in made.text) == (proven, True), made.text
        assert any("in bay 'a'" in text for text in bench.person.asked)


def test_a_charge_has_the_sensor_warmed_once_an_evening_and_records_it(tmp_path: Path) -> None:
    bench = Bench()
    first = read_run(bench.run(tmp_path).folder)
    proof = next(event for event in first.events if event["kind"] == "sensor-proven")
    assert proof.rise_K >= 3.0 and proof.sensor == "thermometer"
    asked = len(bench.person.asked)
    assert any("between two fingers" in text for text in bench.person.asked)
    second = read_run(bench.run(tmp_path, "storage").folder)
    assert len(bench.person.asked) == asked  # it holds for the evening
    again = next(event for event in second.events if event["kind"] == "sensor-proven")
    assert again.taken_utc == proof.taken_utc


def test_a_charge_with_a_sensor_that_does_not_move_is_refused_before_anything_is_on(tmp_path: Path) -> None:
    bench = Bench()
    bench.sim.thermometer.temperature.frozen = 20.0
    with pytest.raises(Refused, match=r"thermometer rose by 0\.0 K"):
        bench.run(tmp_path)
    assert not (tmp_path / proofs.FILE).exists()
    assert not list((tmp_path / "c").glob("*-charge"))


def test_a_charge_with_nobody_to_warm_it_is_refused_on_a_real_bench(tmp_path: Path) -> None:
    bench = Bench()
    real = {**bench.described.data, "simulated": False}
    bench.described = bench_from_dict(real, "bench.toml")
    with pytest.raises(Refused, match="nobody is at the terminal to warm it"):
        bench.run(tmp_path, person=ObligingPerson(only_when=False))


def test_a_discharge_with_an_unproven_sensor_is_told_aloud_and_goes_on(tmp_path: Path) -> None:
    bench = Bench()
    run = read_run(bench.run(tmp_path, "overnight").folder)
    assert any(line.startswith("! thermometer has not been proven") for line in bench.told)
    assert [event["sensor"] for event in run.events if event["kind"] == "sensor-unproven"] == ["thermometer"]


# -- the check resistor ------------------------------------------------------------------------------------


@pytest.mark.parametrize("through", ["supply", "load"])
def test_a_good_bench_measures_the_check_resistor_within_a_per_cent(through: str) -> None:
    made = Bench().resistor(through)
    assert made.passed and abs(made.deviation) < 0.005
    amperes = abs(made.current_A - made.zero_A)
    assert made.measured_ohm == pytest.approx(made.voltage_V / amperes, rel=1e-4)
    assert made.instrument == through and (made.current_A < 0) == (through == "load")


@pytest.mark.parametrize("through", ["supply", "load"])
def test_a_resistor_two_per_cent_off_raises_the_alarm(through: str) -> None:
    bench = Bench()
    bench.sim.check_ohm = 10.2
    made = bench.resistor(through)
    assert not made.passed and made.deviation == pytest.approx(0.02, abs=0.003)
    assert "MORE THAN 1 %" in made.text


@pytest.mark.parametrize("through", ["supply", "load"])
def test_a_current_two_per_cent_off_raises_the_alarm_too(through: str) -> None:
    bench = Bench()
    getattr(bench.sim, through).current.gain = 0.98
    assert not bench.resistor(through).passed


def test_whoever_measures_the_discharge_is_checked_where_nobody_says_otherwise() -> None:
    assert Bench().resistor().instrument == "load"


@pytest.mark.parametrize("through", ["supply", "load"])
@pytest.mark.parametrize(("ohm", "passed"), [(10.0, True), (10.2, False)])
def test_over_tcp_the_check_resistor_is_measured_too(through: str, ohm: float, passed: bool) -> None:
    bench = Bench()
    bench.sim.check_ohm = ohm
    opened: dict[str, Any] = {"thermometer": bench.sim.thermometer}
    with ExitStack() as stack:
        for name, dialect in (("load", "load-function-input"), ("supply", "supply-plain")):
            simulated: Any = bench.sim.instruments[name]
            server = stack.enter_context(ScpiServer(simulated, dialect, identity=simulated.identity))
            table = {"role": name, "resource": server.resource, "dialect": dialect, "timeout": "2 s"}
            opened[name] = open_instrument(name, table, bench.sim.clock)
            stack.callback(opened[name].close)
        rig = Rig(bench.described, opened)
        made = check_resistor(rig, TEN_OHM, bench.sim.clock, bench.person, bench.told.append, through)
    assert made.passed is passed and made.instrument == through
    assert not bench.sim.load.on and not bench.sim.supply.on


def test_an_offset_is_no_fault_of_the_resistor() -> None:
    bench = Bench()
    bench.sim.supply.current.offset = 0.004
    bench.sim.load.voltage.offset = 0.008
    assert bench.resistor("supply").passed


def test_a_cell_that_was_left_in_is_never_switched_onto() -> None:
    bench = Bench()
    bench.person = ObligingPerson()  # says that it is done, and does nothing
    with pytest.raises(Refused, match="the cell is still connected"):
        bench.resistor("supply")
    assert bench.sim.supply.set_V == 0.0


def test_no_resistor_where_one_should_be_is_told() -> None:
    bench = Bench()
    bench.sim.check_ohm = 1e9
    made = bench.resistor("supply")
    assert (not made.passed and made.measured_ohm is None) or made.deviation > 1.0


def test_an_instrument_that_fails_in_the_middle_leaves_nothing_on() -> None:
    bench = Bench()
    seen: list[bool] = []

    def silent(sim: SimulatedBench) -> None:  # the voltmeter, once the supply is on
        seen.append(sim.supply.on)
        CATALOGUE["silence"](calls=1, only="read").begin(sim)

    bench.sim.at(bench.sim.clock.now_s() + 13.0, "silence of the voltmeter", silent)
    with pytest.raises(DriverError):
        bench.resistor("supply")
    assert seen == [True] and "silence" in bench.sim.fired
    assert not bench.sim.supply.on


def test_an_output_that_stays_on_is_said() -> None:
    bench = Bench()
    from tests.support.simulation.faults import HOPELESS

    bench.sim.inject(HOPELESS["off never works"](instrument="supply"), at_s=0.0)
    with pytest.raises(BenchError, match="MAY STILL BE ON"):
        bench.resistor("supply")


class Logger:
    """A logger with a shunt of its own: voltage and current of a cell that drains through a resistor."""

    name, role, abilities = "logger", "logger", Abilities()

    def __init__(self, ohm: float) -> None:
        self.ohm, self.connected = ohm, False

    def identify(self) -> str:
        return "logger 1"

    def read(self) -> dict[str, float]:
        return {"voltage_V": 3.7, "current_A": -3.7 / self.ohm - 0.002 if self.connected else -0.002}

    def make_safe(self) -> SafeState:
        return SafeState(True, None, "only measures")

    def hands(self, act: str) -> None:
        self.connected = act == "drain-through-resistor"


@pytest.mark.parametrize(("ohm", "passed"), [(10.02, True), (10.2, False)])
def test_a_logger_alone_measures_what_a_cell_drains_through(ohm: float, passed: bool) -> None:
    logger, clock = Logger(ohm), SimulatedBench().clock
    described = bench_from_dict({"name": "b", "instruments": {"logger": {"role": "logger", "port": "x"}}}, "b.toml")
    rig = Rig(described, {"logger": logger})  # type: ignore[dict-item]
    made = check_resistor(rig, TEN_OHM, clock, ObligingPerson(hands=logger.hands), lambda text: None)
    assert made.through == "logger" and made.passed is passed


def test_a_logger_that_reckons_its_current_cannot_check_a_resistor_and_says_why() -> None:
    table = {"role": "logger", "port": "x", "shunt": "10 ohm"}
    described = bench_from_dict({"name": "b", "instruments": {"logger": table}}, "b.toml")
    rig = Rig(described, {"logger": Logger(10.0)})  # type: ignore[dict-item]
    with pytest.raises(InputError, match="a current computed from the voltage proves nothing"):
        check_resistor(rig, TEN_OHM, SimulatedBench().clock, ObligingPerson(), lambda text: None)


def test_the_run_of_that_evening_tells_what_the_resistor_said(tmp_path: Path) -> None:
    bench = Bench()
    bench.sim.check_ohm = 10.2
    made = bench.resistor("load")
    proofs.keep(tmp_path, bench.described, {"load": bench.sim.load.identify()}, made, bench.sim.clock.utc())
    run = read_run(bench.run(tmp_path, "overnight").folder)
    event = next(event for event in run.events if event["kind"] == "check-resistor")
    keys = ("resistance_ohm", "tolerance", "measured_ohm", "voltage_V", "current_A", "deviation", "instrument")
    assert {key: event[key] for key in keys} == {key: getattr(made, key) for key in keys}
    assert any(line.startswith("! the check resistor of this evening FAILED") for line in bench.told)


# -- leakage -----------------------------------------------------------------------------------------------


def leak(bench: Bench) -> dict[str, Any]:
    return check_leakage(
        lambda when: bench.sim.hand_meter_V(), "hand meter", 3600.0, bench.sim.clock, bench.person, bench.told.append
    )


def test_a_bench_that_drains_nothing_passes() -> None:
    assert leak(Bench()).passed


def test_a_bleeder_behind_a_dead_supply_is_found() -> None:
    bench = Bench()
    bench.sim.supply.bleed_A = 0.030
    made = leak(bench)
    assert not made.passed and made.fall_V_per_h > LEAK_V_PER_H
    assert "drains the cell" in made.text


# -- the file ------------------------------------------------------------------------------------------------


def kept(tmp_path: Path, bench: Bench) -> proofs.KeptCheck:
    who = {"thermometer": bench.sim.thermometer.identify()}
    warmed = SensorChecked("thermometer", True, text="warmed")
    return proofs.keep(tmp_path, bench.described, who, warmed, bench.sim.clock.utc())


def test_a_proof_holds_for_a_day_for_the_same_bench_and_the_same_instrument(tmp_path: Path) -> None:
    bench = Bench()
    record = kept(tmp_path, bench)
    checks = proofs.read_checks(tmp_path)
    assert checks == [record]
    now, who = bench.sim.clock.utc(), {"thermometer": bench.sim.thermometer.identify()}
    assert proofs.latest(checks, SensorChecked, bench.described, now, identities=who) == record
    late = now + timedelta(hours=24, seconds=1)
    assert proofs.latest(checks, SensorChecked, bench.described, late, identities=who) is None
    before = now - timedelta(seconds=6)
    assert proofs.latest(checks, SensorChecked, bench.described, before, identities=who) is None
    other = {"thermometer": "another"}
    assert proofs.latest(checks, SensorChecked, bench.described, now, identities=other) is None
    elsewhere = bench_from_dict({**bench.described.data, "name": "the other table"}, "simulated")
    assert proofs.latest(checks, SensorChecked, elsewhere, now, identities=who) is None


def test_a_torn_last_line_is_left_behind_and_a_damaged_one_is_located(tmp_path: Path) -> None:
    bench = Bench()
    kept(tmp_path, bench)
    path = tmp_path / proofs.FILE
    path.write_bytes(path.read_bytes() + b'{"format":"amphora-ben')
    assert len(proofs.read_checks(tmp_path)) == 1
    kept(tmp_path, bench)
    assert len(proofs.read_checks(tmp_path)) == 2
    path.write_bytes(b'{"format":3}\n' + path.read_bytes())
    with pytest.raises(JournalDamaged, match="line 1"):
        proofs.read_checks(tmp_path)


def test_a_line_cut_short_is_told_and_never_a_proof_wherever_it_was_cut(tmp_path: Path) -> None:
    bench = Bench()
    record = kept(tmp_path, bench)
    path = tmp_path / proofs.FILE
    whole = path.read_bytes()
    for cut in (1, len(whole) // 2, len(whole) - 1):  # the last lacks its line end only
        path.write_bytes(whole + whole[:cut])
        checks = proofs.read_checks(tmp_path)
        assert checks == [record]
        assert checks.notices == (f"{path}, line 2: a check that was cut short was left out; it proves nothing",)
        kept(tmp_path, bench)
        checks = proofs.read_checks(tmp_path)
        assert checks == [record, record] and len(checks.notices) == 1
        now = bench.sim.clock.utc()
        assert proofs.in_words(checks, bench.described, now)[0] == checks.notices[0]


def test_a_proof_from_later_than_now_is_none_and_is_told(tmp_path: Path) -> None:
    bench = Bench()
    who = {"thermometer": bench.sim.thermometer.identify()}
    record = kept(tmp_path, bench)
    leaks = LeakageChecked(passed=False, text="it leaks")
    proofs.keep(tmp_path, bench.described, {}, leaks, bench.sim.clock.utc())
    checks = proofs.read_checks(tmp_path)
    set_back = bench.sim.clock.utc() - timedelta(hours=1)
    assert proofs.latest(checks, SensorChecked, bench.described, set_back, identities=who) is None
    told = proofs.in_words(checks, bench.described, set_back)
    assert told[0].startswith("2 of this bench's checks") and record.utc in told[0] and "set back" in told[0]
    assert any("not proven this evening" in line for line in told)
    assert any("FAILED" in line for line in told)  # what failed is warned of whatever the clock says
    right = bench.sim.clock.utc() + timedelta(seconds=1)
    assert proofs.latest(checks, SensorChecked, bench.described, right, identities=who) == record
    assert not proofs.notices_of(checks, bench.described, right)


def test_a_charge_after_the_clock_was_set_back_has_the_sensor_warmed_again(tmp_path: Path) -> None:
    bench = Bench()
    later = Bench()
    later.sim.clock.sleep(7200.0)
    kept(tmp_path, later)
    run = read_run(bench.run(tmp_path).folder)
    assert any("between two fingers" in text for text in bench.person.asked)
    assert any("lie ahead of this computer's clock" in text for text in bench.told)
    assert any(event["kind"] == "sensor-proven" and event["rise_K"] >= 3.0 for event in run.events)


def test_a_proof_whose_last_word_is_that_it_was_none_is_none(tmp_path: Path) -> None:
    bench = Bench()
    kept(tmp_path, bench)
    who = {"thermometer": bench.sim.thermometer.identify()}
    found = SensorChecked("thermometer", False, text="it did not move")
    proofs.keep(tmp_path, bench.described, who, found, bench.sim.clock.utc())
    checks, now = proofs.read_checks(tmp_path), bench.sim.clock.utc()
    assert proofs.latest(checks, SensorChecked, bench.described, now, identities=who) is None


APPENDER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from amphora.harness.running import checks_of_bench as proofs
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.harness.control.events import SensorChecked
bench = bench_from_dict(SimulatedBench().description, "simulated")
print("ready", flush=True)
sys.stdin.readline()
for number in range(int(sys.argv[2])):
    more = {"by": sys.argv[3], "number": number}
    made = SensorChecked("thermometer", True, text="x" * 3000, more=more)
    proofs.keep(Path(sys.argv[1]), bench, {"thermometer": "T"}, made, datetime.now(UTC))
    print(number, flush=True)
"""


def appender(logs: Path, count: int, name: str) -> "subprocess.Popen[str]":
    process = subprocess.Popen(
        [sys.executable, "-c", APPENDER, str(logs), str(count), name],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=Path(proofs.__file__).parent.parent,
    )  # fmt: skip
    assert process.stdout is not None and process.stdout.readline() == "ready\n"
    return process


def go(process: "subprocess.Popen[str]") -> None:
    assert process.stdin is not None
    process.stdin.write("\n")
    process.stdin.flush()


def test_of_what_several_processes_keep_at_once_nothing_is_lost(tmp_path: Path) -> None:
    processes = [appender(tmp_path, 25, name) for name in "abc"]
    for process in processes:
        go(process)
    for process in processes:
        process.communicate(timeout=60)
        assert process.returncode == 0
    checks = proofs.read_checks(tmp_path)
    assert checks.notices == ()
    assert {name: [one.made.more["number"] for one in checks if one.made.more["by"] == name] for name in "abc"} == {
        name: list(range(25)) for name in "abc"
    }
    begun = [min(one.utc for one in checks if one.made.more["by"] == name) for name in "abc"]
    ended = [max(one.utc for one in checks if one.made.more["by"] == name) for name in "abc"]
    assert max(begun) < min(ended)  # each was at it while the others were


def test_what_was_kept_before_a_process_was_killed_is_kept(tmp_path: Path) -> None:
    process = appender(tmp_path, 100_000, "a")
    assert process.stdout is not None
    go(process)
    told = [int(process.stdout.readline()) for _ in range(10)]
    process.kill()
    told += [int(line) for line in process.stdout.read().split()]  # communicate() passes over what is buffered
    process.communicate()
    kept(tmp_path, Bench())
    checks = proofs.read_checks(tmp_path)
    numbers = [one.made.more["number"] for one in checks if "number" in one.made.more]
    assert numbers[: len(told)] == told and len(numbers) <= len(told) + 1
    assert checks[-1].text == "warmed"


def test_a_disk_that_is_full_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    kept(tmp_path, Bench())
    path = tmp_path / proofs.FILE
    before = path.read_bytes()
    limit = f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({len(before) + 1000},) * 2)\n"
    ignore = "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
    done = subprocess.run(
        [sys.executable, "-c", limit + ignore + APPENDER, str(tmp_path), "1", "a"],
        input="\n", capture_output=True, text=True, cwd=Path(proofs.__file__).parent.parent,
    )  # fmt: skip
    assert f"InputError: {path}: cannot be written: File too large" in done.stderr  # the fault fired
    assert path.read_bytes() == before


@given(st.one_of(st.binary(max_size=60), st.recursive(
    st.one_of(st.none(), st.booleans(), st.floats(allow_nan=True), st.text(max_size=8)),
    lambda inner: st.dictionaries(
        st.sampled_from(["format", "kind", "utc", "instruments", "text", "passed", "proven"]), inner, max_size=8
    ),
).map(lambda data: json.dumps(data).encode())))  # fmt: skip
def test_no_content_of_the_file_gives_anything_but_proofs_or_the_line_that_is_none(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as name:
        Path(name, proofs.FILE).write_bytes(content + b"\n")
        try:
            checks = proofs.read_checks(Path(name))
        except JournalDamaged as error:
            assert "line " in str(error)
        else:
            proofs.in_words(checks, Bench().described, datetime(2026, 3, 1, tzinfo=UTC))


@pytest.mark.parametrize("change", [{"utc": "2026-03-13T20:00:00"}, {"instruments": 3}, {"proven": 1}, {"text": None}])
def test_a_proof_that_lacks_something_is_none(tmp_path: Path, change: dict[str, Any]) -> None:
    record = kept(tmp_path, Bench())
    (tmp_path / proofs.FILE).write_text(json.dumps({**record.to_dict(), **change}) + "\n")
    with pytest.raises(JournalDamaged, match="line 1"):
        proofs.read_checks(tmp_path)


TEXT = st.text(max_size=8)
NUMBER = st.none() | st.floats(-1e3, 1e3)
MADE = st.one_of(
    st.builds(SensorChecked, sensor=TEXT, proven=st.booleans(), rise_K=NUMBER, before_degC=NUMBER, text=TEXT),
    st.builds(ResistorChecked, resistance_ohm=NUMBER, through=TEXT, deviation=NUMBER, passed=st.booleans(), text=TEXT),
    st.builds(LeakageChecked, before_V=NUMBER, hours=NUMBER, measured_by=TEXT, passed=st.booleans(), text=TEXT),
)


@given(MADE, TEXT, st.dictionaries(TEXT, TEXT, min_size=1, max_size=2))
def test_a_check_from_json_and_back(made: proofs.Made, bench: str, who: dict[str, str]) -> None:
    kept = proofs.KeptCheck("2026-11-24T21:00:00Z", bench, who, made)
    read = proofs.KeptCheck.from_dict(json.loads(json.dumps(kept.to_dict())))
    assert read == kept and read.to_dict() == kept.to_dict()


# -- the command ------------------------------------------------------------------------------------------------


def check(tmp_path: Path, *words: str) -> tuple[int, dict[str, Any]]:
    done = CliRunner().invoke(
        app, ["bench", "check", "--bench", "simulated", "--logs", str(tmp_path), "--json", *words]
    )
    return done.exit_code, json.loads(done.stdout) if done.exit_code < 2 else {"said": done.output}


def test_the_command_proves_keeps_and_lists(tmp_path: Path) -> None:
    code, found = check(tmp_path)
    assert code == 0 and any("never tested" in line for line in found["proven"])
    code, found = check(tmp_path, "--sensor", "--resistor", "--leakage")
    assert code == 0
    assert [one["kind"] for one in found["proofs"]] == ["sensor-proven", "check-resistor", "leakage"]
    assert all(one["passed"] for one in found["proofs"])
    assert len(proofs.read_checks(tmp_path)) == 3
    assert not any("never" in line or "not " in line for line in found["proven"])


def test_a_resistor_that_is_off_ends_the_command_with_1(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = SimulatedBench.__init__

    def off(self: SimulatedBench, *words: Any, **more: Any) -> None:
        real(self, *words, **more)
        self.check_ohm = 10.2

    monkeypatch.setattr(SimulatedBench, "__init__", off)
    code, found = check(tmp_path, "--resistor")
    assert code == 1 and not found["passed"] and not found["proofs"][0]["passed"]
    assert proofs.read_checks(tmp_path)[0].passed is False


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--leakage", "--wait", "5 min"), "half an hour to two days"),
        (("--through", "load"), "--resistor was not given"),
        (("--resistor", "--through", "lamp"), "this bench cannot; supply, load is accepted"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    with pytest.raises(InputError, match=said):
        CliRunner().invoke(
            app, ["bench", "check", "--bench", "simulated", "--logs", str(tmp_path), *words], catch_exceptions=False
        )
