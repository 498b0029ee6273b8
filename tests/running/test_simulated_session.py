"""A simulated cell lives on between runs: its whole state is kept, time passes for it, and somebody may meddle."""

import json
import math
from datetime import timedelta
from pathlib import Path

import pytest

from amphora.drivers.simulated.cell import KINDS, SimulatedCell, make_cell
from amphora.drivers.simulated.clock import BEGIN
from amphora.harness.cli.bench_simulate import simulate
from amphora.harness.common.errors import InputError
from amphora.harness.running.simulated_session import SimulatedSession
from tests.support import meddling


def session(logs: Path, kind: str = "real-li-ion", **options: object) -> SimulatedSession:
    (logs / "c").mkdir(exist_ok=True)
    return SimulatedSession(logs, "c", kind, 3, **options)


def discharge(one: SimulatedSession, seconds: float, current_A: float = 0.4) -> None:
    one.bench.load.set_discharge("current", current_A)
    one.bench.load.set_input(True)
    one.clock.sleep(seconds)
    one.bench.load.set_input(False)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_is_kept_whole_and_goes_on_to_the_bit(kind: str):
    one = SimulatedSession(Path("nowhere"), "c", kind, 5, start_soc=0.6)
    discharge(one, 500.0)
    one.bench.update()
    cell = one.bench.cell
    again = SimulatedCell.restored(json.loads(json.dumps(cell.kept())))
    assert again.kept() == cell.kept()
    for current_A in (0.0, -0.3, 0.2):
        for each in (cell, again):
            for _ in range(50):
                each.advance(7.0, current_A)
        assert again.voltage(current_A) == cell.voltage(current_A)
        assert again.temperature_degC == cell.temperature_degC


def test_the_next_run_finds_the_cell_an_hour_later_relaxed_and_cooled(tmp_path):
    one = session(tmp_path, start_soc=1.0)
    discharge(one, 3600.0)
    one.keep()
    left, at = one.bench.cell, one.clock.utc()
    again = session(tmp_path)
    found = again.bench.cell
    assert again.clock.utc() - at == timedelta(hours=1)
    assert found.soc == pytest.approx(left.soc, abs=1e-4)
    assert found.inner_V() > left.inner_V() + 0.005  # it goes on rising after a discharge
    assert abs(found.slow[-1]) > 0.7 * abs(left.slow[-1])  # the slowest part is far from over
    assert left.temperature_degC > 20.5 > found.temperature_degC
    # the same bench: its instruments are off by the same
    assert again.bench.load.voltage.offset == one.bench.load.voltage.offset


def test_a_short_goes_on_between_runs(tmp_path):
    one = session(tmp_path, "shorted-li-ion", start_soc=0.9)
    one.clock.sleep(60.0)
    one.keep()
    meddling.wait(tmp_path, "c", timedelta(hours=10))
    found = session(tmp_path).bench.cell
    # 50 ohm across 3.9 to 4.0 V for 11 h: 0.87 Ah at most; Ohm's law
    lost_Ah = (0.9 - found.soc) * found.spec.capacity_Ah
    assert 0.80 < lost_Ah < 0.88


def test_weeks_on_the_shelf_take_what_the_kind_loses_in_a_month(tmp_path):
    one = session(tmp_path, "aged-nimh", start_soc=0.8)
    one.clock.sleep(60.0)
    one.keep()
    meddling.wait(tmp_path, "c", timedelta(days=30))
    found = session(tmp_path, begin_utc=BEGIN + timedelta(days=30, minutes=1)).bench.cell
    # first order: what is left after 30 days at 20 degC is 1 less the share lost in a month
    assert found.soc == pytest.approx(0.8 * (1.0 - found.spec.lost_per_month), rel=1e-3)
    assert found.stale == pytest.approx(1.0 - math.exp(-1.0), rel=1e-3)  # closed form: a time constant of 30 days


def test_what_0_1_0_kept_is_still_read(tmp_path):
    (tmp_path / "c").mkdir()
    kept = {"kind": "li-ion", "seed": 3, "soc": 0.41, "utc": BEGIN.isoformat()}
    (tmp_path / "c" / "simulated.json").write_text(json.dumps(kept) + "\n", encoding="utf-8")
    one = session(tmp_path, "lfp")
    assert (one.kind, one.seed) == ("li-ion", 3)
    assert one.clock.utc() == BEGIN + timedelta(hours=1)
    assert one.bench.cell.soc == pytest.approx(0.41, abs=1e-4)
    assert one.bench.cell.spec == SimulatedSession(tmp_path, "other", "li-ion", 3).bench.cell.spec


def test_a_drained_and_a_swapped_cell_are_what_the_next_run_finds(tmp_path):
    import random

    one = session(tmp_path, start_soc=1.0)
    one.clock.sleep(60.0)
    one.keep()
    meddling.drain(tmp_path, "c", 0.2)
    assert session(tmp_path).bench.cell.soc == pytest.approx(0.2, abs=1e-4)
    other = make_cell("aged-li-ion", random.Random(9), 0.7)
    meddling.swap(tmp_path, "c", other)
    found = session(tmp_path).bench.cell
    assert found.spec == other.spec
    assert found.soc == pytest.approx(0.7, abs=1e-3)


def test_a_start_that_is_named_is_put_at_rest_there(tmp_path):
    one = session(tmp_path, start_soc=1.0)
    discharge(one, 600.0)
    one.keep()
    assert session(tmp_path, start_soc=0.5).bench.cell.soc == 0.5


@pytest.mark.parametrize("ohm", [0.05, -3.0, float("nan")])
def test_a_short_of_no_sense_is_refused_with_what_is_accepted(tmp_path, ohm: float):
    with pytest.raises(InputError, match=r"--short-ohm .*0\.1 to 1000000"):
        simulate(tmp_path / "bench.toml", short_ohm=ohm)
    assert not any(tmp_path.iterdir())
