"""A run's folder: which files it holds, their columns and format, and how they are read. The only reader.

The writer (`journal`), the loader, the watchdog, the live page and the certificate ask here what a file is called, what
a torn line looks like and what a row or an event is. Also from outside: a run's name, what it holds before the first
order, whether it can go on.
"""

import contextlib
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from amphora.harness.archive.run_header import PlanAtRun, RunHeader, header_of
from amphora.harness.common.as_json import known_of, of_another_kind, to_json
from amphora.harness.common.errors import InputError, JournalDamaged
from amphora.harness.common.files import sha256, utc_text
from amphora.harness.control.events import Event, MadeSafe, PlanBegun, Stopped, event_of
from amphora.harness.plans.plan import Plan, plan_from_dict

if TYPE_CHECKING:
    from amphora.harness.bench.bench_file import BenchDescription

RUN, SAMPLES, EVENTS = "run.json", "samples.csv", "events.jsonl"
FILES = (RUN, SAMPLES, EVENTS)  # what is the run; all else in its folder is derived
KEEPER = "keeper.jsonl"  # what the watchdog did after the end
FORMAT = "amphora-run/1"
READABLE_FORMATS = ("amphora-run/1",)
COLUMNS = ("t_s", "step", "voltage_V", "current_A", "temperature_degC")
TOOK = "took_s"  # how long the answer took: the reading was asked for within t_s +- half of it; the last column
TORN = b" torn\n"  # the end of a line that a full disk cut, marked by the next that got through
NO_GOING_ON = "it cannot go on; an output may still be on: 'amphora bench off' switches the bench off"


def is_torn(raw: bytes) -> bool:
    """Tell whether a line of the table or of the events is not whole."""
    return not raw.endswith(b"\n") or raw.endswith(TORN)


@dataclass(frozen=True)
class RunFolder:
    """A run folder as read: what was known, what happened, where the rows are."""

    folder: Path
    run: dict[str, Any]
    events: list[Event]
    columns: tuple[str, ...]
    rows: int
    notices: tuple[str, ...] = ()
    torn: tuple[int, ...] = field(default=())
    lost: str = ""  # rows that an event came after and that are not there, in one sentence

    @property
    def stopped(self) -> Stopped | None:
        """The last event of a run that ended for good, else None (it may be resumed)."""
        last = stopped_of(self.events)
        return last if last is not None and last.ends_it else None

    def iter_rows(
        self,
    ) -> Iterator[tuple[float, int, float | None, float | None, float | None, dict[str, float]]]:
        """Yield each complete row as numbers, in order.

        Raises:
            JournalDamaged: a row in the middle cannot be read: file and line.
        """
        path = self.folder / SAMPLES
        width = len(self.columns)
        extra = self.columns[len(COLUMNS) :]
        for number, text in _complete_rows(path, width):
            cells = text.split(",")
            try:
                t_s, step = float(cells[0]), int(cells[1])
                values = [float(cell) if cell else None for cell in cells[2:]]
            except ValueError as error:
                raise JournalDamaged(f"{path}, line {number}: {text!r} is not a row of numbers") from error
            yield (
                t_s,
                step,
                values[0],
                values[1],
                values[2],
                {name: value for name, value in zip(extra, values[3:], strict=True) if value is not None},
            )


def _complete_rows(path: Path, width: int) -> Iterator[tuple[int, str]]:
    """Yield (line number, text) of each complete row; a torn one is left out."""
    with path.open("rb") as file:
        next(file, None)
        for number, raw in enumerate(file, start=2):
            if not raw.endswith(b"\n"):
                return
            text = raw[:-1].decode("utf-8", errors="replace")
            if text.endswith(" torn"):
                continue
            if text.count(",") != width - 1:
                raise JournalDamaged(
                    f"{path}, line {number}: {text[:60]!r} has {text.count(',') + 1} fields; {width} are expected"
                )
            yield number, text


def _count_rows(path: Path, width: int) -> tuple[int, tuple[int, ...]]:
    """Return how many complete rows there are, and the line numbers of torn ones."""
    rows, torn = 0, []
    with path.open("rb") as file:
        next(file, None)
        for number, raw in enumerate(file, start=2):
            if is_torn(raw):
                torn.append(number)
            else:
                rows += 1
    return rows, tuple(torn)


