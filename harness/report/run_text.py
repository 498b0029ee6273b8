"""The view of a run from beside: reads the folder, changes nothing, can neither delay nor kill a run."""

import itertools
import shutil
import sys
import textwrap
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from amphora.harness.archive.journal import RunFolder, read_run
from amphora.harness.running.runner import Progress
from amphora.harness.running.whereabouts import Left, time_left, whereabouts

ALL_OFF = ("rest", "ask")  # kinds of step in which no current is ordered or put on by hand
Row = tuple[float, int, float | None, float | None, float | None, object]
DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))  # Unicode braille patterns, by row and column


def hours(seconds: float) -> str:
    """Return a time as `h:mm:ss`."""
    whole = int(max(seconds, 0.0))
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def progress_line(progress: Progress) -> str:
    """Return one line: step as the plan counts, V, I, time left of the whole run, T, the charge of the step."""
    reading, state, step = progress.reading, progress.state, progress.step
    parts = [hours(progress.t_s)]
    if step is not None:
        parts.append(f"step {state.plan_step + 1}, {step.name}")
    if reading.voltage_V is not None:
        parts.append(f"{reading.voltage_V:.3f} V")
    if reading.current_A is not None:
        parts.append(f"{round(reading.current_A * 1000)} mA")
    if step is not None:
        steps = [step] if progress.plan is None else progress.plan.steps[state.plan_step :]
        ahead = [(one.expected_duration_s, one.max_duration_s) for one in steps]
        parts.append(to_go(time_left(ahead, progress.t_s - state.step_began_s)))
    if reading.temperature_degC is not None:
        parts.append(f"{reading.temperature_degC:.1f} °C")
    if step is None or step.kind not in ALL_OFF:  # with all off it would be the meter's own zero that is counted
        parts.append(f"{round(state.charge_Ah * 1000):+d} mAh in this step")
    return " · ".join(parts)


def to_go(left: Left) -> str:
    """Return in words how long it still takes."""
    if left.high - left.low < 60.0:
        return f"{hours(left.high)} to go"
    return f"{hours(left.low)} to go, at most {hours(left.high)}"


def fitted(line: str, columns: int) -> str:
    """Return a line that fits a terminal, what stands last left out first: a wrapped line is not written over."""
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


def standing(run: RunFolder, rows: Sequence[Row]) -> dict[str, Any]:
    """Return how a run stands: alive or not, its last reading, its step (from 0), the charge of that step, its end.

    Args:
        run: The folder as it was read.
        rows: All its readings.
    """
    stopped = run.stopped or {}
    answer: dict[str, Any] = {
        "cell": run.run["cell"]["id"],
        "run": str(run.folder),
        "profile": run.run.get("profile", ""),
        "rows": len(rows),
        "t_s": None,
        "step": None,
        "step_name": None,
        "step_kind": None,
        "plan_step": None,
        "voltage_V": None,
        "current_A": None,
        "temperature_degC": None,
        "step_charge_Ah": None,
        "stop": stopped.get("reason"),
        "text": stopped.get("text"),
        "notices": list(run.notices),
    }
    if rows:
        t_s, step, voltage_V, current_A, temperature_degC, _ = rows[-1]
        begun = [event for event in run.events if event["kind"] == "step-begun" and event["step"] == step]
        answer |= {
            "t_s": t_s,
            "step": step,
            "step_name": begun[-1]["name"] if begun else None,
            "step_kind": begun[-1].get("step_kind") if begun else None,
            "plan_step": begun[-1].get("plan_step", step) if begun else None,
            "voltage_V": voltage_V,
            "current_A": current_A,
            "temperature_degC": temperature_degC,
            "step_charge_Ah": _charge(rows, step),
        }
    at = whereabouts(run.folder, run.run, run.events, answer["t_s"])
    answer |= {
        "state": at.state,
        "state_text": at.text,
        "age_s": at.age_s,
        "left_s": None if at.left_s is None else {"low": at.left_s.low, "high": at.left_s.high},
        "outputs_off": at.outputs_off,
    }
    return answer


def picture(run: RunFolder, width: int = 72) -> list[str]:
    """Return what a terminal shows of a run, line by line."""
    rows = list(run.iter_rows())
    at = standing(run, rows)
    lines = [f"{at['cell']} · {at['profile']} · {run.folder.name}"]
    if not at["rows"]:
        return [*lines, "no reading yet"]
    shown = [hours(at["t_s"])]
    if at["step_name"] is not None:  # counted from 1, as the plan counts; the files count from 0
        shown.append(f"step {int(at['plan_step']) + 1}, {at['step_name']}")
    if at["voltage_V"] is not None:
        shown.append(f"{at['voltage_V']:.3f} V")
    if at["current_A"] is not None:
        shown.append(f"{round(at['current_A'] * 1000)} mA")
    if at["temperature_degC"] is not None:
        shown.append(f"{at['temperature_degC']:.1f} °C")
    if at["step_kind"] not in ALL_OFF:
        shown.append(f"{round(at['step_charge_Ah'] * 1000):+d} mAh in this step")
    lines.append(" · ".join(shown))
    if at["state"] in ("running", "waiting") and at["age_s"] is not None:
        left = at["left_s"]
        ahead = "" if left is None else f" · {to_go(Left(left['low'], left['high']))}"
        lines += _wrapped(f"{at['state_text']} · last reading {at['age_s']:.0f} s ago{ahead}", width)
    elif at["state"] in ("silent", "dead"):
        lines += _wrapped(at["state_text"], width)
    seen = [(row[0], row[2]) for row in rows if row[2] is not None]
    if len(seen) > 1:
        times, voltages = zip(*seen, strict=True)
        low, high = min(voltages), max(voltages)
        plot = braille(times, voltages, width)
        lines.append(f"{high:.3f} V")
        lines += plot
        lines.append(f"{low:.3f} V" + f"{hours(at['t_s']):>{max(width - 7, 1)}}")
    if at["stop"] is not None:
        lines.append(f"ended: {at['stop']} ({at['text'] or ''})")
    lines += at["notices"]
    return lines


def _wrapped(text: str, width: int) -> list[str]:
    """Return lines that break between words; a path stays whole, so that it can be copied."""
    return textwrap.wrap(text, max(width, 40), break_long_words=False, break_on_hyphens=False)


def _charge(rows: Sequence[Row], step: int) -> float:
    """Return the signed charge of one step, by the trapezoid, in Ah."""
    total_As, before = 0.0, None
    for t_s, at, _, current_A, _, _ in rows:
        if at != step or current_A is None:
            before = None
            continue
        if before is not None:
            total_As += 0.5 * (current_A + before[1]) * (t_s - before[0])
        before = (t_s, current_A)
    return total_As / 3600.0


def follow(folder: Path, once: bool = False, every_s: float = 2.0) -> None:
    """Show a run until it has ended; Ctrl-C ends the view, never the run.

    Raises:
        InputError: no run folder.
        JournalDamaged: it cannot be read.
    """
    terminal = sys.stdout.isatty()
    while True:
        run = read_run(folder)
        if terminal and not once:
            sys.stdout.write("\x1b[H\x1b[2J")
        columns = shutil.get_terminal_size().columns - 1 if terminal else 10_000
        lines = picture(run, max(20, min(72, columns)))
        print("\n".join([*(fitted(line, columns) for line in lines[:2]), *lines[2:]]), flush=True)
        at = whereabouts(folder, run.run, run.events, None)
        if once or at.state in ("ended", "dead"):
            return
        time.sleep(every_s)
