"""More disguises of one record, of kinds that nobody who wrote the reader had seen: see `disguises`.

    python -m tests.campaign.strange_disguises [--seed N] [--only WORD] [--show]

Invented before the reader was looked at; a seed draws the records and, where a kind has several wordings, which one.
`told_units` says that a careful person with the file alone would read it rightly.
"""

import argparse
import csv
import io
import os
import random
import sys
import zipfile
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from tests.campaign.disguises import (
    BEGAN,
    Disguise,
    Recorded,
    _other,
    _sheet,
    campaign,
    measured_records,
    num,
    plain,
    simulated,
    stamps,
    summary,
    with_time,
    written,
)

Made = Callable[[Recorded, random.Random], str | bytes]
KINDS: list[tuple[str, bool, str, Made]] = []
MIN = {"ts": 1 / 60, "tf": "{:.5f}"}
HOUR = {"ts": 1 / 3600, "tf": "{:.7f}"}
MILLI = {"cs": 1e3, "cf": "{:.1f}"}
COMMA = {"comma": True, "sep": ";"}


def kind(name: str, told_units: bool = True, suffix: str = ".csv") -> Callable[[Made], Made]:
    def add(function: Made) -> Made:
        KINDS.append((name, told_units, suffix, function))
        return function

    return add


def headed(name: str, *choices: tuple[tuple[str, str, str], dict[str, object]], told: bool = True) -> None:
    """Add a kind that is a choice among headers."""

    def make(r: Recorded, draw: random.Random) -> str:
        words, more = draw.choice(choices)
        return plain(r, *words, **more)  # type: ignore[arg-type]

    KINDS.append((name, told, ".csv", make))


