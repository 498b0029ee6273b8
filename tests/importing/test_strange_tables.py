"""Tables in kinds that the reader had to learn: right, or refused in a sentence; few here, all in the campaign.

`python -m tests.campaign.strange_disguises --seed 7001` (docs/faults.md, Tables in disguise).
"""

import numpy as np
import pytest

from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import bare, sources_of, unit_factor
from amphora.harness.importing.import_run import import_table, imported_notes
from amphora.harness.importing.odd_times import blocks_in_order, overflow_s, put_forward, spread
from tests.campaign.disguises import plain, simulated, tried
from tests.campaign.strange_disguises import ways

SHORT = simulated("li-ion, 1.2 Ah at 0.6 A", 1.2, 0.6, "li-ion", 30)
WAYS = {way.name: way for way in ways(11)}
READ = (
    "korean", "ukrainian", "DC", "line break in the header", "powers of ten", "units wrong way round", "load current",
    "hours, minutes and seconds in three columns", "interval since the row before", "mean, least and most",
    "charge and discharge current apart", "name, unit and remark rows", "header at the bottom", "dates in words",
    "german month names", "clocks with letters", "durations", "seconds of the day, over midnight",
    "counter of milliseconds that begins anew", "minus behind the number", "exponents with D", "single quotes",
    "index that the header leaves out", "blocks in the wrong order", "one value a row", "sheet of texts",
    "clock to the minute", "a second table below", "new header with other units half way",
    "no time, the pace in the preamble",
)  # fmt: skip
TOLD = ("a stuck ammeter", "time that begins anew in mid-run")


@pytest.mark.parametrize("name", READ)
def test_a_strange_table_is_read_right(tmp_path, name):
    outcome = tried(SHORT, WAYS[name], tmp_path)
    assert outcome.kind == "right", outcome


@pytest.mark.parametrize("name", TOLD)
def test_what_a_table_lacks_is_told(tmp_path, name):
    outcome = tried(SHORT, WAYS[name], tmp_path)
    assert outcome.kind == "told", outcome


def test_a_unit_of_time_that_nobody_knows_is_refused_and_not_guessed(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(plain(SHORT, "Time (frames)", "Voltage (V)", "Current (A)", ts=1 / 60))
    with pytest.raises(InputError, match=r"'frames', which is no unit of time known here; .*--units t=min"):
        import_table(file, "W-1", logs=tmp_path / "logs")
    assert not (tmp_path / "logs").exists()


@pytest.mark.parametrize(
    ("unit", "channel", "factor"),
    [("10^3 s", "t", 1e3), ("x 10 s", "t", 10.0), ("10 mV", "v", 0.01), ("A x 10^-3", "i", 1e-3), ("10⁻³ A", "i", 1e-3),
     ("ks", "t", 1e3), ("10^0 kg", "t", None)],
)  # fmt: skip
def test_a_unit_with_a_factor_counts_as_written(unit, channel, factor):
    assert unit_factor(channel, unit) == (None if factor is None else pytest.approx(factor))


def test_the_time_since_the_last_row_is_no_time_of_the_test():
    with pytest.raises(InputError, match="no column for time"):
        sources_of("a.csv", ["Time since last reading (s)", "Voltage (V)", "Current (A)"], 3, {}, [])
    assert bare("[min] Time") == ("time", "min")


def test_rows_that_share_a_stamp_are_spread_and_others_are_left_alone():
    true = np.arange(0.0, 1200.0, 15.0) + 7.0
    found = spread(np.floor(true / 60.0) * 60.0)
    assert found is not None and np.max(np.abs(found - true)) <= 15.0
    assert spread(true) is None
    assert spread(np.repeat(np.array([0.0, 5.0, 900.0, 901.0, 4000.0]), [2, 9, 1, 4, 3])) is None


def test_a_counter_that_overflows_goes_on_and_another_fall_does_not():
    assert overflow_s(4_294_966.9, 0.4, 1.0) == 4_294_967.296
    assert overflow_s(65_535.0, 0.0, 1.0) == 65_536.0
    assert overflow_s(50_000.0, 0.0, 1.0) is None


def test_an_hour_is_taken_out_only_where_the_voltage_shows_that_it_did_not_pass():
    t = np.arange(0.0, 7200.0, 60.0)
    i = np.full(t.size, -0.5)
    v = 4.1 - 1.2 * t / 7200.0
    jumped = t + np.where(t >= 3600.0, 3600.0, 0.0)
    assert put_forward(jumped, v, i) == 60
    really = v - np.where(t >= 3600.0, 0.3, 0.0)  # the load went on while nobody read
    assert put_forward(jumped, really, i) is None
    assert put_forward(jumped, np.full(t.size, 3.3), i) is None  # a flat curve does not tell


def test_blocks_are_sorted_only_where_they_fit_together():
    t = np.arange(300.0)
    shuffled = np.concatenate((t[200:], t[:100], t[100:200]))
    order = blocks_in_order(shuffled)
    assert order is not None and np.array_equal(shuffled[order], t)
    assert blocks_in_order(np.concatenate((t[:200], t[:100]))) is None


def test_what_was_put_together_is_told(tmp_path):
    file = tmp_path / "a.csv"
    file.write_bytes(WAYS["charge and discharge current apart"].write(SHORT))
    notes, _ = imported_notes(import_table(file, "W-1", logs=tmp_path / "logs"))
    assert any("less" in note and "current is" in note for note in notes)
