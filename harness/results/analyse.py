"""The figures of a run: what `amphora analyse` answers, kept beside the run as `result.json`.

`result.json` is derived: it holds a digest of the files it was made from, of the code that made it
and of the cut-off, and is made anew whenever one of these differs. Deleting it loses nothing.
"""

import contextlib
import hashlib
import json
import math
import os
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from amphora.harness.archive.result_file import RESULT_KEY, read_kept
from amphora.harness.common.errors import AmphoraError, AnalysisError, InputError
from amphora.harness.common.fields import finite
from amphora.harness.control.warmth import SENSOR_DEGC

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from amphora.harness.analysis.capacity import Figures
    from amphora.harness.analysis.charge import ChargeMetrics
    from amphora.harness.analysis.integration import Totals
    from amphora.harness.analysis.phases import Phase
    from amphora.harness.analysis.records import Measurement, Record, RunInfo
    from amphora.harness.analysis.uncertainty import Budget

FORMAT = "amphora-result/1"
REST_AFTER_CHARGE_S = 4 * 3600.0  # IEC 61960-3, 7.3.1: not more than 4 h after the charge
IDLE_STEPS = ("rest", "log", "ask")  # steps in which the bench orders no current
ROOMS_OF_FIGURES = ("account", "analysis", "archive", "cells", "common", "results")  # what they are made by
SURVEY_STEPS = ("sweep", "rest", "ask")  # a run of these alone surveys a device, not a cell
LEAST_AT_REST = 10  # readings that make a zero at the end of a run
DAYS_OF_REST_S = 2 * 86_400.0  # a rest as long is judged for self-discharge whatever the recipe


def analyse_folder(
    folder: Path, cutoff_V: float | None = None, budget: bool = True, leads: dict[str, Any] | None = None
) -> dict[str, Any]:
    """Return the figures of a run, from `result.json` where that is still true.

    Args:
        folder: The run folder.
        cutoff_V: Another cut-off voltage than the run's own.
        budget: Keep the budgets in the answer.
        leads: What to take out as leads and holder, as a certificate states it; None: as the shelf knows it.

    Raises:
        InputError: not a run folder; a cut-off that is not above 0 V.
        JournalDamaged: damage, by file and line.
        AnalysisError: a record no figure can be made from.
    """
    from amphora.harness.results.leads import with_leads
    from amphora.harness.results.repeats import with_earlier_pass

    folder = Path(folder)
    result = figures_of(folder, cutoff_V)
    if (result.get("retention") or {}).get("mV_per_day") is not None:
        result = {**result, "retention": _with_loss(folder, result["retention"])}
    result = with_leads(folder, result, leads)
    result = with_earlier_pass(folder, result)
    if not budget:
        result = {key: value for key, value in result.items() if key != "budget"}
    return result


def figures_of(folder: Path, cutoff_V: float | None = None) -> dict[str, Any]:
    """Return what a run's own files say: kept, or made anew."""
    from amphora.harness.archive.loading import load_all

    folder = Path(folder)
    if cutoff_V is not None and not (math.isfinite(cutoff_V) and cutoff_V > 0):
        raise InputError(f"--cutoff: {cutoff_V!r} V; a voltage above 0 V is accepted")
    cached = _cached(folder, cutoff_V)
    if cached is None:
        loaded = load_all(folder, extras=False, condensed=True)
        try:
            result = _analyse(loaded, cutoff_V)
            text = json.dumps(result, ensure_ascii=False, allow_nan=False)
        except (OverflowError, ValueError) as error:  # what no instrument gives: 1e308, by a damaged file
            raise AnalysisError(
                f"{folder}: holds numbers that no figure can be made from ({error}); look at run.json and events.jsonl"
            ) from error
        if cutoff_V is None:
            _keep(folder, text, loaded.digest)
    else:
        result = cached
    return result


def _with_loss(folder: Path, retention: dict[str, Any]) -> dict[str, Any]:
    """Return a retention with its loss of charge, where another run of the cell gives the slope for it.

    The other run is not among the inputs of `result.json`, so this part is never kept.
    """
    from amphora.harness.results.circuit import loss_of

    for other in sorted(folder.absolute().parent.glob("*/run.json"), reverse=True):
        if other.parent.name == folder.absolute().name:
            continue
        with contextlib.suppress(AmphoraError, OSError):
            result = figures_of(other.parent)
            if result["complete"] and result["start"] in ("full", "declared-full"):
                return loss_of(retention, other.parent, result)
    return retention


def _digest_of(folder: Path) -> str | None:
    """Return the digest that `load_all` gives, without parsing; None when a file is missing."""
    digest = hashlib.sha256()
    try:
        with (folder / "samples.csv").open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
        run_bytes = (folder / "run.json").read_bytes()
        event_bytes = (folder / "events.jsonl").read_bytes()
    except OSError:
        return None
    return hashlib.sha256(digest.hexdigest().encode() + run_bytes + event_bytes).hexdigest()


@cache
def _code_digest() -> str:
    """Return a digest of what makes the figures: the code of the rooms they come from, units, chemistries, forms."""
    import amphora.harness

    digest = hashlib.sha256(amphora.harness.__version__.encode())
    house = Path(__file__).parents[1]
    sources = [path for room in ROOMS_OF_FIGURES for path in (house / room).glob("*.py")]
    profiles = house.parent / "profiles"
    sources += [*(profiles / "chemistries").glob("*.toml"), profiles / "forms.toml"]
    sources += [house.parent / "drivers" / "quantities.py", house.parent / "drivers" / "described.py"]
    for path in sorted(sources):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()


def kept_text(result: dict[str, Any] | str, head: dict[str, Any]) -> str:
    """Return what `result.json` holds: the head, a digest of the result, and the result (or its JSON), in one line."""
    part = result if isinstance(result, str) else json.dumps(result, ensure_ascii=False, allow_nan=False)
    own = hashlib.sha256(part.encode("utf-8")).hexdigest()
    return json.dumps({**head, "result_sha256": own})[:-1] + ", " + RESULT_KEY.decode() + part + "}"


