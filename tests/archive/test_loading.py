"""Promises of loading: what is torn is told, what is damaged is named, what is missing is assumed."""

import json

import numpy as np
import pytest

from amphora.harness.archive.journal import read_run
from amphora.harness.archive.loading import load, load_all, measurement_of
from amphora.harness.archive.run_header import MeasurementOfRun
from amphora.harness.common.as_json import known_of
from amphora.harness.common.errors import InputError, JournalDamaged

RUN = {
    "format": "amphora-run/1",
    "run_id": "L3-a/r",
    "created_utc": "2026-03-01T21:00:00.000Z",
    "cell": {"id": "L3-a", "form": "18650", "chemistry": "li-ion"},
    "plan": None,
    "profile": "overnight",
    "start": "full",
    "cutoff_V": 3.0,
    "measurement": {"voltage": {"gain": 0.0005, "offset": 0.002, "distribution": "normal", "k": 2}},
}
HEADER = "t_s,step,voltage_V,current_A,temperature_degC\n"
ROWS = "0.0,0,4.1,0.0,20.0\n1.0,0,4.1,,20.1\n2.0,1,4.0,-0.5,\n"
EVENTS = [
    {"kind": "run-begun", "t_s": 0.0, "after_row": 0},
    {"kind": "step-begun", "t_s": 0.0, "after_row": 0, "step": 0, "step_kind": "rest"},
    {"kind": "step-begun", "t_s": 1.5, "after_row": 2, "step": 1, "step_kind": "discharge"},
    {"kind": "ordered", "t_s": 1.6, "after_row": 2, "order": {}},
    {
        "kind": "gap",
        "t_s": 2.0,
        "after_row": 2,
        "from_s": 1.0,
        "to_s": 2.0,
        "charge_low_Ah": -0.1,
        "charge_high_Ah": 0.0,
    },
]


def make(tmp_path, rows=ROWS, run=RUN, events=EVENTS):
    folder = tmp_path / "L3-a" / "r"
    folder.mkdir(parents=True)
    (folder / "run.json").write_text(json.dumps(run))
    (folder / "samples.csv").write_text(HEADER + rows)
    (folder / "events.jsonl").write_text("".join(json.dumps(event) + "\n" for event in events))
    return folder


def test_readings_events_and_what_is_known_come_together(tmp_path):
    record, info = load(make(tmp_path))
    assert record.t_s == pytest.approx([0, 1, 2])
    assert list(record.step) == [0, 0, 1]
    assert np.isnan(record.current_A[1]) and np.isnan(record.temperature_degC[2])
    assert list(record.switches_s) == [1.6]
    assert (record.gaps[0].after_row, record.gaps[0].charge_low_Ah) == (2, -0.1)
    assert (info.cell_id, info.form, info.chemistry, info.start, info.cutoff_V) == (
        "L3-a",
        "18650",
        "li-ion",
        "full",
        3.0,
    )
    assert info.step_kinds == ("rest", "discharge")
    assert not info.finished


def test_an_old_folder_knows_nothing_of_how_old_its_readings_are(tmp_path):
    record, _ = load(make(tmp_path))
    assert not record.timing.known and np.isnan(record.took_s).all() and record.switches_until_s.size == 0


def test_each_reading_and_each_order_carries_its_interval(tmp_path):
    run = RUN | {
        "timing": {"renewed_s": {"load": 0.5, "supply": 2.0}},
        "bench": {"cell": {"voltage": "load", "current": ["load", "supply"]}},
    }
    events = [
        EVENTS[0],
        {"kind": "ordered", "t_s": 0.4, "after_row": 1, "order": {"kind": "discharge"}},
        {"kind": "sent", "t_s": 0.9, "after_row": 1, "from_s": 0.5, "to_s": 0.9},
        {"kind": "ordered", "t_s": 2.5, "after_row": 2, "order": {"kind": "off"}, "from_s": 1.5, "to_s": 2.25},
        {"kind": "ordered", "t_s": 2.75, "after_row": 2, "order": {"kind": "charge"}},
    ]
    rows = "0.0,0,4.1,0.0,20.0,0.25\n1.0,0,4.1,-0.5,20.1,\n"
    folder = make(tmp_path, rows, run, events)
    (folder / "samples.csv").write_text(HEADER.strip() + ",took_s\n" + rows)
    record, _ = load(folder)
    assert list(record.took_s) == [0.25, 0.0]
    assert list(record.switches_s) == [0.5, 1.5, 2.75] and list(record.switches_until_s) == [0.9, 2.25, 2.75]
    assert (record.timing.voltage_renewed_s, record.timing.current_renewed_s) == (0.5, 2.0)
    assert not record.timing.together
    seen = [*events, {"kind": "renewal-seen", "t_s": 3.0, "after_row": 2, "renewed_s": 1.25}]
    (folder / "events.jsonl").write_text("".join(json.dumps(event) + "\n" for event in seen))
    assert load(folder)[0].timing.voltage_renewed_s == 1.25


