"""Promises of the import: anybody's table becomes a run folder, or one sentence says why not."""

import gzip
import json

import numpy as np
import pytest

from harness.errors import InputError
from harness.importing import import_table, imported_notes, parse_map
from harness.loading import load
from harness.results import analyse_run

N = 400
T = np.arange(N) * 10.0
V = np.where((T >= 100) & (T < 3700), 4.1 - 1.2 * (T - 100) / 3600, 3.4)
V[T < 100] = 4.15
I_A = np.where((T >= 100) & (T < 3700), -0.5, 0.0)


def table(path, t=T, v=V, i=I_A, header="Time(s),Voltage(V),Current(A)", sep=",", form="{:g}", decimal="."):
    lines = [header] if header else []
    for row in zip(t, v, i, strict=True):
        cells = [str(x) if isinstance(x, str) else form.format(x).replace(".", decimal) for x in row]
        lines.append(sep.join(cells))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def columns(folder):
    record, _ = load(folder)
    return record


def imported(tmp_path, file, mapping="", **options):
    return import_table(file, "W-1", parse_map(mapping), logs=tmp_path / "logs", **options)


def check(folder, current=I_A):
    record = columns(folder)
    assert record.t_s == pytest.approx(T)
    assert record.voltage_V == pytest.approx(V, abs=1e-5)
    assert record.current_A == pytest.approx(current, abs=1e-6)


def test_a_plain_table_with_known_header_words_needs_no_map(tmp_path):
    folder = imported(tmp_path, table(tmp_path / "a.csv"))
    check(folder)
    notes, _ = imported_notes(folder)
    assert any("guessed" in note for note in notes)
    run = json.loads((folder / "run.json").read_text())
    assert run["plan"] is None and run["profile"] == "import" and run["start"] == "unknown"
    assert run["measurement"]["current"]["assumed"] is True
    assert (tmp_path / "logs" / "W-1" / "cell.json").is_file()


@pytest.mark.parametrize(
    ("header", "sep", "decimal", "mapping"),
    [
        ("Time(s);Voltage(V);Current(A)", ";", ",", ""),
        ("Time(s)\tVoltage(V)\tCurrent(A)", "\t", ".", ""),
        ("", ",", ".", "t=1,v=2,i=3"),
        ("", ";", ",", "t=1,v=2,i=3"),
        ("", " ", ".", "t=1,v=2,i=3"),
        ("Zeit|Spannung|Strom", "|", ".", ""),
        ("a,b,c", ",", ".", "t=a,v=b,i=c"),
    ],
)
def test_delimiters_headers_and_decimal_commas(tmp_path, header, sep, decimal, mapping):
    check(imported(tmp_path, table(tmp_path / "a.txt", header=header, sep=sep, decimal=decimal), mapping))


def test_scale_in_the_map_and_the_unit_in_a_header(tmp_path):
    file = table(tmp_path / "a.csv", i=I_A * 1000, v=V * 1000, header="Time(s),Voltage(mV),Current(mA)")
    check(imported(tmp_path, file, "t=Time(s),v=Voltage(mV)*0.001,i=Current(mA)*0.001"))
    check(imported(tmp_path, file))
    minutes = table(tmp_path / "b.csv", t=T / 60, header="Time(min),U,I", form="{:.9g}")
    check(imported(tmp_path, minutes))


def test_either_sign_of_discharge(tmp_path):
    file = table(tmp_path / "a.csv", i=-I_A)
    check(imported(tmp_path, file, discharge_sign="positive"))
    check(imported(tmp_path, file))  # told from the voltage, which falls while current is positive
    folder = imported(tmp_path, file, discharge_sign="negative")
    assert any("sign" in item["code"] for item in analyse_run(folder)["warnings"])


def test_gzip_and_a_preamble_and_a_units_row(tmp_path):
    plain = table(tmp_path / "a.csv").read_text()
    body = plain.split("\n", 1)[1]
    file = tmp_path / "a.csv.gz"
    text = "Bench of the hall\nStarted at night\n\nTime,Voltage,Current\ns,V,A\n" + body
    file.write_bytes(gzip.compress(text.encode()))
    check(imported(tmp_path, file))


def test_clock_times_over_midnight_and_dates(tmp_path):
    seconds = (T + 23.5 * 3600) % 86400
    clock = [f"{int(s // 3600):02d}:{int(s % 3600 // 60):02d}:{int(s % 60):02d}" for s in seconds]
    record = columns(imported(tmp_path, table(tmp_path / "a.csv", t=clock)))
    assert np.diff(record.t_s) == pytest.approx(np.full(N - 1, 10.0))
    stamps = [str(s).replace("T", " ") for s in np.datetime64("2026-03-01T22:00:00") + T.astype("timedelta64[s]")]
    record = columns(imported(tmp_path, table(tmp_path / "b.csv", t=stamps, header="Timestamp,Voltage,Current")))
    assert record.t_s == pytest.approx(T)