def _cached(folder: Path, cutoff_V: float | None) -> dict[str, Any] | None:
    path = folder / "result.json"
    if cutoff_V is not None or not path.is_file():
        return None
    kept = read_kept(path)
    if kept is None or kept.get("format") != FORMAT or kept.get("code_sha256") != _code_digest():
        return None
    if kept.get("inputs_sha256") != _digest_of(folder):
        return None
    result: dict[str, Any] = kept["result"]
    return result


def _keep(folder: Path, result: str, digest: str) -> None:
    text = kept_text(result, {"format": FORMAT, "inputs_sha256": digest, "code_sha256": _code_digest()})
    beside = folder / f".result.json.{os.getpid()}.{id(result)}.part"
    try:
        beside.write_text(text + "\n", encoding="utf-8", newline="\n")
        beside.replace(folder / "result.json")
    except OSError:  # a read-only folder is no reason to give no answer
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def clean(record: "Record") -> "Record":
    """Return the record without rows that lack voltage or current; gaps keep their place."""
    import dataclasses

    import numpy as np

    from amphora.harness.analysis.records import Gap

    channels = (record.t_s, record.voltage_V, record.current_A)
    if all(np.isfinite(channel.sum()) for channel in channels):  # one that is not finite would make the sum so
        return record
    good = np.isfinite(record.t_s) & np.isfinite(record.voltage_V) & np.isfinite(record.current_A)
    if good.all():
        return record
    before = np.concatenate(([0], np.cumsum(good)))
    gaps = tuple(
        Gap(int(before[gap.after_row]), gap.from_s, gap.to_s, gap.charge_low_Ah, gap.charge_high_Ah)
        for gap in record.gaps
    )
    return dataclasses.replace(
        record,
        t_s=record.t_s[good],
        voltage_V=record.voltage_V[good],
        current_A=record.current_A[good],
        temperature_degC=record.temperature_degC[good],
        step=record.step[good],
        gaps=gaps,
        extra={name: values[good] for name, values in record.extra.items()},
    )


def prepared(record: "Record", own: bool, info: "RunInfo | None" = None) -> "Record":
    """Return a record ready to integrate: clean, and with gaps found where no journal told them.

    With `info`, the current zero that was measured that evening is taken out of the current. What a broken
    sensor shows counts as no temperature.
    """
    import dataclasses

    import numpy as np

    from amphora.harness.analysis.integration import find_gaps
    from amphora.harness.analysis.late_resistor import without_late_resistor

    record = clean(record)
    odd = no_temperature(record)
    if odd.any():
        record = dataclasses.replace(record, temperature_degC=np.where(odd, np.nan, record.temperature_degC))
    if info is not None and info.zeros:
        from amphora.harness.analysis.bench_checks import without_zero

        record = without_zero(record, info)
    record, _ = without_late_resistor(record)
    if own:
        return record
    told = {gap.after_row for gap in record.gaps}
    found = [gap for gap in find_gaps(record.t_s) if gap.after_row not in told]
    if not found:
        return record
    return dataclasses.replace(record, gaps=tuple(sorted((*record.gaps, *found), key=lambda gap: gap.after_row)))


def no_temperature(record: "Record") -> "npt.NDArray[np.bool_]":
    """Return where the temperature is none that a cell has, shape (n,): an open or a short sensor shows such."""
    low_degC, high_degC = SENSOR_DEGC
    return (record.temperature_degC < low_degC) | (record.temperature_degC > high_degC)


def idle_rows(record: "Record", info: "RunInfo") -> "npt.NDArray[np.bool_]":
    """Return where a reading of current is no current, shape (n,): no order for one, and within the offset.

    Steps that order none are told by the journal. A record without a journal is judged by what is known of its
    source: with an offset that is only assumed, every reading counts.
    """
    import numpy as np

    from amphora.harness.analysis.records import blocks

    current, size = info.measurement.current, record.current_A.size
    limit_A = current.offset + 2 * current.resolution
    own = any(info.step_kinds)
    idle_step = np.array([kind in IDLE_STEPS for kind in info.step_kinds] + [False])
    idle = np.zeros(size, bool)
    if not own and current.assumed:
        return idle
    for first, last in blocks(size):
        within = np.abs(record.current_A[first:last]) <= limit_A
        if own:
            step = record.step[first:last]
            known = (step >= 0) & (step < len(info.step_kinds))
            within &= idle_step[np.where(known, step, -1)]
        elif not within.all():
            return np.zeros(size, bool)
        idle[first:last] = within
    return idle