headed("korean", (("시간 (초)", "전압 (V)", "전류 (A)"), {}), (("시간(분)", "전압(V)", "전류(mA)"), MIN | MILLI))
headed("greek", (("Χρόνος (s)", "Τάση (V)", "Ρεύμα (A)"), COMMA), (("Χρόνος [min]", "Τάση [V]", "Ρεύμα [A]"), MIN))
headed("danish", (("Tid (min)", "Spænding (V)", "Strøm (mA)"), COMMA | MIN | MILLI))
headed("norwegian", (("Tid [s]", "Spenning [V]", "Strøm [A]"), COMMA))
headed(
    "hungarian", (("Idő (s)", "Feszültség (V)", "Áram (A)"), COMMA), (("Idő [perc]", "Feszültség [V]", "Áram [A]"), MIN)
)
headed(
    "ukrainian",
    (("Час, с", "Напруга, В", "Струм, А"), COMMA),
    (("Час, хв", "Напруга, В", "Струм, мА"), COMMA | MIN | MILLI),
)
headed(
    "romanian",
    (("Timp (s)", "Tensiune (V)", "Curent (A)"), COMMA),
    (("Timp (ore)", "Tensiune (V)", "Curent (A)"), HOUR),
)
headed("croatian", (("Vrijeme [s]", "Napon [V]", "Struja [A]"), COMMA))
headed("icelandic", (("Tími (s)", "Spenna (V)", "Straumur (A)"), COMMA))
headed(
    "brackets of every kind",
    (("Time <s>", "Voltage <V>", "Current <mA>"), MILLI),
    (("Time {min}", "Voltage {V}", "Current {A}"), MIN),
)
headed(
    "wide brackets",
    (("时间（分）", "电压（V）", "电流（mA）"), MIN | MILLI),
    (("時間（秒）", "電圧（mV）", "電流（A）"), {"vs": 1e3}),
)
headed("in a unit, German", (("Zeit in Minuten", "Spannung in Volt", "Strom in Milliampere"), COMMA | MIN | MILLI))
headed("in a unit, French", (("Temps en minutes", "Tension en volts", "Courant en ampères"), COMMA | MIN))
headed(
    "in a unit, Spanish", (("Tiempo en horas", "Tensión en voltios", "Corriente en miliamperios"), COMMA | HOUR | MILLI)
)
headed("in a unit, Italian", (("Tempo in ore", "Tensione in volt", "Corrente in ampere"), COMMA | HOUR))
headed(
    "abbreviated words",
    (("secs", "volts", "amps"), {}),
    (("hrs", "volts", "amps"), HOUR),
    (("mins", "V", "mA"), MIN | MILLI),
)
headed("DC", (("Time, sec", "VDC", "ADC"), {}), (("Time [min]", "Volts DC", "mA DC"), MIN | MILLI))
headed(
    "of the cell",
    (("t_test [h]", "U_Zelle [V]", "I_Last [A]"), HOUR),
    (("t [min]", "U_cell [mV]", "I_cell [mA]"), MIN | {"vs": 1e3} | MILLI),
)
headed("electrochemists", (("t/min", "E/V", "I/mA"), MIN | MILLI), (("t / s", "E / V", "I / A"), {}))
headed("line break in the header", (("Time\n(min)", "Voltage\n(V)", "Current\n(mA)"), MIN | MILLI | {"quote": True}))
headed(
    "capital words",
    (("TIME MINUTES", "VOLTAGE VOLTS", "CURRENT AMPERES"), MIN),
    (("SECONDS ELAPSED", "VOLTS", "MILLIAMPERES"), MILLI),
)
headed(
    "tenths",
    (("Time (x 10 s)", "Voltage (V)", "Current (A)"), {"ts": 0.1}),
    (("t [0.1 s]", "U [V]", "I [A]"), {"ts": 10.0}),
)
headed("ten millivolt", (("Time (s)", "Voltage (10 mV)", "Current (A)"), {"vs": 100.0}))
headed(
    "powers of ten",
    (("Time (10^3 s)", "Voltage (V)", "Current (A)"), {"ts": 1e-3, "tf": "{:.7f}"}),
    (("Time (s)", "Voltage (V)", "Current (A x 10^-3)"), MILLI),
)
headed("power of minus three, two ways", (("Time (ks)", "Voltage (V)", "Current (A)"), {"ts": 1e-3, "tf": "{:.7f}"}))
headed(
    "nanoampere", (("Time (s)", "Voltage (µV)", "Current (nA)"), {"vs": 1e6, "vf": "{:.0f}", "cs": 1e9, "cf": "{:.0f}"})
)
headed(
    "microseconds",
    (("Time (us)", "Voltage (V)", "Current (A)"), {"ts": 1e6, "tf": "{:.0f}"}),
    (
        ("time_usec", "voltage_uV", "current_uA"),
        {"ts": 1e6, "tf": "{:.0f}", "vs": 1e6, "vf": "{:.0f}", "cs": 1e6, "cf": "{:.0f}"},
    ),
)
headed("load current", (("Time (s)", "Cell voltage (V)", "Load current (A)"), {"cs": -1.0}))
headed(
    "discharge positive, said",
    (("Time (s)", "Voltage (V)", "Current (A, discharge positive)"), {"cs": -1.0}),
    (("Zeit (s)", "Spannung (V)", "Entladestrom (mA)"), {"cs": -1e3, "cf": "{:.1f}"}),
)
headed(
    "units wrong way round",
    (("s Time", "V Voltage", "mA Current"), MILLI),
    (("[min] Time", "[V] Voltage", "[A] Current"), MIN),
)
headed(
    "units with dots",
    (("Time. (min.)", "Volt. (V)", "Curr. (mA)"), MIN | MILLI),
    (("t. [sec.]", "U. [V]", "I. [A]"), {}),
)
headed(
    "the units lie",
    (("Time (ms)", "Voltage (V)", "Current (A)"), {}),
    (("Time (s)", "Voltage (V)", "Current (A)"), MILLI),
    told=False,
)
headed("no units: microampere", (("t", "U", "I"), {"cs": 1e6, "cf": "{:.0f}"}), told=False)
headed("no units: tenths of a second", (("t", "U", "I"), {"ts": 10.0, "tf": "{:.0f}"}), told=False)
headed("no units: half minutes", (("n", "U", "I"), {"ts": 1 / 30, "tf": "{:.4f}"}), told=False)
headed(
    "fortran numbers", (("Time (s)", "Voltage (V)", "Current (A)"), {"tf": "{:.6E}", "vf": "{:.6E}", "cf": "{:.6E}"})
)
headed("comma for both", (("Time (s)", "Voltage (V)", "Current (A)"), {"comma": True, "sep": ","}), told=False)
headed("no-break blanks", (("Zeit [s]", "Spannung [mV]", "Strom [mA]"), COMMA | {"group": "\u00a0", "vs": 1e3} | MILLI))
headed("time before the trigger", (("Time (s)", "Voltage (V)", "Current (A)"), {}))