def test_repeated_late_and_restarting_times_are_told(tmp_path):
    repeated = T.copy()
    repeated[50] = repeated[49]
    folder = imported(tmp_path, table(tmp_path / "a.csv", t=repeated))
    assert any("repeat" in note for note in imported_notes(folder)[0])
    late = T.copy()
    late[[60, 61]] = late[[61, 60]]
    folder = imported(tmp_path, table(tmp_path / "b.csv", t=late))
    assert (np.diff(columns(folder).t_s) >= 0).all()
    assert any("order" in text for text in imported_notes(folder)[1])
    restart = np.where(np.arange(N) < 200, T, T - T[200])
    folder = imported(tmp_path, table(tmp_path / "c.csv", t=restart))
    record = columns(folder)
    assert (np.diff(record.t_s) >= 0).all()
    assert [gap.after_row for gap in record.gaps] == [200]
    assert any(item["code"] == "time-restarts" for item in analyse_run(folder)["warnings"])


def test_a_junk_row_is_named_by_line_and_left_out(tmp_path):
    lines = table(tmp_path / "a.csv").read_text().splitlines()
    lines[30] = "290,oops,-0.5"
    lines[41] = "400,4.0,-0.5,extra,extra"
    file = tmp_path / "b.csv"
    file.write_text("\n".join(lines) + "\n4")
    folder = imported(tmp_path, file)
    notes = " ".join(imported_notes(folder)[0])
    assert "line 31" in notes and "oops" in notes
    assert "line 42" in notes
    assert "cut short" in notes
    assert columns(folder).t_s.size == N - 2


def test_other_columns_are_kept(tmp_path):
    lines = table(tmp_path / "a.csv").read_text().splitlines()
    lines = [lines[0] + ",Room,Mode"] + [
        line + f",{20 + k % 3},{'RUN' if k % 2 else 'IDLE'}" for k, line in enumerate(lines[1:])
    ]
    file = tmp_path / "b.csv"
    file.write_text("\n".join(lines) + "\n")
    record = columns(imported(tmp_path, file))
    assert set(record.extra) == {"Room", "Mode"}
    assert record.extra["Room"][:3] == pytest.approx([20, 21, 22])


JUNK_V = [0.236356, 0.003365, 4.985137, 4.984720, 4.213440]
JUNK_I = [-0.0035, -0.0015, 0.0005, 0.0004, -0.0007]


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda p: table(p, t=[0, 2.5, 5.5, 8.3, 12.7], v=JUNK_V, i=JUNK_I), "nonsense"),
        (lambda p: table(p, v=V * 1000), "in mV"),
        (lambda p: table(p, i=I_A * 1e5), "in mA"),
        (lambda p: table(p, t=T * 0), "same time"),
        (lambda p: (p.write_text("") and p) or p, "empty"),
        (lambda p: p.write_text("hello\nworld\n") and p, "no rows of numbers"),
        (lambda p: p.write_bytes(b"PK\x03\x04aaaa") and p, "spreadsheet"),
        (lambda p: table(p, header="a,b,c"), "no column for time"),
        (lambda p: p, "cannot be read"),
    ],
)
def test_nonsense_is_refused_in_one_sentence_and_nothing_is_written(tmp_path, make, says):
    file = tmp_path / "x.csv"
    make(file)
    with pytest.raises(InputError) as caught:
        imported(tmp_path, file)
    assert says in str(caught.value)
    assert "x.csv" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "logs").exists()


@pytest.mark.parametrize(
    ("mapping", "says"),
    [
        ("t=Time(s),v=Nothing,i=Current(A)", "no such column"),
        ("t=1,v=2,i=9", "no such column"),
        ("v=Voltage(V)*0", "factor of 0"),
    ],
)
def test_a_wrong_map_names_the_entry(tmp_path, mapping, says):
    with pytest.raises(InputError, match=says):
        imported(tmp_path, table(tmp_path / "a.csv"), mapping)


def test_map_text_is_checked():
    assert parse_map("t=Time, s,i=Current(mA)*0.001") == {"t": "Time, s", "i": "Current(mA)*0.001"}
    for wrong in ("x=1", "t=", "t=1,t=2", "Time"):
        with pytest.raises(InputError, match="--map"):
            parse_map(wrong)


def test_two_imports_in_one_second_get_folders_of_their_own(tmp_path):
    file = table(tmp_path / "a.csv")
    first, second = imported(tmp_path, file), imported(tmp_path, file)
    assert first != second


def test_figures_of_an_import(tmp_path):
    folder = imported(tmp_path, table(tmp_path / "a.csv"), cutoff=3.0, start="full")
    result = analyse_run(folder)
    assert result["reached_cutoff"] and result["complete"]
    assert result["start"] == "declared-full"
    assert result["capacity_Ah"] == pytest.approx(0.5 * (100 + 3300 - 95) / 3600, rel=0.01)
    assert result["end_voltage_V"] == 3.0
