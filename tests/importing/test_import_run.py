"""Promises of the import: anybody's table becomes a run folder, or one sentence says why not."""

import gzip
import json

import numpy as np
import pytest

from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.loading import load
from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import parse_map
from amphora.harness.importing.import_run import import_table, imported_notes

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
    assert any("sign" in item.code for item in analyse_run(folder).warnings)


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
    assert any(item.code == "time-restarts" for item in analyse_run(folder).warnings)


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
    assert result.reached_cutoff and result.complete
    assert result.start == "declared-full"
    assert result.capacity_Ah == pytest.approx(0.5 * (100 + 3300 - 95) / 3600, rel=0.01)
    assert result.end_voltage_V == 3.0


# --- tables as laboratories write them -----------------------------------------------------------------------


def lines_file(path, rows, preamble=()):
    text = "\n".join([*preamble, *rows]) + "\n"
    if path.suffix == ".gz":
        path.write_bytes(gzip.compress(text.encode("utf-8")))
    else:
        path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("name", ["junk.csv", "junk.csv.gz"])
def test_a_refused_row_is_named_by_its_line_in_the_file_with_header_blank_and_comment_lines_counted(tmp_path, name):
    preamble = ["# a lab table", "", "# made by hand", "Time(s),Voltage(V),Current(A)"]
    rows = ["0,3.71,0.0", "10,3.70,0.0", "20,0.24,0.0", "30,4.99,0.0", "40,0.3,0.0"]
    with pytest.raises(InputError, match=r"from line 6 to line 7 the voltage goes from 3\.700 V to 0\.240 V"):
        imported(tmp_path, lines_file(tmp_path / name, rows, preamble))


def test_a_warning_names_the_line_too_also_after_rows_that_were_left_out(tmp_path):
    rows = [f"{t:g},{v:g},{i:g}" for t, v, i in zip(T, V, I_A, strict=True)]
    rows.insert(3, "")
    rows.insert(5, "# the door slammed")
    rows.append("4000,-0.6,0.0")  # line 1 is the header; two lines were put in
    folder = imported(tmp_path, lines_file(tmp_path / "a.csv", rows, ["Time(s),Voltage(V),Current(A)"]))
    notes, warned = imported_notes(folder)
    assert any("line 7: '# the door slammed'" in note for note in notes)
    assert any(f"(line {1 + len(rows)})" in text for text in warned if "reversal" in text)


DT = 10.0


def cycles(count=3, current_A=0.5, length=360):
    """Cycles of discharge, rest, charge with a taper, rest; a row every DT. Yields step, kind, t, v, i."""
    t = 0.0
    step = 0
    for _ in range(count):
        for kind in ("DCH", "REST", "CHA", "REST"):
            step += 1
            for k in range(length if kind != "REST" else 10):
                x = k / (length - 1)
                if kind == "DCH":
                    v, i = 4.15 - 1.16 * x, -current_A
                elif kind == "CHA":
                    v, i = min(4.2, 3.2 + 1.5 * x), current_A if x < 0.67 else current_A * np.exp(-(x - 0.67) / 0.1)
                else:
                    v, i = (3.4 if v < 3.6 else 4.18), 0.0
                yield step, kind, t, v, i
                t += DT


def figures_of_cycles(tmp_path, rows, mapping="", **options):
    folder = imported(tmp_path, lines_file(tmp_path / "c.csv", rows), mapping, cutoff=3.0, **options)
    return folder, analyse_run(folder)


def test_several_cycles_in_one_table_are_as_many_phases(tmp_path):
    made = list(cycles())
    rows = ["Time(s),Voltage(V),Current(A)"] + [f"{t:g},{v:.4f},{i:.4f}" for _, _, t, v, i in made]
    _, result = figures_of_cycles(tmp_path, rows)
    assert [phase.kind for phase in result.phases] == ["discharge", "charge"] * 3
    assert result.capacity_Ah == pytest.approx(0.4917, abs=0.01)


