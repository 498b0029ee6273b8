"""Promise of the door: what leaves room for another reading of a table is doubted, and a plain table is not.

Whole sets of such tables: `python -m tests.campaign.new_disguises` and `drawn_disguises` (docs/faults.md).
"""

import numpy as np
import pytest

from amphora.harness.account.answer import analyse_run
from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import bare, parse_map, parse_units, plain_word, unit_factor
from amphora.harness.importing.import_run import import_table, imported_notes
from tests.campaign.disguises import num, plain, simulated, stamps, written

SHORT = simulated("li-ion, 1.2 Ah at 0.6 A", 1.2, 0.6, "li-ion", 30)
BOTH = simulated("li-ion, 1.2 Ah at 0.6 A, charged first", 1.2, 0.6, "li-ion", 30, charge=True)
GONE_AH = np.cumsum(np.diff(SHORT.t, prepend=0.0) * np.where(SHORT.i < 0, -SHORT.i, 0.0)) / 3600


def table(*more, i=None, name="Current (A)", record=SHORT, head=""):
    current = record.i if i is None else i
    own = [("Time (s)", num(record.t)), ("Voltage (V)", num(record.v)), (name, num(current))]
    return written([*own, *more], head=head)


def doubts(tmp_path, text, **options):
    file = tmp_path / "a.csv"
    file.write_text(text, encoding="utf-8")
    run = import_table(file, "W-1", logs=tmp_path / "logs", **options)
    told = [item.text for item in analyse_run(run).warnings if item.code == "scale-doubtful"]
    assert set(told) <= set(imported_notes(run)[1])
    return told


QUIET = {
    "plain": table(),
    "set current": table(("Set current (A)", num(np.round(SHORT.i, 1) * 1.3))),
    "a bus beside the cell": table(("Bus current (A)", num(SHORT.i * 1.3)), name="Cell current (A)"),
    "a heater that goes on": table(("Heater current (A)", num(0.4 + 0 * SHORT.t))),
    "raw counts": table(("adc_i", num(2048 + 400 * SHORT.i))),
    "a counter": table(("Discharged (mAh)", num(1e3 * GONE_AH))),
    "power": table(("Power (mW)", num(1e3 * SHORT.i * SHORT.v))),
    "a clock": table(("Clock", stamps(SHORT.t, "%Y-%m-%d %H:%M:%S"))),
    "resistance": table(("R (mOhm)", num(50 + 0 * SHORT.t))),
}


@pytest.mark.parametrize("name", QUIET)
def test_what_the_table_proves_is_not_doubted(tmp_path, name):
    assert doubts(tmp_path, QUIET[name]) == []


DOUBTED = {
    "another current": (table(("Branch current (A)", num(SHORT.i * 1.3))), "may as well be the cell's current.*i=4"),
    "another voltage": (table(("Voltage node (V)", num(SHORT.v - 0.3))), "may as well be the cell's voltage.*v=4"),
    "a counter": (table(("Discharged (Ah)", num(2 * GONE_AH))), "2.4 Ah by the table's own.*1.2 Ah by time"),
    "power": (table(("Power (W)", num(2 * SHORT.i * SHORT.v))), "shows 2 times the product"),
    "a clock": (table(("Clock", stamps(2 * SHORT.t, "%Y-%m-%d %H:%M:%S"))), "passes .* s under load"),
    "a word": (table(name="Lamp current (A)"), "'lamp' in 'Lamp current"),
    "a factor above": (table(head="Shunt factor: 10\n"), "line 1 above the rows.*factor"),
    "milliampere called ampere": (table(i=1e3 * SHORT.i), "i=mA it would be|look for a wrong unit"),
    "a current that is a counter": (table(i=GONE_AH), "as steadily as a counter"),
    "a neighbour's current": (table(i=np.roll(SHORT.i, 60)), "does not answer|goes against|falls by"),
}


@pytest.mark.parametrize("name", DOUBTED)
def test_what_allows_another_reading_is_doubted(tmp_path, name):
    import re

    text, expected = DOUBTED[name]
    found = doubts(tmp_path, text)
    assert any(re.search(expected, one, re.I) for one in found), found


def test_a_unit_that_nobody_states_is_doubted_until_somebody_does(tmp_path):
    text = plain(SHORT, "Time", "Voltage", "Current")
    assert any("no unit is stated" in one.lower() for one in doubts(tmp_path, text))
    assert doubts(tmp_path, text, units=parse_units("t=s,i=A")) == []
    assert doubts(tmp_path, text, mapping=parse_map("t=Time,v=Voltage,i=Current")) == []


