"""Inputs that nobody meant to give: `python -m tests.campaign.fuzzing TARGET --seconds 120`.

Each target takes bytes, makes an input of one family of them and reads it: replies of instruments,
lines of loggers, the TOML files, a cell's record, a table to import, the files of a run folder.
Whatever comes, nothing but the errors that a person is told in a sentence may be raised; no number
may come out that is not in the input; and nothing may take long.

The bytes come from a coverage-guided fuzzer where it is installed (`pip install -e '.[fuzz]'`):
it keeps the inputs that reach new edges of our code and goes on from them. `--corpus DIR` keeps
them. `--random` does without: bytes drawn by seed. tests/harness/test_fuzz.py hands the same
targets what hypothesis thinks up.
"""

import argparse
import functools
import importlib
import itertools
import json
import math
import os
import random
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
SLOW_S = 5.0
SENTENCE = 20_000  # characters of a message at most: what it quotes may be long


class Source:
    """Takes choices out of bytes; zeros when they are used up."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def byte(self) -> int:
        """Return the next byte."""
        self.at += 1
        return self.data[self.at - 1] if self.at <= len(self.data) else 0

    def below(self, count: int) -> int:
        """Return a number from 0 to below `count`."""
        value = self.byte()
        if count > 256:
            value = value * 256 + self.byte()
        if count > 65536:
            value = value * 256 + self.byte()
        return value % max(count, 1)

    def left(self) -> bool:
        """Whether any byte is left."""
        return self.at < len(self.data)

    def take(self, most: int) -> bytes:
        """Return the next bytes, up to so many."""
        count = self.below(most + 1)
        part = self.data[self.at : self.at + count]
        self.at += count
        return part

    def rest(self) -> bytes:
        """Return all that is left."""
        part = self.data[self.at :]
        self.at = len(self.data)
        return part


def expected() -> tuple[type[Exception], ...]:
    """Return the errors that are told in one sentence."""
    from amphora.drivers.errors import DriverError
    from amphora.harness.common.errors import AmphoraError

    return (AmphoraError, DriverError)


def told(act: Callable[[], Any]) -> Any:
    """Do it; return None where it says no in a sentence. Anything else goes through."""
    try:
        return act()
    except expected() as error:
        text = str(error)
        assert text.strip() and len(text) < SENTENCE, f"no sentence: {text[:200]!r}"
        return None


# -- replies of instruments -------------------------------------------------------------------------

_STRICT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)


def scpi(data: bytes) -> None:
    """Replies: numbers, states, error entries, identities, blocks."""
    from amphora.drivers.scpi import syntax as replies

    source = Source(data)
    which = source.below(9)
    raw = source.rest()
    text = raw.decode("latin-1")
    if which == 0:
        number = told(lambda: replies.parse_number(text, "the voltage", "V"))
        if number is not None:
            bare = text.strip()
            bare = bare[:-1].rstrip() if bare[-1:] in "vV" else bare
            assert _STRICT.fullmatch(bare) and number == float(bare) and math.isfinite(number), (text, number)
    elif which == 1:
        whole = told(lambda: replies.parse_integer(text))
        assert whole is None or whole == int(text.strip())
    elif which == 2:
        told(lambda: replies.parse_boolean(text))
    elif which == 3:
        entry = told(lambda: replies.parse_error(text, ("0,0",)))
        assert entry is None or isinstance(entry.code, int)
    elif which == 4:
        identity = told(lambda: replies.parse_identity(text))
        assert identity is None or str(identity)
    elif which == 5:
        block = told(lambda: replies.parse_block(raw))
        assert block is None or block in raw
    elif which == 6:
        whole = told(lambda: replies.parse_non_decimal(text))
        assert whole is None or whole < 2**256
    elif which == 7:
        fields = told(lambda: replies.split_answer(text, 3))
        assert fields is None or ";".join(fields) == text
    else:
        replies.esr_bit(source.below(70000))
        replies.is_spelling("VOLTage", text)


SEEDS_SCPI = (
    b"\x00+3.7120E+00", b"\x009.91E37", b"\x003.7V", b"\x01-113", b"\x02ON", b'\x03-113,"Undefined header"',
    b"\x04MAKER,MODEL,1,2", b"\x05#15hello", b"\x06#HFF", b'\x071;"a;b";2',
)  # fmt: skip


# -- lines of loggers -----------------------------------------------------------------------------


@functools.cache
def _formats() -> tuple[Any, ...]:
    from amphora.drivers.serial.format_file import load_format, shipped

    return tuple(load_format(name) for name in shipped())


def lines(data: bytes) -> None:
    """Bytes of a serial logger, in pieces, read by each shipped format."""
    source = Source(data)
    form = _formats()[source.below(len(_formats()))]
    buffer = bytearray()
    while source.left():
        buffer += source.take(64)
        for record in form.split(buffer):
            parsed = told(functools.partial(form.parse, record))
            if parsed is None:
                continue
            for name, value in parsed.values.items():
                assert math.isfinite(value), (record, name, value)
            assert parsed.time_s is None or math.isfinite(parsed.time_s)
            if form.kind == "lines":
                assert any(48 <= byte < 58 for byte in record) or not parsed.values, (record, parsed)
    assert len(buffer) < 100_000


SEEDS_LINES = tuple(
    bytes([number]) + bytes([len(text)]) + text
    for number in range(8)
    for text in (b"12.5,3.712,-0.2,24.5\n", b"3.712 V\n", b"V=3.712 I=-0.201 T=24.5\n", b"1;3,712;-0,2\r\n", b"O.L\n")
)


# -- text files -----------------------------------------------------------------------------------

_TOKEN = re.compile(r'"(?:[^"\\\n]|\\.)*"|[A-Za-z_][\w-]*|[-+]?\d[\d_.eE+-]*|\s+|.', re.DOTALL)
_VALUES = (
    "0", "-1", "1e308", "1e309", "-0.0", "nan", "inf", "-inf", "true", "false", "[]", "{}", '""', '"0 V"', '"1e999 A"',
    '"nan V"', '"-5 h"', '"99999999999 h"', '"1 kV"', '"0.0001 It"', '"100 %"', "9999999999999999999999", "07:32:00",
    "1979-05-27", "[1, [2, 3]]", "{ a = 1 }", '"\\u0000"', '"../x"', '"*"', "[[]]", "1.5", "3", '"3"', '"é"', '" "',
    "9" * 400, "9" * 5000, "[" * 3000, '"' + "9" * 400 + ' V"',
)  # fmt: skip


def mutated(text: str, source: Source, values: tuple[str, ...] = _VALUES) -> str:
    """Return a text with some of its words, numbers and lines changed."""
    tokens = _TOKEN.findall(text)
    while source.left() and tokens:
        act, at = source.below(8), source.below(len(tokens))
        if act < 3:
            tokens[at] = values[source.below(len(values))]
        elif act == 3:
            tokens[at] = source.take(12).decode("utf-8", errors="replace")
        elif act == 4:
            del tokens[at : at + 1 + source.below(30)]
        elif act == 5:
            tokens[at:at] = tokens[source.below(len(tokens)) :][: 1 + source.below(30)]
        elif act == 6:
            other = source.below(len(tokens))
            tokens[at], tokens[other] = tokens[other], tokens[at]
        else:
            tokens[at] = tokens[source.below(len(tokens))]
    return "".join(tokens)


@functools.cache
def _shipped(folder: str) -> tuple[str, ...]:
    return tuple(path.read_text(encoding="utf-8") for path in sorted((ROOT / folder).glob("*.toml")))


def _text_of(data: bytes, folder: str) -> tuple[str, Source]:
    source = Source(data)
    texts = _shipped(folder)
    return mutated(texts[source.below(len(texts))], source), source


BENCH = """
name = "bench"
leads = "wired"