@kind("a unit line in the preamble")
def _(r: Recorded, draw: random.Random) -> str:
    head = draw.choice(("# Units: time min, voltage V, current mA\n", "Time in min; voltage in V; current in mA\n"))
    return plain(r, "Time", "Voltage", "Current", head=head, **MIN, **MILLI)  # type: ignore[arg-type]


@kind("hours, minutes and seconds in three columns")
def _(r: Recorded, draw: random.Random) -> str:
    whole = np.round(r.t).astype(int)
    names = draw.choice((("h", "min", "s"), ("Hours", "Minutes", "Seconds")))
    parts = (whole // 3600, whole // 60 % 60, whole % 60)
    columns = [(name, [str(x) for x in part]) for name, part in zip(names, parts, strict=True)]
    return written([*columns, ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))])


@kind("day number and clock")
def _(r: Recorded, draw: random.Random) -> str:
    days = [str((BEGAN + timedelta(seconds=float(x))).day - BEGAN.day + 1) for x in r.t]
    return written([("Day", days), ("Clock", stamps(r.t, "%H:%M:%S")), ("U (V)", num(r.v)), ("I (A)", num(r.i))])


@kind("interval since the row before")
def _(r: Recorded, draw: random.Random) -> str:
    name = draw.choice(("dt (s)", "Interval (s)", "Time since last reading (s)", "Δt [s]"))
    return written([(name, num(np.diff(r.t, prepend=r.t[0]))), ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))])


@kind("no time, the pace in the preamble")
def _(r: Recorded, draw: random.Random) -> str:
    step = float(np.median(np.diff(r.t)))
    head = f"Sampling interval: {step:g} s\n"
    return written(
        [("Reading", [str(k) for k in range(r.t.size)]), ("V (V)", num(r.v)), ("I (A)", num(r.i))], head=head
    )


@kind("ticks", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, "Tick", "Voltage (V)", "Current (A)", ts=2.0, tf="{:.0f}", head="1 tick = 0.5 s\n")


@kind("power in place of current", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Power (W)", num(r.v * r.i))])


@kind("a counter in place of current", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    gone = np.concatenate(([0.0], np.cumsum(np.diff(r.t) * np.where(r.i[1:] < 0, -r.i[1:], 0)))) / 3.6
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Capacity (mAh)", num(gone))])


@kind("set values, ranges and limits before the readings")
def _(r: Recorded, draw: random.Random) -> str:
    n = r.t.size
    columns = [
        ("Current range (A)", ["5"] * n), ("Set voltage (V)", ["3.000"] * n), ("Voltage limit (V)", ["4.200"] * n),
        ("Test time (s)", num(r.t)), ("Set current (A)", num(np.round(r.i, 1))),
        ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i)),
    ]  # fmt: skip
    return written(columns)


@kind("mean, least and most")
def _(r: Recorded, draw: random.Random) -> str:
    columns = [
        ("Time (min)", num(r.t / 60, "{:.4f}")), ("Voltage min (V)", num(r.v - 0.004)),
        ("Voltage max (V)", num(r.v + 0.004)),
        ("Voltage mean (V)", num(r.v)), ("Current mean (A)", num(r.i)), ("Current min (A)", num(r.i * 1.05)),
        ("Current max (A)", num(r.i * 0.95)),
    ]  # fmt: skip
    return written(columns)


@kind("two thermometers and a room")
def _(r: Recorded, draw: random.Random) -> str:
    columns = [
        ("T1 (°C)", num(r.temp)), ("T2 (°C)", num(r.temp - 1)), ("t (s)", num(r.t)),
        ("T_room (°C)", num(r.temp * 0 + 20)),
        ("V1 (V)", num(r.v)), ("I1 (A)", num(r.i)),
    ]  # fmt: skip
    return written(columns)


@kind("kelvin")
def _(r: Recorded, draw: random.Random) -> str:
    columns = [("Time (s)", num(r.t)), ("T (K)", num(r.temp + 273.15)), ("U (V)", num(r.v)), ("I (A)", num(r.i))]
    return written(columns)


@kind("charge and discharge current apart")
def _(r: Recorded, draw: random.Random) -> str:
    names = draw.choice((("Charge current (mA)", "Discharge current (mA)"), ("I_charge [mA]", "I_discharge [mA]")))
    into, out = np.maximum(r.i, 0) * 1e3, np.maximum(-r.i, 0) * 1e3
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), (names[0], num(into)), (names[1], num(out))])


