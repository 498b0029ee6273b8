"""A long table, read in parts: the same samples and the same words as when it is read whole, or it is read whole."""

import gzip
import json

import pytest

from amphora.harness.importing import long_table
from amphora.harness.importing.import_run import import_table

HEAD = "Time (s),Voltage (V),Current (mA),T (degC),Cycle,Capacity (mAh)\n"


def rows_of(count=6000, begin_s=0.0, unit=1.0):
    out, moved = [], 0.0
    for k in range(count):
        on = 300 <= k < count - 900
        amps = -500.0 if on else 0.0
        moved += 0.5 * 3.0 / 3.6 if on else 0.0
        share = min(1.0, max(0.0, (k - 300) / (count - 1200)))
        volt = 4.15 - 1.1 * share - (0.05 if on else 0.0) + 1e-4 * (k % 7)
        out.append([f"{(begin_s + 3.0 * k) * unit:.3f}", f"{volt:.4f}", f"{amps:.1f}", f"{22 + 0.1 * (k % 5):.1f}",
                    str(1 + (k >= 300) + (k >= count - 900)), f"{moved:.3f}"])  # fmt: skip
    return out


def text_of(rows, head=HEAD):
    return head + "".join(",".join(row) + "\n" for row in rows)


@pytest.fixture
def small(monkeypatch):
    monkeypatch.setattr(long_table, "LONG_BYTES", 6_000)
    monkeypatch.setattr(long_table, "PART_ROWS", 700)
    monkeypatch.setattr(long_table, "KEPT_ROWS", 1500)
    monkeypatch.setattr(long_table, "MOST_KEPT", 3000)
    asked = []
    read = long_table.long_rows
    monkeypatch.setattr(
        "amphora.harness.importing.import_run.long_rows",
        lambda *about: asked.append(read(*about)) or asked[-1],
    )
    return asked


def both(tmp_path, monkeypatch, file, **options):
    """Import in parts and whole; return both runs' samples and what was told."""
    found = []
    for name, limit in (("parts", long_table.LONG_BYTES), ("whole", 1 << 40)):
        monkeypatch.setattr(long_table, "LONG_BYTES", limit)
        folder = import_table(file, "L3-a", logs=tmp_path / name, **options)
        run = json.loads((folder / "run.json").read_text())
        kept = {key: run["imported"][key] for key in ("map", "notes", "warnings", "sha256", "first_line", "began_utc")}
        last = json.loads((folder / "events.jsonl").read_text().splitlines()[-1])
        found.append(((folder / "samples.csv").read_bytes(), kept, last["rows"], last["t_s"]))
    return found


@pytest.mark.parametrize(
    ("about", "change"),
    [
        ("plain", {}),
        ("since 1970", {"begin_s": 1.7e9}),
        ("milliseconds since 1970", {"begin_s": 1.7e9, "unit": 1000.0}),
        ("gzip", {}),
        ("discharge positive", {}),
        ("no header", {}),
        ("a byte-order mark", {}),
    ],
)
def test_in_parts_it_is_the_same_to_the_byte(tmp_path, monkeypatch, small, about, change):
    rows = rows_of(**change)
    if about == "discharge positive":
        rows = [[*row[:2], row[2].lstrip("-"), *row[3:]] for row in rows]
    text = text_of(rows, HEAD if "header" not in about else "")
    if "1970" in about:
        text = text.replace("Time (s)", "Time", 1)
    file = tmp_path / ("t.csv.gz" if about == "gzip" else "t.csv")
    content = (b"\xef\xbb\xbf" if "mark" in about else b"") + text.encode()
    file.write_bytes(gzip.compress(content) if about == "gzip" else content)
    options = {"mapping": {"t": "1", "v": "2", "i": "3*0.001", "temp": "4"}} if "header" in about else {}
    parts, whole = both(tmp_path, monkeypatch, file, **options)
    assert small[0] is not None and len(small) == 1
    assert parts == whole


def late(rows):
    rows[2000][0], rows[2001][0] = rows[2001][0], rows[2000][0]
    return rows


def with_a_word(rows):
    rows[4000][1] = "overflow!"
    return rows


def with_a_hole(rows):
    rows[4000][1] = ""
    return rows


def with_a_stray(rows):
    rows[4000][1] = "0.0"
    return rows


def falling(rows):
    return rows[::-1]


def clock(rows):
    return [[f"{int(float(row[0])) // 3600}:{int(float(row[0])) // 60 % 60:02}:{int(float(row[0])) % 60:02}", *row[1:]]
            for row in rows]  # fmt: skip


@pytest.mark.parametrize("odd", [late, with_a_word, with_a_hole, with_a_stray, falling, clock])
def test_what_is_not_plain_is_read_whole_and_told_as_ever(tmp_path, monkeypatch, small, odd):
    file = tmp_path / "t.csv"
    file.write_text(text_of(odd(rows_of())))
    parts, whole = both(tmp_path, monkeypatch, file)
    assert not any(small)
    assert parts == whole


def test_a_refusal_is_the_same_sentence(tmp_path, monkeypatch, small):
    file = tmp_path / "t.csv"
    file.write_text(text_of([[row[0], str(float(row[1]) * 20), *row[2:]] for row in rows_of()]))
    said = []
    for limit in (6_000, 1 << 40):
        monkeypatch.setattr(long_table, "LONG_BYTES", limit)
        with pytest.raises(Exception, match="are not a cell's") as caught:
            import_table(file, "L3-a", logs=tmp_path / "logs")
        said.append(str(caught.value))
    assert said[0] == said[1]
    assert not (tmp_path / "logs").exists() or not any((tmp_path / "logs").iterdir())


def test_what_stands_for_a_table_does_not_grow_with_it(tmp_path, small):
    kept = []
    for count in (6000, 24_000):
        file = tmp_path / f"{count}.csv"
        file.write_text(text_of(rows_of(count)))
        import_table(file, "L3-a", logs=tmp_path / f"logs-{count}")
        kept.append(len(small[-1].parts.standing))
    assert kept[1] < 1.3 * kept[0]


@pytest.mark.parametrize("kind", ["time in parts", "two ways"])
def test_a_long_table_that_says_a_thing_in_parts_is_read_whole(tmp_path, monkeypatch, small, kind):
    rows = rows_of()
    if kind == "time in parts":
        head = "h,min,s,Voltage (V),Current (mA)\n"
        made = [
            [str(round(float(t)) // 3600), str(round(float(t)) // 60 % 60), str(round(float(t)) % 60), v, i]
            for t, v, i, *_ in rows
        ]
    else:
        head = "Time (s),Voltage (V),Charge current (mA),Discharge current (mA)\n"
        made = [[t, v, "0.0", i.lstrip("-")] for t, v, i, *_ in rows]
    file = tmp_path / "a.csv"
    file.write_text(text_of(made, head))
    one, other = both(tmp_path, monkeypatch, file)
    assert one == other and one[2] == len(rows)
    assert small == []
