"""A third set of disguises, written down in full before the reader had met any of them: see `disguises`.

    python -m tests.campaign.new_disguises [--seed N] [--only WORD] [--show]

Kinds that sketches for small boards, meters' apps, spreadsheets and papers print. Stricter than the two sets before:
a table is read right only where charge, energy and, if it has one, the cell's temperature are. `told_units` says that a
careful person with the file alone would read it rightly; a warning beside a right figure is counted.
"""

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from amphora.harness.account.answer import analyse_run
from amphora.harness.archive.loading import load
from amphora.harness.common.errors import InputError
from amphora.harness.importing.import_run import import_table
from tests.campaign.disguises import (
    BEGAN,
    TELLING,
    Disguise,
    Outcome,
    Recorded,
    _other,
    _sheet,
    num,
    plain,
    stamps,
    with_time,
    written,
)
from tests.campaign.strange_disguises import drawn_records

Made = Callable[[Recorded, random.Random], str | bytes]
KINDS: list[tuple[str, bool, str, Made]] = []
DOUBTS = (*TELLING, "sign-doubtful")


def kind(name: str, told_units: bool = True, suffix: str = ".csv") -> Callable[[Made], Made]:
    def add(function: Made) -> Made:
        KINDS.append((name, told_units, suffix, function))
        return function

    return add


def headed(name: str, t: str, v: str, i: str, told: bool = True, **more: object) -> None:
    KINDS.append((name, told, ".csv", lambda r, draw: plain(r, t, v, i, **more)))  # type: ignore[arg-type]


def given(r: Recorded, *more: tuple[str, Sequence[str]], first: bool = False, **how: object) -> str:
    """Return a plain table with more columns behind, or before."""
    own = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))]
    return written([*more, *own] if first else [*own, *more], **how)  # type: ignore[arg-type]


def left_Ah(r: Recorded) -> np.ndarray:
    """Return the charge that left the cell so far."""
    step = np.diff(r.t, prepend=r.t[0]) * np.where(r.i < 0, -r.i, 0) / 3600
    return np.cumsum(step)


# ---- languages and words