@pytest.mark.parametrize("reset", ["never", "each step", "each cycle"])
@pytest.mark.parametrize("negative", [False, True])
def test_separate_counters_of_charge_and_discharge_are_compared_however_they_are_reset(tmp_path, reset, negative):
    made = list(cycles())
    rows = ["Time(s),Step_Index,Voltage(V),Current(A),Charge_Capacity(Ah),Discharge_Capacity(Ah)"]
    charge = discharge = 0.0
    before, last = None, made[0][4]
    for step, _, t, v, i in made:
        cycle = (step - 1) // 4
        if before is not None and (
            (reset == "each step" and step != before[0]) or (reset == "each cycle" and cycle != before[1])
        ):
            charge = discharge = 0.0
        before = (step, cycle)
        moved = (last + i) / 2 * DT / 3600  # the current steps half-way between two rows
        charge += max(moved, 0.0)
        discharge += max(-moved, 0.0) * 1.05  # this counter counts 5 % too much
        last = i
        sign = -1 if negative else 1
        rows.append(f"{t:g},{step},{v:.4f},{i:.4f},{charge:.6f},{sign * discharge:.6f}")
    _, result = figures_of_cycles(tmp_path, rows)
    told = [item.text for item in result.warnings if item.code == "counter-differs"]
    assert len([text for text in told if "for this discharge" in text]) == 3
    assert all("(-4." in text for text in told if "for this discharge" in text)
    assert not any("for this charge" in text for text in told)


def test_a_counter_that_falls_below_zero_is_no_doubt_by_itself(tmp_path):
    made = list(cycles(1))
    total, last = 0.0, made[0][4]
    rows = ["Time(s),Voltage(V),Current(A),Ah"]
    for _, _, t, v, i in made:
        total += (last + i) / 2 * DT / 3600
        last = i
        rows.append(f"{t:g},{v:.4f},{i:.4f},{total:.6f}")
    _, result = figures_of_cycles(tmp_path, rows)
    assert not any(item.code == "counter-differs" for item in result.warnings)


def test_a_step_clock_alone_is_put_together_step_after_step(tmp_path):
    made = list(cycles())
    begins = {}
    rows = ["Step_Time(s),Step_Index,Voltage(V),Current(A)"]
    for step, _, t, v, i in made:
        begins.setdefault(step, t - DT)
        rows.append(f"{t - begins[step]:g},{step},{v:.4f},{i:.4f}")
    folder, result = figures_of_cycles(tmp_path, rows)
    record = columns(folder)
    assert np.diff(record.t_s) == pytest.approx(DT)
    assert record.gaps == ()
    assert [phase.complete for phase in result.phases if phase.kind == "discharge"] == [True] * 3
    assert any("one after the other" in note for note in imported_notes(folder)[0])


def test_a_step_clock_beside_the_elapsed_time_may_fall(tmp_path):
    made = list(cycles(2))
    begins = {}
    rows = ["Test_Time(s),Step_Time(s),Step_Index,Voltage(V),Current(A)"]
    for step, _, t, v, i in made:
        begins.setdefault(step, t - 30.0)
        rows.append(f"{t:g},{t - begins[step]:g},{step},{v:.4f},{i:.4f}")
    folder, result = figures_of_cycles(tmp_path, rows)
    assert columns(folder).gaps == ()
    assert len(result.phases) == 4


@pytest.mark.parametrize("shown", ["(0.05123-0.01041j)", "0.05123-0.01041i", "5.123e-02-1.041e-02j"])
def test_rows_of_impedance_are_left_out_and_the_rest_is_read(tmp_path, shown):
    made = list(cycles(1))
    rows = ["Time(s),Voltage(V),Current(A),Impedance(Ohm)"]
    for number, (_, _, t, v, i) in enumerate(made):
        rows.append(f"{t:g},{v:.4f},{i:.4f},")
        if number % 2 == 0:  # more of them than an ordinary table may have of junk
            rows.append(f"{t:g},,,{shown}")
    folder, result = figures_of_cycles(tmp_path, rows)
    record = columns(folder)
    assert record.t_s.size == len(made)
    assert result.capacity_Ah == pytest.approx(0.4917, abs=0.01)
    notes, warned = imported_notes(folder)
    assert any("impedance" in note for note in notes)
    assert warned == []


def test_complex_numbers_in_the_current_itself_are_impedance_and_no_current(tmp_path):
    made = list(cycles(1))
    rows = ["Time(s),Voltage(V),Current(A)"]
    for number, (_, _, t, v, i) in enumerate(made):
        rows.append(f"{t:g},{v:.4f},{i:.4f}")
        if number % 3 == 0:
            rows.append(f"{t:g},{v:.4f},(0.002+0.001j)")
    folder, _ = figures_of_cycles(tmp_path, rows)
    assert columns(folder).t_s.size == len(made)