[instruments.load]
role = "load"
resource = "TCPIP::127.0.0.1::5025::SOCKET"
dialect = "load-simple"
max_current = "10 A"

[instruments.load.specification]
voltage = { gain = "0.05 %", offset = "2 mV", resolution = "1 mV" }
current = { gain = "0.1 %", offset = "3 mA", resolution = "1 mA" }
time = { gain = "100 ppm" }

[instruments.supply]
role = "supply"
resource = "ASRL/dev/ttyUSB0::INSTR"
baud = 9600

[instruments.logger]
role = "logger"
port = "/dev/ttyUSB1"
format = "labelled"

[cell]
voltage = "load"
current = ["load", "supply"]
temperature = "logger"
"""


def bench(data: bytes) -> None:
    """A bench file."""
    from amphora.harness.bench.bench_file import load_bench

    with _file(mutated(BENCH, Source(data)), "bench.toml") as path:
        described = told(lambda: load_bench(path))
        if described is not None:
            told(described.measurement)


def recipe(data: bytes) -> None:
    """A recipe, read and planned: no plan goes beyond the chemistry's window."""
    from datetime import UTC, datetime

    from amphora.harness.cells.chemistry import load_chemistry
    from tests.support.plans import build_plan

    text, _ = _text_of(data, "profiles/recipes")
    cell = {"id": "c", "form": "18650", "chemistry": "li-ion", "declared_rechargeable": True}
    window = load_chemistry("li-ion")
    with _file(text, "r.toml") as path:
        now = datetime(2026, 3, 1, 20, 0, tzinfo=UTC)
        plan = told(lambda: build_plan(str(path), cell, None, capacity_Ah=1.0, now=now, start="declared-full"))
    if plan is None:
        return
    for step in plan.steps:
        for segment in step.segments:
            order = segment.order
            assert order.voltage_V is None or order.voltage_V <= window.charge_limit_V + 1e-9, order
            for value in (order.value, order.voltage_V, order.current_A, segment.duration_s):
                assert value is None or (math.isfinite(value) and value >= 0.0), (step.name, order)
        assert step.cutoff_V is None or step.cutoff_V >= window.hard_low_V - 1e-9
        assert math.isfinite(step.max_duration_s)


