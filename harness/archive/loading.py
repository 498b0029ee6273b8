"""From a run folder to the arrays and the plain record that analysis works on.

Reads `run.json`, `events.jsonl` and `samples.csv`; writes nothing. A torn last row is left out and
told; damage elsewhere is named by file and line (`archive.journal`). What the bench's instruments
may be off by comes from `run.json`; where it gives none, the defaults here stand, marked assumed.
"""

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from amphora.harness.analysis.records import (
    CheckedResistor,
    MeasuredZero,
    Measurement,
    Record,
    RecordGap,
    RunInfo,
    Specification,
    Timing,
)  # fmt: skip
from amphora.harness.archive.batches import batches
from amphora.harness.archive.condensing import Condenser
from amphora.harness.archive.run_folder import (
    COLUMNS,
    EVENTS,
    RUN,
    SAMPLES,
    after_the_end,
    header_of_run,
    lost_rows,
    read_columns,
    read_events,
    stopped_of,
)
from amphora.harness.archive.run_header import ChannelOfRun, MeasurementOfRun, PlanAtRun, RunHeader
from amphora.harness.common.errors import InputError, JournalDamaged
from amphora.harness.common.files import sha256
from amphora.harness.control.events import (
    CurrentZero,
    Event,
    OrderActed,
    OrderGiven,
    RenewalSeen,
    ResistorChecked,
    StepBegun,
    Stopped,
    Unobserved,
)


@dataclass(frozen=True, slots=True)
class UsualAccuracy:
    """What a channel of a cheap bench may be off by."""

    gain: float
    offset: float
    resolution: float


# Of a bench whose data sheets nobody gave. Common practice, assumed.
DEFAULT_SPECIFICATION = {
    "voltage": UsualAccuracy(0.001, 0.005, 0.001),
    "current": UsualAccuracy(0.005, 0.010, 0.001),
    "temperature": UsualAccuracy(0.0, 2.0, 0.1),
    "time": UsualAccuracy(100e-6, 0.0, 0.0),
}


@dataclass(frozen=True)
class Loaded:
    """A run folder as analysis needs it, with a digest of what it was read from."""

    record: Record
    info: RunInfo
    header: RunHeader
    events: tuple[Event, ...]
    notices: tuple[str, ...]
    digest: str


def assumed_measurement() -> dict[str, dict[str, Any]]:
    """Return the measurement specification of `run.json` for a bench that gives none."""
    return {
        name: {**asdict(usual), "distribution": "rectangular", "k": 2.0, "assumed": True}
        for name, usual in DEFAULT_SPECIFICATION.items()
    }


def _specification(name: str, given: ChannelOfRun) -> Specification:
    """Return one channel's specification; a missing field takes the usual one and marks it assumed."""
    usual = DEFAULT_SPECIFICATION[name]
    missing = given.gain is None or (given.offset is None and name != "time")
    return Specification(
        gain=abs(usual.gain if given.gain is None else given.gain),
        offset=abs(usual.offset if given.offset is None else given.offset),
        resolution=abs(usual.resolution if given.resolution is None else given.resolution),
        distribution="normal" if given.distribution == "normal" else "rectangular",
        k=given.k or 2.0,
        assumed=given.assumed or missing,
        gain_per_K=abs(given.gain_per_K),
        offset_per_K=abs(given.offset_per_K),
        reference_degC=given.reference_degC,
        band_K=abs(given.band_K),
    )


def measurement_of(given: MeasurementOfRun) -> Measurement:
    """Return the accuracy that a run's header gives, completed by the usual one."""
    return Measurement(
        voltage=_specification("voltage", given.voltage),
        current=_specification("current", given.current),
        temperature=_specification("temperature", given.temperature),
        time=_specification("time", given.time),
    )


def load(folder: Path) -> tuple[Record, RunInfo]:
    """Return a run folder's readings and what is known beside them.

    Raises:
        InputError: no such folder, no run folder, a newer format.
        JournalDamaged: damage other than a torn last line: file and line.
    """
    loaded = load_all(folder)
    return loaded.record, loaded.info