@kind("supply and load current apart", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    into, out = np.maximum(r.i, 0), np.maximum(-r.i, 0)
    columns = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Supply (A)", num(into)), ("Load (A)", num(out))]
    return written(columns)


@kind("groups above the header")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, "Time (s)", "U (V)", "I (A)", head=draw.choice((",Cell 7,Cell 7\n", "Clock,Cell,Cell\n")))


@kind("name, unit and remark rows")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, "time", "voltage", "current", below="min,V,mA\nelapsed,at the cell,into the cell", **MIN, **MILLI)  # type: ignore[arg-type]


@kind("types below the header")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, "time [s]", "voltage [V]", "current [A]", below="float,float,float")


@kind("header at the bottom")
def _(r: Recorded, draw: random.Random) -> str:
    lines = plain(r, newest_first=True).rstrip("\n").split("\n")
    return "\n".join([*lines[1:], lines[0]]) + "\n"


@kind("iso with a comma fraction")
def _(r: Recorded, draw: random.Random) -> str:
    times = [x[:-3].replace(".", ",") for x in stamps(r.t, "%Y-%m-%dT%H:%M:%S.%f")]
    return with_time(r, times, "Time", sep=";")


@kind("dates in words")
def _(r: Recorded, draw: random.Random) -> str:
    form = draw.choice(
        ("%d %B %Y %H:%M:%S", "%a %b %d %H:%M:%S %Y", "%a, %d %b %Y %H:%M:%S +0100", "%B %d, %Y %H:%M:%S")
    )
    return with_time(r, stamps(r.t, form), "Time", sep=";")


@kind("german month names")
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, stamps(r.t, "%d. März %Y %H:%M:%S"), "Zeitpunkt", "Spannung (V)", "Strom (A)", sep=";")


@kind("clocks with letters")
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, stamps(r.t, draw.choice(("%Hh%Mm%Ss", "%Hh%M'%S\"", "%H.%M.%S"))), "Time", sep=";")


@kind("clock to the minute", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, stamps(r.t, "%Y-%m-%d %H:%M"), "Time")


@kind("clock put forward at night", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    moved = r.t + np.where(r.t > 0.5 * r.t[-1], 3600.0, 0.0)
    return with_time(r, stamps(moved, "%Y-%m-%d %H:%M:%S"), "Time")


@kind("clock put back at night", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    moved = r.t - np.where(r.t > 0.5 * r.t[-1], 3600.0, 0.0)
    return with_time(r, stamps(moved, "%Y-%m-%d %H:%M:%S"), "Time")


@kind("durations")
def _(r: Recorded, draw: random.Random) -> str:
    form = draw.choice(
        ("PT{h}H{m}M{s}S", "{d} days {hh:02d}:{m:02d}:{s:02d}", "{d}:{hh:02d}:{m:02d}:{s:02d}", "{h}h{m:02d}m{s:02d}s")
    )
    out = []
    for x in r.t:
        w = round(float(x))
        out.append(form.format(h=w // 3600, m=w // 60 % 60, s=w % 60, d=w // 86400, hh=w // 3600 % 24))
    return with_time(r, out, "Elapsed")


@kind("clock said in the header")
def _(r: Recorded, draw: random.Random) -> str:
    out = [f"{int(x // 60)}:{int(x % 60):02d}" for x in r.t]
    return with_time(r, out, draw.choice(("Time (min:s)", "Time [m:ss]", "Elapsed (min:sec)")))


@kind("date and elapsed seconds")
def _(r: Recorded, draw: random.Random) -> str:
    return written(
        [("Date", stamps(r.t, "%Y-%m-%d")), ("Time (s)", num(r.t)), ("U (V)", num(r.v)), ("I (A)", num(r.i))]
    )


@kind("epoch microseconds", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, [str(round((1773522900 + float(x)) * 1e6)) for x in r.t], "t")


@kind("seconds of the day, over midnight", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, num((r.t + 86400 - 0.6 * r.t[-1]) % 86400), "Time of day (s)")


@kind("counter of milliseconds that begins anew", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, num((r.t * 1e3 + 2**32 - 0.6e3 * r.t[-1]) % 2**32, "{:.0f}"), "millis (ms)")


@kind("time that begins anew in mid-run", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    at = r.t[int(0.6 * r.t.size)]
    return with_time(r, num(np.where(r.t < at, r.t, r.t - at)), "Time (s)")


@kind("units beside the values, changing")
def _(r: Recorded, draw: random.Random) -> str:
    def shown(x: float) -> str:
        return f"{x * 1e3:.1f} mA" if abs(x) < 0.6 else f"{x:.4f} A"

    volts = [f"{x * 1e3:.0f} mV" if x < 1.25 else f"{x:.4f} V" for x in r.v]
    return written([("Time (s)", num(r.t)), ("Voltage", volts), ("Current", [shown(float(x)) for x in r.i])])


@kind("unit columns beside the values")
def _(r: Recorded, draw: random.Random) -> str:
    n = r.t.size
    columns = [("Time", num(r.t / 60, "{:.5f}")), ("Unit", ["min"] * n), ("Voltage", num(r.v)), ("Unit", ["V"] * n),
               ("Current", num(r.i * 1e3, "{:.1f}")), ("Unit", ["mA"] * n)]  # fmt: skip
    return written(columns)


@kind("new header with other units half way")
def _(r: Recorded, draw: random.Random) -> str:
    lines = plain(r).rstrip("\n").split("\n")
    at = len(lines) // 2
    later = plain(r, i="Current (mA)", cs=1e3, cf="{:.1f}").rstrip("\n").split("\n")
    return "\n".join([*lines[:at], later[0], *later[at:]]) + "\n"


@kind("minus behind the number")
def _(r: Recorded, draw: random.Random) -> str:
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)),
                    ("Current (A)", [x.lstrip("-") + "-" if x.startswith("-") else x for x in num(r.i)])])  # fmt: skip


@kind("minus as brackets")
def _(r: Recorded, draw: random.Random) -> str:
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)),
                    ("Current (A)", [f"({x[1:]})" if x.startswith("-") else x for x in num(r.i)])])  # fmt: skip


