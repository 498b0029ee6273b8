"""Promises about inputs that nobody meant to give: a sentence or a right answer, and nothing else.

Hypothesis thinks up the bytes; the targets are those of the coverage-guided runs
(`python -m tests.campaign.fuzzing`). Below them, each input that was once found to do harm.
"""

import contextlib
import json
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from amphora.drivers.errors import DescriptionError
from amphora.drivers.scpi.dialect import parse_dialect
from amphora.drivers.serial.format_file import format_from_dict, load_format
from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.journal import read_run
from amphora.harness.bench.bench_file import load_bench
from amphora.harness.common.errors import AmphoraError, InputError, JournalDamaged
from amphora.harness.importing.columns import parse_map
from tests.campaign.fuzzing import BENCH, ROOT, SEEDS, TARGETS, Source, damaged, mutated, run_files

FAST = ("scpi", "lines", "bench", "recipe", "chemistry", "duty", "dialect", "line-format", "map", "quantity")
SLOW = ("grade", "cell", "table", "folder")
BYTES = st.binary(max_size=120)


@pytest.mark.parametrize("name", FAST)
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
@given(data=BYTES)
@example(data=b"")
def test_whatever_comes_the_answer_is_right_or_one_sentence(name: str, data: bytes) -> None:
    TARGETS[name](data)


@pytest.mark.parametrize("name", SLOW)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
@given(data=BYTES)
@example(data=b"")
def test_files_that_were_damaged_are_told_or_read_right(name: str, data: bytes) -> None:
    TARGETS[name](data)


@pytest.mark.parametrize(("name", "data"), [(name, data) for name, them in SEEDS.items() for data in them])
def test_what_instruments_really_say_goes_through_the_same_way(name: str, data: bytes) -> None:
    TARGETS[name](data)


def test_the_targets_do_change_what_they_are_given() -> None:
    # A target that never gets at the reader would find nothing: most bytes must change the text.
    text = 'name = "x"\nvalue = 3\n' * 5
    changed = sum(mutated(text, Source(bytes([n, n * 7 % 256, n * 3 % 256]))) != text for n in range(256))
    assert changed > 200
    assert sum(damaged(text.encode(), Source(bytes([n % 6, n, 7]))) != text.encode() for n in range(256)) > 200


def test_a_wrong_number_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    import amphora.drivers.scpi.syntax

    monkeypatch.setattr(amphora.drivers.scpi.syntax, "parse_number", lambda text, what="", unit="": 3.7)
    with pytest.raises(AssertionError):
        TARGETS["scpi"](b"\x00abc")


@pytest.mark.parametrize("pattern", ["a{99999999999999999999}", "(" * 3000], ids=["repeats", "deep"])
def test_a_pattern_that_the_system_cannot_hold_is_told(pattern: str) -> None:
    table = {"kind": "lines", "pattern": pattern, "serial": {"baud": 9600}, "columns": [{"name": "v"}]}
    with pytest.raises(DescriptionError):
        format_from_dict(table, "format.toml")
    shipped = Path(__file__).parents[2] / "drivers" / "scpi" / "dialects" / "load-simple.toml"
    text = shipped.read_text(encoding="utf-8")
    begin, end = text.index("identity"), text.index("\n", text.index("identity"))
    with pytest.raises(DescriptionError):
        parse_dialect(text[:begin] + f'identity = ["{pattern}"]' + text[end:], "dialect.toml")


def test_a_long_map_is_not_told_back_whole() -> None:
    with pytest.raises(InputError) as caught:
        parse_map("t9" * 3000)
    assert len(str(caught.value)) < 300


HUGE = {"digits": "9" * 5000, "whole number": "9" * 400, "deep": "[" * 3000}


@pytest.mark.parametrize("value", HUGE.values(), ids=HUGE)
@pytest.mark.parametrize("name", ["bench", "dialect", "line-format"])
def test_a_value_that_no_number_can_hold_is_told(name: str, value: str, tmp_path: Path) -> None:
    path = tmp_path / f"{name}.toml"
    if name == "bench":
        path.write_text(BENCH.replace("max_current", f"baud = {value}\nmax_current") + f"\n[extra]\nx = {value}\n")
        with pytest.raises(InputError):
            load_bench(path)
        path.write_text(BENCH.replace('gain = "0.05 %"', f"gain = {value}"))
        with pytest.raises(InputError):
            load_bench(path)
    elif name == "dialect":
        text = (ROOT / "drivers/scpi/dialects/load-simple.toml").read_text(encoding="utf-8")
        with pytest.raises(DescriptionError):
            parse_dialect(f"settle = {value}\n" + text, str(path))
    else:
        text = (ROOT / "drivers/serial/formats/labelled.toml").read_text(encoding="utf-8")
        path.write_text(text.replace("baud = 115200", f"baud = {value}"), encoding="utf-8")
        with pytest.raises(DescriptionError):
            load_format(str(path))


@pytest.mark.parametrize("given", ["[['load']]", "['load']", "{ a = 1 }", "3", "true"])
def test_a_measurer_of_the_cell_that_is_no_name_is_told(given: str, tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.replace('voltage = "load"', f"voltage = {given}"), encoding="utf-8")
    with pytest.raises(InputError, match=r"cell\.voltage"):
        load_bench(path)


def test_a_specification_that_is_no_table_is_told(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    begin = BENCH.index("[instruments.load.specification]")
    end = BENCH.index("[instruments.supply]")
    path.write_text(BENCH[:begin] + "specification = 3\n\n" + BENCH[end:], encoding="utf-8")
    with pytest.raises(InputError, match="specification"):
        load_bench(path)


def test_events_nested_too_deep_are_damage_at_a_line(tmp_path: Path) -> None:
    for name, content in run_files().items():
        (tmp_path / name).write_bytes(content)
    with (tmp_path / "events.jsonl").open("ab") as file:
        file.write(b"[" * 100_000 + b"\n")
    with pytest.raises(JournalDamaged, match=r"events\.jsonl, line"):
        read_run(tmp_path)


@pytest.mark.parametrize("value", ["1e308", "-1e308", "1e200"])
def test_numbers_that_no_instrument_gives_are_told_by_the_analysis(value: str, tmp_path: Path) -> None:
    for name, content in run_files().items():
        (tmp_path / name).write_bytes(content)
    (tmp_path / "result.json").unlink()
    text = (tmp_path / "run.json").read_text(encoding="utf-8")
    changed = re.sub(r'"(gain|offset|resolution)": [0-9.e-]+', rf'"\1": {value}', text)
    assert changed != text
    (tmp_path / "run.json").write_text(changed, encoding="utf-8")
    with contextlib.suppress(AmphoraError):  # a sentence, or an answer that can be written as JSON
        json.dumps(analyse_run(tmp_path).to_json(), allow_nan=False)