def test_an_impedance_beside_good_readings_is_kept_in_its_two_parts(tmp_path):
    rows = ["Time(s),Voltage(V),Current(A),Impedance(Ohm)"]
    rows += [f"{t:g},{v:.4f},{i:.4f},(0.05-{k / 1e5:.5f}j)" for k, (_, _, t, v, i) in enumerate(cycles(1))]
    folder, _ = figures_of_cycles(tmp_path, rows)
    extra = columns(folder).extra
    assert extra["Impedance(Ohm)_real"] == pytest.approx(0.05)
    assert extra["Impedance(Ohm)_imaginary"][100] == pytest.approx(-0.001)


def test_a_record_of_impedance_alone_is_refused_in_one_sentence(tmp_path):
    rows = ["Sense_current,Battery_current,Current_ratio,Battery_impedance"]
    rows += ["(820.6-32.9j),(337.1-46.5j),(2.36+0.22j),(1.04+0.29j)"] * 40
    with pytest.raises(InputError, match="no column for time and voltage"):
        imported(tmp_path, lines_file(tmp_path / "z.csv", rows))
    assert not (tmp_path / "logs").exists()


def test_a_current_without_a_sign_takes_it_from_the_words_of_the_table(tmp_path):
    made = list(cycles(2))
    rows = ["Time(s),Voltage(V),Current(A),Mode"] + [f"{t:g},{v:.4f},{abs(i):.4f},{kind}" for _, kind, t, v, i in made]
    folder, result = figures_of_cycles(tmp_path, rows)
    assert [phase.kind for phase in result.phases] == ["discharge", "charge"] * 2
    assert any("has no sign" in note for note in imported_notes(folder)[0])


def test_a_current_without_a_sign_and_without_words_is_refused(tmp_path):
    rows = ["Time(s),Voltage(V),Current(A)"] + [f"{t:g},{v:.4f},{abs(i):.4f}" for _, _, t, v, i in cycles(2)]
    with pytest.raises(InputError, match="charge and discharge cannot be separated"):
        imported(tmp_path, lines_file(tmp_path / "c.csv", rows))


def test_loads_that_step_in_one_direction_have_a_sign(tmp_path):
    # After each heavy load the voltage recovers a lot under the light one: still a discharge.
    t = np.arange(0.0, 7200.0, 10.0)
    heavy = (t // 600) % 2 == 0
    v = 4.0 - 0.9 * t / 7200 - 0.3 * heavy
    rows = ["Time(s),Voltage(V),Current(A)"] + [
        f"{a:g},{b:.4f},{-1.0 if c else -0.1:g}" for a, b, c in zip(t, v, heavy, strict=True)
    ]
    folder = imported(tmp_path, lines_file(tmp_path / "c.csv", rows))
    assert columns(folder).current_A.max() < 0


@pytest.mark.parametrize(("mapping", "said"), [("t=a,v=b,i=b", "v and i"), ("t=a,v=a,i=c", "t and v"),
                                               ("t=a,v=b,i=a*2", "t and i")])  # fmt: skip
def test_one_column_for_two_quantities_is_refused(tmp_path, mapping, said):
    table = tmp_path / "a.csv"
    table.write_text("a,b,c\n" + "".join(f"{n},{3.9 - 0.001 * n:.3f},-0.5\n" for n in range(60)))
    with pytest.raises(InputError, match=f"a.csv: --map: {said} are the same column"):
        import_table(table, "L3-a", parse_map(mapping), logs=tmp_path / "logs")
    assert not (tmp_path / "logs").exists()


def test_a_current_reckoned_from_the_voltage_over_a_resistor_is_accepted(tmp_path):
    table = tmp_path / "a.csv"
    table.write_text("a,b\n" + "".join(f"{n},{3.9 - 0.001 * n:.3f}\n" for n in range(60)))
    folder = import_table(table, "L3-a", parse_map("t=a,v=b,i=b*-0.1"), logs=tmp_path / "logs")
    assert (folder / "samples.csv").read_text().splitlines()[1].startswith("0,0,3.9,-0.39,")


@pytest.mark.parametrize("per_second", [1, 1_000, 1_000_000, 1_000_000_000])
def test_a_count_since_1970_is_read_whatever_part_of_a_second_it_counts(tmp_path, per_second):
    begin = 1_772_398_800  # 2026-03-01 21:00:00 UTC, checked against the ISO text below
    counts = [str((begin + int(t)) * per_second) for t in T]
    folder = imported(tmp_path, table(tmp_path / "a.csv", t=counts, header="timestamp,Voltage,Current"))
    check(folder)
    run = json.loads((folder / "run.json").read_text())
    assert run["imported"]["first_clock_time"] == "2026-03-01T21:00:00+00:00"


def test_a_time_that_is_no_date_and_no_count_is_refused_in_one_sentence(tmp_path):
    file = table(tmp_path / "a.csv", t=[f"9.000{int(t):05d}e24" for t in T])
    with pytest.raises(InputError, match=r"Time\(s\) begin at 9e\+24, which is no count since 1970") as caught:
        imported(tmp_path, file)
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "logs").exists()