def test_a_torn_last_row_is_left_out_and_told(tmp_path):
    loaded = load_all(make(tmp_path, ROWS + "3.0,1,3.9"))
    assert loaded.record.t_s.size == 3
    assert any("line 5" in text for text in loaded.notices)


def test_a_row_marked_torn_in_the_middle_is_left_out_and_told(tmp_path):
    loaded = load_all(make(tmp_path, ROWS + "3.0,1,3.9 torn\n4.0,1,3.9,-0.5,20\n"))
    assert loaded.record.t_s.size == 4
    assert any("line 5" in text for text in loaded.notices)


def test_a_row_torn_in_a_further_column_is_left_out_also_where_that_column_is_not_asked_for(tmp_path):
    folder = make(tmp_path)
    rows = [row + ",0.1" for row in ROWS.splitlines()] + ["3.0,1,3.9,-0.5,20.0, torn", "900.0,1,3.8,-0.5,20.0,0.1"]
    (folder / "samples.csv").write_text(HEADER.strip() + ",load.power_W\n" + "\n".join(rows) + "\n")
    for extras in (True, False):
        loaded = load_all(folder, extras=extras)
        assert loaded.record.t_s.size == 4
        assert any("line 5" in text for text in loaded.notices)


@pytest.mark.parametrize("row", ["3.0,1,3.9\n", "3.0,1,3.9,-0.5,20.0,7\n", "3.0,1,abc,-0.5,20.0\n"])
def test_damage_in_the_middle_is_named_by_file_and_line(tmp_path, row):
    with pytest.raises(JournalDamaged, match=r"samples\.csv, line 5"):
        load(make(tmp_path, ROWS + row + "4.0,1,3.9,-0.5,20.0\n"))


def test_an_event_whose_field_is_of_another_kind_is_damage_and_no_traceback(tmp_path):
    odd = {"kind": "step-begun", "t_s": 0.0, "after_row": 0, "step": "2026-03-13T20:01:36.000Z", "step_kind": "rest"}
    with pytest.raises(JournalDamaged, match=r"events\.jsonl, line 2: is no event \(step is not a whole number\)"):
        load(make(tmp_path, events=[EVENTS[0], odd]))


def test_a_specification_not_given_is_assumed_and_marked():
    measurement = measurement_of(known_of(MeasurementOfRun, RUN["measurement"]))
    assert not measurement.voltage.assumed and measurement.voltage.distribution == "normal"
    assert measurement.current.assumed
    assert (measurement.current.gain, measurement.current.offset) == (0.005, 0.010)
    assert measurement.time.gain == 100e-6


def test_what_is_no_run_folder_or_of_a_newer_format_is_refused(tmp_path):
    with pytest.raises(InputError, match="no run folder"):
        load(tmp_path)
    with pytest.raises(InputError, match="amphora-run/9"):
        load(make(tmp_path, run=RUN | {"format": "amphora-run/9"}))


def test_an_empty_table_loads_as_no_readings(tmp_path):
    record, _ = load(make(tmp_path, rows=""))
    assert record.t_s.size == 0


def test_the_fast_and_the_slow_way_read_the_same(tmp_path):
    rows = "".join(f"{k * 0.1},0,{4.1 - k * 1e-4},-0.5,{20 + k * 1e-3}\n" for k in range(5000))
    fast, _ = load(make(tmp_path / "a", rows))
    slow, _ = load(make(tmp_path / "b", rows + "1"))
    for name in ("t_s", "voltage_V", "current_A", "temperature_degC", "step"):
        assert np.array_equal(getattr(fast, name), getattr(slow, name)), name


@pytest.mark.parametrize("line", ['{"kind": "ordered"}', '{"kind": "note", "t_s": 1.0}', "[]", "1"])
def test_a_line_that_is_no_event_is_named_by_file_and_line(tmp_path, line):
    folder = make(tmp_path)
    events = folder / "events.jsonl"
    first, rest = events.read_text().split("\n", 1)
    events.write_text(f"{first}\n{line}\n{rest}")
    with pytest.raises(JournalDamaged, match=r"events\.jsonl, line 2: is no event"):
        load(folder)
    with pytest.raises(JournalDamaged, match=r"events\.jsonl, line 2: is no event"):
        read_run(folder)