def chemistry(data: bytes) -> None:
    """A chemistry sheet."""
    from amphora.harness.cells.chemistry import read_chemistry, triage

    text, _ = _text_of(data, "profiles/chemistries")
    sheet = told(lambda: read_chemistry(text, "sheet.toml"))
    if sheet is not None:
        assert sheet.hard_low_V <= sheet.cutoff_V < sheet.charge_limit_V <= sheet.hard_high_V, sheet
        told(lambda: triage(sheet, 3.3))


def duty(data: bytes) -> None:
    """A duty."""
    from amphora.harness.decisions.duty import read_duty

    text, _ = _text_of(data, "profiles/duties")
    told(lambda: read_duty(text, "duty.toml"))


def grade(data: bytes) -> None:
    """The criteria of a grade."""
    from amphora.harness.decisions.criteria import read_criteria

    text, _ = _text_of(data, "profiles/grades")
    told(lambda: read_criteria(text, "grade.toml"))


def dialect(data: bytes) -> None:
    """A dialect."""
    from amphora.drivers.scpi.dialect import parse_dialect

    text, _ = _text_of(data, "drivers/scpi/dialects")
    read = told(lambda: parse_dialect(text, "dialect.toml"))
    if read is not None:
        read.matches("MAKER,MODEL,1,2")


def line_format(data: bytes) -> None:
    """A line format, and a line that it reads."""
    import tomllib

    from amphora.drivers.serial.format_file import format_from_dict

    text, _ = _text_of(data, "drivers/serial/formats")
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError):
        return
    form = told(lambda: format_from_dict(table, "format.toml"))
    if form is not None:
        for line in (b"12.5,3.712,-0.2,24.5", b"3.7 V", b"V=3.7 I=-0.2"):
            told(functools.partial(form.parse, line))


