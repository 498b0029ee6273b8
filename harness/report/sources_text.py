"""What each source of cells gives, as a table, as a picture, and as a part of the report's page."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from amphora.harness.common.errors import InputError
from amphora.harness.decisions.sources import LEAST_FOR_INTERVAL, Middle, One, Share, SourceOfCells, compared
from amphora.harness.report import plot_style as look
from amphora.harness.report.tables import plain, table

HEADER = ("Source", "Cells", "Holds mAh", "n", "DC mΩ", "n", "Loss %/month", "n", "Duds %", "n")
CSV_COLUMNS = (
    "source", "month", "cells", "capacity_n", "capacity_median_Ah", "capacity_low_Ah", "capacity_high_Ah",
    "resistance_n", "resistance_median_ohm", "resistance_low_ohm", "resistance_high_ohm", "self_discharge_n",
    "self_discharge_percent_per_month", "self_discharge_low", "self_discharge_high", "duds", "decided", "dud_share",
    "dud_low", "dud_high", "usable_Ah", "text",
)  # fmt: skip
TERMINAL_HEADER = ("Source", "Cells", "Holds mAh", "DC mΩ", "Loss %/month", "Duds %")
NAME_WIDTH = 20  # so that the whole is no wider than a terminal of 80
NOTE = (
    "Medians with their 95 % interval (none below "
    f"{LEAST_FOR_INTERVAL} values). Duds: share of the decided cells, with its 95 % interval."
)


def _shown(middle: Middle, times: float, digits: int) -> str:
    if middle.median is None:
        return "–"
    text = f"{middle.median * times:.{digits}f}"
    if middle.low is None or middle.high is None:
        return text
    return f"{text} ({middle.low * times:.{digits}f} to {middle.high * times:.{digits}f})"


def _share(duds: Share) -> str:
    if duds.share is None:
        return "–"
    return f"{100 * duds.share:.0f} ({100 * duds.low:.0f} to {100 * duds.high:.0f})"


def _cells(one: SourceOfCells) -> tuple[Any, ...]:
    return (
        f"{one.source} {one.month}".strip(), one.cells, _shown(one.capacity, 1000, 0), one.capacity.n,
        _shown(one.resistance, 1000, 0), one.resistance.n, _shown(one.self_discharge, 1, 1), one.self_discharge.n,
        _share(one.duds), one.duds.n,
    )  # fmt: skip


def _over_each_other(one: SourceOfCells) -> list[tuple[Any, ...]]:
    """Return a source as rows for a terminal: value and how many it is of, its interval under it."""
    upper: list[Any] = [one.cells]
    lower: list[Any] = [" "]
    shown = (_shown(one.capacity, 1000, 0), _shown(one.resistance, 1000, 0), _shown(one.self_discharge, 1, 1))
    counts = (one.capacity.n, one.resistance.n, one.self_discharge.n, one.duds.n)
    for text, count in zip((*shown, _share(one.duds)), counts, strict=True):
        value, _, interval = text.partition(" (")
        upper.append(f"{value}, n {count}" if count else value)
        lower.append(interval.rstrip(")") or " ")
    names = textwrap.wrap(f"{one.source} {one.month}".strip(), NAME_WIDTH) or [""]
    rows = [upper, lower] if any(map(str.strip, lower)) or len(names) > 1 else [upper]
    rows += [[" "] * len(upper) for _ in names[2:]]
    return [(name, *row) for name, row in zip([*names, " "][: len(rows)], rows, strict=True)]


def render(found: Sequence[SourceOfCells]) -> str:
    """Return the table, below it each source in words and which come before which; no line is wider than 80."""
    rows = [row for one in found for row in _over_each_other(one)]
    lines = [table(TERMINAL_HEADER, rows, TERMINAL_HEADER[1:]), *textwrap.wrap(NOTE, 80), ""]
    words = [f"{f'{one.source} {one.month}'.strip()}: {one.text}" for one in found] + compared(found)
    lines += [line for text in words for line in textwrap.wrap(plain(text), 80, subsequent_indent="  ")]
    return "\n".join(lines)


def csv_rows(found: Sequence[SourceOfCells]) -> list[dict[str, Any]]:
    """Return one row for each source, by `CSV_COLUMNS`."""
    rows = []
    for one in found:
        row: dict[str, Any] = {"source": one.source, "month": one.month, "cells": one.cells, "text": one.text}
        for name, unit in (("capacity", "_Ah"), ("resistance", "_ohm")):
            middle = getattr(one, name)
            row |= {
                f"{name}_n": middle.n, f"{name}_median{unit}": middle.median, f"{name}_low{unit}": middle.low,
                f"{name}_high{unit}": middle.high,
            }  # fmt: skip
        leak = one.self_discharge
        row |= {
            "self_discharge_n": leak.n, "self_discharge_percent_per_month": leak.median, "self_discharge_low": leak.low,
            "self_discharge_high": leak.high, "duds": one.duds.count, "decided": one.duds.n,
            "dud_share": one.duds.share, "dud_low": one.duds.low, "dud_high": one.duds.high,
            "usable_Ah": one.usable_Ah,
        }  # fmt: skip
        rows.append(row)
    return rows


@dataclass(frozen=True)
class SourcesSection:
    """The section of the report: the table's header and rows, a note under it, and what follows in words."""

    header: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    note: str
    words: tuple[str, ...]