def late_zero_A(record: "Record", idle: "npt.NDArray[np.bool_]") -> float | None:
    """Return what the current reads at rest after the last load, its zero already taken out; None without that rest."""
    import numpy as np

    flowed = np.flatnonzero(~idle)
    last = int(flowed[-1]) + 1 if flowed.size else 0
    late = record.current_A[last:]
    if not flowed.size or late.size < LEAST_AT_REST:
        return None
    return float(late[late.size // 10 :].mean())


def _room_degC(record: "Record", phase: "Phase") -> float | None:
    """Return how warm the room was: by a second sensor in the phase, else as the cell was at rest before it."""
    import numpy as np

    from amphora.harness.archive.loading import ROOM_ENDING

    for name, values in record.extra.items():
        if name.endswith(ROOM_ENDING):
            inside = values[phase.first_row : phase.last_row + 1]
            inside = inside[np.isfinite(inside)]
            if inside.size:
                return float(inside.mean())
    return _temperature(record, phase)[1]


def _heeds_warmth(measurement: "Measurement") -> bool:
    """Return whether the bench file says how its instruments change with temperature."""
    return any(
        one.gain_per_K > 0 or one.offset_per_K > 0
        for one in (measurement.voltage, measurement.current, measurement.time)
    )


def _evening(info: "RunInfo", measurement: "Measurement", drift_A: float | None) -> dict[str, Any] | None:
    """Return what was measured of the instruments that evening, and what it did to the figures."""
    from amphora.harness.analysis.bench_checks import check_standard_u, zero_is_used, zero_standard_u
    from amphora.harness.analysis.uncertainty import standard

    if not info.zeros and info.check is None:
        return None
    specified, used = info.measurement.current, measurement.current
    corrected = zero_is_used(info)
    texts = [
        f"The current was corrected by {-1000 * zero.current_A:+.2f} mA, the zero of {zero.instrument} that evening "
        f"({zero.readings} readings in {zero.duration_s:.0f} s); the readings themselves stay as they were."
        if corrected
        else f"The zero of {zero.instrument} that evening, {1000 * zero.current_A:+.2f} mA, was not taken out: "
        "the specification is better than what such a zero leaves."
        for zero in info.zeros
    ]
    if corrected and zero_standard_u(info) is None:
        texts.append("Not every instrument that measures the current has a zero: the offset in the budget stays.")
    checked = check_standard_u(info)
    if info.check is not None:
        if checked is None:
            why = "was not measured with the meters of this run" if info.check.passed else "failed"
            texts.append(f"The check resistor {why}: it improves nothing here.")
        else:
            gain = "it bounds the gain" if "gain" in used.measured else "the specification of the gain is better"
            texts.append(
                f"The check resistor of {info.check.resistance_ohm:g} Ω was measured {100 * checked[1]:+.2f} % off; "
                f"{gain}, nothing was corrected by it."
            )
    return {
        "current_zero": [
            {
                "instrument": zero.instrument,
                "current_A": zero.current_A,
                "standard_uncertainty_A": zero.standard_u_A,
                "t_s": zero.t_s,
                "corrected": corrected,
            }
            for zero in info.zeros
        ],
        "drift_seen_A": drift_A,
        "check_resistor": None
        if info.check is None
        else {
            "resistance_ohm": info.check.resistance_ohm,
            "deviation": info.check.deviation if checked is None else checked[1],
            "used": "gain" in used.measured,
            "corrected": False,
        },
        "offset_u_A": {"specified": standard(specified.offset, specified), "used": standard(used.offset, used)},
        "gain_u": {"specified": standard(specified.gain, specified), "used": standard(used.gain, used)},
        "texts": texts,
    }


def _zero_warnings(info: "RunInfo", drift_A: float | None) -> list[Any]:
    """Return what a zero says against the instrument: beyond what its maker allows, or moved over the night."""
    from amphora.harness.analysis.warnings import Warning_

    offset_A = info.measurement.current.offset
    out = []
    for zero in info.zeros:
        if abs(zero.current_A) > offset_A + 2 * zero.standard_u_A and not info.measurement.current.assumed:
            out.append(
                Warning_(
                    "zero-beyond-specification",
                    f"The zero of {zero.instrument} was {1000 * zero.current_A:+.2f} mA, its specification allows "
                    f"{1000 * offset_A:.2g} mA: it was taken out, but the instrument needs adjusting, and its gain is "
                    "in doubt too.",
                )
            )
    if info.check is not None and not info.check.passed:
        out.append(
            Warning_(
                "check-failed",
                f"The check resistor of {info.check.resistance_ohm:g} Ω was measured "
                f"{100 * info.check.deviation:+.2f} % off that evening: find out why before you believe a figure.",
            )
        )
    if drift_A is not None and abs(drift_A) > max(0.5 * offset_A, 3 * info.measurement.current.resolution):
        out.append(
            Warning_(
                "zero-drifted",
                f"The zero of the current moved by {1000 * drift_A:+.2f} mA between the evening and the end: it is in "
                "the uncertainty; let the instruments warm up longer.",
            )
        )
    return out


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _rests(
    quiet: "Record", idle: "npt.NDArray[np.bool_]", phases: "tuple[Phase, ...]", info: "RunInfo"
) -> list[dict[str, Any]]:
    """Return the rests of a run: where it orders no current, or none is read that could be one."""
    import dataclasses

    import numpy as np

    from amphora.harness.analysis.integration import largest_current_A
    from amphora.harness.analysis.traces import rests_in

    current = info.measurement.current
    least_A = max(0.002, 3 * current.resolution, 0.005 * largest_current_A(quiet.current_A))
    still = idle | (np.abs(quiet.current_A) <= least_A)
    drift_V = max(0.0002, 0.05 * info.measurement.voltage.offset)  # what wanders in an hour (common practice)
    return [dataclasses.asdict(item) for item in rests_in(quiet, still, phases, drift_V)]


def _end_slope(record: "Record", totals: "Totals", phase: "Phase", found: "Figures") -> float | None:
    """Return how steep a complete discharge ends, in volt per unit of its charge."""
    import numpy as np

    from amphora.harness.analysis.phases import at_main_current
    from amphora.harness.analysis.traces import end_slope

    if phase.kind != "discharge" or not found.reached_cutoff:
        return None
    rows = at_main_current(record, phase)
    rows = rows[record.t_s[rows] <= found.end_t_s]
    if rows.size > 4000:  # the end is what is looked at
        rows = np.concatenate((rows[:1], rows[-4000:]))
    if not rows.size:
        return None
    return end_slope(record.t_s[rows], record.voltage_V[rows], phase.begin_Ah - totals.charge_Ah[rows])


KNEE_V = (0.01, 0.02, 0.05, 0.1, 0.2, 0.4)  # above the cut-off


def _knee(record: "Record", totals: "Totals", phase: "Phase", found: "Figures") -> dict[str, Any] | None:
    """Return what a complete discharge gave between each of `KNEE_V` above the cut-off and the cut-off itself.

    With `current_A` at the crossing and `square_A2h`, the current squared over the whole discharge: what leads take.
    """
    import numpy as np

    from amphora.harness.analysis.phases import at_main_current

    crossing = found.crossing
    if phase.kind != "discharge" or crossing is None or not found.end_voltage_V:
        return None
    rows = at_main_current(record, phase)
    rows = rows[rows <= crossing.row]
    if rows.size < 2:
        return None
    tail = rows[-min(rows.size, 20_000) :]
    lowest = np.minimum.accumulate(record.voltage_V[tail][:-1])  # falls: noise and recovery after pulses left out
    to_go = np.abs(crossing.charge_Ah - totals.charge_Ah[tail][:-1])
    steps = slice(phase.first_row, crossing.row + 1)
    square = float(np.sum(record.current_A[steps][:-1] ** 2 * np.diff(record.t_s[steps]))) / 3600.0
    return {
        "current_A": abs(float(record.current_A[crossing.row])),
        "square_A2h": square,
        "above_V": list(KNEE_V),
        "Ah": [
            float(np.interp(found.end_voltage_V + volt, np.append(lowest, found.end_voltage_V)[::-1],
                            np.append(to_go, 0.0)[::-1]))
            for volt in KNEE_V
        ],
    }  # fmt: skip


def _thermal(
    record: "Record", info: "RunInfo", phase: "Phase | None", resistances: Sequence[Any]
) -> dict[str, Any] | None:
    """Return rise, rate and heat of the phase that the answer is about; None without a phase."""
    import numpy as np

    from amphora.harness.analysis.records import Record
    from amphora.harness.analysis.thermal import thermal
    from amphora.harness.results.chosen import HIGH_STATE, LOW_STATE

    if phase is None:
        return None
    first, last = phase.first_row, phase.last_row
    stride = max(1, (last - first) // 50_000)
    if stride > 1:  # warmth changes slowly
        rows = np.concatenate((np.arange(max(0, first - 5000), first), np.arange(first, last + 1, stride)))
        first, last = int(np.searchsorted(rows, first)), rows.size - 1
        record = Record(
            record.t_s[rows], record.voltage_V[rows], record.current_A[rows], record.temperature_degC[rows],
            record.step[rows], record.switches_s,
        )  # fmt: skip
    # At the empty end resistance climbs: the heat of a whole discharge is not explained by that.
    able = [item for item in resistances if item.charge_state is None or item.charge_state >= LOW_STATE]
    slow = [item for item in able if item.duration_s >= 5.0] or able
    ohm = float(np.median([item.ohm for item in slow])) if slow else None
    # One load step at full tells less than the middle would: only far more heat than that is odd then.
    middle = any(item.charge_state is None or item.charge_state <= HIGH_STATE for item in able)
    known = info.form.strip().upper() in ("18650", "18500")
    found = thermal(record, first, last, info.measurement, ohm, 40.0 if known else None)
    return {
        "rise_K": found.rise_K,
        "rise_U_K": found.rise_U_K,
        "fastest_K_per_min": found.fastest_K_per_min,
        "resistance_ohm": ohm,
        "heat_Wh": found.heat_Wh,
        "mean_power_W": found.mean_power_W,
        "expected_rise_K": found.expected_rise_K,
        "unexplained": next((note for note in found.notes if "explains" in note), None)
        if middle or (found.rise_K or 0.0) > 3 * (found.expected_rise_K or 0.0) + 3
        else None,
    }


def _reference(cell_degC: float | None) -> dict[str, Any]:
    """Return how the cell's temperature stands to the standard's, in words too."""
    from amphora.harness.analysis.thermal import REFERENCE_BAND_K, REFERENCE_degC

    held = f"{REFERENCE_degC:g} °C ± {REFERENCE_BAND_K:g} K"
    if cell_degC is None:
        within, text = None, f"The temperature of the cell is not known; figures of a standard are for {held}."
    else:
        within = abs(cell_degC - REFERENCE_degC) <= REFERENCE_BAND_K
        text = (
            f"The cell stood at {cell_degC:.1f} °C, {'within' if within else 'outside'} the standard's {held}; "
            "the figures are for this temperature and not converted to another."
        )
    return {
        "cell_degC": cell_degC,
        "reference_degC": REFERENCE_degC,
        "band_K": REFERENCE_BAND_K,
        "within": within,
        "text": text,
    }


def default_cutoff_V(info: "RunInfo") -> float | None:
    """Return the cut-off that holds when none was asked for: the plan's or map's, else the window's."""
    if info.cutoff_V is not None:
        return info.cutoff_V
    try:
        from amphora.harness.cells.chemistry import load_chemistry

        value = load_chemistry(info.chemistry).cutoff_V
    except (ImportError, InputError):
        return None
    return None if value is None else float(value)


def _analyse(loaded: Any, cutoff_V: float | None) -> dict[str, Any]:
    import dataclasses

    import numpy as np

    from amphora.harness.analysis.bench_checks import improved
    from amphora.harness.analysis.capacity import figures
    from amphora.harness.analysis.charge import charge_metrics
    from amphora.harness.analysis.integration import accumulate
    from amphora.harness.analysis.late_resistor import without_late_resistor
    from amphora.harness.analysis.phases import at_main_current, find_phases
    from amphora.harness.analysis.warnings import Warning_, find_warnings, late_resistor_told
    from amphora.harness.results.leads import leads_warnings, measured_in, step_names
    from amphora.harness.results.pulses import PULSE_S, is_pulse, kind_of, loaded_s, moved, resistance_table, told_once
    from amphora.harness.results.repeats import passes_in
    from amphora.harness.results.stated import stated_of

    info: RunInfo = loaded.info
    own = loaded.run.get("plan") is not None
    record = prepared(loaded.record, own, info)
    limit_V = cutoff_V if cutoff_V is not None else default_cutoff_V(info)
    base: dict[str, Any] = {
        "cell": info.cell_id,
        "run": info.run_id,
        "chemistry": info.chemistry,
        "form": info.form,
        "profile": info.profile,
        "created_utc": info.created_utc,
        "bench": {key: info.bench.get(key) for key in ("name", "sensed_at")},
        "finished": info.finished,
        "stop": info.stop,
        "rows": int(loaded.record.t_s.size),
        "cutoff_V": limit_V,
    }
    told = [Warning_("record", text + ".") for text in loaded.notices]
    odd = int(no_temperature(loaded.record).sum())
    if odd:
        told.append(
            Warning_(
                "sensor-broken",
                f"{odd} reading{'s' if odd > 1 else ''} of the temperature lie{'' if odd > 1 else 's'} outside "
                f"{SENSOR_DEGC[0]:.0f} to {SENSOR_DEGC[1]:.0f} °C, as an open or a short sensor shows: left out.",
            )
        )
    told += late_resistor_told(without_late_resistor(clean(loaded.record))[1])
    told += [
        Warning_(str(item.get("code", "import")), str(item.get("text", "")))
        for item in (loaded.run.get("imported") or {}).get("warnings", [])
    ]
    if record.t_s.size < 2:
        if loaded.record.t_s.size < 2:
            told.append(Warning_("empty", f"{loaded.record.t_s.size} reading(s) only: nothing can be said."))
        else:
            told.append(Warning_("no-current", "No row has both voltage and current: capacity cannot be had."))
        return {**base, **_nothing(info), "phases": [], "warnings": [_plain(item) for item in told], "budget": {}}
    step_time = record.extra.get("step_time_s")
    totals = accumulate(record, step_time)
    if own and "sweep" in info.step_kinds and set(info.step_kinds) <= {*SURVEY_STEPS, ""}:
        told.append(
            Warning_("survey", "This run surveys a device, it says nothing about a cell: 'amphora duty from-run'.")
        )
        return {**base, **_nothing(info), "phases": [], "warnings": [_plain(item) for item in told], "budget": {}}
    idle = idle_rows(record, info)
    drift_A = late_zero_A(record, idle) if info.zeros else None
    measurement = improved(info, drift_A=drift_A)
    quiet = record
    if idle.any():
        quiet = dataclasses.replace(record, current_A=np.where(idle, 0.0, record.current_A))
    phases = find_phases(quiet, totals)
    if not phases:  # what is left of the current is the meter's own: it steps nowhere, and it moves nothing
        record, totals = quiet, accumulate(quiet, step_time)
    rests = _rests(quiet, idle, phases, info)
    del quiet, idle  # a second column of a long night
    entries: list[dict[str, Any]] = []
    made: list[Figures] = []
    metrics: list[ChargeMetrics | None] = []
    for phase in phases:
        warmth = measurement
        if _heeds_warmth(info.measurement):
            warmth = improved(info, _room_degC(record, phase), drift_A)
        found = figures(record, totals, phase, warmth, limit_V if phase.kind == "discharge" else None)
        made.append(found)
        metrics.append(charge_metrics(record, totals, phase) if phase.kind == "charge" else None)
    for index, phase in enumerate(phases):
        start = _start_of(record, info, phases, metrics, made, index)
        entries.append(_entry(record, info, phase, made[index], metrics[index], start))
        entries[-1]["end_slope_V"] = _end_slope(record, totals, phase, made[index])
        entries[-1]["knee"] = _knee(record, totals, phase, made[index])
    record_kind = kind_of(info, entries)
    for entry in entries:
        if entry["kind"] == "discharge" and is_pulse(info, entry, record_kind):  # a sag in a pulse is no end
            entry.update(complete=False, reached_cutoff=False, pulse=True)
    chosen = _choose([entry["kind"] for entry in entries], entries)
    main = chosen if chosen is not None else (len(entries) - 1 if entries else None)
    if cutoff_V is not None and main is not None and phases[main].kind == "discharge":
        loaded_rows = at_main_current(record, phases[main])
        began_V = float(record.voltage_V[loaded_rows[0]]) if loaded_rows.size else math.inf
        if began_V <= cutoff_V:
            raise InputError(
                f"--cutoff: {cutoff_V:g} V; the discharge began at {began_V:.3f} V under load, and a cut-off below "
                "that is accepted"
            )
    result = {**base, **_nothing(info)}
    phase_main = phases[main] if main is not None else None
    resistances: Sequence[Any] = ()
    if phase_main is not None and main is not None:
        share_of = made[main].capacity_Ah if entries[main]["complete"] and phase_main.kind == "discharge" else None
        resistances = _resistances(record, phase_main, share_of, measurement, told)
    for index, phase in enumerate(phases):
        if index == main:
            entries[index]["resistances"] = [_resistance(item) for item in resistances]
        else:
            share_of = made[index].capacity_Ah if entries[index]["complete"] and phase.kind == "discharge" else None
            entries[index]["resistances"] = [
                _resistance(item) for item in _resistances(record, phase, share_of, measurement, [])
            ]
    for entry in entries:
        _place(entry["resistances"], record, totals)
    if chosen is not None:
        result.update({key: entries[chosen][key] for key in _HEADLINES})
    # Of pulses and drives what a brake or a pulse gives back is no charge.
    no_charge = [bool(record_kind) and loaded_s(entry) < PULSE_S for entry in entries]
    charges = [index for index, phase in enumerate(phases) if phase.kind == "charge" and not no_charge[index]]
    before = [index for index in charges if chosen is None or index < chosen]
    if charges:
        picked = before[-1] if before else charges[-1]
        if chosen is None:
            complete = [index for index in charges if entries[index]["complete"]]
            picked = (complete or charges)[-1]
            result["resistances"] = entries[main]["resistances"] if main is not None else []
            if record_kind:
                result["resistances"] = _of_all(entries)
            result["temperature_rise_K"] = entries[picked]["temperature_rise_K"]
            result["duration_s"] = entries[picked]["duration_s"]
        result["charge_Ah"] = entries[picked]["charge_Ah"]
        result["charge_U_Ah"] = entries[picked]["charge_U_Ah"]
        emptied = any(
            entries[index]["complete"] for index, phase in enumerate(phases[:picked]) if phase.kind == "discharge"
        )
        # An efficiency needs a cycle that ends where it began: emptied, charged full, emptied.
        if chosen is not None and before and emptied and entries[chosen]["complete"] and entries[picked]["complete"]:
            result["cycle"] = _cycle(made[picked], made[chosen])
    if chosen is None and entries and not charges:
        result["resistances"] = _of_all(entries)
    result.update(moved(record, totals), record_kind=record_kind)
    result["resistance_table"] = resistance_table(
        result["resistances"], result["temperature_degC"] or _temperature_at_first(entries)
    )
    warnings = told + find_warnings(
        record,
        info,
        totals,
        phases[chosen] if chosen is not None else None,
        made[chosen] if chosen is not None else None,
        result["start"],
        limit_V,
        resistances,
        result["temperature_rise_K"],
        [phases[index] for index in charges],
    )
    warnings += _counters(record, phases, totals)
    result["passes"], told_of_passes = passes_in(entries, info.chemistry)
    warnings += told_of_passes
    result["leads_measured"] = measured_in(record, info, step_names(loaded.run))
    warnings += leads_warnings(result["leads_measured"])
    result["thermal"] = _thermal(record, info, phase_main, resistances)
    if (result["thermal"] or {}).get("unexplained"):
        warnings.append(Warning_("warmed-unexplained", _capital(result["thermal"]["unexplained"]) + "."))
    warnings += _zero_warnings(info, drift_A)
    result["evening"] = _evening(info, measurement, drift_A)
    result["reference_temperature"] = _reference(result["temperature_degC"])
    result["stated"] = stated_of(
        record, totals, None if chosen is None else phases[chosen], None if chosen is None else made[chosen],
        result["temperature_degC"], result["start"],
    )  # fmt: skip
    result["retention"] = _retention(record, info, warnings)
    # A cell that was full already takes so little that its own readings show no taper; the run asked the supply.
    by_taper = any(event.get("kind") == "step-ended" and event.get("reason") == "taper" for event in loaded.events)
    if chosen is None and charges and not entries[charges[-1]]["complete"] and not by_taper:
        warnings.append(Warning_("charge-unfinished", "The charge did not end by its taper: it is an 'at least'."))
    result["phases"] = entries
    result["rests"] = rests
    result["gaps_unknown"] = sum(1 for gap in record.gaps if gap.charge_low_Ah is None)
    if record_kind:
        warnings = [_of_kind(record_kind, entries) if item.code == "no-discharge" else item for item in warnings]
    result["warnings"] = told_once([_plain(item) for item in warnings])
    result["resolved"] = {
        "edges": int(totals.edges.row.size),
        "edges_half_way": totals.edges.how.count("half-way"),
        "gaps": len(record.gaps),
        "rows_used": int(record.t_s.size),
        "sample_interval_s": float(np.median(np.diff(record.t_s[:: max(1, record.t_s.size // 20000)])))
        / max(1, record.t_s.size // 20000),
    }
    result["budget"] = {}
    for index in [chosen] if chosen is not None else charges[-1:]:
        result["budget"] = {"capacity": _budget(made[index].capacity), "energy": _budget(made[index].energy)}
    answer: dict[str, Any] = finite(result)
    return answer


def _retention(record: "Record", info: "RunInfo", told: list[Any]) -> dict[str, Any] | None:
    """Return what days of rest say; None for a run that is not about rest."""
    from amphora.harness.analysis.warnings import Warning_
    from amphora.harness.results.circuit import longest_rest, retention_in

    rows = longest_rest(record, info)
    if rows is None:
        return None
    span_s = float(record.t_s[rows.stop - 1] - record.t_s[rows.start])
    if info.profile != "retention" and span_s < DAYS_OF_REST_S:
        return None
    try:
        return retention_in(record, info, rows)
    except AnalysisError as error:
        told.append(Warning_("retention", f"Nothing can be said about self-discharge: {error}."))
        return None


_HEADLINES = (
    "capacity_Ah",
    "capacity_U_Ah",
    "capacity_whole_rows_Ah",
    "energy_Wh",
    "energy_U_Wh",
    "mean_voltage_V",
    "duration_s",
    "reached_cutoff",
    "complete",
    "end_voltage_V",
    "resistances",
    "temperature_rise_K",
    "start",
    "main_current_A",
    "temperature_degC",
)


def _nothing(info: "RunInfo") -> dict[str, Any]:
    """Return the keys of an answer, empty."""
    return {
        "capacity_Ah": None,
        "capacity_U_Ah": None,
        "capacity_whole_rows_Ah": None,
        "charge_Ah": None,
        "charge_U_Ah": None,
        "energy_Wh": None,
        "energy_U_Wh": None,
        "mean_voltage_V": None,
        "duration_s": None,
        "reached_cutoff": False,
        "complete": False,
        "end_voltage_V": None,
        "resistances": [],
        "temperature_rise_K": None,
        "temperature_degC": None,
        "main_current_A": None,
        "start": info.start,
        "cycle": None,
        "stated": None,
        "retention": None,
        "evening": None,
        "thermal": None,
        "reference_temperature": None,
        "leads_measured": None,
        "passes": None,
        "rests": [],
        "gaps_unknown": 0,
        "charged_Ah": None,
        "discharged_Ah": None,
        "net_charge_Ah": None,
        "record_kind": "",
        "resistance_table": None,
        "k": 2.0,
    }


def _plain(item: Any) -> dict[str, str]:
    return {"code": item.code, "text": item.text}


def _choose(kinds: list[str], entries: list[dict[str, Any]]) -> int | None:
    """Return the discharge the answer is about: the last complete one, else the largest."""
    discharges = [index for index, kind in enumerate(kinds) if kind == "discharge" and not entries[index].get("pulse")]
    complete = [index for index in discharges if entries[index]["complete"]]
    if complete:
        return complete[-1]
    return max(discharges, key=lambda index: float(entries[index]["capacity_Ah"]), default=None)


def _entry(
    record: "Record", info: "RunInfo", phase: "Phase", found: "Figures", metrics: "ChargeMetrics | None", start: str
) -> dict[str, Any]:
    charge = phase.kind == "charge"
    complete = found.reached_cutoff if not charge else bool(metrics and metrics.tapered)
    if phase.cut_by_gap or found.gap_half_Ah is None:
        complete = False
    rise_K, mean_degC = _temperature(record, phase)
    entry: dict[str, Any] = {
        "kind": phase.kind,
        "begin_s": found.begin_t_s,
        "end_s": found.end_t_s,
        "first_row": phase.first_row,
        "last_row": phase.last_row,
        "main_current_A": phase.main_current_A,
        "complete": complete,
        "capacity_Ah": None if charge else found.capacity_Ah,
        "capacity_U_Ah": None if charge else found.capacity.U,
        "capacity_whole_rows_Ah": None if charge else found.whole_rows_Ah,
        "charge_Ah": found.capacity_Ah if charge else None,
        "charge_U_Ah": found.capacity.U if charge else None,
        "energy_Wh": found.energy_Wh,
        "energy_U_Wh": found.energy.U,
        "mean_voltage_V": found.mean_voltage_V,
        "duration_s": found.duration_s,
        "reached_cutoff": found.reached_cutoff and not charge,
        "end_voltage_V": found.end_voltage_V,
        "resistances": [],
        "temperature_rise_K": rise_K,
        "temperature_degC": mean_degC,
        "start": start,
        "warnings": [],
        "cut_by_gap": phase.cut_by_gap,
        "charge_metrics": None,
    }
    if metrics is not None:
        entry["charge_metrics"] = {
            "constant_current_share": metrics.constant_current_share,
            "constant_voltage_share": metrics.constant_voltage_share,
            "held_voltage_V": metrics.held_voltage_V,
            "end_current_A": metrics.end_current_A,
            "tapered": metrics.tapered,
            "taper": None
            if metrics.taper is None
            else {
                "tau_s": metrics.taper.tau_s,
                "amplitude_A": metrics.taper.amplitude_A,
                "floor_A": metrics.taper.floor_A,
                "residual_A": metrics.taper.residual_A,
            },
        }
    return entry


def _start_of(
    record: "Record",
    info: "RunInfo",
    phases: "tuple[Phase, ...]",
    metrics: "list[ChargeMetrics | None]",
    made: "list[Figures]",
    index: int,
) -> str:
    """Return how a phase started: the record's own charge decides where there was one before."""
    if phases[index].kind == "charge":
        return "unknown"
    if index == 0:
        return info.start
    before = phases[index - 1]
    metric = metrics[index - 1]
    if before.kind != "charge" or metric is None or not metric.tapered or before.cut_by_gap:
        return "unknown"
    rest_s = made[index].begin_t_s - made[index - 1].end_t_s
    held = [gap for gap in record.gaps if before.last_row <= gap.after_row <= phases[index].first_row]
    if rest_s > REST_AFTER_CHARGE_S or any(gap.charge_low_Ah is None for gap in held):
        return "unknown"
    held_V = metric.held_voltage_V
    with contextlib.suppress(ImportError, InputError):
        from amphora.harness.cells.chemistry import load_chemistry

        full_V = load_chemistry(info.chemistry).charge_limit_V
        if info.chemistry != "auto" and full_V is not None and held_V is not None and held_V < float(full_V) - 0.05:
            return "unknown"
    return "full"


def _temperature(record: "Record", phase: "Phase") -> tuple[float | None, float | None]:
    """Return the rise (highest minus the mean of the rest before) and the mean before, where known."""
    import numpy as np

    inside = record.temperature_degC[phase.first_row : phase.last_row + 1]
    inside = inside[np.isfinite(inside)]
    if inside.size == 0:
        return None, None
    low = phase.first_row
    limit = 0.02 * abs(phase.main_current_A)
    earliest = max(0, low - 5000)
    loaded = np.flatnonzero(np.abs(record.current_A[earliest : low + 1]) > limit)
    begin = earliest + (int(loaded[-1]) + 1 if loaded.size else 0)
    before = record.temperature_degC[begin : low + 1] if begin <= low else inside[:1]
    before = before[np.isfinite(before)]
    rest = float(before.mean()) if before.size else float(inside[0])
    return float(inside.max()) - rest, rest


def _resistances(
    record: "Record", phase: "Phase", capacity_Ah: float | None, measurement: Any, told: list[Any]
) -> Sequence[Any]:
    try:
        from amphora.harness.analysis.resistance import find_resistances
    except ImportError:
        return ()
    from amphora.harness.analysis.warnings import Warning_

    first, last = phase.first_row, phase.last_row
    if last - first > 200_000:  # a long night is mostly plain discharge: what is far from any step is thinned
        record, first, last = _near_steps(record, first, last)
    try:
        found: Sequence[Any] = find_resistances(record, first, last, capacity_Ah, measurement)
    except AnalysisError as error:
        told.append(Warning_("resistance", f"No resistance could be had: {error}."))
        return ()
    return found


def _near_steps(record: "Record", first: int, last: int) -> "tuple[Record, int, int]":
    """Return one phase's rows: all within minutes of a step of the current, else each fiftieth."""
    import dataclasses

    import numpy as np

    from amphora.harness.analysis.integration import rows_that_jump

    low, high = max(0, first - 200), min(record.t_s.size, last + 2)
    t_s, current_A = record.t_s[low:high], record.current_A[low:high]
    steps = rows_that_jump(current_A, 0.02 * float(np.abs(current_A[:: max(1, current_A.size // 10000)]).max()))
    keep = np.zeros(t_s.size, bool)
    keep[::50] = True
    keep[[first - low, last - low]] = True
    for gap in record.gaps:
        if low < gap.after_row < high:
            keep[gap.after_row - low - 1 : gap.after_row - low + 1] = True
    begins = np.searchsorted(t_s, t_s[steps] - 120.0)
    ends = np.searchsorted(t_s, t_s[np.minimum(steps + 1, t_s.size - 1)] + 300.0)
    apart = np.flatnonzero(begins[1:] > ends[:-1]) + 1  # both rise: stretches that touch are one
    for begin, end in zip(begins[np.r_[0, apart]], ends[np.r_[apart - 1, -1]], strict=True) if steps.size else ():
        keep[begin:end] = True
    rows = np.flatnonzero(keep)
    took_s = record.extra.get("took_s")
    part = dataclasses.replace(
        record,
        t_s=t_s[rows],
        voltage_V=record.voltage_V[low:high][rows],
        current_A=current_A[rows],
        temperature_degC=record.temperature_degC[low:high][rows],
        step=record.step[low:high][rows],
        gaps=tuple(
            dataclasses.replace(gap, after_row=int(np.searchsorted(rows, gap.after_row - low)))
            for gap in record.gaps
            if low < gap.after_row < high
        ),
        extra={} if took_s is None else {"took_s": took_s[low:high][rows]},
    )
    return part, int(np.searchsorted(rows, first - low)), int(np.searchsorted(rows, last - low))


def _resistance(item: Any) -> dict[str, Any]:
    return {
        name: getattr(item, name)
        for name in (
            "method", "ohm", "U_ohm", "current_A", "duration_s", "charge_state", "t_s", "before_V", "before_A"
        )
    }  # fmt: skip


def _of_all(entries: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the resistances of all phases, in order of time, each once: a release may count to two phases."""
    found = {(item["t_s"], item["method"], item["duration_s"]): item for one in entries for item in one["resistances"]}
    return [found[key] for key in sorted(found)]


def _place(items: list[dict[str, Any]], record: "Record", totals: "Totals") -> None:
    """Say how much charge had moved since the first row; by the file's own counter where gaps hide some of it."""
    import numpy as np

    if not items:
        return
    charge = totals.charge_Ah
    unknown = [gap.after_row for gap in record.gaps if gap.charge_low_Ah is None]
    if unknown:
        counter = record.extra.get("counter_Ah")
        if counter is None or not np.isfinite(counter).all() or _set_back(counter):
            for item in items:
                row = int(np.searchsorted(record.t_s, item["t_s"], side="right"))
                item["moved_Ah"] = None if any(gap < row for gap in unknown) else float(charge[max(0, row - 1)])
            return
        way = 1.0 if _same_way(counter, charge, record.current_A) else -1.0
        charge = way * (counter - counter[0])
    for item in items:
        item["moved_Ah"] = float(charge[max(0, int(np.searchsorted(record.t_s, item["t_s"], side="right")) - 1)])


def _set_back(counter: "npt.NDArray[np.float64]") -> bool:
    """Return whether a counter was set back to zero somewhere."""
    import numpy as np

    size = np.abs(counter)
    return bool(((size[1:] < 1e-3) & (size[:-1] > 0.02)).any())


def _same_way(counter: "npt.NDArray[np.float64]", charge: "npt.NDArray[np.float64]", current_A: Any) -> bool:
    """Return whether a counter rises where charge goes into the cell."""
    import numpy as np

    return float(np.dot(np.diff(counter), np.sign(np.diff(charge)))) >= 0


def _temperature_at_first(entries: list[dict[str, Any]]) -> float | None:
    return next((entry["temperature_degC"] for entry in entries if entry["temperature_degC"] is not None), None)


def _of_kind(kind: str, entries: list[dict[str, Any]]) -> Any:
    """Return the warning that a record of pulses or of a changing load says nothing about capacity."""
    from amphora.harness.analysis.warnings import Warning_
    from amphora.harness.results.pulses import loaded_s

    loads = [loaded_s(entry) for entry in entries if entry["kind"] == "discharge"]
    many = f"{len(loads)} loads" if len(loads) != 1 else "one load"
    return Warning_(
        "no-discharge",
        f"This record holds {kind}: {many}, the longest {max(loads):.0f} s. It shows resistance and the charge that "
        "moved, and says nothing about capacity.",
    )


def _cycle(charge: "Figures", discharge: "Figures") -> dict[str, float]:
    from amphora.harness.analysis.charge import cycle_efficiency

    offsets = [
        2 * line.contribution / found.capacity_Ah
        for found in (charge, discharge)
        for line in found.capacity.lines
        if line.name not in ("current gain", "time base")
    ]
    found = cycle_efficiency(
        charge.capacity_Ah, charge.energy_Wh, discharge.capacity_Ah, discharge.energy_Wh, math.hypot(*offsets)
    )
    return {
        "coulombic_efficiency": found.coulombic,
        "coulombic_efficiency_U": found.coulombic_U,
        "energy_efficiency": found.energy,
    }


def _energy_counters(record: "Record", phase: "Phase", totals: "Totals") -> list[Any]:
    """Compare the source's own energy counters with our integration over one phase."""
    from amphora.harness.analysis.warnings import Warning_, counter_difference, counter_step

    out = []
    ours = abs(float(totals.energy_Wh[phase.last_row] - totals.energy_Wh[phase.first_row]))
    for name in ("counter_Wh", "counter_charge_Wh" if phase.kind == "charge" else "counter_discharge_Wh"):
        counter = record.extra.get(name)
        theirs = None if counter is None else counter_difference(counter, phase.first_row, phase.last_row)
        if counter is None or theirs is None:
            continue
        if abs(theirs - ours) > max(0.005 * ours, counter_step(counter), 1e-3):
            out.append(
                Warning_(
                    "counter-differs",
                    f"The file's own counter gives {theirs:.4f} Wh for this {phase.kind}, integration gives "
                    f"{ours:.4f} Wh ({100 * (ours - theirs) / theirs:+.2f} %).",
                )
            )
    return out


def _counters(record: "Record", phases: "tuple[Phase, ...]", totals: "Totals") -> list[Any]:
    """Compare the source's own counters with our integration, phase by phase."""
    from amphora.harness.analysis.warnings import Warning_, counter_difference, counter_step

    out: list[Any] = []
    for phase in phases:
        out += _energy_counters(record, phase, totals)
        ours = abs(phase.end_Ah - phase.begin_Ah)
        names = ["counter_Ah", "counter_charge_Ah" if phase.kind == "charge" else "counter_discharge_Ah"]
        for name in names:
            counter = record.extra.get(name)
            if counter is None:
                continue
            theirs = counter_difference(counter, phase.first_row, phase.last_row)
            if theirs is None:
                continue
            allowed = max(0.002 * ours, counter_step(counter), 2e-4)
            if abs(theirs - ours) > allowed:
                out.append(
                    Warning_(
                        "counter-differs",
                        f"The file's own counter gives {theirs:.4f} Ah for this {phase.kind}, integration gives "
                        f"{ours:.4f} Ah ({100 * (ours - theirs) / theirs if theirs else math.inf:+.2f} %).",
                    )
                )
    return out


def _budget(budget: "Budget") -> dict[str, Any]:
    return {
        "quantity": budget.quantity,
        "value": budget.value,
        "unit": budget.unit,
        "u": budget.u,
        "U": budget.U,
        "k": budget.k,
        "notes": list(budget.notes),
        "lines": [
            {
                "name": line.name,
                "standard_u": line.standard_u,
                "unit": line.unit,
                "sensitivity": line.sensitivity,
                "contribution": line.contribution,
                "type": line.kind,
                "assumed": line.assumed,
                "note": line.note,
            }
            for line in budget.lines
        ],
    }
