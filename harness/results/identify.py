"""What a run on the bench says about an unmarked cell: from a run folder to an identification.

Gathers the evidence of one run, or of several runs of the same cell (a watched charge one evening, a discharge
the next), and hands it to the pure `analysis.identification`. The answer is kept in the shelf by
whoever asks; `identified_field` gives what is kept.
"""

import itertools
import shlex
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from amphora.harness.archive.run_folder import header_of_run, is_run
from amphora.harness.cells.cell import Cell, Identified
from amphora.harness.common.errors import InputError

if TYPE_CHECKING:
    from amphora.harness.analysis.curve_shape import VoltageCurve
    from amphora.harness.analysis.identification import Evidence, Identification
    from amphora.harness.analysis.records import FloatArray, IntArray, Record
    from amphora.harness.analysis.resistance import Resistance


# As found, at rest: an unidentified cell is drawn from only above the cut-off of nickel, or of the 4 V class.
RECIPES_FROM_V = (1.01, 3.01)
NICKEL_TO_V = 1.60
MOST_RUNS = 6  # then a person is asked


def evidence_of(folder: Path) -> "Evidence":
    """Return the evidence that one run folder holds.

    Raises:
        InputError: the cell's record has no voltage as found.
        JournalDamaged: the folder is damaged.
    """
    import numpy as np

    from amphora.harness.analysis.identification import evidence_from_record
    from amphora.harness.analysis.resistance import find_resistances
    from amphora.harness.archive.loading import load
    from amphora.harness.cells.forms import form_of

    record, info = load(folder)
    known = info.cell or Cell(info.cell_id)
    found_V, claim_Ah = known.as_found_V, known.claim_Ah
    if found_V is None:
        raise InputError(
            f"{folder}: the cell's record has no 'as_found_V'; measure it at rest with a hand meter and enter it"
        )
    kinds, reference_A = info.step_kinds, None
    if info.profile == "import":  # a table has no steps of ours: its charges and discharges are found in it
        record, kinds = _by_phases(record)
        form = form_of(known.form)
        reference_A = None if form is None else form.taken(found_V < NICKEL_TO_V)
    ohms: tuple[float, ...] = ()
    pulses = [number for number, kind in enumerate(info.step_kinds) if kind == "pulses"]
    rows = np.flatnonzero(np.isin(record.step, pulses))
    if rows.size:
        values = find_resistances(record, int(rows[0]), int(rows[-1]), None, info.measurement)
        ohms = _ten_seconds(values)
        if not ohms:
            # Where nothing but small currents flowed, their flicker passes for steps of its own: take it out.
            steady = replace(record, current_A=_levelled(record.current_A, rows))
            ohms = _ten_seconds(find_resistances(steady, int(rows[0]), int(rows[-1]), None, info.measurement))
    return evidence_from_record(
        record,
        kinds,
        _as_found(record, found_V),
        declared_rechargeable=known.declared_rechargeable,
        reference_A=claim_Ah or reference_A,
        step_ohm=ohms,
    )


def _by_phases(record: "Record") -> tuple["Record", tuple[str, ...]]:
    """Return an imported record with its phases as steps, and the kind of each."""
    import numpy as np

    from amphora.harness.analysis.integration import accumulate
    from amphora.harness.analysis.phases import find_phases

    phases = find_phases(record, accumulate(record))
    step = np.full(record.t_s.size, -1)
    for number, phase in enumerate(phases):
        step[phase.first_row : phase.last_row + 1] = number
    return replace(record, step=step), tuple(phase.kind for phase in phases)


def _as_found(record: "Record", register_V: float) -> float:
    """Return the voltage at the run's own first rest where the register's is another: what the bench saw counts."""
    import numpy as np

    from amphora.harness.bench.bench_file import AGREE_V

    rows = np.flatnonzero((record.step == 0) & np.isfinite(record.voltage_V) & np.isfinite(record.current_A))[:8]
    if rows.size < 8 or not np.all(np.abs(record.current_A[rows]) < 0.02):
        return register_V
    own_V = float(np.median(record.voltage_V[rows]))
    return own_V if abs(own_V - register_V) > AGREE_V else register_V


def _ten_seconds(values: "Sequence[Resistance]") -> tuple[float, ...]:
    from amphora.harness.analysis.resistance import LOAD_STEP

    return tuple(v.ohm for v in values if v.method == LOAD_STEP and 5.0 <= v.duration_s <= 15.0)


def _levelled(current_A: "FloatArray", rows: "IntArray") -> "FloatArray":
    """Give every stretch of one level, within a tenth of the largest current in `rows`, its median; shape (n,)."""
    import numpy as np

    part = current_A[rows]
    most_A = float(np.nanmax(np.abs(part)))
    if not most_A > 0:
        return current_A
    level = np.round(part / (0.1 * most_A))
    edges = np.concatenate(([0], np.flatnonzero(np.diff(level) != 0) + 1, [part.size]))
    out = np.array(current_A, dtype=float)
    for begin, end in itertools.pairwise(edges):
        middle = float(np.median(part[begin:end]))
        out[rows[begin:end]] = middle if abs(middle) > 0.03 * most_A else 0.0
    return out


