"""A runner that is killed while its instrument obeys and does not answer: off, by the instrument's own word.

Instruments of foreign make (tests/support/foreign) in a process of their own, asked for the truth on their control
port; the runner is a real process with a real keeper, and ends by kill -9. The fault is set while all is well, so the
run began with an instrument that answered. Measured times are of `time.monotonic`, which all processes share.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from foreign.asking import Foreign
from killed import Killed

OFF_S = 2.0  # where bytes arrive


@pytest.fixture
def killed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    monkeypatch.setenv("AMPHORA_RUNTIME", str(tmp_path / "runtime"))
    made: list[Killed] = []

    def start(foreign: Foreign, **bench: Any) -> Killed:
        made.append(Killed(foreign, tmp_path, **bench))
        return made[-1]

    yield start
    for one in made:
        one.end()


@pytest.mark.parametrize(
    ("instrument", "dialects", "faults"),
    [
        ({"load": {"style": "generic"}}, {}, {"mute": True}),
        ({"load": {"style": "generic"}}, {"load": "auto"}, {"late": 15.0}),
        ({"load": {"style": "otherwise", "wire": "serial"}}, {}, {"mute": True}),
        ({"supply": {"style": "otherwise"}}, {}, {"garbled": True}),
        ({"load": {"style": "polled", "wire": "serial"}}, {}, {"mute": True}),
        ({"load": {"style": "framed", "wire": "serial"}}, {}, {"half": True}),
        ({"supply": {"style": "registers"}}, {}, {"crc": True}),
    ],
    ids=[
        "load mute",
        "load found by asking, 15 s late",
        "serial load of another style mute",
        "supply garbled",
        "load of lines mute",
        "load of frames that come half",
        "supply of registers with wrong checksums",
    ],
)
def test_a_killed_runners_instrument_is_off_within_two_seconds_whatever_it_answers(
    killed: Any, instrument: dict[str, Any], dialects: dict[str, str], faults: dict[str, Any]
) -> None:
    name = next(iter(instrument))
    with Foreign(**instrument) as foreign:
        runner = killed(foreign, dialects=dialects)
        assert foreign.truth()[name]["on"]
        for fault, value in faults.items():
            foreign.fault(name, fault, value)
        at_s = runner.kill()
        assert foreign.off_after_s(name, at_s) < OFF_S


def test_a_killed_runners_relay_is_told_to_open_and_its_mute_load_to_switch_off(killed: Any) -> None:
    relay = {"kind": "relay", "wire": "serial", "release_s": 60.0}
    with Foreign(load={"style": "otherwise"}, relay=relay) as foreign:
        runner = killed(foreign, tables={"relay": {"open": "text let go"}})
        foreign.wait(lambda truth: truth["relay"]["on"] and truth["load"]["on"])
        foreign.fault("load", "mute")
        at_s = runner.kill()
        assert foreign.off_after_s("relay", at_s) < OFF_S
        assert foreign.off_after_s("load", at_s) < OFF_S


def test_a_killed_runners_described_relay_is_opened_by_its_prepared_bytes(killed: Any) -> None:
    with Foreign(load={"style": "framed", "wire": "serial"}, switch={"style": "registers"}) as foreign:
        runner = killed(foreign, leads="relay")
        foreign.wait(lambda truth: truth["switch"]["on"] and truth["load"]["on"])
        foreign.fault("switch", "mute")
        at_s = runner.kill()
        assert foreign.off_after_s("switch", at_s) < OFF_S
        assert foreign.off_after_s("load", at_s) < OFF_S


def test_an_instrument_that_holds_the_dead_runners_session_is_off_as_soon_as_it_can_be_had(killed: Any) -> None:
    held_s = 4.0
    with Foreign(load={"style": "generic", "faults": {"session": held_s}}) as foreign:
        runner = killed(foreign)
        foreign.fault("load", "mute")
        at_s = runner.kill()
        off_s = foreign.off_after_s("load", at_s)
        assert foreign.truth()["load"]["refused"] > 0, "the fault did not act"
        assert off_s < held_s + OFF_S