def load_all(folder: Path, extras: bool = True, condensed: bool = False) -> Loaded:
    """Return everything in a run folder that analysis may need; see `load`.

    Args:
        folder: The run folder.
        extras: Read further columns too; without them only those that analysis itself uses
            (the source's step clock and counters).
        condensed: Let rows of a very long record become means where nothing steps (`condensing`).
    """
    folder = Path(folder)
    header = header_of_run(folder)
    events, notices = read_events(folder / EVENTS)
    samples = folder / SAMPLES
    columns, whole = read_columns(folder), _ends_whole(samples)
    room = header.measurement.knows_the_room
    wanted = [
        name
        for name in columns
        if extras or name in COLUMNS or name in ANALYSED_EXTRAS or (room and name.endswith(ROOM_ENDING))
    ]
    with ThreadPoolExecutor(max_workers=1) as beside:
        hashing = beside.submit(sha256, samples)
        gap_rows = [event.after_row for event in events if isinstance(event, Unobserved)]
        squeeze = Condenser(_rows_about(samples), gap_rows) if condensed else None
        squeeze = squeeze if squeeze is not None and squeeze.every > 1 else None
        table = _read_table(samples, columns, wanted, whole, notices, squeeze)
        digest = hashing.result()
    written = int(table["t_s"].size) if squeeze is None or not squeeze.rows_in else squeeze.rows_in
    if squeeze is not None and squeeze.rows_in:
        notices.append(
            f"{squeeze.rows_in} rows: where nothing steps, {squeeze.every} of them count as their mean "
            f"({squeeze.rows_out} rows in all)"
        )
    notices += [text for text in (lost_rows(events, written), after_the_end(folder)) if text]
    stopped = stopped_of(events)
    recorded = stopped.checksums or {} if stopped is not None else {}
    if recorded.get(SAMPLES, digest) != digest:
        notices.append("samples.csv was changed after the run ended (its checksum differs)")
    run_bytes = (folder / RUN).read_bytes()
    if recorded.get(RUN) not in (None, hashlib.sha256(run_bytes).hexdigest()):
        notices.append("run.json was changed after the run ended (its checksum differs)")
    event_bytes = (folder / EVENTS).read_bytes() if (folder / EVENTS).is_file() else b""
    inputs = hashlib.sha256(digest.encode() + run_bytes + event_bytes).hexdigest()
    t_s = table["t_s"]
    with _damage_told(folder / EVENTS):
        switches, timing = _switches(events), _timing(header, events)
        record = Record(
            t_s=t_s,
            voltage_V=table["voltage_V"],
            current_A=table["current_A"],
            temperature_degC=table["temperature_degC"],
            step=table["step"].astype(np.int64, copy=False),
            switches_s=np.array([switch[0] for switch in switches], dtype=np.float64),
            gaps=_gaps(events, written, None if squeeze is None else squeeze.place_of),
            extra={name: table[name] for name in wanted if name not in COLUMNS},
            orders_within_s=_orders_within_s(header),
            switches_until_s=np.array([switch[1] for switch in switches] if timing.known else [], dtype=np.float64),
            timing=timing,
        )
        info = _info(folder, header, events, stopped)
    return Loaded(record, info, header, tuple(events), tuple(notices), inputs)


@contextmanager
def _damage_told(path: Path) -> Iterator[None]:
    """Tell a field of another kind than it should be as damage of the file."""
    try:
        yield
    except (TypeError, ValueError, KeyError, AttributeError, OverflowError) as error:
        raise JournalDamaged(f"{path}: an event does not hold what it should: {error}") from error


def _switches(events: Sequence[Event]) -> list[tuple[float, float]]:
    """Return when each order was sent and by when it had acted, in order of time.

    An order that makes safe says so itself; one that energises is written down first, and `sent` follows where sending
    it took time.
    """
    found: list[tuple[float, float]] = []
    for event in events:
        if isinstance(event, OrderGiven):
            from_s, to_s = (event.t_s if value is None else value for value in (event.from_s, event.to_s))
            found.append((float(from_s), float(to_s)))
        elif isinstance(event, OrderActed) and found:
            found[-1] = (float(event.from_s), float(event.to_s))
    return sorted(found)


def _timing(header: RunHeader, events: Sequence[Event]) -> Timing:
    """Return how old what a channel shows may be: as bench file or dialect say, or as the run saw it itself."""
    if header.timing is None:
        return Timing()
    renewed_s, sensed = header.timing.renewed_s, header.bench.cell
    seen_s = max((float(event.renewed_s) for event in events if isinstance(event, RenewalSeen)), default=0.0)
    return Timing(
        voltage_renewed_s=max(renewed_s.get(sensed.voltage, 0.0), seen_s),
        current_renewed_s=max([renewed_s.get(name, 0.0) for name in sensed.current] + [seen_s]),
        together=list(sensed.current) == [sensed.voltage],
        known=True,
    )