CELL = json.dumps(
    {
        "format": "amphora-cell/1", "id": "c", "form": "18650", "chemistry": "li-ion", "source": "the path lights",
        "claim_Ah": 1.5, "mass_g": 44.1, "as_found_V": 3.31, "as_found_utc": "2026-03-01T20:00:00Z",
        "inspection": {"wrapper": "sound"}, "notes": "", "state": "found", "declared_rechargeable": True,
    },
    indent=1,
)  # fmt: skip


def cell(data: bytes) -> None:
    """A cell's record on the shelf."""
    from amphora.harness.archive.shelf import Shelf

    with tempfile.TemporaryDirectory(prefix="amphora-fuzz-", dir=_memory()) as name:
        folder = Path(name) / "c"
        folder.mkdir()
        (folder / "cell.json").write_text(mutated(CELL, Source(data)), encoding="utf-8", errors="replace")
        shelf = Shelf(Path(name))
        told(lambda: shelf.get("c"))
        told(shelf.list_cells)


def mapping(data: bytes) -> None:
    """The map of an import."""
    from amphora.harness.importing.columns import parse_map

    told(lambda: parse_map(mutated("t=Time,v=U(V),i=Current(mA)*0.001,temp=T1", Source(data))))


def quantity(data: bytes) -> None:
    """A quantity of a person: `3,0 V`, `2h 30min`."""
    from amphora.harness.common.quantities import parse

    source = Source(data)
    kind = ("voltage", "current", "capacity", "duration", "temperature", "resistance", "energy")[source.below(7)]
    text = source.rest().decode("utf-8", errors="replace")
    value = told(lambda: parse(text, kind, "--x"))
    assert value is None or math.isfinite(value), (text, value)


TABLE = "Time,U(V),I(mA),T\n" + "".join(
    f"{60 * n},{4.1 - 0.004 * n - (1.0 if n > 95 else 0.0):.4f},-200.0,{20 + 0.01 * n:.2f}\n" for n in range(100)
)
_CELLS = (
    "",
    "nan",
    "inf",
    "1e999",
    "-",
    "3,7",
    "0x10",
    "1_0",
    "9.91E37",
    "12:30:00",
    "2026-03-01",
    ";",
    "\t",
    '"',
    "\n",
)


def table(data: bytes) -> None:
    """A table to import."""
    from amphora.harness.archive.journal import read_run
    from amphora.harness.importing.import_run import import_table

    source = Source(data)
    text = mutated(TABLE, source, _CELLS)
    with tempfile.TemporaryDirectory(prefix="amphora-fuzz-", dir=_memory()) as name:
        path = Path(name) / "table.csv"
        path.write_text(text, encoding="utf-8", errors="replace")
        made = told(lambda: import_table(path, "c", {}, logs=Path(name) / "logs", chemistry="li-ion"))
        if made is not None:
            rows = list(read_run(made).iter_rows())
            assert rows and all(math.isfinite(value) for row in rows for value in row[:4] if value is not None)
            assert all(a[0] <= b[0] for a, b in itertools.pairwise(rows)), "time goes back"


# -- run folders ------------------------------------------------------------------------------------


@functools.cache
def run_files() -> Mapping[str, bytes]:
    """Return the files of a short night that ended well."""
    from tests.campaign.file_faults import Story, place

    with place() as root:
        story = Story(root)
        story.tell()
        folder = story.folder()
        assert folder is not None
        return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}


@functools.cache
def undamaged() -> Mapping[str, Any]:
    """Return the figures of that night."""
    from amphora.harness.account.answer import analyse_run

    with tempfile.TemporaryDirectory(prefix="amphora-fuzz-", dir=_memory()) as root:
        for name, whole in run_files().items():
            (Path(root) / name).write_bytes(whole)
        return analyse_run(Path(root))