@kind("no nought before the point")
def _(r: Recorded, draw: random.Random) -> str:
    bare = [x.replace("-0.", "-.") if x.startswith("-0.") else x[1:] if x.startswith("0.") else x for x in num(r.i)]
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", bare)])


@kind("exponents with D")
def _(r: Recorded, draw: random.Random) -> str:
    text = plain(r, tf="{:.6E}", vf="{:.6E}", cf="{:.6E}")
    head, rest = text.split("\n", 1)
    return head + "\n" + rest.replace("E", "D")


@kind("no readings in words")
def _(r: Recorded, draw: random.Random) -> str:
    v, word = num(r.v), draw.choice(("#N/A", "n/a", "null", "None", "-", "nan", "?", "#DIV/0!", "fehlt"))
    for row in range(30, len(v), 83):
        v[row] = word
    return written([("Time (s)", num(r.t)), ("Voltage (V)", v), ("Current (A)", num(r.i))])


@kind("a second table below")
def _(r: Recorded, draw: random.Random) -> str:
    foot = "\nCycle,Capacity (mAh),Energy (mWh)\n1,998.2,3671.0\n2,997.1,3660.4\n"
    return plain(r, foot=foot)


@kind("a list of settings first")
def _(r: Recorded, draw: random.Random) -> str:
    head = "Setting,Value,Unit\nCurrent,0.5,A\nCut-off,3.0,V\nPause,10,min\n\nReadings\n"
    return plain(r, head=head)


@kind("events between the rows")
def _(r: Recorded, draw: random.Random) -> str:
    lines = plain(r).split("\n")
    for at in (9, 70, 300):
        lines.insert(
            min(at, len(lines) - 2), draw.choice(("--- load on ---", "# note: door opened", "Step 2 begins,,"))
        )
    return "\n".join(lines)


@kind("index without a name")
def _(r: Recorded, draw: random.Random) -> str:
    columns = [
        ("", [str(k) for k in range(r.t.size)]),
        ("Time (s)", num(r.t)),
        ("U (V)", num(r.v)),
        ("I (A)", num(r.i)),
    ]
    return written(columns)


@kind("index that the header leaves out")
def _(r: Recorded, draw: random.Random) -> str:
    head, *rows = plain(r, sep="\t").rstrip("\n").split("\n")
    return "\n".join([head, *(f"{k + 1}\t{row}" for k, row in enumerate(rows))]) + "\n"