def no_run(folder: Path) -> InputError:
    """Return what to say of a path that is no run folder; in a cell's folder, which runs there are."""
    with contextlib.suppress(OSError):
        runs = sorted(path.name for path in runs_in(folder))
        if runs:
            return InputError(f"{folder}: is no run folder, but a cell's; its newest run is {folder / runs[-1]}")
        if not folder.exists():
            return InputError(f"{folder}: there is no such run folder; `amphora cell show CELL` lists a cell's runs")
    return InputError(f"{folder}: is no run folder (it has no run.json)")


def read_header(folder: Path) -> dict[str, Any]:
    """Return what was known before the run: what `run.json` holds.

    Raises:
        InputError: no run's folder, or of a format that is not known here.
        JournalDamaged: it cannot be read as a JSON object.
    """
    path = folder / RUN
    if not is_run(folder):
        raise no_run(folder)
    run = _read_json(path)
    held = run.get("format")
    if held not in READABLE_FORMATS:
        raise InputError(f"{path}: format {held!r} is not known here; {', '.join(READABLE_FORMATS)} can be read")
    return run


def header_as_it_is(folder: Path) -> dict[str, Any]:
    """Return what `run.json` holds, unchecked, for whoever looks at many folders.

    Raises:
        OSError, ValueError: it cannot be read, or is no JSON.
    """
    return json.loads((folder / RUN).read_bytes())  # type: ignore[no-any-return]


def header_of_run(folder: Path) -> RunHeader:
    """Return what `run.json` says, as types.

    Raises:
        InputError, JournalDamaged: as `read_header`; or a value is of another kind than it should be (the cell's record
            apart, which people write): no figure is made without what somebody spoilt.
    """
    run = read_header(folder)
    odd = next((key for key in of_another_kind(RunHeader, run) if not key.startswith("cell.")), None)
    if odd is not None:
        held: Any = run
        for part in odd.split("."):
            held = held[part]
        raise JournalDamaged(f"{folder / RUN}: {odd} = {held!r} is of another kind than a run writes there")
    return header_of(run)


def header_unchecked(folder: Path) -> RunHeader:
    """Return what `run.json` says, whatever its format, for whoever looks at many folders.

    Raises:
        OSError, ValueError: it cannot be read, or is no JSON.
    """
    return header_of(header_as_it_is(folder))


def is_run(folder: Path) -> bool:
    """Tell whether a folder is a run's."""
    return (folder / RUN).is_file()


def runs_in(cell_folder: Path, named: str = "*") -> list[Path]:
    """Return the run folders of a cell, in no order; `named`: a pattern of their names."""
    return [path.parent for path in cell_folder.glob(f"{named}/{RUN}")]


def runs_below(logs: Path, named: str = "*") -> list[Path]:
    """Return the run folders of all cells of a shelf, in no order; `named`: a pattern of their names."""
    return [path.parent for path in logs.glob(f"*/{named}/{RUN}")]


def events_size(folder: Path) -> int:
    """Return how many bytes of events there are, 0 for none: it changes with each event."""
    try:
        return (folder / EVENTS).stat().st_size
    except OSError:
        return 0


def read_columns(folder: Path) -> tuple[str, ...]:
    """Return the names of the table's columns, which begin with `COLUMNS`.

    Raises:
        JournalDamaged: there is no table, or its first line is another.
    """
    samples = folder / SAMPLES
    if not samples.is_file():
        raise JournalDamaged(f"{samples}: is missing")
    with samples.open("rb") as file:
        header = file.readline()
    columns = tuple(header.decode("utf-8", errors="replace").rstrip("\r\n").split(","))
    if not header.endswith(b"\n"):
        raise JournalDamaged(f"{samples}, line 1: the header is missing")
    if columns[: len(COLUMNS)] != COLUMNS:
        raise JournalDamaged(f"{samples}, line 1: the header is not {','.join(COLUMNS)}…")
    return columns