headed("slovenian", "Čas (s)", "Napetost (V)", "Tok (A)", comma=True, sep=";")
headed("slovak minutes", "Čas [min]", "Napätie [V]", "Prúd [mA]", ts=1 / 60, tf="{:.5f}", cs=1e3, cf="{:.1f}")
headed("bulgarian", "Време, с", "Напрежение, В", "Ток, А", comma=True, sep=";")
headed("estonian", "Aeg (min)", "Pinge (V)", "Vool (A)", ts=1 / 60, tf="{:.5f}")
headed("latvian", "Laiks (s)", "Spriegums (V)", "Strāva (A)", comma=True, sep=";")
headed("lithuanian", "Laikas (val.)", "Įtampa (V)", "Srovė (A)", ts=1 / 3600, tf="{:.7f}")
headed("catalan", "Temps (minuts)", "Tensió (V)", "Corrent (mA)", ts=1 / 60, tf="{:.5f}", cs=1e3, cf="{:.1f}")
headed("indonesian", "Waktu (detik)", "Tegangan (V)", "Arus (A)")
headed("vietnamese", "Thời gian (giây)", "Điện áp (V)", "Dòng điện (A)")
headed("hebrew", "זמן (s)", "מתח (V)", "זרם (A)")
headed("swahili, units plain", "Muda (s)", "Volti (V)", "Mkondo (A)")
headed("welsh minutes, units plain", "Amser (min)", "Foltedd (V)", "Cerrynt (A)", ts=1 / 60, tf="{:.5f}")
headed(
    "portuguese hours", "Tempo (horas)", "Tensão (V)", "Corrente (mA)", ts=1 / 3600, tf="{:.7f}", cs=1e3, cf="{:.1f}"
)
headed("dutch minutes", "Tijd in minuten", "Spanning in volt", "Stroom in ampère", ts=1 / 60, tf="{:.5f}")
headed("shouted with underscores", "TEST_TIME_SEC", "CELL_VOLTAGE_V", "CELL_CURRENT_A")
headed("camel with unit", "elapsedSec", "cellVolt", "cellAmp")
headed("unit first with dash", "s - time", "V - voltage", "A - current")
headed("equals", "t = s", "U = V", "I = A")
headed("hash units", "time#min", "voltage#V", "current#mA", ts=1 / 60, tf="{:.5f}", cs=1e3, cf="{:.1f}")
headed("percent of a volt", "Time (s)", "Voltage (cV)", "Current (A)", vs=100.0)
headed("decivolt and centiampere", "Time (s)", "Voltage (dV)", "Current (cA)", vs=10.0, vf="{:.3f}", cs=100.0)
headed("deciseconds", "Time (ds)", "Voltage (V)", "Current (A)", ts=10.0)
headed("tenth of milliampere", "Time (s)", "Voltage (mV)", "Current (0.1 mA)", vs=1e3, vf="{:.1f}", cs=1e4, cf="{:.0f}")
headed("hundredths of an hour", "Time (0.01 h)", "Voltage (V)", "Current (A)", ts=1 / 36, tf="{:.5f}")
headed("weeks", "Time (weeks)", "Voltage (V)", "Current (A)", ts=1 / 604800, tf="{:.10f}")
headed("mAmp and mVolt", "Sec", "mVolt", "mAmp", vs=1e3, vf="{:.1f}", cs=1e3, cf="{:.1f}")
headed("micro as mc", "Time (mcs)", "Voltage (V)", "Current (A)", ts=1e6, tf="{:.0f}")
headed("positive when discharging, German", "Zeit [s]", "Spannung [V]", "Entladestrom [A]", cs=-1.0)
headed("drawn", "Time (s)", "Voltage (V)", "Current drawn (mA)", cs=-1e3, cf="{:.1f}")
headed("time says seconds twice", "Time in seconds (s)", "Voltage in volts (V)", "Current in amperes (A)")
headed(
    "SI exponents", "t/10^3 s", "U/10^-3 V", "I/10^-3 A", ts=1e-3, tf="{:.6f}", vs=1e3, vf="{:.1f}", cs=1e3, cf="{:.1f}"
)
headed("header A, figures mA", "Time (s)", "Voltage (V)", "Current (A)", told=False, cs=1e3, cf="{:.1f}")
headed("header mA, figures A", "Time (s)", "Voltage (V)", "Current (mA)", told=False)
headed("header s, figures min", "Time (s)", "Voltage (V)", "Current (A)", told=False, ts=1 / 60, tf="{:.4f}")
headed("header min, figures s", "Time (min)", "Voltage (V)", "Current (A)", told=False)
headed("no unit: hundredths of a second", "time", "volt", "amp", told=False, ts=100.0, tf="{:.0f}")
headed(
    "no unit: milliampere and millivolt", "time", "volt", "amp", told=False, cs=1e3, cf="{:.0f}", vs=1e3, vf="{:.0f}"
)
headed("no unit: hours", "zeit", "u", "i", told=False, ts=1 / 3600, tf="{:.6f}", comma=True, sep=";")
headed("no unit: centiampere", "t", "v", "i", told=False, cs=100.0, cf="{:.2f}")
headed("no unit: two-second ticks", "time", "voltage", "current", told=False, ts=0.5, tf="{:.1f}")
headed("frames of a film", "time (frames at 25 fps)", "Voltage (V)", "Current (A)", ts=25.0, tf="{:.0f}")


# ---- columns that could be taken for another


@kind("heater current beside, first", told_units=True)
def _(r: Recorded, draw: random.Random) -> str:
    return given(r, ("Heater current (A)", num(0.3 + 0 * r.t)), first=True)