def test_a_sign_against_the_voltage_is_doubted(tmp_path):
    i = BOTH.i.copy()
    on = np.flatnonzero(i < 0)
    i[on[on.size // 2 :]] *= -1
    found = doubts(tmp_path, table(i=i, record=BOTH))
    assert any("goes against the current's sign" in one for one in found)
    assert doubts(tmp_path, table(record=BOTH)) == []


def changed(t=SHORT.t, v=SHORT.v, i=SHORT.i, keep=slice(None)):
    cols = [("Time (s)", num(t[keep])), ("Voltage (V)", num(v[keep])), ("Current (A)", num(i[keep]))]
    return written(cols)


MIDDLE = int(np.flatnonzero(SHORT.i < 0)[0]) + 100
LATER = np.arange(SHORT.t.size) >= MIDDLE


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (changed(t=SHORT.t + 600.0 * LATER), "far more than between others"),
        (changed(t=np.where(LATER, SHORT.t[MIDDLE] + (SHORT.t - SHORT.t[MIDDLE]) / 10, SHORT.t)),
         "clock may run otherwise"),
        (changed(i=np.where(LATER, SHORT.i, 0.0)), "the current does not: it may be frozen, late"),
        (changed(t=np.where(LATER, SHORT.t - 1500.0, SHORT.t), keep=~LATER | (np.arange(SHORT.t.size) >= MIDDLE + 50)),
         "rows are missing"),
        (changed(*(np.concatenate(pair) for pair in ((SHORT.t, SHORT.t + SHORT.t[-1] + 90.0), (SHORT.v, SHORT.v - 0.01),
                                                     (SHORT.i, 0.7 * SHORT.i)))), "another cell's record begins"),
    ],
    ids=["clock set", "clock slower", "late", "rows cut out", "two cells"],
)  # fmt: skip
def test_what_the_voltage_speaks_against_is_doubted(tmp_path, text, expected):
    found = doubts(tmp_path, text)
    assert any(expected in one for one in found), found


def test_a_logger_that_reads_faster_near_the_end_is_not_doubted(tmp_path):
    kept = ~LATER | (np.arange(SHORT.t.size) % 4 == 0)  # four times as fast in the first half
    assert doubts(tmp_path, changed(keep=kept)) == []


def test_rows_without_a_current_are_doubted(tmp_path):
    amps = num(SHORT.i)
    thin = [value if k % 5 == 0 else "" for k, value in enumerate(amps)]
    cols = [("Time (s)", num(SHORT.t)), ("Voltage (V)", num(SHORT.v)), ("Current (A)", thin)]
    assert any("lack the voltage or the current" in one for one in doubts(tmp_path, written(cols)))


def test_a_mark_that_may_part_thousands_is_doubted(tmp_path):
    whole = [f"{round(x):,}".replace(",", ".") for x in 2e3 * SHORT.i]
    cols = [("Zeit (s)", num(SHORT.t, "{:.0f}")), ("Spannung (V)", num(SHORT.v, comma=True)), ("Strom (mA)", whole)]
    with pytest.raises(InputError):
        doubts(tmp_path, written([*cols[:1], ("Spannung (V)", ["x"] * SHORT.t.size), cols[2]], sep=";"))
    point = [("Zeit (s)", num(SHORT.t, "{:.0f}")), ("Spannung (V)", num(SHORT.v)), ("Strom (mA)", whole)]
    assert any("may part thousands" in one for one in doubts(tmp_path, written(point, sep=";")))


def test_a_comment_that_changes_the_unit_is_doubted_and_another_is_not(tmp_path):
    lines = table().split("\n")
    for words, count in (("# range switched to mA", 1), ("# fan on", 0)):
        text = "\n".join([*lines[:60], words, *lines[60:]])
        assert len([one for one in doubts(tmp_path, text) if "other units" in one]) == count


def test_the_ways_of_an_unsigned_current_are_told_by_the_voltage(tmp_path):
    way = ["in" if x > 0.01 else "out" if x < -0.01 else "idle" for x in BOTH.i]
    text = table(("Flow", way), i=abs(BOTH.i), record=BOTH)
    file = tmp_path / "b.csv"
    file.write_text(text)
    run = import_table(file, "W-1", logs=tmp_path / "logs", cutoff=2.0)
    assert analyse_run(run).capacity_Ah == pytest.approx(BOTH.charge_Ah, rel=0.01)


def test_a_temperature_that_is_none_is_not_taken(tmp_path):
    file = tmp_path / "c.csv"
    file.write_text(table(("Temperature", num(10 * SHORT.temp))))
    run = import_table(file, "W-1", logs=tmp_path / "logs")
    codes = [item.code for item in analyse_run(run).warnings]
    assert "temperature-doubtful" in codes and analyse_run(run).temperature_degC is None


def test_names_with_values_are_a_table(tmp_path):
    rows = "".join(f"t={t:.1f}s U={v:.4f}V I={i:.4f}A\n" for t, v, i in zip(SHORT.t, SHORT.v, SHORT.i, strict=True))
    assert doubts(tmp_path, rows) == []


@pytest.mark.parametrize(
    ("channel", "unit", "factor"),
    [("v", "cV", 0.01), ("i", "dA", 0.1), ("t", "ds", 0.1), ("t", "mcs", 1e-6), ("t", "weeks", 604_800.0),
     ("v", "xV", None), ("i", "milliamperes", 1e-3), ("t", "kmin", None)],
)  # fmt: skip
def test_a_prefix_counts_by_rule(channel, unit, factor):
    # SI brochure 9th ed., table 7.
    assert unit_factor(channel, unit) == (None if factor is None else pytest.approx(factor))


def test_headers_are_parted_into_words_and_unit():
    assert bare("voltage#V") == ("voltage", "V") and bare("s - time") == ("time", "s")
    assert bare("Time {min}") == ("time", "min") and bare("SECONDS ELAPSED") == ("elapsed", "seconds")
    assert plain_word("Ρεύμα") == "ρευμα" and plain_word("μA") == "ua"