def new_lines(path: Path, offset: int) -> tuple[list[bytes], int]:
    """Return the whole lines behind `offset` without their ends, torn ones left out, and where the next begins.

    The file may still be written. A file that has become shorter is another one: no line, and -1.
    """
    try:
        if path.stat().st_size < offset:
            return [], -1
        with path.open("rb") as stream:
            stream.seek(offset)
            data = stream.read()
    except OSError:
        return [], offset
    end = data.rfind(b"\n") + 1
    lines = data[:end].split(b"\n")[:-1]
    return [line for line in lines if not is_torn(line + b"\n")], offset + end


def read_run(folder: Path) -> RunFolder:
    """Read a run folder; touches nothing.

    Raises:
        InputError: no such folder, or it is not a run folder, or of a newer format.
        JournalDamaged: damage other than a torn last line: file and line.
    """
    run = read_header(folder)
    samples = folder / SAMPLES
    columns = read_columns(folder)
    events, dropped = read_events(folder / EVENTS)  # first: rows may still be coming
    rows, torn = _count_rows(samples, len(columns))
    notices = [f"{samples.name}, line {number}: a torn row was left out" for number in torn] + dropped
    lost = lost_rows(events, rows)
    notices += [text for text in (lost, after_the_end(folder)) if text]
    stopped = stopped_of(events)
    if stopped is not None:
        notices += _changes(folder, stopped)
    return RunFolder(folder, run, events, columns, rows, tuple(notices), torn, lost)


def after_the_end(folder: Path) -> str:
    """Return what the keeper did after a run that had ended with an output not off; "" where it did nothing."""
    try:
        lines = (folder / KEEPER).read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError):
        return ""
    for line in reversed(lines):
        with contextlib.suppress(ValueError, AttributeError):
            event = event_of(json.loads(line))
            if isinstance(event, MadeSafe):
                return f"after the end the keeper {'switched all off' if event.off is True else 'tried in vain'}"
    return ""


def lost_rows(events: Sequence[Event], rows: int) -> str:
    """Return which rows are gone although an event says that they were on the disk before it; "" for none."""
    most = max((event.after_row for event in events), default=0)
    if most <= rows:
        return ""
    kind = next(event.kind for event in events if event.after_row == most)
    return (
        f"samples.csv holds {rows} rows, and {most} were there before '{kind}' was written to events.jsonl: "
        "the disk has lost what it had confirmed"
    )


def stopped_of(events: Sequence[Event]) -> Stopped | None:
    """Return the last event, where it is the one that ends a run."""
    last = events[-1] if events else None
    return last if isinstance(last, Stopped) else None


def _changes(folder: Path, stopped: Stopped) -> list[str]:
    """Compare the files with the checksums of the last event."""
    told = []
    for name, expected in (stopped.checksums or {}).items():
        path = folder / name
        if name == EVENTS:
            content = path.read_bytes()
            cut = content[:-1].rfind(b"\n") + 1
            actual = hashlib.sha256(content[:cut]).hexdigest()
        else:
            actual = sha256(path) if path.is_file() else "missing"
        if actual != expected:
            told.append(f"{name} was changed after the run ended (its checksum differs)")
    return told


