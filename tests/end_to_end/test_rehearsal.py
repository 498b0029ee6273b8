"""The hands of a served simulated bench: what a person is asked for is done by act, its meter shows in the prompt."""

import io
import sys
from collections.abc import Iterator

import pytest

from amphora.drivers.errors import DriverError
from amphora.drivers.hands import ACTS, Hands
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.drivers.simulated.servers import ServedBench
from amphora.harness.bench.bench_file import bench_from_dict
from amphora.harness.bench.operator import TerminalPerson
from amphora.harness.cli.at_the_bench import hand_meter_shows, person_at
from amphora.harness.common.errors import BenchError, InputError


@pytest.fixture
def served() -> Iterator[ServedBench]:
    bench = ServedBench("unmarked", 1)
    bench.start()
    yield bench
    bench.stop()


def test_the_served_cell_is_the_one_of_the_readme_within_what_the_hand_meter_may_differ() -> None:
    for seed in range(1, 30):
        assert abs(SimulatedBench("unmarked", seed).hand_meter_V() - 3.31) < 0.03


def test_hands_in_another_process_warm_the_sensor_and_read_the_meter(served: ServedBench) -> None:
    hands = Hands(served.hands.address)
    assert hands.hand_meter_V() == served.bench.hand_meter_V()
    assert "3.3" in hand_meter_shows(hands) and hand_meter_shows(None) == ""
    hands.act("warm-sensor")
    assert served.bench.thermometer.fingers.held
    hands.act("release-sensor")
    assert not served.bench.thermometer.fingers.held
    hands.act("")  # nothing that a simulation knows of
    with pytest.raises(DriverError, match="not accepted"):
        hands.act("Take the sensor between two fingers")  # words are not read


def test_the_logger_of_a_served_bench_shows_the_warmth_of_the_fingers(served: ServedBench) -> None:
    before = float(served.logger.line().split(",")[3])
    served.bench.thermometer.fingers.hold(served.clock.now_s() - 60.0, True, served.bench.cell.temperature_degC)
    assert float(served.logger.line().split(",")[3]) > before + 8.0


def test_hands_that_are_gone_are_said_in_a_sentence(served: ServedBench) -> None:
    hands = Hands(served.hands.address)
    served.stop()
    with pytest.raises(DriverError, match="'amphora bench simulate' still running"):
        hands.act("reseat-cell")
    with pytest.raises(BenchError, match="do not answer"):
        hand_meter_shows(hands)


def test_return_at_the_terminal_has_the_hands_do_it_and_nothing_before(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n"))
    TerminalPerson(done.append).show("Let go of the sensor.", "release-sensor")
    assert done == ["release-sensor"]
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))  # no Return, no hands
    person = TerminalPerson(done.append)
    person.ask("Move the clips.", "clips-to-load")
    assert person._thread is not None
    person._thread.join(5.0)
    assert not person.answered() and done == ["release-sensor"]
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n"))
    person.ask("Move the clips.", "clips-to-load")
    person._thread.join(5.0)
    assert person.answered() and done == ["release-sensor", "clips-to-load"]


def test_each_act_is_one_that_the_simulated_hands_do_without_reading_words() -> None:
    for act in ACTS:
        SimulatedBench("li-ion").asked(act)
    words = SimulatedBench("li-ion")
    words.asked("Put the check resistor in the cell's place.")
    assert words.device is None


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"hands": "127.0.0.1:4711"}, "simulated = true"),
        ({"hands": "192.0.2.1:4711", "simulated": True}, "127.0.0.1:PORT"),
        ({"hands": "127.0.0.1:x", "simulated": True}, "127.0.0.1:PORT"),
    ],
)
def test_hands_belong_to_a_simulated_bench_on_this_computer(changes: dict[str, object], said: str) -> None:
    table = {"instruments": {"load": {"role": "load", "resource": "TCPIP::192.0.2.10::5025::SOCKET"}}, **changes}
    with pytest.raises(InputError, match=said):
        bench_from_dict(table, "b.toml")


def test_without_a_terminal_simulated_hands_oblige_and_a_real_bench_has_nobody(served: ServedBench) -> None:
    import tomllib

    described = bench_from_dict(tomllib.loads(served.bench_file()), "sim.toml")
    person = person_at(described, Hands(described.hands))
    assert person.present
    real = bench_from_dict({"instruments": {"logger": {"role": "logger", "port": "x"}}}, "b.toml")
    assert not person_at(real, None).present