def folders_of(names: Sequence[Path], logs: Path) -> list[Path]:
    """Return the run folders meant: each name is a run folder, or a cell's id that stands for all its runs.

    Raises:
        InputError: a cell without runs. (A name that is neither is told when its folder is read.)
    """
    from amphora.harness.archive.shelf import Shelf

    folders: list[Path] = []
    for name in names:
        own = logs / name.name if len(name.parts) == 1 else name
        if is_run(name) or not (own / "cell.json").is_file():
            folders.append(name)
            continue
        runs = Shelf(own.parent).runs(own.name)
        if not runs:
            raise InputError(
                f"{own.name}: no run with this cell yet; begin with "
                f"`amphora run --cell {own.name} --profile identify --present`"
            )
        folders += runs
    return list(dict.fromkeys(folders))


def _gathered(folders: Sequence[Path]) -> "tuple[Evidence, int, int]":
    """Return the evidence of all runs of a cell, oldest first, and how many charges and discharges are in it."""
    from amphora.harness.analysis.curve_shape import VoltageCurve, joined

    known = evidence_of(folders[0])
    known = replace(known, emptied_rests_V=_emptied_rests_V(folders[0], known))
    went_on = known.charge is not None and known.discharge is None
    charges, discharges = int(known.charge is not None), int(known.discharge is not None)
    for folder in folders[1:]:
        more = evidence_of(folder)
        charges, discharges = charges + (more.charge is not None), discharges + (more.discharge is not None)
        known = replace(
            known,
            declared_rechargeable=more.declared_rechargeable,
            step_ohm=more.step_ohm or known.step_ohm,
            discharge=_most(known.discharge, more.discharge),
            reference_A=more.reference_A or known.reference_A,
        )
        if more.discharge is not None:
            known = replace(known, emptied_rests_V=_emptied_rests_V(folder, more))
        if more.charge is not None:
            charge = more.charge
            if known.charge is not None and went_on:  # a further stage of one charge
                moved, volts = joined([known.charge, more.charge])
                charge = VoltageCurve(moved, volts, more.charge.current_A, more.charge.resistance_ohm)
            known = replace(
                known, emptied_rests_V=None, charge=charge, charge_It=more.charge_It,
                rested_after_charge_V=more.rested_after_charge_V, rest_after_charge_h=more.rest_after_charge_h,
            )  # fmt: skip
        went_on = more.discharge is None and (went_on or more.charge is not None)
    return known, charges, discharges


def _given_up(found: "Identification", made: Sequence[str], both: int) -> "Identification":
    """Return an answer that asks a person, where the next step was done often enough and settled nothing.

    Args:
        found: The answer.
        made: The recipes of the runs.
        both: How often the cell was both charged and discharged.
    """
    staged = found.charge_to_V is not None
    if staged and len(made) >= MOST_RUNS and found.chemistry is None:
        return replace(
            found, recipes=(), may_charge=False, asks="chemistry", charge_to_V=None,
            next_step=f"{len(made)} runs have not settled it: go by its markings or data sheet, or retire it",
        )  # fmt: skip
    twice = both >= 2 or all(made.count(name) >= 2 for name in found.recipes)
    if found.recipes and not staged and twice:
        return replace(
            found, recipes=(), may_charge=False, asks="chemistry",
            next_step=f"it went through {' and '.join(found.recipes)} twice and nothing settled it: go by its markings "
            "or data sheet, or retire it",
        )  # fmt: skip
    return found


def identify_runs(folders: Sequence[Path]) -> "Identification":
    """Say what a cell is from the runs made with it, or what to do next.

    Args:
        folders: Run folders of one cell, oldest first; of several discharges the one that moved most counts,
            of load steps and watched charges the last.

    Returns:
        The answer; where a shipped recipe does the next step, `next_step` says the command.

    Raises:
        InputError: no folder, runs of different cells, or no voltage as found.
    """
    from amphora.harness.analysis.identification import identify
    from amphora.harness.archive.loading import load

    if not folders:
        raise InputError("identification: no run given")
    infos = [load(folder)[1] for folder in folders]
    cells = {info.cell_id for info in infos}
    if len(cells) > 1:
        raise InputError(
            f"identification: the runs are of several cells ({', '.join(sorted(cells))}); give those of one"
        )
    known, charges, discharges = _gathered(folders)
    found = identify(known)
    judged = ", ".join(info.run_id.rsplit("/", 1)[-1] for info in infos)
    evidence = (f"judged from {len(infos)} run{'s' if len(infos) > 1 else ''}: {judged}", *found.evidence)
    made = [info.profile for info in infos]
    found = _given_up(found, made, min(charges, discharges))
    if found.recipes and found.charge_to_V is None and _refused(known.as_found_V):
        found = replace(
            found, recipes=(), may_charge=False, asks="chemistry",
            next_step=found.next_step + f" (the shipped recipes refuse an unidentified cell found at "
            f"{known.as_found_V:.2f} V, below the highest cut-off that it may have)",
        )  # fmt: skip
    where = _where(folders[-1])
    said = _commands(found, infos[0].cell_id, where) + _question(found, infos[0].cell_id, where)
    if found.chemistry is not None and found.charge_to_V is None and found.may_charge:
        said += _charge(known.declared_rechargeable, infos[0].cell_id, where)
    return replace(found, evidence=evidence, next_step=found.next_step + said)