@kind("only a bus current and a cell current")
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Bus current (A)", num(r.i * 1.25)),
            ("Cell current (A)", num(r.i))]  # fmt: skip
    return written(cols)


@kind("current of the other branch", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Branch current (A)", num(r.i * 0.5)),
            ("Main current (A)", num(r.i))]  # fmt: skip
    return written(cols)


@kind("raw counts beside amperes")
def _(r: Recorded, draw: random.Random) -> str:
    return given(r, ("adc_i", [str(round(2048 + 400 * x)) for x in r.i]), first=True)


@kind("only raw counts", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("ms", num(r.t * 1e3, "{:.0f}")), ("adc_v", [str(round(x / 5 * 4095)) for x in r.v]),
            ("adc_i", [str(round(2048 + 400 * x)) for x in r.i])]  # fmt: skip
    return written(cols)


@kind("power in mW and C-rate beside")
def _(r: Recorded, draw: random.Random) -> str:
    rate = r.i / max(r.charge_Ah, 0.1)
    return given(r, ("P (mW)", num(1e3 * r.i * r.v, "{:.1f}")), ("C-rate (1/h)", num(rate)))


@kind("C-rate instead of amperes", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (C)", num(r.i / r.charge_Ah))]
    return written(cols)


@kind("C-rate called rate", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current rate", num(r.i / r.charge_Ah))]
    return written(cols)


@kind("state of charge in percent before the voltage")
def _(r: Recorded, draw: random.Random) -> str:
    soc = 100 - 100 * left_Ah(r) / max(float(left_Ah(r)[-1]), 1e-9)
    cols = [
        ("Time (s)", num(r.t)),
        ("SoC (%)", num(soc, "{:.1f}")),
        ("Voltage (V)", num(r.v)),
        ("Current (A)", num(r.i)),
    ]
    return written(cols)


@kind("state of charge as a share, no header words", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    soc = 1 - left_Ah(r) / max(float(left_Ah(r)[-1]), 1e-9)
    cols = [("time_s", num(r.t)), ("x", num(3 + soc)), ("U_V", num(r.v)), ("I_A", num(r.i))]
    return written(cols)


@kind("ampere hours as a current look-alike", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current sum", num(left_Ah(r)))])


@kind("ampere hours called A", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(left_Ah(r)))])


@kind("milliohm column beside")
def _(r: Recorded, draw: random.Random) -> str:
    ohm = 52 + 4 * np.sin(r.t / 900)
    return given(r, ("R (mOhm)", num(ohm, "{:.2f}")), ("Ri mΩ", num(ohm + 1, "{:.2f}")))


@kind("open and loaded voltage")
def _(r: Recorded, draw: random.Random) -> str:
    return given(r, ("OCV (V)", num(r.v + 0.05)))


@kind("voltage of a pack of four beside")
def _(r: Recorded, draw: random.Random) -> str:
    return given(r, ("Pack voltage (V)", num(4 * r.v)), first=True)


@kind("voltage at the meter and at the cell", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage meter (V)", num(r.v + 0.12 * r.i)), ("Voltage node (V)", num(r.v)),
            ("Current (A)", num(r.i))]  # fmt: skip
    return written(cols)


@kind("set current only, a constant", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Set current (A)", num(0 * r.t + float(r.i.min())))]
    return written(cols)


@kind("counter that agrees, units said", told_units=True)
def _(r: Recorded, draw: random.Random) -> str:
    return given(r, ("Q (mAh)", num(1e3 * left_Ah(r), "{:.2f}")), ("E (Wh)", num(left_Ah(r) * 3.7)))


@kind("counter that disagrees by two", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    text = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(0.5 * r.i))]
    return written([*text, ("Capacity (Ah)", num(left_Ah(r), "{:.5f}"))])


@kind("power says that the current is halved", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    text = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(0.5 * r.i))]
    return written([*text, ("Power (W)", num(r.i * r.v))])


@kind("clock and elapsed disagree", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    text = [("Clock", stamps(r.t, "%Y-%m-%d %H:%M:%S")), ("Elapsed (s)", num(0.5 * r.t))]
    return written([*text, ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))])


