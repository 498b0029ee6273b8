"""Promises of a new bench file: it is read again as it was meant, and what nobody stated is not made up."""

import pytest

from amphora.harness.bench.new_bench import NewBench, NewInstrument, bench_text, read_again
from amphora.harness.common.errors import InputError

LOAD = NewInstrument(
    "load", {"resource": "TCPIP::192.0.2.10::5025::SOCKET", "dialect": "load-simple"}, "A,B,1,2", "0.1 %", "3 mA"
)
SUPPLY = NewInstrument("supply", {"resource": "ASRL/dev/ttyUSB0::INSTR", "dialect": "supply-plain", "baud": 9600})
LOGGER = NewInstrument("logger", {"port": "/dev/ttyACM0", "format": "plain"}, 'odd "line"\n[cell]')


def new(**changes: object) -> NewBench:
    given: dict[str, object] = {"name": "b", "leads": "wired", "sensed_at": "cell", "instruments": {"load": LOAD}}
    return NewBench(**(given | changes))  # type: ignore[arg-type]


def test_the_file_says_what_was_stated_and_is_read_as_it_was_meant() -> None:
    text = bench_text(
        new(instruments={"load": LOAD, "supply": SUPPLY, "logger": LOGGER}, temperature="logger", fuse="2 A",
            resistor=("10 ohm", "0.1 %"))
    )  # fmt: skip
    bench = read_again(text)
    assert (bench.name, bench.leads, bench.cell_voltage, bench.cell_temperature) == ("b", "wired", "load", "logger")
    assert bench.cell_current == ("load", "supply")
    assert (bench.current_of("load").gain, bench.current_of("load").offset) == (0.001, 0.003)
    assert bench.instruments["supply"]["baud"] == 9600
    assert bench.check_resistor is not None and bench.check_resistor.resistance_ohm == 10.0
    assert "2 A" in bench.data["note"]


def test_a_sheet_that_nobody_stated_is_assumed_and_the_file_says_so() -> None:
    text = bench_text(new(instruments={"load": NewInstrument("load", dict(LOAD.keys))}))
    assert read_again(text).current_of("load").assumed
    assert "0.5% of reading and 10 mA are assumed" in text and "none stated" in text


def test_without_a_sensor_the_file_says_what_that_forbids() -> None:
    assert "charging is refused" in bench_text(new())


def test_what_an_instrument_answers_cannot_add_a_line_to_the_file() -> None:
    assert read_again(bench_text(new(instruments={"load": LOAD, "logger": LOGGER}))).cell_temperature is None


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"leads": "glued"}, "leads = 'glued'"),
        ({"resistor": ("ten", "0.1 %")}, "resistance"),
        ({"instruments": {"load": NewInstrument("load", dict(LOAD.keys), gain="much", offset="")}}, "'much'"),
    ],
)
def test_a_statement_that_is_not_accepted_is_refused_in_words(changes: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match="the new bench file") as caught:
        bench_text(new(**changes))
    assert words in str(caught.value)


def test_every_line_with_a_remark_keeps_a_blank_before_it() -> None:
    lines = bench_text(new(instruments={"load": LOAD, "supply": SUPPLY})).splitlines()
    assert all(" #" in line or line.startswith("#") for line in lines if "#" in line)