@kind("blank lines and blanks about")
def _(r: Recorded, draw: random.Random) -> str:
    text = plain(r)
    return "\n\n  \n" + "\n".join("  " + line.replace(",", "  ,  ") + "   " for line in text.split("\n")) + "\n\n"


@kind("single quotes")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, quote=True, sep=";").replace('"', "'")


@kind("mixed line ends")
def _(r: Recorded, draw: random.Random) -> str:
    return "".join(line + ("\r\n" if k % 3 else "\n") for k, line in enumerate(plain(r).rstrip("\n").split("\n")))


@kind("odd separators", suffix=".txt")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, sep=draw.choice((":", "~", " / ", "^", "\t\t")))


@kind("each row twice", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    head, *rows = plain(r).rstrip("\n").split("\n")
    return "\n".join([head, *(row for row in rows for _ in range(2))]) + "\n"


@kind("the last third written again", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    head, *rows = plain(r).rstrip("\n").split("\n")
    return "\n".join([head, *rows, *rows[2 * len(rows) // 3 :]]) + "\n"


@kind("blocks in the wrong order", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    head, *rows = plain(r).rstrip("\n").split("\n")
    a, b = len(rows) // 3, 2 * len(rows) // 3
    return "\n".join([head, *rows[b:], *rows[:a], *rows[a:b]]) + "\n"


@kind("probes swapped", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, vs=-1.0)


@kind("direction in a column")
def _(r: Recorded, draw: random.Random) -> str:
    words = draw.choice((("CHG", "DCH", "PAU"), ("C", "D", "R"), ("Laden", "Entladen", "Pause"), ("+", "-", "0")))
    name = draw.choice(("State", "Status", "Direction"))
    state = [words[0] if x > 0.01 else words[1] if x < -0.01 else words[2] for x in r.i]
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(abs(r.i))), (name, state)])


@kind("direction as a number", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    state = ["1" if x > 0.01 else "2" if x < -0.01 else "0" for x in r.i]
    return written(
        [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(abs(r.i))), ("Step type", state)]
    )


@kind("quantities as rows", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    rows = (("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i)))
    return "\n".join(",".join([name, *values]) for name, values in rows) + "\n"


@kind("one value a row")
def _(r: Recorded, draw: random.Random) -> str:
    lines = ["Time (s),Quantity,Value,Unit"]
    for t, v, i in zip(r.t, r.v, r.i, strict=True):
        lines += [f"{t:.3f},Voltage,{v:.4f},V", f"{t:.3f},Current,{i * 1e3:.1f},mA"]
    return "\n".join(lines) + "\n"


@kind("one value a row, German")
def _(r: Recorded, draw: random.Random) -> str:
    lines = ["Zeitstempel;Messgröße;Wert;Einheit"]
    for at, v, i in zip(stamps(r.t, "%d.%m.%Y %H:%M:%S"), r.v, r.i, strict=True):
        lines += [f"{at};Spannung;{v:.4f};V".replace(".", ",", 0), f"{at};Strom;{i:.4f};A"]
    return "\n".join(lines) + "\n"


@kind("two cells with letters", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    o = _other(r)
    return written(
        [
            ("Time (s)", num(r.t)),
            ("V_a (V)", num(r.v)),
            ("I_a (A)", num(r.i)),
            ("V_b (V)", num(o.v)),
            ("I_b (A)", num(o.i)),
        ]
    )


@kind("two cells under the same names", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    o = _other(r)
    return written(
        [
            ("Time (s)", num(r.t)),
            ("Voltage (V)", num(r.v)),
            ("Current (A)", num(r.i)),
            ("Voltage (V)", num(o.v)),
            ("Current (A)", num(o.i)),
        ]
    )


@kind("three cells in turn", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    o, p = _other(r), _other(_other(r))
    lines = ["Time (s),Voltage (V),Current (A)"]
    for k in range(r.t.size):
        lines += [f"{x.t[k] + n:.3f},{x.v[k]:.4f},{x.i[k]:.4f}" for n, x in ((0, r), (1, o), (2, p))]
    return "\n".join(lines) + "\n"


@kind("sheet of durations", suffix=".xlsx")
def _(r: Recorded, draw: random.Random) -> bytes:
    times = (timedelta(seconds=float(x)) for x in r.t)
    return _sheet([("Elapsed", "Voltage (V)", "Current (A)"), *zip(times, r.v.tolist(), r.i.tolist(), strict=True)])


@kind("sheet of texts", suffix=".xlsx")
def _(r: Recorded, draw: random.Random) -> bytes:
    rows = zip(num(r.t, comma=True), num(r.v, comma=True), num(r.i, comma=True), strict=True)
    return _sheet([("Zeit [s]", "Spannung [V]", "Strom [A]"), *rows])


@kind("sheet with an empty column and row", suffix=".xlsx")
def _(r: Recorded, draw: random.Random) -> bytes:
    rows = ((None, t, v, i) for t, v, i in zip((r.t / 60).tolist(), r.v.tolist(), (1e3 * r.i).tolist(), strict=True))
    return _sheet([(), (None, "Hall bench, evening"), (), (None, "Time (min)", "Voltage (V)", "Current (mA)"), *rows])


@kind("zip with a readme beside", suffix=".zip")
def _(r: Recorded, draw: random.Random) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as held:
        held.writestr("readme.txt", "Record of the hall bench.\nTimes are minutes.\n")
        held.writestr("record.csv", plain(r, "Time (min)", ts=1 / 60, tf="{:.5f}"))
    return out.getvalue()


@kind("quotes by the book")
def _(r: Recorded, draw: random.Random) -> str:
    out = io.StringIO()
    rows = csv.writer(out, quoting=csv.QUOTE_NONNUMERIC)
    rows.writerow(['Time "elapsed" (s)', "Voltage, cell (V)", "Current, into cell (A)"])
    rows.writerows(zip(r.t.tolist(), r.v.tolist(), r.i.tolist(), strict=True))
    return out.getvalue()


@kind("a clock before the epoch of its own")
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, stamps(r.t, "%Y-%m-%d %H:%M:%S", datetime(2000, 1, 1, 0, 0, 0)), "RTC")


@kind("battery of two cells", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, vs=2.0)


@kind("a stuck ammeter", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    i = r.i.copy()
    under = np.flatnonzero(i < 0)
    i[under[int(0.5 * under.size) :]] = 0.0
    return plain(Recorded(r.name, r.t, r.v, i, r.temp, r.charge_Ah))


def drawn_records(seed: int) -> list[Recorded]:
    """Return five records whose size, current and pace are drawn."""
    draw = random.Random(seed)
    found = []
    for number, chemistry in enumerate(("li-ion", "li-ion", "lfp", "nimh", "li-ion")):
        capacity, rate = draw.uniform(0.5, 3.4), draw.choice((0.1, 0.2, 0.33, 0.5, 1.0))
        every_s = draw.choice((1.0, 3.0, 7.0, 10.0, 20.0, 60.0)) / max(rate, 0.2) * 0.5
        every_s = max(round(every_s), 1)
        record = simulated(
            f"{chemistry}, {capacity:.2f} Ah at {rate} It, a row every {every_s} s", round(capacity, 3),
            round(rate * capacity, 3), chemistry, every_s, charge=number == 1, seed=seed + number,
        )  # fmt: skip
        found.append(record)
    return found


def ways(seed: int) -> list[Disguise]:
    """Return the kinds, each drawn by the seed and its own name."""
    found = []
    for name, told, suffix, make in KINDS:

        def write(r: Recorded, make: Made = make, name: str = name) -> bytes:
            made = make(r, random.Random(f"{seed}:{name}:{r.name}"))
            return made if isinstance(made, bytes) else made.encode("utf-8")

        found.append(Disguise(name, write, told, suffix))
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--records", type=int, default=99)
    parser.add_argument("--only", default="")
    parser.add_argument("--show", action="store_true", help="print every file that was not read right")
    given = parser.parse_args()
    records = drawn_records(given.seed)
    if os.environ.get("AMPHORA_MEASURED"):
        records += list(measured_records(Path(os.environ["AMPHORA_MEASURED"])))
    chosen: Sequence[Disguise] = [way for way in ways(given.seed) if given.only in way.name]
    outcomes = campaign(records[: given.records], chosen)
    for one in outcomes:
        if one.kind != "right" and (given.show or one.kind == "wrong"):
            print(f"{one.kind:9} {'units' if one.told_units else '-':5} {one.disguise} | {one.record} | {one.detail}")
    print(f"{len(chosen)} disguises, {len(records[: given.records])} records")
    print(summary(outcomes))
    return int(any(one.kind == "wrong" for one in outcomes))


if __name__ == "__main__":
    sys.exit(main())
