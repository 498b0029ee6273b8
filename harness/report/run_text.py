"""The view of a run from beside: reads the folder, changes nothing, can neither delay nor kill a run."""

import itertools
import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from amphora.harness.archive.run_folder import read_run
from amphora.harness.running.along import Along, RunsAlong
from amphora.harness.running.runner import Progress
from amphora.harness.running.view import ALL_OFF, Seen, Shown, View, view_of
from amphora.harness.running.whereabouts import Left, pause_text, time_left

END = ("ended", "dead")
DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))  # Unicode braille patterns, by row and column


def hours(seconds: float) -> str:
    """Return a time as `h:mm:ss`."""
    whole = int(max(seconds, 0.0))
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def progress_line(progress: Progress) -> str:
    """Return one line of a run at work, from inside of it."""
    return line_of(view_of(seen_by(progress)))


def seen_by(progress: Progress) -> Seen:
    """Return what a run knows of itself, as the model takes it."""
    reading, state, step, plan = progress.reading, progress.state, progress.step, progress.plan
    left = None
    if step is not None:
        steps = (step,) if plan is None else plan.steps[state.plan_step :]
        ahead = [(one.expected_duration_s, one.max_duration_s) for one in steps]
        left = time_left(ahead, progress.t_s - state.step_began_s)
    return Seen(
        cell="" if plan is None else plan.cell_id, profile="" if plan is None else plan.profile, plan=plan,
        state="running", text=pause_text(state.waiting, state.below_degC) or "running",
        plan_step=None if step is None else state.plan_step,
        step_name="" if step is None else step.name, step_kind="" if step is None else step.kind,
        step_began_s=state.step_began_s,
        reading=Shown(progress.t_s, reading.voltage_V, reading.current_A, reading.temperature_degC),
        step_charge_Ah=state.charge_Ah, left=left,
    )  # fmt: skip


def line_of(view: View, left: bool = True) -> str:
    """Return one line: step as the plan counts, V, I, time left of the whole run, T, charge, the nearest limit.

    Args:
        view: How the run stands.
        left: With the time left.
    """
    seen, last = view.seen, view.seen.reading
    if last is None:
        return "no reading yet"
    parts = [hours(last.t_s)]
    if seen.state == "running" and seen.text != "running" and left:  # without it the text has a line of its own
        parts.append(seen.text.partition(". ")[0])
    if seen.plan_step is not None:  # counted from 1, as the plan counts; the files count from 0
        parts.append(f"step {seen.plan_step + 1}, {seen.step_name}")
    if last.voltage_V is not None:
        parts.append(f"{last.voltage_V:.3f} V")
    if last.current_A is not None:
        parts.append(f"{round(last.current_A * 1000)} mA")
    if left and view.left is not None and seen.state != "ended":
        parts.append(to_go(view.left))
    if last.temperature_degC is not None:
        parts.append(f"{last.temperature_degC:.1f} °C")
    if seen.step_charge_Ah is not None and seen.step_kind not in ALL_OFF:  # there it would be the meter's own zero
        parts.append(f"{round(seen.step_charge_Ah * 1000):+d} mAh in this step")
    if view.nearest is not None:
        parts.append(f"nearest limit: {view.nearest.text}")
    return " · ".join(parts)


def moved_line(view: View) -> str:
    """Return what went in and came out over the whole run; "" where nothing did."""
    moved = view.seen.moved
    if moved is None:
        return ""
    parts = [f"{1000 * moved.in_Ah:.0f} mAh in"] if moved.in_Ah >= 0.0005 else []
    parts += [f"{1000 * moved.out_Ah:.0f} mAh out"] if moved.out_Ah >= 0.0005 else []
    return " and ".join(parts) + " so far" if parts else ""


def to_go(left: Left) -> str:
    """Return in words how long it still takes."""
    if left.high - left.low < 60.0:
        return f"{hours(left.high)} to go"
    return f"{hours(left.low)} to go, at most {hours(left.high)}"


def fitted(line: str, columns: int) -> str:
    """Return a line that fits a terminal: a wrapped line is not written over.

    What stands last is left out first; before the time that is left goes, its longest does.
    """
    head, found, rest = line.partition(", at most ")
    if found and len(head) + len(rest.partition(" · ")[0]) + len(found) > columns:
        after = rest.partition(" · ")
        line = head + after[1] + after[2]
    while len(line) > columns and " · " in line:
        line = line.rpartition(" · ")[0]
    return line[: max(columns, 1)]