def _orders_within_s(header: RunHeader) -> float:
    """Return how long after its instant an order may have acted: a simulated bench that lives faster says so."""
    value = header.measurement.time.orders_within_s
    return float(value) if 0.0 <= value < 1e6 else 0.0


ANALYSED_EXTRAS = (
    "took_s",
    "step_time_s",
    "counter_Ah",
    "counter_charge_Ah",
    "counter_discharge_Ah",
    "counter_Wh",
    "counter_charge_Wh",
    "counter_discharge_Wh",
)


ROOM_ENDING = ".temperature_degC"  # of a second sensor, beside the cell's own


def _ends_whole(path: Path) -> bool:
    """Tell whether the file ends in a whole row."""
    with path.open("rb") as file:
        file.seek(-1, 2)
        return file.read(1) == b"\n"


def _rows_about(path: Path) -> int:
    """Return about how many rows a table has, by its size and its first rows."""
    with path.open("rb") as file:
        head = file.read(1 << 16)
    lines = head.count(b"\n")
    return int(path.stat().st_size * lines / max(1, len(head))) if lines > 2 else 0


def _read_fast(
    path: Path, columns: tuple[str, ...], wanted: list[str], squeeze: Condenser | None = None
) -> dict[str, Any] | None:
    """Read the table at once; None when a row is not whole numbers throughout (the slow way names it).

    Every row must have all its fields: the reader refuses a short one. Batches go straight into
    arrays of the final size, so that a long night fits into little memory.
    """

    dtypes: dict[str, Any] = {name: np.int64 if name == "step" else np.float64 for name in wanted}
    held: dict[str, Any] = {name: np.empty(0, dtypes[name]) for name in wanted}
    firsts: dict[str, Any] = {}
    same: dict[str, bool] = dict.fromkeys(wanted, True)
    rows = 0
    block = 1 << 18

    def put(part_of: dict[str, Any], count: int, expected: int) -> None:
        """Lay a part behind what is held; written only once a column changes: untouched pages cost nothing."""
        nonlocal rows
        room, need = held[wanted[0]].size, rows + count
        if need > room:
            room = max(need, expected) if room == 0 else max(need, room + room // 2)
            for name in wanted:
                larger = np.empty(room, dtypes[name])
                if not same[name]:
                    larger[:rows] = held[name][:rows]
                held[name] = larger
        for name in wanted:
            part = part_of[name]
            if same[name] and part.size:
                if rows == 0:
                    firsts[name] = part[0]
                first = firsts[name]
                if (part == first).all() or (np.isnan(first) and np.isnan(part).all()):
                    continue
                same[name] = False
                held[name][:rows] = first
            held[name][rows:need] = part
        rows = need

    try:
        for count, part_of in batches(path, columns, wanted, block):
            # the first batch tells how many rows there will be, about
            expected = int(count * max(1.0, path.stat().st_size / block) * 1.05) + 1000
            if squeeze is None:
                put(part_of, count, expected)
            elif (made := squeeze.take(part_of)) is not None:
                put(made, made["t_s"].size, expected // squeeze.every)
        if squeeze is not None and (made := squeeze.rest()) is not None:
            put(made, made["t_s"].size, 0)
    except ValueError:
        return None
    return {
        # one value throughout takes no memory
        name: np.broadcast_to(dtypes[name](firsts[name]), (rows,)) if rows and same[name] else values[:rows]
        for name, values in held.items()
    }


def _read_table(
    path: Path, columns: tuple[str, ...], wanted: list[str], whole: bool, notices: list[str],
    squeeze: Condenser | None = None,
) -> dict[str, Any]:  # fmt: skip

    if whole:
        table = _read_fast(path, columns, wanted, squeeze)
        if table is not None:
            return table
        if squeeze is not None:  # it read a part; the slow way gives every row
            squeeze.rows_in, squeeze.place_of = 0, {}
    # The slow way: row by row, as the journal reads, so that a damaged line is named.
    lists: list[list[float]] = [[] for _ in columns]
    width = len(columns)
    with path.open("rb") as file:
        next(file, None)
        for number, raw in enumerate(file, start=2):
            if not raw.endswith(b"\n") or raw.endswith(b" torn\n"):
                notices.append(f"{path.name}, line {number}: a torn row was left out")
                continue
            cells = raw[:-1].decode("utf-8", errors="replace").rstrip("\r").split(",")
            if len(cells) != width:
                raise JournalDamaged(f"{path}, line {number}: {len(cells)} fields; {width} are expected")
            try:
                values = [float(cell) if cell else np.nan for cell in cells]
            except ValueError as error:
                raise JournalDamaged(f"{path}, line {number}: {raw[:60]!r} is not a row of numbers") from error
            for column, value in zip(lists, values, strict=True):
                column.append(value)
    slow = {name: np.array(values, dtype=np.float64) for name, values in zip(columns, lists, strict=True)}
    steps = slow["step"]
    return {
        name: np.where(np.isfinite(steps), steps, -1).astype(np.int64) if name == "step" else slow[name]
        for name in wanted
    }


def _gaps(events: Sequence[Event], rows: int, place_of: Mapping[int, int] | None = None) -> tuple[RecordGap, ...]:
    gaps = []
    for event in events:
        if not isinstance(event, Unobserved) or not 0 < event.after_row < rows:
            continue
        row, low, high = event.after_row, event.charge_low_Ah, event.charge_high_Ah
        from_s, to_s = (event.t_s if value is None else value for value in (event.from_s, event.to_s))
        gaps.append(
            RecordGap(
                after_row=row if not place_of else place_of.get(row, row),
                from_s=float(from_s),
                to_s=float(to_s),
                charge_low_Ah=None if low is None else float(low),
                charge_high_Ah=None if high is None else float(high),
            )
        )
    return tuple(gaps)


def _info(folder: Path, header: RunHeader, events: Sequence[Event], stopped: Stopped | None) -> RunInfo:
    kinds: dict[int, str] = {}
    for event in events:
        if isinstance(event, StepBegun) and event.step is not None:
            kinds[event.step] = event.step_kind
    plan, bench = header.plan or PlanAtRun(), header.bench
    cell = header.cell
    start = header.start or "unknown"
    if start not in ("full", "declared-full", "unknown"):
        raise InputError(f"{folder / RUN}: start {start!r}; full, declared-full or unknown are accepted")
    cutoff = plan.cutoff_V if header.cutoff_V is None else header.cutoff_V
    final = stopped is not None and stopped.ends_it
    return RunInfo(
        run_id=header.run_id or f"{cell.id or folder.parent.name}/{folder.name}",
        cell_id=cell.id or folder.parent.name,
        form=cell.form,
        chemistry=plan.chemistry or cell.chemistry or "auto",
        start=start,  # type: ignore[arg-type]  # one of the three
        cutoff_V=None if cutoff is None else float(cutoff),
        measurement=measurement_of(header.measurement),
        step_kinds=tuple(kinds.get(index, "") for index in range(max(kinds, default=-1) + 1)),
        profile=header.profile,
        finished=final,
        stop=None if stopped is None else stopped.reason or None,
        created_utc=header.created_utc,
        cell=cell,
        bench=bench.name or None,
        sensed_at=bench.sensed_at,
        voltage_by=bench.cell.voltage,
        shunted=bench.shunted,
        simulated=bench.is_simulated,
        zeros=_zeros(events),
        check=_check(events),
        current_of=tuple(
            (name, bench.instruments[name].role if name in bench.instruments else "") for name in bench.cell.current
        ),
    )


def _zeros(events: Sequence[Event]) -> tuple[MeasuredZero, ...]:
    """Return the current zeros that were measured, in order of time."""
    found = []
    for event in events:
        if not isinstance(event, CurrentZero):
            continue
        current_A, u_A = event.current_A, event.standard_uncertainty_A
        if current_A is None or u_A is None or not math.isfinite(current_A) or not math.isfinite(u_A):
            continue
        readings, duration_s = event.readings or 0, float(event.duration_s or 0.0)
        found.append(MeasuredZero(event.instrument, float(current_A), abs(float(u_A)), event.t_s, readings, duration_s))
    return tuple(sorted(found, key=lambda zero: zero.t_s))


def _check(events: Sequence[Event]) -> CheckedResistor | None:
    """Return the last check against a resistor of known value."""
    for event in reversed(events):
        if not isinstance(event, ResistorChecked):
            continue
        given = (event.resistance_ohm, event.tolerance, event.voltage_V, event.current_A, event.deviation)
        numbers = [float(value) for value in given if value is not None and math.isfinite(value)]
        if len(numbers) == len(given):
            ohm, tolerance, voltage_V, current_A, deviation = numbers
            zero_A = event.zero_A if event.zero_A is not None and math.isfinite(event.zero_A) else 0.0
            return CheckedResistor(
                ohm,
                tolerance,
                voltage_V,
                current_A,
                deviation,
                zero_A=float(zero_A),
                instrument=event.instrument or "",
                voltage_by=event.voltage_by or "",
                drop=event.through == "load",
                passed=event.passed is not False,
            )
    return None
