"""Tables for the terminal and as CSV. Text only; a column is as wide as what stands in it on a screen."""

import csv
import io
import math
import re
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from amphora.harness.account.standing import ACTS, Standing
from amphora.harness.archive.shelf import CellEntry, RunEntry
from amphora.harness.cells.cell import Cell, Identified
from amphora.harness.cells.incoming import Judgement
from amphora.harness.common.words import with_U as said
from amphora.harness.decisions.compared import Comparison
from amphora.harness.decisions.fit_answer import Fit
from amphora.harness.decisions.grades import Graded
from amphora.harness.decisions.matching import Matched


def plain(text: object) -> str:
    """Return text that cannot move the cursor or hide itself on a terminal."""
    shown = str(text)
    if shown.isprintable():
        return shown
    return "".join(c if unicodedata.category(c)[0] != "C" else " " for c in shown)


@lru_cache(maxsize=4096)
def width(text: str) -> int:
    """Return how many columns of a terminal a text takes."""
    if text.isascii() and text.isprintable():
        return len(text)
    total = 0
    for character in text:
        if unicodedata.combining(character) or unicodedata.category(character) in ("Mn", "Me", "Cf"):
            continue
        total += 2 if unicodedata.east_asian_width(character) in "WF" else 1
    return total


def terminal_columns() -> int | None:
    """Return how wide the terminal is that an answer goes to; None where it goes into a file or a pipe."""
    return shutil.get_terminal_size((80, 24)).columns if sys.stdout is not None and sys.stdout.isatty() else None


def table(header: Sequence[str], rows: Sequence[Sequence[object]], right: Sequence[str] = ()) -> str:
    """Return rows as a table, columns named in `right` flush right.

    At a terminal that is too narrow, columns of words break between words, over several lines.
    """
    shown = [[plain("–" if value is None or value == "" else value) for value in row] for row in rows]
    widths = [max(width(name), *(width(row[n]) for row in shown), 0) for n, name in enumerate(header)]
    sides = [name in right for name in header]
    gap = " " * _narrowed(widths, [header, *shown], sides, terminal_columns())

    def lines(cells: Sequence[str]) -> list[str]:
        stacks = [
            textwrap.wrap(_words(text), size, break_long_words=False, break_on_hyphens=False)
            if width(text) > size
            else [text]
            for text, size in zip(cells, widths, strict=True)
        ]
        deep = max(map(len, stacks))
        return [line([stack[n] if n < len(stack) else "" for stack in stacks]) for n in range(deep)]

    def line(cells: Sequence[str]) -> str:
        parts = []
        for text, size, flush_right in zip(cells, widths, sides, strict=True):
            space = " " * (size - width(text))
            parts.append(space + text if flush_right else text + space)
        return gap.join(parts).rstrip()

    ruled = gap.join("-" * size for size in widths)
    return "\n".join([*lines(header), ruled, *(text for row in shown for text in lines(row))])


def _words(text: str) -> str:
    """Return text with a space where a run's name may break: behind its time."""
    return re.sub(r"(?<=\dZ-)(?=\w)", " ", text)


def _narrowed(widths: list[int], rows: Sequence[Sequence[str]], sides: Sequence[bool], limit: int | None) -> int:
    """Make columns of words narrower, the widest first, until the table fits; none below its longest word.

    Returns the gap between columns: one sign where two leave no room.
    """
    if limit is None:
        return 2
    longest = [0] * len(widths)
    for at, row in enumerate(rows):
        for n, text in enumerate(row):  # a number stays in one line, its heading need not
            parts = _words(text).split() if at == 0 or not sides[n] else [text]
            longest[n] = max(longest[n], *map(width, parts), 0)
    while sum(widths) + 2 * (len(widths) - 1) > limit:
        most = max(range(len(widths)), key=lambda n: (widths[n] > longest[n], widths[n]))
        if widths[most] <= longest[most]:
            return 1
        widths[most] -= 1
    return 2