def section(found: Sequence[SourceOfCells]) -> SourcesSection | None:
    """Return the section for the report's page; None where no cell names a source."""
    if len(found) < 2 and not any(one.duds.n and not one.source.startswith("(") for one in found):
        return None
    words = [f"{f'{one.source} {one.month}'.strip()}: {one.text}" for one in found] + compared(found)
    return SourcesSection(HEADER, tuple(_cells(one) for one in found), NOTE, tuple(words))


def when_tested(cells: Sequence[One]) -> str:
    """Return for a picture the day or days of the runs behind it, and whether no real cell was tested."""
    tested = [one for one in cells if one.capacity_Ah is not None]
    days = sorted({one.tested for one in tested if one.tested})
    said = "" if not days else f"tested {days[0]}" if days[0] == days[-1] else f"tested {days[0]} to {days[-1]}"
    simulated = sum(one.simulated for one in tested)
    if simulated:
        word = "SIMULATED, no real cell" if simulated == len(tested) else f"{simulated} of {len(tested)} SIMULATED"
        said = f"{said} · {word}" if said else word
    return said


def draw(found: Sequence[SourceOfCells], values: Sequence[tuple[str, float]], out: Path, when: str = "") -> None:
    """Draw each cell's capacity by source, medians with their intervals, and beside them the shares of duds.

    Args:
        found: From `by_source`.
        values: (source as `found` names it, capacity in Ah) of each cell that has one.
        out: Picture to write, ending in .png, .svg or .pdf.
        when: What its title ends with, of `when_tested`.

    Raises:
        InputError: another ending.
    """
    from matplotlib.figure import Figure

    if out.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise InputError(f"{out}: a picture's name ends in .png, .svg or .pdf")
    with look.style():
        figure = Figure(figsize=(look.WIDTH_IN, 1.4 + 0.45 * len(found)), layout="constrained")
        left, right = figure.subplots(1, 2, sharey=True, width_ratios=(3, 2))
        names = [f"{one.source} {one.month}".strip() for one in found]
        for place, (name, one) in enumerate(zip(names, found, strict=True)):
            own = [1000 * value for source, value in values if source == name]
            left.plot(own, [place] * len(own), "o", color=look.COLOURS[4], markersize=3.5, zorder=2)
            middle = one.capacity
            if middle.median is not None:
                left.plot([1000 * middle.median], [place], "|", color=look.INK, markersize=14, zorder=3)
            if middle.low is not None and middle.high is not None:
                left.plot([1000 * middle.low, 1000 * middle.high], [place, place], "-", color=look.INK, zorder=3)
            if one.duds.share is not None:
                ends = [100 * one.duds.low, 100 * one.duds.high]
                right.plot(ends, [place, place], "-", color=look.INK)
                right.plot([100 * one.duds.share], [place], "D", color=look.COLOURS[1], markersize=5)
        left.set_yticks(
            range(len(names)), [f"{name} (n = {one.cells})" for name, one in zip(names, found, strict=True)]
        )
        left.invert_yaxis()
        left.set_xlabel("capacity, mAh")
        right.set_xlabel("share of duds, %")
        right.set_xlim(-2, 102)
        left.set_title("Capacity by source: cells, median, 95 %")
        if when:
            figure.suptitle(when, x=0.01, ha="left", fontsize="medium")
        right.set_title("Duds, 95 %")
        out.parent.mkdir(parents=True, exist_ok=True)
        figure.savefig(out, dpi=150, metadata=look.metadata(out.suffix.lower(), "Cells by source"))