def _where(folder: Path) -> tuple[str, str]:
    """Return the options that say which bench and which logs, as they are typed; an import has no bench."""
    bench = header_of_run(folder).bench.file or "bench.toml"
    logs = Path(folder).absolute().parent.parent
    return f" --bench {shlex.quote(bench)}", "" if logs == Path(
        "logs"
    ).absolute() else f" --logs {shlex.quote(str(logs))}"


def _question(found: "Identification", cell_id: str, where: tuple[str, str]) -> str:
    """Return the one question that only a person can answer, with what to type for each answer."""
    bench, logs = where
    retire = f"no, or nobody knows: `amphora cell state {cell_id} retired{logs}`"
    if found.asks == "rechargeable":
        return (
            "; the question: is it known to be rechargeable, by its print or by a device that charged it? yes: "
            f"`amphora cell check {cell_id} --rechargeable{logs}`, then `amphora run --cell {cell_id} --profile "
            f"identify{bench} --present{logs}`; {retire}"
        )
    if found.asks == "chemistry":
        return (
            "; the question: which chemistry does its print, its data sheet or the charger of its device name? "
            f'Li-ion: `amphora cell edit {cell_id} --chemistry li-ion --why "its print"{logs}` (LFP: lfp; NiMH: nimh); '
            f"{retire}"
        )
    return ""


def _emptied_rests_V(folder: Path, evidence: "Evidence") -> float | None:
    """Return where a run that only discharged, down to below what the first stage needs, left the cell at rest."""
    import numpy as np

    from amphora.harness.archive.loading import load

    if evidence.discharge is None or evidence.charge is not None:
        return None
    record, _ = load(folder)
    rows = np.flatnonzero(np.isfinite(record.voltage_V) & np.isfinite(record.current_A))[-5:]
    if rows.size < 5 or float(np.max(np.abs(record.current_A[rows]))) > 0.02:
        return None
    return float(np.median(record.voltage_V[rows]))


def _most(one: "VoltageCurve | None", other: "VoltageCurve | None") -> "VoltageCurve | None":
    if one is None or other is None:
        return one or other
    return other if other.moved_Ah[-1] >= one.moved_Ah[-1] else one


def _refused(found_V: float) -> bool:
    """Tell whether the shipped recipes refuse a cell found at a voltage while nobody knows what it is."""
    return found_V < RECIPES_FROM_V[0] or NICKEL_TO_V < found_V < RECIPES_FROM_V[1]


def _commands(found: "Identification", cell_id: str, where: tuple[str, str]) -> str:
    """Return the shipped recipes that do the next step, as they are typed."""
    if found.charge_to_V is not None:
        bench, logs = where
        return (
            f" (`amphora identify {cell_id} --save{logs}`, then `amphora run --cell {cell_id} --profile "
            f"identify{bench} --present{logs}`, then "
            f"`amphora identify {cell_id} --save{logs}`)"
        )
    if not found.recipes:
        return ""
    here, (bench, logs) = {"identify": " --present"}, where
    typed = [
        f"`amphora run --cell {cell_id} --profile {name}{bench}{here.get(name, '')}{logs}`" for name in found.recipes
    ]
    return f" ({', then '.join((*typed, f'`amphora identify {cell_id} --save{logs}`'))})"


def _charge(declared: bool, cell_id: str, where: tuple[str, str]) -> str:
    """Return what is typed to charge a cell that was named; who knows that it is rechargeable says so first."""
    bench, logs = where
    typed = [f"`amphora identify {cell_id} --save{logs}`"]
    if not declared:
        typed.append(f"`amphora cell check {cell_id} --rechargeable{logs}` if its print or its device says so")
    typed.append(f"`amphora run --cell {cell_id} --profile charge{bench} --present{logs}`")
    return f" ({', then '.join(typed)})"


def identified_field(found: "Identification", run_id: str) -> Identified:
    """Return what the shelf keeps of an identification; `chemistry` is there only when the answer names one."""
    staged = found.charge_to_V is not None
    return Identified(
        found.answer, found.confidence, tuple(found.evidence), found.next_step, run_id, found.chemistry,
        found.charge_to_V, found.rests_V if staged else None,
    )  # fmt: skip


def save_identification(logs: Path, folders: Sequence[Path], found: "Identification") -> Cell:
    """Keep an identification in the record of the cell that the runs are of, and return the cell.

    Raises:
        InputError: the cell is not on the shelf in `logs`.
    """
    from amphora.harness.archive.loading import load
    from amphora.harness.archive.shelf import Shelf

    info = load(folders[-1])[1]
    shelf = Shelf(logs)
    cell = shelf.get(info.cell_id)
    return shelf.save(replace(cell, identified=identified_field(found, info.run_id)))