def damaged(content: bytes, source: Source) -> bytes:
    """Return bytes with some flipped, cut off, left out or put in."""
    result = bytearray(content)
    while source.left():
        act, at = source.below(6), source.below(max(len(result), 1))
        if act == 0:
            del result[at:]
        elif act == 1:
            del result[at : at + 1 + source.below(40)]
        elif act == 2:
            result[at:at] = source.take(16)
        elif act == 3 and result:
            result[at % len(result)] = source.byte()
        elif act == 4:
            result[at:at] = result[source.below(max(len(result), 1)) :][: 1 + source.below(60)]
        elif result:
            result[at % len(result)] ^= 1 << source.below(8)
    return bytes(result)


def folder(data: bytes) -> None:
    """A run folder with one file damaged: read, analysed, watched, resumed; a change never goes unseen."""
    from amphora.harness.account.answer import analyse_run
    from amphora.harness.archive.journal import read_run
    from amphora.harness.archive.run_folder import resumable
    from amphora.harness.archive.shelf import Shelf

    source = Source(data)
    files = run_files()
    names = sorted(files)
    name = names[source.below(len(names))]
    if name.endswith((".json", ".jsonl")) and source.below(2):
        values = ("null", "[]", "{}", '"x"', "-1", "1e308", "NaN", "true", "9" * 400, "[" * 3000, '""', "0", "1.5")
        content = mutated(files[name].decode("utf-8"), source, values).encode("utf-8", errors="replace")
    else:
        content = damaged(files[name], source)
    with tempfile.TemporaryDirectory(prefix="amphora-fuzz-", dir=_memory()) as root:
        run_folder = Path(root) / "c" / "20260313T200000Z-short"
        run_folder.mkdir(parents=True)
        for other, whole in files.items():
            (run_folder / other).write_bytes(content if other == name else whole)
        run = told(lambda: read_run(run_folder))
        if run is not None:
            rows = told(lambda: list(run.iter_rows()))
            if rows is not None and name == "samples.csv" and content != files[name]:
                assert run.notices, "a change of the samples was not seen"
            if rows is not None and name == "run.json" and content != files[name]:
                assert run.notices, "a change of run.json was not seen"
        result = told(lambda: analyse_run(run_folder))
        if name == "result.json" or content == files[name]:
            assert result is not None and result.phases == undamaged().phases, "a changed result was believed"
        told(lambda: resumable(run_folder))
        told(Shelf(Path(root)).list_runs)


# -- how they are run -----------------------------------------------------------------------------


def _memory() -> str | None:
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


class _file:
    """A text in a file of its own, for as long as it is looked at."""

    def __init__(self, text: str, name: str) -> None:
        self.text, self.name = text, name

    def __enter__(self) -> Path:
        self.folder = tempfile.mkdtemp(prefix="amphora-fuzz-", dir=_memory())
        path = Path(self.folder) / self.name
        path.write_text(self.text, encoding="utf-8", errors="replace")
        return path

    def __exit__(self, *words: object) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "scpi": scpi, "lines": lines, "bench": bench, "recipe": recipe, "chemistry": chemistry, "duty": duty,
    "grade": grade, "dialect": dialect, "line-format": line_format, "cell": cell, "map": mapping,
    "quantity": quantity, "table": table, "folder": folder,
}  # fmt: skip
SEEDS: dict[str, tuple[bytes, ...]] = {"scpi": SEEDS_SCPI, "lines": SEEDS_LINES}
# What each target runs through, so that its edges are counted.
CODE = (
    "amphora.drivers.scpi.syntax",
    "amphora.drivers.serial.format_file", "amphora.drivers.serial.line_format",
    "amphora.drivers.scpi.dialect",
    "amphora.drivers.serial.sensors",
    "amphora.harness.common.quantities",
    "amphora.harness.bench.bench_file",
    "amphora.harness.plans.recipe",
    "amphora.harness.plans.charge_permission",
    "amphora.harness.plans.requirements",
    "amphora.harness.plans.steps",
    "amphora.harness.plans.durations",
    "amphora.harness.plans.build",
    "amphora.harness.cells.chemistry",
    "amphora.harness.decisions.duty",
    "amphora.harness.decisions.grades",
    "amphora.harness.archive.shelf",
    "amphora.harness.importing.import_run",
    "amphora.harness.importing.columns",
    "amphora.harness.importing.table_file",
    "amphora.harness.importing.column_values",
    "amphora.harness.importing.table_times",
    "amphora.harness.importing.one_cell",
    "amphora.harness.importing.rows",
    "amphora.harness.importing.plausibility",
    "amphora.harness.archive.journal",
    "amphora.harness.archive.loading",
    "amphora.harness.results.analyse",
    "amphora.harness.plans.plan",
    "amphora.harness.running.session",
)  # fmt: skip


