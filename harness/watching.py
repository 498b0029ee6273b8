"""The view of a run from beside: reads the folder, changes nothing, can neither delay nor kill a run."""

import sys
import time
from collections.abc import Sequence
from pathlib import Path

from harness.journal import RunFolder, read_run
from harness.runner import Progress

DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))  # Unicode braille patterns, by row and column


def hours(seconds: float) -> str:
    """Return a time as `h:mm:ss`."""
    whole = int(max(seconds, 0.0))
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def progress_line(progress: Progress) -> str:
    """Return one line: step as the plan counts, V, I, T, the charge of the step, and how long at most."""
    reading, state, step = progress.reading, progress.state, progress.step
    parts = [hours(progress.t_s)]
    if step is not None:
        parts.append(f"step {state.plan_step + 1}, {step.name}")
    if reading.voltage_V is not None:
        parts.append(f"{reading.voltage_V:.3f} V")
    if reading.current_A is not None:
        parts.append(f"{round(reading.current_A * 1000)} mA")
    if reading.temperature_degC is not None:
        parts.append(f"{reading.temperature_degC:.1f} °C")
    parts.append(f"{round(state.charge_Ah * 1000):+d} mAh in this step")
    if step is not None:
        left_s = state.step_began_s + step.max_duration_s - progress.t_s
        if step.expected_duration_s is not None:
            expected_s = state.step_began_s + step.expected_duration_s - progress.t_s
            if 0 < expected_s < left_s:
                parts.append(f"step done in about {hours(expected_s)}")
        parts.append(f"at the latest in {hours(left_s)}")
    return " · ".join(parts)


def braille(values: Sequence[float], width: int = 72, height: int = 12) -> list[str]:
    """Return a plot of equally spaced values in braille patterns, top line first.

    Args:
        values: At least two finite numbers.
        width, height: Size in characters; each carries 2 by 4 dots.
    """
    columns, rows = width * 2, height * 4
    low, high = min(values), max(values)
    span = (high - low) or 1.0
    cells = [[0] * width for _ in range(height)]
    count = len(values)
    for column in range(columns):
        value = values[min(count - 1, column * count // columns)]
        row = rows - 1 - round((value - low) / span * (rows - 1))
        cells[row // 4][column // 2] |= DOTS[row % 4][column % 2]
    return ["".join(chr(0x2800 + cell) for cell in line) for line in cells]


def picture(run: RunFolder, width: int = 72) -> list[str]:
    """Return what a terminal shows of a run, line by line."""
    rows = list(run.iter_rows())
    begun = [event for event in run.events if event["kind"] == "step-begun"]
    title = f"{run.run['cell']['id']} · {run.run.get('profile', '')} · {run.folder.name}"
    lines = [title]
    if not rows:
        return [*lines, "no reading yet"]
    t_s, step, voltage_V, current_A, temperature_degC, _ = rows[-1]
    at = next((event for event in reversed(begun) if event["step"] == step), None)
    shown = [hours(t_s)]
    if at is not None:  # counted from 1, as the plan counts; the files count from 0
        shown.append(f"step {int(at.get('plan_step', step)) + 1}, {at['name']}")
    if voltage_V is not None:
        shown.append(f"{voltage_V:.3f} V")
    if current_A is not None:
        shown.append(f"{round(current_A * 1000)} mA")
    if temperature_degC is not None:
        shown.append(f"{temperature_degC:.1f} °C")
    charge_Ah = _charge(rows, step)
    shown.append(f"{round(charge_Ah * 1000):+d} mAh in this step")
    lines.append(" · ".join(shown))
    voltages = [row[2] for row in rows if row[2] is not None]
    if len(voltages) > 1:
        low, high = min(voltages), max(voltages)
        plot = braille(voltages, width)
        lines.append(f"{high:.3f} V")
        lines += plot
        lines.append(f"{low:.3f} V" + f"{hours(t_s):>{max(width - 7, 1)}}")
    if run.stopped is not None:
        lines.append(f"ended: {run.stopped['reason']} ({run.stopped.get('text', '')})")
    lines += list(run.notices)
    return lines


def _charge(rows: Sequence[tuple[float, int, float | None, float | None, float | None, object]], step: int) -> float:
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
        print("\n".join(picture(run)), flush=True)
        if once or run.stopped is not None:
            return
        time.sleep(every_s)
