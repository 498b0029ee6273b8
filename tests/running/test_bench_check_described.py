"""`bench check` says of each habit of a relay, and of a load's own silence, what is left when the computer is dead."""

from pathlib import Path

import pytest
from foreign.asking import Foreign

from amphora.drivers.clock import RealClock
from amphora.drivers.opening import open_instrument
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.running.bench_check import check_bench


@pytest.mark.parametrize(
    ("style", "where", "said"),
    [
        ("registers", "missing", "switch: stays as it was set: it does not protect when the computer dies"),
        ("polled", "guards", "switch: opens by itself within 2 s of silence"),
    ],
)
def test_a_relays_habit_is_said(tmp_path: Path, style: str, where: str, said: str) -> None:
    with Foreign(load={"style": "polled"}, switch={"style": style}) as foreign:
        bench = load_bench(foreign.bench_file(tmp_path, leads="relay"))
        found = check_bench(bench, RealClock(), open_instrument, empty=True, look_for_s=0.2)
    assert said in getattr(found, where)
    assert "load: switches itself off after 3 s of silence" in found.guards
    assert not found.trouble
