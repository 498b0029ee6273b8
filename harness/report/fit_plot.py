"""The picture of a fit: the night as a curve, and current in and out over a day."""

from pathlib import Path

from amphora.harness.common.errors import InputError
from amphora.harness.decisions.duty import Duty
from amphora.harness.decisions.fit import day_of
from amphora.harness.decisions.fit_answer import Fit
from amphora.harness.report import plot_style as look


def plot_fit(found: Fit, duty: Duty, path: Path, made: str = "") -> None:
    """Draw the night as a curve, and current in and out over a day; write an image file.

    Args:
        found: From `decisions.fit.fit`, with a night.
        duty: The same duty.
        path: Where to; png, svg or pdf by its ending.
        made: What the title ends with: the day of the cell's run, and whether no real cell was tested.

    Raises:
        InputError: the file cannot be written, or its ending is not known.
    """
    import numpy as np
    from matplotlib.figure import Figure

    if path.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise InputError(f"{path}: a picture ending in .png, .svg or .pdf is accepted")
    of_cell = str(look.of_cell(look.place_of(found.cell))["color"])
    out, into, again = look.INK, look.COLOURS[4], look.FAINT
    day = day_of(found, duty)
    night_h = found.night.hours
    t = np.array(day.t_h)
    state = 100.0 * (1.0 - np.array(day.given_Ah) / found.capacity_Ah)
    dark = t <= night_h + 1e-9
    with look.style():
        figure = Figure(figsize=(look.WIDTH_IN, 5.8), layout="constrained")
        upper, lower = figure.subplots(2, 1)
        upper.plot(t[dark], state[dark], color=of_cell, linewidth=2)
        steps_h = 0.0
        for name, hours in duty.night:
            upper.axvline(steps_h, color=look.FAINT, linewidth=0.6)
            upper.annotate(f"{name}, {hours:g} h", (steps_h, 3), xytext=(4, 0), textcoords="offset points", fontsize=9)
            steps_h += hours
        for mode in found.modes:
            share = mode.retrigger_charge_state
            if share is not None and any(name == mode.name for name, _ in duty.night):
                upper.axhline(100 * share, color=again, linestyle="--", linewidth=1)
                upper.annotate(
                    f"{mode.name} re-triggers below {100 * share:.0f} %", (0.99, 100 * share),
                    xycoords=("axes fraction", "data"), xytext=(0, 3), textcoords="offset points", ha="right",
                    fontsize=9, color=look.INK,
                )  # fmt: skip
        upper.set(xlabel="time since dusk / h", ylabel="charge left / %", ylim=(0, 104), xlim=(0, max(night_h, 0.1)))
        upper.set_title(f"{found.cell} in {duty.name}: the night{made}")
        flow = 1000.0 * np.array(day.current_A)
        if duty.panel is not None:
            label = "in, from the panel, an average day"
            lower.fill_between(t, flow, 0, where=list(flow >= 0), color=into, label=label, linewidth=0)
        lower.fill_between(t, flow, 0, where=list(flow < 0), color=out, label="out, to the device", linewidth=0)
        lower.axhline(0, color=look.INK, linewidth=0.8)
        lower.set(xlabel="time since dusk / h", ylabel="current / mA\n(positive into the cell)", xlim=(0, 24))
        lower.set_xticks(range(0, 25, 4))
        figure.align_ylabels()
        lower.set_title("a day: current in and out")
        lower.legend(loc="best", frameon=False)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            suffix = path.suffix.lower()
            title = f"{found.cell} in {duty.name}"
            figure.savefig(path, dpi=150, format=suffix[1:], metadata=look.metadata(suffix, title))
        except OSError as error:
            raise InputError(f"{path}: cannot be written: {error.strerror}") from error