def test_a_late_row_before_a_restart_does_not_mix_the_two_parts(tmp_path):
    t = T.copy()
    t[50] -= 25.0  # one late row, then the logger starts again from zero
    t[200:] -= t[200]
    folder = imported(tmp_path, table(tmp_path / "a.csv", t=t))
    record = columns(folder)
    assert list(record.voltage_V[60:]) == pytest.approx(list(V[60:]), abs=1e-5)  # in the order of the file
    assert sorted(record.voltage_V[:60]) == pytest.approx(sorted(V[:60]), abs=1e-5)
    assert [(gap.from_s, gap.to_s) for gap in record.gaps] == [(1990.0, 2000.0)]
    notes, _ = imported_notes(folder)
    assert any("1 late row(s) put in order" in note for note in notes), notes
    assert any("line 202: time falls by 1990 s and starts again" in note for note in notes), notes


def test_a_late_row_before_midnight_does_not_mix_the_two_days(tmp_path):
    seconds = (T + 23.5 * 3600).astype(int)
    seconds[50] -= 25
    clock = [f"{s // 3600 % 24:02d}:{s // 60 % 60:02d}:{s % 60:02d}" for s in seconds]
    record = columns(imported(tmp_path, table(tmp_path / "a.csv", t=clock, header="Time,Voltage,Current")))
    assert record.t_s[60:] - record.t_s[0] == pytest.approx(T[60:])
    assert record.voltage_V[60:] == pytest.approx(V[60:], abs=1e-5)


def test_a_row_of_impedance_beside_a_row_without_time_is_left_out_as_any_other(tmp_path):
    file = table(tmp_path / "a.csv")
    lines = file.read_text().splitlines()
    lines = [lines[0] + ",Impedance", *(line + "," for line in lines[1:])]
    lines[20] = lines[20].split(",")[0] + ",,,0.05"
    lines[30] = ",4,0,"
    file.write_text("\n".join(lines) + "\n")
    notes, _ = imported_notes(imported(tmp_path, file))
    assert any(note.startswith("line 21: impedance") for note in notes), notes
    assert any(note.startswith("line 31: no time") for note in notes), notes


def test_wordy_lines_above_a_short_table_do_not_hide_it(tmp_path):
    file = table(tmp_path / "a.csv", t=T[:12], v=V[:12], i=I_A[:12], header="")
    wordy = "1,2,a,b,c,d,e,f,g,h\n" * 20  # two numbers each, and more lines than the table has
    file.write_text(wordy + file.read_text())
    record = columns(imported(tmp_path, file, "t=1,v=2,i=3"))
    assert record.t_s == pytest.approx(T[:12])


def test_rows_without_readings_are_counted_to_the_last(tmp_path):
    lines = [f"{10 * k},,\n" if k % 2 else f"{10 * k},{4.1 - 0.0002 * k:.4f},-0.5\n" for k in range(5000)]
    file = tmp_path / "a.csv"
    file.write_text("Time(s),Voltage(V),Current(A)\n" + "".join(lines))
    notes, _ = imported_notes(imported(tmp_path, file))
    assert any("11 and 2495 more: no time, voltage or current" in note for note in notes), notes


@pytest.mark.parametrize("above", ['"lamp of the hall', 'lamp,"second of three'])
def test_a_lone_quote_above_the_table_swallows_no_row(tmp_path, above):
    file = table(tmp_path / "a.csv")
    file.write_text(f"{above}\nsecond line\n{file.read_text()}")
    folder = imported(tmp_path, file)
    check(folder)
    assert json.loads((folder / "run.json").read_text())["imported"]["first_line"] == 4