@kind("clock beside a count that is no time", told_units=True)
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("n", [str(k) for k in range(r.t.size)]), ("Date/Time", stamps(r.t, "%Y-%m-%d %H:%M:%S"))]
    return written([*cols, ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))])


@kind("fahrenheit without the sign")
def _(r: Recorded, draw: random.Random) -> str:
    return given(r, (draw.choice(("Temp (F)", "Cell temp F", "T_degF")), num(r.temp * 1.8 + 32)))


@kind("kelvin in a column called T")
def _(r: Recorded, draw: random.Random) -> str:
    return given(r, ("T (K)", num(r.temp + 273.15)))


@kind("temperature in tenths", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return given(r, ("Temperature", num(10 * r.temp, "{:.0f}")))


@kind("room and cell temperature, room first")
def _(r: Recorded, draw: random.Random) -> str:
    return given(r, ("Ambient temperature (°C)", num(0 * r.t + 19)), ("Cell temperature (°C)", num(r.temp)), first=True)


# ---- signs and channels


@kind("charge negative, discharge positive, two phases")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, "Time (s)", "Voltage (V)", "Current (A)", cs=-1.0)


@kind("sign in a column of arrows")
def _(r: Recorded, draw: random.Random) -> str:
    arrow = ["in" if x > 0.01 else "out" if x < -0.01 else "idle" for x in r.i]
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(abs(r.i))), ("Flow", arrow)]
    return written(cols)


@kind("sign lost, both phases", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(abs(r.i)))])


@kind("sign wrong in half of the rows", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    on = np.flatnonzero(r.i < 0)
    i = r.i.copy()
    i[on[on.size // 2] :] *= -1
    return plain(Recorded(r.name, r.t, r.v, i, r.temp, r.charge_Ah))


@kind("two channels in turn, letters", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    lines = ["Port,Time (s),Voltage (V),Current (A)"]
    o = _other(r)
    for k in range(r.t.size):
        lines += [f"{n},{x.t[k]:.3f},{x.v[k]:.4f},{x.i[k]:.4f}" for n, x in (("A", r), ("B", o))]
    return "\n".join(lines) + "\n"


@kind("two channels in blocks of ten", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    lines, o = ["Time (s),Voltage (V),Current (A)"], _other(r)
    for k in range(0, r.t.size, 10):
        for x in (r, o):
            lines += [f"{x.t[n]:.3f},{x.v[n]:.4f},{x.i[n]:.4f}" for n in range(k, min(k + 10, r.t.size))]
    return "\n".join(lines) + "\n"


@kind("a neighbour's current, the voltage alone is the cell's", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    far = np.roll(r.i, r.i.size // 3) * 0.6
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(far))])


# ---- clocks


@kind("midnight twice, clock alone")
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, stamps(r.t, "%H:%M:%S", datetime(2026, 3, 14, 23, 55)), "Clock")


@kind("twelve-hour clock without its half", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, [x.lstrip("0") for x in stamps(r.t, "%I:%M:%S", datetime(2026, 3, 14, 11, 30))], "Clock")


@kind("summer time begins under load", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    at = r.t[int(0.6 * r.t.size)]
    moved = r.t + np.where(r.t >= at, 3600.0, 0.0)
    return with_time(r, stamps(moved, "%d.%m.%Y %H:%M:%S"), "Zeit")


@kind("stamps that stand twice", told_units=True)
def _(r: Recorded, draw: random.Random) -> str:
    head, *rows = plain(r).rstrip("\n").split("\n")
    out = []
    for k, row in enumerate(rows):
        out += [row, row] if k % 17 == 3 else [row]
    return "\n".join([head, *out]) + "\n"


@kind("serial days with a unit")
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, num(46000.25 + r.t / 86400, "{:.10f}"), "Time (days)")


@kind("iso durations with days")
def _(r: Recorded, draw: random.Random) -> str:
    out = []
    for x in r.t:
        w = round(float(x))
        out.append(f"P{w // 86400}DT{w // 3600 % 24}H{w // 60 % 60}M{w % 60}S")
    return with_time(r, out, "Duration")


@kind("epoch with a name")
def _(r: Recorded, draw: random.Random) -> str:
    name, by = draw.choice((("epoch_ms", 1e3), ("unix_us", 1e6), ("epoch", 1.0), ("posix time (s)", 1.0)))
    return with_time(r, [str(round((1773522900 + float(x)) * by)) for x in r.t], name)


@kind("year, month, day, hour, minute, second in columns")
def _(r: Recorded, draw: random.Random) -> str:
    parts = [("Year", "%Y"), ("Month", "%m"), ("Day", "%d"), ("Hour", "%H"), ("Minute", "%M"), ("Second", "%S")]
    columns = [(name, stamps(r.t, form)) for name, form in parts]
    return written([*columns, ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))])


@kind("minutes and seconds with a point", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, [f"{int(x // 60)}.{int(x % 60):02d}" for x in r.t], "Time (min.s)")


@kind("hours with a comma that are h,mm", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, [f"{int(x // 3600)}.{int(x % 3600 // 60):02d}" for x in r.t], "Time (h.mm)")


@kind("days since the year began", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, num(73.4 + r.t / 86400, "{:.7f}"), "Day of year")


@kind("american dates and a clock apart")
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Date", stamps(r.t, "%m/%d/%Y")), ("Time", stamps(r.t, "%I:%M:%S %p"))]
    return written([*cols, ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))])


