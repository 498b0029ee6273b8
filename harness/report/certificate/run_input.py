"""A run's folder as a certificate sees it: analysed anew from its raw files, with its discharge as a curve."""

import dataclasses
import json
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from amphora.harness.account.answer import analyse_run
from amphora.harness.account.asking import standing_beside
from amphora.harness.analysis.bench_checks import zero_is_used
from amphora.harness.archive.loading import load
from amphora.harness.archive.run_folder import FILES, is_run, is_simulated, read_header, runs_below
from amphora.harness.archive.run_header import RunHeader, header_of
from amphora.harness.cells.cell import Cell
from amphora.harness.common.as_json import known_of
from amphora.harness.common.errors import AmphoraError, InputError
from amphora.harness.report.certificate.body import ChargeRecord
from amphora.harness.report.certificate.canonical import (
    sha256_file,
)
from amphora.harness.results.result import LeadsState, PhaseResult, Result

if TYPE_CHECKING:
    from amphora.harness.analysis.records import MeasuredZero, Measurement

CURVE_POINTS = 240


@dataclass(frozen=True)
class RunInput:
    """One run for a certificate.

    `result` is what `amphora analyse` gives, `curve` its discharge as (charge out in Ah, volt) pairs.
    """

    folder: Path
    header: RunHeader
    result: Result
    curve: list[tuple[float, float]]
    measurement: "Measurement"  # with what is assumed where the bench gave nothing
    cutoff_given_V: float | None = None  # another one than the run's own
    zeros: "tuple[MeasuredZero, ...]" = ()
    zero_taken_out: bool = False
    state_now: str = ""  # on the register; empty where there is none
    start_from: ChargeRecord | None = None
    simulated: bool = False

    @property
    def run_id(self) -> str:
        """Return the run's name: the cell's id and the folder's name."""
        return self.header.run_id or self.folder.name