def _read_json(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise JournalDamaged(f"{path}: cannot be read as JSON: {error}") from error
    if not isinstance(data, dict):
        raise JournalDamaged(f"{path}: holds no JSON object")
    return data


def read_events(path: Path) -> tuple[list[Event], list[str]]:
    """Return the events of a run, and a notice for each torn line, which is left out.

    Raises:
        JournalDamaged: no such file, or a whole line that is no event: file and line.
    """
    if not path.is_file():
        raise JournalDamaged(f"{path}: is missing")
    events: list[Event] = []
    notices: list[str] = []
    with path.open("rb") as file:
        for number, raw in enumerate(file, start=1):
            if is_torn(raw):
                notices.append(f"{path.name}, line {number}: a torn event was left out")
                continue
            try:
                data = json.loads(raw)
            except (ValueError, RecursionError) as error:
                raise JournalDamaged(f"{path}, line {number}: is not JSON: {error}") from error
            if not isinstance(data, dict) or not {"kind", "t_s", "after_row"} <= data.keys():
                raise JournalDamaged(f"{path}, line {number}: is no event (kind, t_s, after_row are expected)")
            try:
                events.append(_event_of(data))
            except ValueError as error:
                raise JournalDamaged(f"{path}, line {number}: is no event ({error})") from error
    return events, notices


def _event_of(data: Mapping[str, Any]) -> Event:
    """Return an event.

    Raises:
        ValueError: what is wrong with it.
    """
    event = event_of(data)
    if not -1e12 < event.t_s < 1e12:
        raise ValueError("t_s is no time in seconds")
    if event.after_row < 0:
        raise ValueError("after_row is no count of rows")
    return event


def run_header(
    plan: dict[str, Any] | None,
    cell: Mapping[str, Any],
    bench: "BenchDescription",
    folder: Path,
    start: str,
    cutoff_V: float | None,
    profile: str,
    now: datetime,
) -> dict[str, Any]:
    """Return what run.json holds: all that is known before the first order."""
    import amphora.harness

    instruments = {
        name: {key: table[key] for key in ("role", "resource", "port", "dialect", "format", "shunt") if key in table}
        for name, table in bench.instruments.items()
    }
    return {
        "format": FORMAT,
        "run_id": f"{cell['id']}/{folder.name}",
        "created_utc": utc_text(now),
        "cell": dict(cell),
        "plan": plan,
        "profile": profile,
        "start": start,
        "cutoff_V": cutoff_V,
        "bench": {
            "name": bench.name,
            "simulated": bench.simulated or bench.where == "simulated",
            "file": bench.where if bench.where == "simulated" else str(Path(bench.where).absolute()),
            "leads": bench.leads,
            "sensed_at": bench.sensed_at,
            "instruments": instruments,
            **(
                {"calibration": {name: to_json(one) for name, one in bench.calibration.items()}}
                if bench.calibration
                else {}
            ),
            "cell": {
                "voltage": bench.cell_voltage,
                "current": list(bench.cell_current),
                "temperature": bench.cell_temperature,
                "room_temperature": bench.room_temperature,
                "voltage_when_off": bench.cell_voltage_when_off,
            },
        },
        "measurement": to_json(bench.measurement(plan is not None and known_of(PlanAtRun, plan).only_charges)),
        "software": {"name": "amphora", "version": amphora.harness.__version__},
    }


def is_simulated(run: Mapping[str, Any]) -> bool:
    """Tell whether a run was made on the simulated bench: by its addresses, or by what its instruments answer."""
    return header_of(run).bench.is_simulated


def run_folder(logs: Path, cell_id: str, profile: str, now: datetime) -> Path:
    """Return a folder name that is not taken: `<logs>/<cell>/<UTC stamp>-<profile>`."""
    stamp = now.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    folder = logs / cell_id / f"{stamp}-{profile}"
    count = 1
    while folder.exists():
        count += 1
        folder = logs / cell_id / f"{stamp}-{profile}-{count}"
    return folder


def resumable(folder: Path) -> tuple[RunFolder, Plan]:
    """Read a run that was cut short.

    Raises:
        InputError: it ended for good, it had not begun, or it was imported and has no plan.
        JournalDamaged: it cannot be read, or rows are gone that its steps were decided by.
    """
    try:
        before = read_run(folder)
    except JournalDamaged as damage:
        raise JournalDamaged(f"{damage}; {NO_GOING_ON}") from damage
    if before.stopped is not None:
        raise InputError(
            f"{folder}: ended ({before.stopped.reason}); a finished run cannot be resumed; "
            f"its results: amphora analyse {folder}"
        )
    if not before.run.get("plan"):
        raise InputError(f"{folder}: has no plan (was it imported?); only a run of ours can be resumed")
    if not any(isinstance(event, PlanBegun) for event in before.events):
        raise InputError(f"{folder}: was cut short before its first step, nothing was switched on; run it again")
    if before.lost:
        raise JournalDamaged(f"{folder}: {before.lost}; {NO_GOING_ON} (its figures up to there stand)")
    return before, plan_from_dict(before.run["plan"])