@kind("time left, counting down", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, num(r.t[-1] - r.t), "Time left (s)")


@kind("time to the end, unknown word", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, num(r.t[-1] - r.t), "Countdown (s)")


@kind("row number and the pace in a header", told_units=True)
def _(r: Recorded, draw: random.Random) -> str:
    step = float(np.median(np.diff(r.t)))
    cols = [(f"Sample (every {step:g} s)", [str(k) for k in range(r.t.size)])]
    return written([*cols, ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))])


@kind("row number called time", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return written([("time", [str(k) for k in range(r.t.size)]), ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))])


@kind("microseconds of a board that overflow", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, num((r.t * 1e6) % 2**32, "{:.0f}"), "micros (us)")


# ---- rows


@kind("totals at the end")
def _(r: Recorded, draw: random.Random) -> str:
    foot = draw.choice(
        (f"Total,,{r.charge_Ah:.4f}\n", f"Sum;{r.charge_Ah:.3f} Ah\n", f"mean,{r.v.mean():.4f},{r.i.mean():.4f}\n")
    )
    return plain(r, foot=foot)


@kind("totals in a last row of numbers", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, foot=f"{r.t[-1] + 1:.3f},{r.v.mean():.4f},{-r.charge_Ah:.4f}\n")


@kind("comments between")
def _(r: Recorded, draw: random.Random) -> str:
    lines = plain(r).split("\n")
    for at in (20, 60, 120):
        lines.insert(at, draw.choice(("# cell looks fine", "// fan on", "%% photo taken")))
    return "\n".join(lines)