def discharge_curve(charge_Ah: Any, voltage_V: Any, points: int = CURVE_POINTS) -> list[tuple[float, float]]:
    """Thin a curve to at most `points` of its own points, the extremes of each stretch kept.

    Args:
        charge_Ah: Charge given so far, shape (n,), rising.
        voltage_V: Voltage, shape (n,).
        points: The most points to keep.
    """
    n = len(charge_Ah)
    if n <= points:
        keep = list(range(n))
    else:
        kept = {0, n - 1}
        stretches = max(points // 2 - 1, 1)
        for i in range(stretches):
            begin, end = i * n // stretches, (i + 1) * n // stretches
            part = voltage_V[begin:end]
            kept.add(begin + int(part.argmin()))
            kept.add(begin + int(part.argmax()))
        keep = sorted(kept)
    return [(float(f"{float(charge_Ah[i]):.5g}"), float(f"{float(voltage_V[i]):.5g}")) for i in keep]


def discharge_points(
    t_s: Any, voltage_V: Any, current_A: Any, begin_s: float | None = None, end_s: float | None = None
) -> tuple[Any, Any]:
    """Return charge given (Ah, rising) and voltage (V) of a discharge's rows under load, shape (m,) each.

    Args:
        t_s, voltage_V, current_A: Readings, shape (n,); current into the cell.
        begin_s, end_s: The discharge in `t_s`; None: from the end of the last charge to the last discharging row.
    """
    import numpy as np

    good = np.isfinite(t_s) & np.isfinite(voltage_V) & np.isfinite(current_A)
    t, v, i = t_s[good], voltage_V[good], current_A[good]
    if t.size < 2:
        return np.empty(0), np.empty(0)
    small = 0.02 * float(np.abs(i).max())
    out = i < -small
    if not out.any():
        return np.empty(0), np.empty(0)
    last = int(np.flatnonzero(out)[-1])
    charging = np.flatnonzero(i[:last] > small)
    first = int(charging[-1]) + 1 if charging.size else 0
    low = t[first] if begin_s is None else begin_s
    high = t[last] if end_s is None else end_s
    window = (t >= low) & (t <= high)
    t, v, i, out = t[window], v[window], i[window], out[window]
    if t.size < 2:
        return np.empty(0), np.empty(0)
    steps = np.diff(t) * -(i[1:] + i[:-1]) / 2 / 3600
    given = np.concatenate([[0.0], np.cumsum(steps)])
    return given[out], v[out]


LeadsRun = Path | Literal["find"] | None  # a folder; to be found on the run's shelf; or none


def fresh_result(
    folder: Path, cutoff_V: float | None = None, leads_run: LeadsRun = None, stated: LeadsState | None = None
) -> Result:
    """Analyse a copy of a run's raw files, so that no result kept beside them can answer instead.

    Args:
        folder: The run's folder.
        cutoff_V: Another cut-off than the run's own.
        leads_run: A run that measured leads and holder, copied beside it; "find": those on the run's own shelf.
        stated: What a certificate says was taken out, for one who has not that run.

    Raises:
        InputError: damaged, or no figure can be made from it.
    """
    if leads_run == "find":
        beside = sorted(runs_below(folder.resolve().parent.parent, "*-leads"))
    elif leads_run is None:
        beside = []
    else:
        beside = [leads_run]
    with tempfile.TemporaryDirectory() as scratch:
        copied: dict[str, Path] = {}
        for source in [folder, *(run for run in beside if run.resolve() != folder.resolve())]:
            copy = Path(scratch) / source.resolve().parent.name / source.resolve().name
            copy.mkdir(parents=True, exist_ok=True)
            copied[str(copy)] = source
            for name in FILES:
                if (source / name).is_file():
                    shutil.copyfile(source / name, copy / name)
        first = next(iter(copied))
        try:
            result = analyse_run(Path(first), cutoff_V, leads=stated)
        except AmphoraError as error:
            raise InputError(str(error).replace(first, str(folder))) from error
        leads = result.leads
        if leads is None or not leads.from_run or stated is not None:
            return result
        source = copied[leads.from_run]
        named = "/".join(source.resolve().parts[-2:])
        return dataclasses.replace(
            result, leads=dataclasses.replace(leads, from_run=named, files_sha256=digests(source))
        )


def digests(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of each raw file of a run, by name."""
    return {name: sha256_file(folder / name) for name in FILES if (folder / name).is_file()}


def run_input(
    folder: Path,
    cutoff_V: float | None = None,
    leads_run: LeadsRun = "find",
    stated: LeadsState | None = None,
) -> RunInput:
    """Read and analyse one run for a certificate.

    Args:
        folder: The run's folder.
        cutoff_V: Another cut-off than the run's own.
        leads_run, stated: See `fresh_result`.

    Raises:
        InputError: no run's folder, or damaged.
    """
    run = read_header(folder)
    result = fresh_result(folder, cutoff_V, leads_run, stated)
    record, info = load(folder)
    chosen = chosen_phase(result)
    begin, end = (None, None) if chosen is None else (chosen.begin_s, chosen.end_s)
    charge, voltage = discharge_points(record.t_s, record.voltage_V, record.current_A, begin, end)
    charged_in = _charged_in(folder) if result.start == "unknown" else None
    if charged_in is not None:
        said = tuple(item for item in result.warnings if item.code != "start-unknown")
        result = dataclasses.replace(result, start="full", warnings=said)
    return RunInput(
        folder=folder,
        header=header_of(run),
        result=result,
        curve=discharge_curve(charge, voltage),
        measurement=info.measurement,
        cutoff_given_V=cutoff_V,
        zeros=info.zeros,
        zero_taken_out=zero_is_used(info),
        state_now=state_now(folder),
        start_from=charged_in,
        simulated=is_simulated(run),
    )


def _charged_in(folder: Path) -> ChargeRecord | None:
    """Return the run whose charge made a discharge begin full, by the cell's account; None: it did not.

    A run says so itself but for a charge that was imported, and a nickel cell nobody had measured before.

    Args:
        folder: The run's folder, as it lies on a shelf.
    """
    beside = standing_beside(folder)
    charge = "" if beside is None else beside[1].full_from.get(folder.resolve().name, "")
    source = folder.resolve().parent / charge
    if not charge or not is_run(source):
        return None
    return ChargeRecord(source.name, digests(source))


def state_now(folder: Path) -> str:
    """Return the cell's state on the register as it is now, or empty."""
    try:
        record = json.loads((folder.resolve().parent / "cell.json").read_bytes())
    except (OSError, ValueError):
        return ""
    return known_of(Cell, {"state": "", **record}).state if isinstance(record, dict) else ""


def chosen_phase(result: Result) -> PhaseResult | None:
    """Return the discharge that the figures are of, else the last one."""
    if result.headline is not None:
        return result.phases[result.headline]
    return next((phase for phase in reversed(result.phases) if phase.kind == "discharge"), None)