def as_csv(header: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> str:
    """Return rows as CSV; text that a spreadsheet would take for a formula gets an apostrophe."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(header)
    for row in rows:
        cells = []
        for name in header:
            value = row.get(name)
            if isinstance(value, list | tuple):
                value = " ".join(str(item) for item in value)
            if isinstance(value, float) and not math.isfinite(value):
                value = None
            if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
                value = "'" + value
            cells.append("" if value is None else value)
        writer.writerow(cells)
    return out.getvalue()


def with_U(value: float | None, U: float | None, scale: float = 1.0) -> str:
    """Return 'value ± U' as a table shows it: a dash where there is no value."""
    return said(value, U, scale, unknown="–")


def shelf_table(entries: Sequence[CellEntry]) -> str:
    """Return the list of cells; damaged ones below, each with why."""
    header = (
        "Cell",
        "Form",
        "Chemistry",
        "State",
        "Found V",
        "Mass g",
        "Claim mAh",
        "Holds mAh",
        "Runs",
        "Came out of",
    )
    rows: list[tuple[object, ...]] = []
    for entry in entries:
        cell = entry.cell
        if cell is None:
            rows.append((entry.id, "damaged", "", "", "", "", "", "", entry.runs, ""))
            continue
        known = cell.identified.chemistry
        against = f" ! {', '.join(entry.findings)}" if entry.findings else ""
        rows.append(
            (
                cell.id,
                cell.form,
                f"{known} (identified)" if known and known != cell.chemistry else cell.chemistry,
                cell.state + against,
                None if cell.as_found_V is None else f"{cell.as_found_V:.3f}",
                None if cell.mass_g is None else f"{cell.mass_g:.1f}",
                None if cell.claim_Ah is None else f"{cell.claim_Ah * 1000:.0f}",
                with_U(entry.capacity_Ah, entry.capacity_U_Ah, 1000),
                f"{entry.runs}" + (f" ({entry.damaged_runs} damaged)" if entry.damaged_runs else ""),
                cell.source if len(cell.source) <= 40 else cell.source[:39] + "…",
            )
        )
    text = table(header, rows, ("Found V", "Mass g", "Claim mAh", "Holds mAh", "Runs"))
    broken = [f"damaged: {plain(entry.damaged)}" for entry in entries if entry.damaged]
    return "\n".join([text, *broken])


def _start_of(run: RunEntry, standing: Standing | None) -> str:
    """Return how a run began: by the account where there is one."""
    name = run.folder.replace("\\", "/").rsplit("/", 1)[-1]
    return run.start if standing is None else str(standing.starts.get(name, run.start))


def standing_lines(standing: Standing) -> list[str]:
    """Return what a cell is by its account, in plain words."""
    lines = []
    if standing.capacity_Ah is not None:
        held = said(standing.capacity_Ah, standing.capacity_item_U_Ah, 1000, "mAh")
        lines.append(f"holds {held} (k = 2, the cell as an item; from {standing.capacity_run})")
        if standing.unseen_share:
            lines.append(
                f"    in that ±: up to {100 * standing.unseen_share:.0f} % may have been drawn unseen between charge "
                "and that run: its voltage hardly shows it"
            )
    where = {"measured": "measured", "claim": "the claim on its label", "assumed": "assumed for its form"}
    lines.append(f"It {standing.it_Ah * 1000:.0f} mA ({where[standing.it_from]})")
    if standing.charge_low_Ah is not None and standing.charge_high_Ah is not None:
        low, high = standing.charge_low_Ah * 1000, standing.charge_high_Ah * 1000
        lines.append(f"in it now: {low:.0f} to {high:.0f} mAh")
    if 0 < standing.leak.high < 24:
        least = f"at least {100 * standing.leak.low:.2g} %, " if standing.leak.low > 0 else ""
        lines.append(f"leak: {least}{100 * standing.leak.high:.2g} % a day at most ({standing.leak.high_from})")
    near = standing.leak_full
    if 0 < near.high < 24:
        lines.append(f"leak near full: {100 * near.high:.2g} % a day at most ({near.high_from})")
    if standing.self_discharge_percent_per_month is not None:
        lost = said(standing.self_discharge_percent_per_month, standing.self_discharge_U, 1, "%")
        lines.append(f"loses {lost} a month at rest")
    for item in standing.findings:
        lines.append(f"! {item.code} ({item.strength}): {item.text}")
        if item.settles:
            lines.append(f"    settled by: {item.settles}")
    words = [f"{act} {standing.may[act].verdict}" for act in ACTS if act in standing.may]
    lines.append("may: " + ", ".join(words))
    return lines


def cell_sheet(cell: Cell, runs: Sequence[RunEntry], judged: Judgement, standing: Standing | None = None) -> str:
    """Return all that the register knows of a cell, its standing, and its runs; of a device, what there is."""
    if cell.is_device:
        return _device_sheet(cell, runs)
    facts: list[tuple[str, object]] = [
        ("form", cell.form),
        (
            "chemistry",
            cell.chemistry + (f", identified: {cell.identified.chemistry}" if cell.identified != Identified() else ""),
        ),
        ("state", cell.state),
        ("came out of", cell.source),
        ("markings", cell.markings or "none"),
        ("claims", None if cell.claim_Ah is None else f"{cell.claim_Ah * 1000:.0f} mAh"),
        ("mass", None if cell.mass_g is None else f"{cell.mass_g:.1f} g"),
        ("as found", None if cell.as_found_V is None else f"{cell.as_found_V:.3f} V {cell.as_found_utc}"),
        ("eye and nose", ", ".join(f"{part} {word}" for part, word in cell.inspection.items())),
        ("rechargeable", "declared by a person" if cell.declared_rechargeable else "not declared"),
        ("photos", ", ".join(cell.photos)),
        ("notes", cell.notes.replace("\n", " | ")),
        ("at the door", "; ".join([judged.verdict, *(reason.text for reason in judged.reasons)])),
    ]
    lines = [plain(cell.id), *(f"  {name:<13} {plain(value or '–')}" for name, value in facts), ""]
    if standing is not None:
        lines += ["  Account", *(f"    {plain(text)}" for text in standing_lines(standing)), ""]
    if not runs:
        return "\n".join([*lines, "  no runs yet"])
    rows = [
        (
            run.folder.replace("\\", "/").rsplit("/", 1)[-1],
            run.profile,
            _start_of(run, standing),
            "damaged: " + run.damaged if run.damaged else run.stop or "not finished",
            with_U(run.capacity_Ah, run.capacity_U_Ah, 1000)
            if _start_of(run, standing) in ("full", "declared-full")
            else "",
            with_U(run.capacity_Ah, run.capacity_U_Ah, 1000)
            if _start_of(run, standing) not in ("full", "declared-full") and run.capacity_Ah is not None
            else "",
        )
        for run in runs
    ]
    return "\n".join(
        [
            *lines,
            table(
                ("Run", "Recipe", "Start", "Ended by", "Holds mAh", "Was left mAh"),
                rows,
                ("Holds mAh", "Was left mAh"),
            ),
        ]
    )


def _device_sheet(cell: Cell, runs: Sequence[RunEntry]) -> str:
    """Return what is kept of a surveyed device."""
    head = [
        f"{plain(cell.id)}: a {cell.form}, not a cell",
        f"  {'made for':<13} {cell.chemistry}",
        f"  {'what it is':<13} {plain(cell.source or '–')}",
        f"  {'notes':<13} {plain(cell.notes.replace(chr(10), ' | ') or '–')}",
    ]
    rows = [
        (run.folder.replace("\\", "/").rsplit("/", 1)[-1], run.profile, run.damaged or run.stop or "not finished")
        for run in runs
    ]
    return "\n".join([*head, "", table(("Survey", "Recipe", "Ended by"), rows) if rows else "  not surveyed yet"])


def comparison_table(comparison: Comparison) -> str:
    """Return what `compare` found as a table, the remarks below it."""
    header = ("Rank", "Cell", "Holds mAh", "As item ±", "Claim mAh", "DC mΩ", "Grade", "Tied with", "Run")
    rows = [
        (
            row.rank,
            row.cell,
            with_U(row.capacity_Ah, row.capacity_U_Ah, 1000),
            None if row.capacity_item_U_Ah is None else f"{1000 * row.capacity_item_U_Ah:.2g}",
            None if row.claim_Ah is None else f"{row.claim_Ah * 1000:.0f}",
            with_U(row.resistance_ohm, row.resistance_U_ohm, 1000),
            row.grade or "not graded",
            _few(row.tied_with),
            row.run.replace("\\", "/").rsplit("/", 1)[-1],
        )
        for row in comparison.cells
    ]
    lines = [table(header, rows, ("Rank", "Holds mAh", "As item ±", "Claim mAh", "DC mΩ"))]
    lines += [plain(comparison.ties)] if comparison.ties else []
    if comparison.ranked_on == "stated condition":
        figures = [
            f"{plain(row.cell)} {with_U(row.stated.capacity_Ah, row.stated.U_Ah, 1000)}"
            for row in comparison.cells
            if row.stated is not None and row.stated.capacity_Ah
        ]
        lines.append(
            f"run at different currents, so ranked by the estimate at 0.2 It and 20 °C, mAh: {'; '.join(figures)}"
        )
    lines += _basis_lines(comparison)
    lines += [plain(row.claim_text) for row in comparison.cells if row.claim_text]
    lines += [f"outlier: {plain(item.cell)}: {plain(item.text)}" for item in comparison.outliers]
    lines += [f"over time: {plain(item.text)}" for item in comparison.trends]
    lines += [f"left out: {plain(item.run)}: {plain(item.text)}" for item in comparison.damaged]
    return "\n".join(lines)


def _few(names: Sequence[str], most: int = 4) -> str:
    """Return names in a row; of many the first ones and how many more."""
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[: most - 1])} and {len(names) - most + 1} more"


def _basis_lines(comparison: Comparison) -> list[str]:
    """Return capacities on a common basis, a line for each cell, marked as estimates; none where none was asked."""
    held = [(row.cell, row.common_basis) for row in comparison.cells if row.common_basis]
    if not held:
        return []
    lines = []
    for cell, found in held:
        at = found.basis
        if found.capacity_Ah is None or at.current_A is None or at.cutoff_V is None:
            lines.append(f"on a common basis: {plain(cell)}: none: {plain(found.why)}")
            continue
        parts = [f"{at.current_A:.3g} A", f"to {at.cutoff_V:.3g} V"]
        if at.temperature_degC is not None:
            parts.append(f"{at.temperature_degC:.3g} °C")
        how = f"from {found.runs} runs" if found.converted else "as measured there"
        figure = with_U(found.capacity_Ah, found.capacity_U_Ah, 1000)
        lines.append(f"on a common basis: {plain(cell)}: {figure} mAh ({', '.join(parts)}; estimate {how})")
    lines.append(
        "ranked on the common basis, an estimate"
        if comparison.ranked_on == "common basis"
        else "ranked on what was measured, not on the common basis"
    )
    if len({found.basis for _, found in held}) > 1:
        lines[-1] += "; each chemistry has a basis of its own"
    return list(dict.fromkeys(lines))


def grade_sheet(graded: Graded, rule: bool = True) -> str:
    """Return one grade with each criterion, and the one that decided."""
    head = f"{plain(graded.cell)}: " + (graded.grade or "not graded: needs " + "; ".join(graded.needs))
    lines = [head + (f" (decided by {graded.decided_by})" if graded.decided_by and graded.grade else "")]
    rows = []
    for item in graded.criteria:
        scale = item.shown_times
        limit = None if item.limit is None else f"{item.limit * scale:.4g}"
        margin = None if item.margin is None else f"{item.margin * scale:+.3g}"
        value = with_U(item.value, item.U, scale)
        rows.append((item.name, value, limit, margin, item.shown_in, item.verdict, item.grade))
    lines.append(
        table(
            ("Criterion", "Value", "Limit", "Margin", "Unit", "Verdict", "Allows"), rows, ("Value", "Limit", "Margin")
        )
    )
    if graded.grade:
        lines += [f"would settle it: {plain(text)}" for text in graded.settle]
        lines += [f"to go higher it needs: {plain(text)}" for text in graded.needs]
    if rule:
        lines.append(f"rule: {plain(graded.rule)}")
    return "\n".join(lines)


def match_table(matched: Matched) -> str:
    """Return the sets of a match, the leftovers and the caution."""
    rows = []
    for number, item in enumerate(matched.sets, 1):
        parts = ", ".join(f"{name} {100 * value:.1f} %" for name, value in item.spreads.items())
        rows.append((number, ", ".join(item.cells), f"{100 * item.spread:.2f} %", parts))
    lines = [table(("Set", "Cells", "Spread", "Of which"), rows, ("Set", "Spread"))] if rows else ["no set can be made"]
    lines += [f"left over: {plain(item.cell)}: {plain(item.reason)}" for item in matched.leftovers]
    lines += [plain(matched.how), "", plain(matched.caution)]
    return "\n".join(lines)


def fit_sheet(fit: Fit) -> str:
    """Return what a fit found, in the words of the bench."""
    lines = [f"{plain(fit.cell)} in {plain(fit.duty)}: {'fits' if fit.fits else 'does not fit'}"]
    lines += [f"  refused: {plain(text)}" for text in fit.refusals]
    lines += [f"  because: {plain(text)}" for text in fit.reasons]
    rows = []
    for mode in fit.modes:
        again, mean_mA = mode.retrigger_charge_state, mode.mean_current_A * 1000
        rows.append(
            (
                mode.name,
                f"{mean_mA:.0f}" if mean_mA >= 100 else f"{mean_mA:.3g}",
                with_U(mode.run_time_h, mode.run_time_U_h),
                None if mode.sag_V is None else f"{mode.sag_V * 1000:.0f}",
                "never" if again is None else f"below {100 * again:.0f} %",
                f"{mode.unusable_Ah * 1000:.0f}",
                mode.ends_by,
            )
        )
    right = ("Mean mA", "Run time h", "Sag mV", "Unusable mAh")
    lines.append(
        table(("Mode", "Mean mA", "Run time h", "Sag mV", "Re-triggers", "Unusable mAh", "Ends by"), rows, right)
    )
    night = fit.night
    if night.used_Ah is not None:
        back = [f"{Ah * 1000:.0f} mAh ({sun})" for sun, Ah in night.returned_Ah.items() if Ah is not None]
        lines.append(f"a night takes {night.used_Ah * 1000:.0f} mAh")
        lines += ["a day returns " + ", ".join(back)] if back else []
        for name, days in night.days_until_empty_by.items():
            lines.append(f"  {name} days: " + ("never runs down" if days is None else f"{days:.1f} days until empty"))
    lines += [f"note: {plain(text)}" for text in fit.notes]
    return "\n".join(lines)