@kind("a comment says that the unit changes", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    at = int(np.flatnonzero(r.i < 0)[0] + 30)
    i = np.where(np.arange(r.i.size) >= at, r.i * 1e3, r.i)
    lines = plain(Recorded(r.name, r.t, r.v, i, r.temp, r.charge_Ah)).split("\n")
    lines.insert(at + 1, "# range switched to mA")
    return "\n".join(lines)


@kind("unit changes without a word", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    on = np.flatnonzero(r.i < 0)
    i = r.i.copy()
    i[on[on.size // 2] :] *= 1e3
    return plain(Recorded(r.name, r.t, r.v, i, r.temp, r.charge_Ah))


@kind("voltage and current in turn, half of each empty")
def _(r: Recorded, draw: random.Random) -> str:
    v, i = num(r.v), num(r.i)
    v = [x if k % 2 == 0 else "" for k, x in enumerate(v)]
    i = [x if k % 2 == 1 else "" for k, x in enumerate(i)]
    return written([("Time (s)", num(r.t)), ("Voltage (V)", v), ("Current (A)", i)])


@kind("current only where it changed", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    i = num(np.round(r.i, 1))
    i = [x if k == 0 or x != i[k - 1] else "" for k, x in enumerate(i)]
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", i)])


@kind("every other row empty")
def _(r: Recorded, draw: random.Random) -> str:
    return "".join(line + "\n,,\n" for line in plain(r).rstrip("\n").split("\n"))


@kind("pulses: current shown only as a mean over its period", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return given(r, ("Peak current (A)", num(2.0 * r.i)), ("Duty (%)", num(0 * r.t + 50)))


@kind("pulses: the peak and the duty alone", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Peak current (A)", num(2.0 * r.i))]
    return written([*cols, ("Duty (%)", num(0 * r.t + 50))])


@kind("two header rows with merged cells", suffix=".xlsx")
def _(r: Recorded, draw: random.Random) -> bytes:
    rows = zip(r.t.tolist(), r.v.tolist(), r.i.tolist(), strict=True)
    return _sheet([("Clock", "Cell 7", None), ("Time (s)", "Voltage (V)", "Current (A)"), *rows])


@kind("sheet of two cells under merged headers", told_units=False, suffix=".xlsx")
def _(r: Recorded, draw: random.Random) -> bytes:
    o = _other(r)
    rows = zip(r.t.tolist(), r.v.tolist(), r.i.tolist(), o.v.tolist(), o.i.tolist(), strict=True)
    return _sheet([(None, "Cell A", None, "Cell B", None), ("Time (s)", "V (V)", "I (A)", "V (V)", "I (A)"), *rows])


@kind("sheet with dates and a remark column", suffix=".xlsx")
def _(r: Recorded, draw: random.Random) -> bytes:
    at = (BEGAN + timedelta(seconds=float(x)) for x in r.t)
    rows = ((a, v, i, "ok") for a, v, i in zip(at, r.v.tolist(), r.i.tolist(), strict=True))
    return _sheet([("When", "Voltage [V]", "Current [A]", "Remark"), *rows])


# ---- text


@kind("marked utf-8")
def _(r: Recorded, draw: random.Random) -> bytes:
    return b"\xef\xbb\xbf" + plain(r, "Zeit (s)", "Spannung (V)", "Strom (A)", sep=";", comma=True).encode()


@kind("utf-16 with tabs")
def _(r: Recorded, draw: random.Random) -> bytes:
    return plain(r, "Χρόνος (s)", "Τάση (V)", "Ρεύμα (A)", sep="\t").encode("utf-16")


@kind("latin-2")
def _(r: Recorded, draw: random.Random) -> bytes:
    return plain(r, "Čas (s)", "Napětí (V)", "Proud (A)", sep=";", comma=True).encode("cp1250")


@kind("german thousands in milliampere", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    whole = [f"{round(x):,}".replace(",", ".") for x in 1e3 * r.i]
    milli = [f"{round(x):,}".replace(",", ".") for x in 1e3 * r.v]
    return written([("Zeit (s)", num(r.t, "{:.0f}")), ("Spannung (mV)", milli), ("Strom (mA)", whole)], sep=";")


@kind("english thousands in quotes")
def _(r: Recorded, draw: random.Random) -> str:
    whole, milli = [f"{x:,.1f}" for x in 1e3 * r.i], [f"{x:,.1f}" for x in 1e3 * r.v]
    return written(
        [("Time (s)", [f"{x:,.1f}" for x in r.t]), ("Voltage (mV)", milli), ("Current (mA)", whole)], quote=True
    )


@kind("apostrophes between thousands")
def _(r: Recorded, draw: random.Random) -> str:
    return written(
        [("Zeit (s)", num(r.t, "{:.1f}", group="'")), ("Spannung (V)", num(r.v)), ("Strom (A)", num(r.i))], sep=";"
    )


@kind("prefix with the value")
def _(r: Recorded, draw: random.Random) -> str:
    amps = [f"{1e3 * x:.1f}m" if abs(x) < 1 else f"{x:.4f}" for x in r.i]
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", amps)])


@kind("prefix with value and unit, blanks")
def _(r: Recorded, draw: random.Random) -> str:
    amps = [f"{1e3 * x:+.1f} mA" if abs(x) < 1 else f"{x:+.4f} A" for x in r.i]
    return written(
        [("Time", [f"{x:.1f} s" for x in r.t]), ("Voltage", [f"{1e3 * x:.1f} mV" for x in r.v]), ("Current", amps)]
    )


@kind("plus signs")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, tf="{:+.2f}", vf="{:+.4f}", cf="{:+.4f}")


@kind("name and value pairs in each row")
def _(r: Recorded, draw: random.Random) -> str:
    rows = (f"t={t:.1f}s V={v:.4f}V I={i:.4f}A" for t, v, i in zip(r.t, r.v, r.i, strict=True))
    return "\n".join(rows) + "\n"


@kind("a factor above the table", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    head = draw.choice(("Shunt factor: 10\n", "# current gain = 10\n", "Multiply current by 10\n"))
    return plain(r, cs=0.1, cf="{:.5f}", head=head)


@kind("units in a row at the bottom")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, "Time", "Voltage", "Current", ts=1 / 60, tf="{:.5f}", foot="min,V,A\n")


@kind("units row above the header")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, "Time", "Voltage", "Current", ts=1 / 60, tf="{:.5f}", cs=1e3, cf="{:.1f}", head="min,V,mA\n")


@kind("units two rows below the header")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(
        r,
        "Time",
        "Voltage",
        "Current",
        below="elapsed,cell,cell\nh,V,mA",
        ts=1 / 3600,
        tf="{:.7f}",
        cs=1e3,
        cf="{:.1f}",
    )


@kind("figure caption of a paper")
def _(r: Recorded, draw: random.Random) -> str:
    head = "Table S3. Discharge of cell 4 at 22 degC. Time t in h, cell voltage U in V, current I in mA.\n"
    return plain(r, "t", "U", "I", ts=1 / 3600, tf="{:.7f}", cs=1e3, cf="{:.1f}", head=head)


@kind("prefix of the unit in the units row")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(
        r, "Time", "Voltage", "Current", below="[10^3 s],[V],[10^-3 A]", ts=1e-3, tf="{:.6f}", cs=1e3, cf="{:.1f}"
    )


def ways(seed: int, kinds: Sequence[tuple[str, bool, str, Made]] | None = None) -> list[Disguise]:
    """Return the kinds, each drawn by the seed and its own name."""
    found = []
    for name, told, suffix, make in KINDS if kinds is None else kinds:

        def write(r: Recorded, make: Made = make, name: str = name) -> bytes:
            made = make(r, random.Random(f"{seed}:{name}:{r.name}"))
            return made if isinstance(made, bytes) else made.encode("utf-8")

        found.append(Disguise(name, write, told, suffix))
    return found


def true_Wh(r: Recorded) -> float:
    """Return the energy of a record's discharge as its own rows have it."""
    out = np.where(r.i < 0, -r.i, 0.0) * r.v
    return float(np.sum((out[1:] + out[:-1]) / 2 * np.diff(r.t))) / 3600


def tried(record: Recorded, way: Disguise, folder: Path) -> Outcome:
    """Write a record in a disguise, import it, and judge charge, energy and temperature."""
    file = folder / f"table{way.suffix}"
    file.write_bytes(way.write(record))
    try:
        run = import_table(file, "W-1", cutoff=round(float(record.v.min()) - 0.05, 3), logs=folder / "logs")
        figures = analyse_run(run)
    except InputError as error:
        return Outcome(record.name, way.name, way.told_units, "refused", str(error))
    except Exception as error:  # noqa: BLE001 a traceback is what nobody may meet
        return Outcome(record.name, way.name, way.told_units, "wrong", f"traceback: {error!r}")
    codes = [item.code for item in figures.warnings]
    told = any(code in DOUBTS for code in codes)
    detail = f"{figures.capacity_Ah} Ah for {record.charge_Ah:.5f}; {figures.energy_Wh} Wh; {', '.join(codes)}"
    if figures.capacity_Ah is None:
        return Outcome(record.name, way.name, way.told_units, "no figure", detail)
    good = abs(figures.capacity_Ah / record.charge_Ah - 1) < 0.01
    good &= figures.energy_Wh is not None and abs(figures.energy_Wh / true_Wh(record) - 1) < 0.02
    degC = load(run)[0].temperature_degC
    if degC is not None and np.isfinite(degC).any():
        off = float(np.nanmedian(degC)) - float(np.median(record.temp))
        good, detail = good and abs(off) < 1.5, f"{detail}; temperature off by {off:.1f} K"
    what = ("right, doubted" if told else "right") if good else "told" if told else "wrong"
    return Outcome(record.name, way.name, way.told_units, what, detail)


def campaign(records: Sequence[Recorded], chosen: Sequence[Disguise]) -> list[Outcome]:
    """Return how each record in each disguise fared."""
    outcomes = []
    for record in records:
        for way in chosen:
            with tempfile.TemporaryDirectory() as name:
                outcomes.append(tried(record, way, Path(name)))
    return outcomes


def summary(outcomes: Sequence[Outcome]) -> str:
    """Return the counts as lines."""
    lines = []
    for name, told in (("all", None), ("units in the file", True), ("units not in the file", False)):
        chosen = [one for one in outcomes if told is None or one.told_units == told]
        counts = Counter(one.kind for one in chosen)
        share = (counts["right"] + counts["right, doubted"]) / max(len(chosen), 1)
        kinds = ", ".join(
            f"{kind} {counts[kind]}" for kind in ("right", "right, doubted", "refused", "told", "no figure", "wrong")
        )
        lines.append(f"{name}: {len(chosen)} files, {kinds} ({share:.1%} right)")
    return "\n".join(lines)


def run(kinds: Sequence[tuple[str, bool, str, Made]], seed: int, doc: str) -> int:
    """Print how a set of kinds fared; 1 where one was silently wrong."""
    parser = argparse.ArgumentParser(description=doc.splitlines()[0])
    parser.add_argument("--seed", type=int, default=seed)
    parser.add_argument("--records", type=int, default=99)
    parser.add_argument("--only", default="")
    parser.add_argument("--show", action="store_true", help="print every file that was not read right")
    wanted = parser.parse_args()
    chosen = [way for way in ways(wanted.seed, kinds) if wanted.only in way.name]
    records = drawn_records(wanted.seed)[: wanted.records]
    outcomes = campaign(records, chosen)
    for one in outcomes:
        if one.kind != "right" and (wanted.show or one.kind == "wrong"):
            print(f"{one.kind:14} {'units' if one.told_units else '-':5} {one.disguise} | {one.record} | {one.detail}")
    print(f"{len(chosen)} disguises, {len(records)} records, seed {wanted.seed}")
    print(summary(outcomes))
    return int(any(one.kind == "wrong" for one in outcomes))


def main() -> int:
    return run(KINDS, 8101, __doc__ or "")


if __name__ == "__main__":
    sys.exit(main())