def guided(name: str, seconds: float, corpus: Path | None) -> int:
    """Let the coverage-guided fuzzer run a target; it prints its own count of runs and edges."""
    import atheris

    with atheris.instrument_imports(include=["amphora.drivers", "amphora.harness"], enable_loader_override=False):
        for module in CODE:
            importlib.import_module(module)
    target = TARGETS[name]
    keep = Path(tempfile.mkdtemp(prefix="amphora-corpus-")) if corpus is None else corpus / name
    keep.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(SEEDS.get(name, (b"", b"\x00\x01\x02\x03\x04\x05\x06\x07"))):
        (keep / f"seed-{number}").write_bytes(seed)
    words = [
        sys.argv[0], f"-max_total_time={int(seconds)}", "-max_len=400", f"-timeout={int(SLOW_S)}",
        "-print_final_stats=1", f"-artifact_prefix={keep}/found-", "-verbosity=1", "-report_slow_units=5", str(keep),
    ]  # fmt: skip
    atheris.Setup(words, target)
    atheris.Fuzz()
    return 0


def at_random(name: str, seconds: float, first: int = 1) -> int:
    """Run a target with bytes drawn by seed, for so long; exit 1 at the first thing that is wrong."""
    target = TARGETS[name]
    begin = time.monotonic()
    seed, slowest_s = first, 0.0
    while time.monotonic() - begin < seconds:
        rng = random.Random(seed)
        data = rng.randbytes(rng.choice((4, 12, 40, 120)))
        start_s = time.monotonic()
        try:
            target(data)
        except Exception as error:  # noqa: BLE001  that is what is looked for
            print(f"{name}, seed {seed}, {data.hex()}: {error!r}")
            return 1
        slowest_s = max(slowest_s, time.monotonic() - start_s)
        seed += 1
    print(f"{name}: {seed - first} inputs, nothing found, slowest {slowest_s:.2f} s")
    return 0


def main() -> int:
    """Fuzz one target, or run it once on a file."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.fuzzing", description=__doc__)
    parser.add_argument("target", choices=[*TARGETS, "all"])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--corpus", type=Path)
    parser.add_argument("--random", action="store_true", help="without the coverage-guided fuzzer")
    parser.add_argument("--file", type=Path, help="run the target once, on the bytes of this file")
    options = parser.parse_args()
    if options.file is not None:
        TARGETS[options.target](options.file.read_bytes())
        print("nothing found")
        return 0
    if options.random:
        names = list(TARGETS) if options.target == "all" else [options.target]
        return max(at_random(name, options.seconds) for name in names)
    if options.target == "all":
        print("the coverage-guided fuzzer takes one target at a time; with --random all are accepted")
        return 2
    return guided(options.target, options.seconds, options.corpus)


if __name__ == "__main__":
    raise SystemExit(main())