def braille(times: Sequence[float], values: Sequence[float], width: int = 72, height: int = 12) -> list[str]:
    """Return a plot over time in braille patterns, top line first.

    Each column of dots shows all values of its stretch of time, from the lowest to the highest, so a short drop is
    drawn. A stretch without a value stays empty: a gap is a gap.

    Args:
        times: When, ascending, at least two.
        values: As many finite numbers.
        width, height: Size in characters; each carries 2 by 4 dots.
    """
    columns, rows = width * 2, height * 4
    low, high = min(values), max(values)
    span = (high - low) or 1.0
    length = (times[-1] - times[0]) or 1.0
    ranges: dict[int, tuple[float, float]] = {}
    for t, value in zip(times, values, strict=True):
        column = min(columns - 1, int((t - times[0]) / length * columns))
        least, most = ranges.get(column, (value, value))
        ranges[column] = (min(least, value), max(most, value))
    usual = sorted(b - a for a, b in itertools.pairwise(times))[(len(times) - 1) // 2]
    taken = sorted(ranges)
    for before, after in itertools.pairwise(taken):  # columns between two readings that follow one another as usual
        if after - before > 1 and (after - before - 1) * length / columns <= 3 * usual:
            for column in range(before + 1, after):
                ranges[column] = ranges[before]
    cells = [[0] * width for _ in range(height)]
    for column, (least, most) in ranges.items():
        top = rows - 1 - round((most - low) / span * (rows - 1))
        bottom = rows - 1 - round((least - low) / span * (rows - 1))
        for row in range(top, bottom + 1):
            cells[row // 4][column // 2] |= DOTS[row % 4][column % 2]
    return ["".join(chr(0x2800 + cell) for cell in line) for line in cells]


def standing(along: Along) -> dict[str, Any]:
    """Return how a run stands, as one document: the model's fields, and what reading the folder noticed."""
    view = along.look()
    run = read_run(along.folder)
    stopped = run.stopped
    return {
        **view.to_dict(), "rows": run.rows, "step": along.last_step,
        "stop": stopped.reason if stopped else None, "text": stopped.text if stopped else None,
        "notices": list(run.notices),
    }  # fmt: skip


def picture(along: Along, width: int = 72) -> list[str]:
    """Return what a terminal shows of a run, line by line."""
    view = along.look()
    seen = view.seen
    lines = [f"{seen.cell} · {seen.profile} · {along.folder.name}"]
    if seen.reading is None:
        return [*lines, *_wrapped(view.sentence, width)]
    lines.append(line_of(view, left=False))
    moved = moved_line(view)
    if seen.state in ("running", "waiting") and seen.age_s is not None:
        parts = [seen.text, f"last reading {seen.age_s:.0f} s ago"]
        parts += [to_go(view.left)] if view.left is not None else []
        lines += _wrapped(" · ".join([*parts, moved] if moved else parts), width)
    elif seen.state in ("silent", "dead"):
        lines += _wrapped(view.sentence, width)
    readings = [(row[0], row[2]) for row in read_run(along.folder).iter_rows() if row[2] is not None]
    if len(readings) > 1:
        times, voltages = zip(*readings, strict=True)
        low, high = min(voltages), max(voltages)
        plot = braille(times, voltages, width)
        lines.append(f"{high:.3f} V")
        lines += plot
        lines.append(f"{low:.3f} V" + f"{hours(seen.reading.t_s):>{max(width - 7, 1)}}")
    if seen.state == "ended":
        lines += _wrapped(view.sentence, max(width, 72))
        lines += [moved] if moved else []
    lines += read_run(along.folder).notices
    return lines


def all_of_them(shelf: RunsAlong, width: int = 100) -> list[str]:
    """Return a block of lines for each run of a shelf: what a person has to do first, then by bay."""
    found = [view for _, view in shelf.look()]
    if not found:
        return ["no run is at work, and none has ended in the last 16 h"]
    lines = [f"! {name_of(view)}: {view.sentence}" for view in found if view.concern == "go"]
    for view in found:
        lines.append(f"{name_of(view)} · {view.seen.profile}: {view.sentence if view.concern != 'go' else 'see above'}")
        if view.seen.reading is not None:
            moved = moved_line(view)
            lines += [f"    {fitted(line_of(view), width)}"] + ([f"    {moved}"] if moved else [])
    return lines


def name_of(view: View) -> str:
    """Return bay and cell."""
    return f"bay {view.seen.bay}: {view.seen.cell}" if view.seen.bay else view.seen.cell


def _wrapped(text: str, width: int) -> list[str]:
    """Return lines that break between words; a path stays whole, so that it can be copied."""
    return textwrap.wrap(text, max(width, 40), break_long_words=False, break_on_hyphens=False)


def follow(folder: Path, once: bool = False, every_s: float = 2.0) -> None:
    """Show a run until it has ended; Ctrl-C ends the view, never the run.

    Raises:
        InputError: no run folder.
        JournalDamaged: it cannot be read.
    """
    read_run(folder)
    along = Along(folder)

    def shown(columns: int) -> tuple[list[str], bool]:
        lines = picture(along, max(20, min(72, columns)))
        return [*(fitted(line, columns) for line in lines[:2]), *lines[2:]], along.look().seen.state in END

    _follow(shown, once, every_s)


def follow_all(logs: Path, once: bool = False, every_s: float = 2.0) -> None:
    """Show all runs of a shelf that are at work, until Ctrl-C."""
    shelf = RunsAlong(logs)
    _follow(lambda columns: (all_of_them(shelf, columns - 4), False), once, every_s)


def _follow(shown: Callable[[int], tuple[list[str], bool]], once: bool, every_s: float) -> None:
    terminal = sys.stdout.isatty()
    while True:
        if terminal and not once:
            sys.stdout.write("\x1b[H\x1b[2J")
        lines, ended = shown(shutil.get_terminal_size().columns - 1 if terminal else 10_000)
        print("\n".join(lines), flush=True)
        if once or ended:
            return
        time.sleep(every_s)
