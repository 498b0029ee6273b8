"""A fourth set of disguises: other kinds again, and combinations that a seed draws; see `new_disguises`.

    python -m tests.campaign.drawn_disguises [--seed N] [--only WORD] [--show]

Written down in full before the reader met any of them. A combination draws language, units, figures, clock, sign, what
stands above and below, and other columns that may be mistaken for the cell's, each from lists of its own.
"""

import json
import random
import sys
from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from tests.campaign.disguises import BEGAN, Recorded, _other, _sheet, num, plain, stamps, with_time, written
from tests.campaign.new_disguises import Made, left_Ah, run

KINDS: list[tuple[str, bool, str, Made]] = []
Column = tuple[str, Sequence[str]]


def kind(name: str, told_units: bool = True, suffix: str = ".csv"):  # type: ignore[no-untyped-def]
    def add(function: Made) -> Made:
        KINDS.append((name, told_units, suffix, function))
        return function

    return add


def headed(name: str, t: str, v: str, i: str, told: bool = True, **more: object) -> None:
    KINDS.append((name, told, ".csv", lambda r, draw: plain(r, t, v, i, **more)))  # type: ignore[arg-type]


def three(r: Recorded, *more: Column, **how: object) -> str:
    own = [("t (s)", num(r.t)), ("U (V)", num(r.v)), ("I (A)", num(r.i))]
    return written([*own, *more], **how)  # type: ignore[arg-type]


# ---- combinations

WORDS = (
    ("Time", "Voltage", "Current"), ("Zeit", "Spannung", "Strom"), ("Temps", "Tension", "Courant"),
    ("Tiempo", "Voltaje", "Corriente"), ("Tempo", "Tensione", "Corrente"), ("Tijd", "Spanning", "Stroom"),
    ("Czas", "Napięcie", "Prąd"), ("Elapsed time", "Cell voltage", "Cell current"), ("t", "U", "I"),
    ("Tid", "Spänning", "Ström"), ("Aika", "Jännite", "Virta"), ("Время", "Напряжение", "Ток"),
    ("时间", "电压", "电流"), ("Zaman", "Gerilim", "Akım"),
)  # fmt: skip
T_UNITS = (("s", 1.0), ("min", 1 / 60), ("h", 1 / 3600), ("ms", 1e3), ("sec", 1.0), ("hr", 1 / 3600))
V_UNITS = (("V", 1.0), ("mV", 1e3))
I_UNITS = (("A", 1.0), ("mA", 1e3), ("µA", 1e6))
FRAMES = ("{} ({})", "{} [{}]", "{} / {}", "{}_{}", "{}, {}", "{} in {}")


def decoys(r: Recorded, draw: random.Random) -> list[Column]:
    """Return other columns, of which a careful person takes none for the cell's."""
    n = r.t.size
    mild = np.sin(r.t / 700)
    all_of_them: list[Column] = [
        ("Ambient temperature (°C)", num(19 + mild)),
        ("Power (W)", num(r.v * r.i)),
        ("Energy out (Wh)", num(np.cumsum(np.diff(r.t, prepend=r.t[0]) * np.where(r.i < 0, -r.i * r.v, 0)) / 3600)),
        ("Discharged (mAh)", num(1e3 * left_Ah(r), "{:.2f}")),
        ("Internal resistance (mOhm)", num(48 + 3 * mild, "{:.1f}")),
        ("Set current (A)", num(np.round(r.i, 1))),
        ("Voltage limit (V)", ["4.200"] * n),
        ("SoC (%)", num(np.clip(100 - 100 * left_Ah(r) / max(float(left_Ah(r)[-1]), 1e-9), 0, 100), "{:.1f}")),
        ("Supply voltage (V)", num(12 + 0.1 * mild)),
        ("Fan (rpm)", num(1200 + 50 * mild, "{:.0f}")),
        ("Humidity (%)", num(50 + 2 * mild, "{:.1f}")),
        ("Cycle", ["1"] * n),
        ("Step", [str(1 + int(k)) for k in np.cumsum(np.diff(np.sign(np.round(r.i, 2)), prepend=0) != 0)]),
        ("Line", [str(k + 1) for k in range(n)]),
        ("Remark", ["ok"] * n),
    ]
    return draw.sample(all_of_them, draw.randint(0, 4))


def combined(number: int, told: bool) -> Made:
    """Return a kind of many draws; the seed and the record's name decide."""

    def make(r: Recorded, draw: random.Random) -> str:
        draw = random.Random(f"{number}:{draw.random()}")
        words = draw.choice(WORDS)
        units = (draw.choice(T_UNITS), draw.choice(V_UNITS), draw.choice(I_UNITS))
        if not told:
            units = (units[0], V_UNITS[0], draw.choice(I_UNITS[:2]))
        frame = draw.choice(FRAMES) if told else "{}"
        names = [frame.format(word, unit) if told else word for word, (unit, _) in zip(words, units, strict=True)]
        comma = draw.random() < 0.35 and frame != "{}, {}"
        sep = ";" if comma else draw.choice((",", "\t", ";", "|") if frame != "{}, {}" else ("\t", ";"))
        flip = draw.choice((1.0, 1.0, -1.0))
        figures = [
            num(x * by, "{:.7f}" if by < 1 else "{:.4f}" if by < 100 else "{:.1f}", comma)
            for x, (_, by) in zip((r.t, r.v, flip * r.i), units, strict=True)
        ]
        columns: list[Column] = list(zip(names, figures, strict=True))
        if told and draw.random() < 0.3:
            form = draw.choice(("%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S", "%Y-%m-%dT%H:%M:%S", "%d/%m/%Y %H:%M:%S"))
            columns[0] = (words[0], stamps(r.t, form))
        columns += [(name, [x.replace(".", ",") for x in held] if comma else held) for name, held in decoys(r, draw)]
        if draw.random() < 0.5:
            draw.shuffle(columns)
        head = draw.choice(
            (
                "",
                "",
                "Hall bench, second shelf\n\n",
                "# cell L3-a\n# evening\n",
                "Operator: A. Tester\nDate: 14 March\n",
            )
        )
        foot = draw.choice(("", "", "\n", "end of record\n"))
        more = {"newest_first": draw.random() < 0.15, "quote": draw.random() < 0.2 and not comma}
        return written(columns, sep=sep, head=head, foot=foot, **more)  # type: ignore[arg-type]

    return make


for _number in range(40):
    KINDS.append((f"combination {_number:02d}", True, ".csv", combined(_number, True)))
for _number in range(40, 48):
    KINDS.append((f"combination {_number:02d}, no units", False, ".csv", combined(_number, False)))


# ---- forms of files


@kind("one object of JSON a line", suffix=".jsonl")
def _(r: Recorded, draw: random.Random) -> str:
    rows = ({"time_s": round(t, 3), "voltage_V": v, "current_A": i} for t, v, i in zip(r.t, r.v, r.i, strict=True))
    return "\n".join(json.dumps({k: float(x) for k, x in row.items()}) for row in rows) + "\n"


@kind("a serial monitor's stamps before each line")
def _(r: Recorded, draw: random.Random) -> str:
    at = stamps(r.t, "%H:%M:%S.%f")
    lines = [f"{a[:-3]} -> {v:.4f} V, {i:.4f} A" for a, v, i in zip(at, r.v, r.i, strict=True)]
    return "\n".join(lines) + "\n"


@kind("labels in front of values")
def _(r: Recorded, draw: random.Random) -> str:
    return (
        "\n".join(
            f"Time: {t:.1f} s; Voltage: {v:.4f} V; Current: {1e3 * i:.1f} mA"
            for t, v, i in zip(r.t, r.v, r.i, strict=True)
        )
        + "\n"
    )


@kind("a table of a page", suffix=".html")
def _(r: Recorded, draw: random.Random) -> str:
    rows = "".join(
        f"<tr><td>{t:.1f}</td><td>{v:.4f}</td><td>{i:.4f}</td></tr>\n" for t, v, i in zip(r.t, r.v, r.i, strict=True)
    )
    return f"<html><table><tr><th>Time (s)</th><th>Voltage (V)</th><th>Current (A)</th></tr>\n{rows}</table></html>\n"


@kind("a text table of a paper", suffix=".tex")
def _(r: Recorded, draw: random.Random) -> str:
    rows = "".join(f"{t:.1f} & {v:.4f} & {i:.4f} \\\\\n" for t, v, i in zip(r.t, r.v, r.i, strict=True))
    return "\\begin{tabular}{lll}\nTime (s) & Voltage (V) & Current (A) \\\\\n\\hline\n" + rows + "\\end{tabular}\n"


@kind("three blocks, one below the other", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    parts = (("Time (s)", r.t), ("Voltage (V)", r.v), ("Current (A)", r.i))
    return "".join(f"{name}\n" + "\n".join(num(x)) + "\n\n" for name, x in parts)


@kind("voltage table and current table side by side, each with its time")
def _(r: Recorded, draw: random.Random) -> str:
    return written(
        [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Time (s)", num(r.t)), ("Current (A)", num(r.i))]
    )


@kind("side by side, the second time shifted by ten rows", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    late = np.roll(r.i, 10)
    cols = [
        ("t1 (s)", num(r.t)),
        ("U (V)", num(r.v)),
        ("t2 (s)", num(r.t - 10 * (r.t[1] - r.t[0]))),
        ("I (A)", num(late)),
    ]
    return written(cols)


@kind("columns fixed in width, no blanks to spare", suffix=".txt")
def _(r: Recorded, draw: random.Random) -> str:
    lines = ["   Time(s)Voltage(V)Current(A)"]
    return "\n".join([*lines, *(f"{t:10.1f}{v:10.4f}{i:10.4f}" for t, v, i in zip(r.t, r.v, r.i, strict=True))]) + "\n"


@kind("a sheet whose first page is a summary", suffix=".xlsx")
def _(r: Recorded, draw: random.Random) -> bytes:
    rows = zip((r.t / 60).tolist(), r.v.tolist(), (1e3 * r.i).tolist(), strict=True)
    return _sheet([("Cell", "L3-a"), ("Result", "see below"), (), ("t / min", "U / V", "I / mA"), *rows])


@kind("a sheet with clock times of its own kind", suffix=".xlsx")
def _(r: Recorded, draw: random.Random) -> bytes:
    at = ((datetime(2026, 3, 14, 0, 5) + timedelta(seconds=float(x))) for x in r.t)
    return _sheet([("Time", "Voltage (V)", "Current (A)"), *zip(at, r.v.tolist(), r.i.tolist(), strict=True)])


@kind("a sheet with figures as percent of an ampere", told_units=False, suffix=".xlsx")
def _(r: Recorded, draw: random.Random) -> bytes:
    return _sheet(
        [
            ("Time (s)", "Voltage (V)", "Current (%)"),
            *zip(r.t.tolist(), r.v.tolist(), (100 * r.i).tolist(), strict=True),
        ]
    )


# ---- words and units

headed("croatian minutes", "Vrijeme [min]", "Napon [mV]", "Struja [mA]", ts=1 / 60, tf="{:.5f}", vs=1e3, cs=1e3)
headed("arabic", "الوقت (s)", "الجهد (V)", "التيار (A)")
headed("thai", "เวลา (s)", "แรงดัน (V)", "กระแส (A)")
headed("irish, units plain", "Am (s)", "Voltas (V)", "Sruth (A)")
headed("long German words", "Versuchsdauer in Sekunden", "Klemmenspannung in Volt", "Entladestrom in Ampere", cs=-1.0)
headed(
    "french with articles",
    "La durée (s)",
    "La tension de la pile (V)",
    "Le courant de décharge (A)",
    cs=-1.0,
    comma=True,
    sep=";",
)
headed("hertz of a clock", "Time (1/32768 s)", "Voltage (V)", "Current (A)", ts=32768.0, tf="{:.0f}")
headed(
    "kilo everything",
    "Time (ks)",
    "Voltage (kV)",
    "Current (kA)",
    ts=1e-3,
    tf="{:.7f}",
    vs=1e-3,
    vf="{:.7f}",
    cs=1e-3,
    cf="{:.7f}",
)
headed("ten seconds", "Time (10 s)", "Voltage (V)", "Current (A)", ts=0.1)
headed("quarter hours", "Time (15 min)", "Voltage (V)", "Current (A)", ts=1 / 900, tf="{:.7f}")
headed(
    "times ten to the minus six",
    "Time (s)",
    "Voltage (1E-6 V)",
    "Current (1E-6 A)",
    vs=1e6,
    vf="{:.0f}",
    cs=1e6,
    cf="{:.0f}",
)
headed("unknown brackets", "Time (sols)", "Voltage (V)", "Current (A)", told=False, ts=1 / 88775, tf="{:.8f}")
headed("elapsed something", "Elapsed jiffies", "Voltage (V)", "Current (A)", told=False, ts=250.0, tf="{:.0f}")
headed("percent of full scale", "Time (s)", "Voltage (V)", "Current (% of 5 A)", told=False, cs=20.0)
headed("volt over a shunt", "Time (s)", "Voltage (V)", "Shunt voltage (mV)", told=False, cs=10.0, cf="{:.3f}")
headed("amplifier's output in V", "Time (s)", "Voltage (V)", "Current (V)", told=False, cs=2.0)
headed("per-unit current", "Time (s)", "Voltage (V)", "Current (p.u.)", told=False, cs=0.4)
headed("stated wrongly: h for s", "Time (h)", "Voltage (V)", "Current (A)", told=False)
headed("stated wrongly: V for mV", "Time (s)", "Voltage (V)", "Current (A)", told=False, vs=1e3, vf="{:.0f}")
headed("stated wrongly: uA for mA", "Time (s)", "Voltage (V)", "Current (uA)", told=False, cs=1e3, cf="{:.1f}")
headed("no unit: milliseconds and ampere", "time", "voltage", "current", told=False, ts=1e3, tf="{:.0f}")
headed("no unit: fifths of a second", "time", "voltage", "current", told=False, ts=5.0, tf="{:.0f}")
headed("no unit: a board's counts of 10 mA", "time", "voltage", "current", told=False, cs=100.0, cf="{:.0f}")
headed("no unit: days", "day", "voltage", "current", told=False, ts=1 / 86400, tf="{:.8f}")


# ---- columns that could be taken for another


@kind("three currents, one the sum of the others", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("I1 (A)", num(0.4 * r.i)), ("I2 (A)", num(0.6 * r.i))]
    return written([*cols, ("Isum (A)", num(r.i))])


@kind("the load's current only, a quiescent one beside", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current lamp (A)", num(0.9 * r.i))]
    return written([*cols, ("Current board (A)", num(0.1 * r.i))])


@kind("current squared", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current squared (A2)", num(r.i**2))])


@kind("smoothed current, an hour behind", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    width = max(3, r.i.size // 6)
    smooth = np.convolve(r.i, np.ones(width) / width)[: r.i.size]
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current filtered (A)", num(smooth))])


@kind("current as a share of its limit", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current load factor", num(abs(r.i) / 3))])


@kind("power called current", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current", num(r.i * r.v))])


@kind("a counter that contradicts the unit", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return three(r, ("Capacity (mAh)", num(100 * left_Ah(r))))


@kind("counter with other sign and start, agreeing")
def _(r: Recorded, draw: random.Random) -> str:
    return three(r, ("Charge left (Ah)", num(r.charge_Ah + 0.3 - left_Ah(r), "{:.5f}")))


@kind("voltage of the whole string, a cell's not there", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return written([("Time (s)", num(r.t)), ("String voltage (V)", num(6 * r.v)), ("Current (A)", num(r.i))])


@kind("mean of two rows, beside the reading")
def _(r: Recorded, draw: random.Random) -> str:
    soft = np.append((r.i[1:] + r.i[:-1]) / 2, r.i[-1])
    return three(r, ("I mean (A)", num(soft)), ("U mean (V)", num(r.v)))


@kind("a second thermometer in fahrenheit")
def _(r: Recorded, draw: random.Random) -> str:
    return three(r, ("Cell temperature (°C)", num(r.temp)), ("Cell temperature (°F)", num(r.temp * 1.8 + 32)))


@kind("temperature in fahrenheit, unit not said", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return three(r, ("Temperature", num(r.temp * 1.8 + 32)))


@kind("temperature in centikelvin", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return three(r, ("Temperature", num(100 * (r.temp + 273.15), "{:.0f}")))


# ---- clocks and order


@kind("clock with a day's name and no date", told_units=True)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, stamps(r.t, "%a %H:%M:%S", datetime(2026, 3, 14, 21, 0)), "Time")


@kind("winter time begins under load", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    at = r.t[int(0.5 * r.t.size)]
    return with_time(r, stamps(r.t - np.where(r.t >= at, 3600.0, 0.0), "%Y-%m-%d %H:%M:%S"), "Time")


@kind("clock set right by nine minutes under load", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    at = r.t[int(0.5 * r.t.size)]
    return with_time(r, stamps(r.t + np.where(r.t >= at, 540.0, 0.0), "%Y-%m-%d %H:%M:%S"), "Time")


@kind("a clock that runs at half its pace, a count of seconds beside", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return three(r, ("RTC", stamps(0.5 * r.t, "%Y-%m-%d %H:%M:%S")))


@kind("stamps with offset that changes in the night")
def _(r: Recorded, draw: random.Random) -> str:
    half = int(0.5 * r.t.size)
    early = stamps(r.t[:half], "%Y-%m-%dT%H:%M:%S+01:00")
    return with_time(r, early + stamps(r.t[half:] + 3600.0, "%Y-%m-%dT%H:%M:%S+02:00"), "Time")


@kind("two-digit years")
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, stamps(r.t, draw.choice(("%d.%m.%y %H:%M:%S", "%d/%m/%y %H:%M:%S"))), "Date")


@kind("hours and decimal minutes", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, [f"{int(x // 3600)}:{x % 3600 / 60:05.2f}" for x in r.t], "Time (h:min)")


@kind("compact stamps")
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, stamps(r.t, draw.choice(("%Y%m%d%H%M%S", "%Y%m%dT%H%M%S"))), "Timestamp")


@kind("shuffled rows", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    head, *rows = plain(r).rstrip("\n").split("\n")
    draw.shuffle(rows)
    return "\n".join([head, *rows]) + "\n"


@kind("the first half missing its minus", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    on = np.flatnonzero(r.i < 0)
    i = r.i.copy()
    i[on[: on.size // 2]] *= -1
    return plain(Recorded(r.name, r.t, r.v, i, r.temp, r.charge_Ah))


@kind("a gap of an hour under load", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    on = np.flatnonzero(r.i < 0)
    out = (r.t > r.t[on[on.size // 3]]) & (r.t < r.t[on[on.size // 3]] + 0.25 * (r.t[on[-1]] - r.t[on[0]]))
    keep = ~out
    return plain(Recorded(r.name, r.t[keep], r.v[keep], r.i[keep], r.temp[keep], r.charge_Ah))


@kind("two nights of two cells in one file", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    o = _other(r)
    t = np.concatenate((r.t, o.t + r.t[-1] + 60))
    both = Recorded(r.name, t, np.concatenate((r.v, o.v)), np.concatenate((r.i, o.i)), np.zeros(t.size), r.charge_Ah)
    return plain(both)


@kind("cell number without a header, before the rows", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    lines, o = [",Time (s),Voltage (V),Current (A)"], _other(r)
    for k in range(r.t.size):
        lines += [f"{n},{x.t[k]:.3f},{x.v[k]:.4f},{x.i[k]:.4f}" for n, x in ((1, r), (2, o))]
    return "\n".join(lines) + "\n"


@kind("a row of minima, maxima and means at the top", told_units=True)
def _(r: Recorded, draw: random.Random) -> str:
    head, *rows = plain(r).rstrip("\n").split("\n")
    sums = [f"min,{r.v.min():.4f},{r.i.min():.4f}", f"max,{r.v.max():.4f},{r.i.max():.4f}"]
    return "\n".join([head, *sums, *rows]) + "\n"


@kind("a calibration line in the middle", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    at = int(np.flatnonzero(r.i < 0)[0] + 0.4 * np.count_nonzero(r.i < 0))
    i = np.where(np.arange(r.i.size) >= at, r.i / 2, r.i)
    lines = plain(Recorded(r.name, r.t, r.v, i, r.temp, r.charge_Ah)).split("\n")
    lines.insert(at + 1, "# from here on multiply the current by 2")
    return "\n".join(lines)


@kind("a remark above that halves the current", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    head = draw.choice(
        ("# clamp meter with two turns\n", "Current probe 2:1\n", "note: I shown is half of the true one\n")
    )
    return plain(r, cs=0.5, head=head)


# ---- figures


@kind("swiss thousands and comma")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(
        r, "Zeit (s)", "Spannung (mV)", "Strom (mA)", sep=";", group="'", vs=1e3, vf="{:.1f}", cs=1e3, cf="{:.1f}"
    )


@kind("points between thousands, whole milliampere", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    whole = [f"{round(x):,}".replace(",", ".") for x in 1e3 * r.i]
    cols = [
        ("Zeit (min)", num(r.t / 60, "{:.4f}", comma=True)),
        ("Spannung (V)", num(r.v, comma=True)),
        ("Strom (mA)", whole),
    ]
    return written(cols, sep=";")


@kind("brackets for minus, in milliampere")
def _(r: Recorded, draw: random.Random) -> str:
    amps = [f"({-x * 1e3:.1f})" if x < 0 else f"{x * 1e3:.1f}" for x in r.i]
    return written([("Time (min)", num(r.t / 60, "{:.5f}")), ("Voltage (V)", num(r.v)), ("Current (mA)", amps)])


@kind("exponents with a comma")
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, "Zeit (s)", "Spannung (V)", "Strom (A)", tf="{:.6e}", vf="{:.5e}", cf="{:.5e}", comma=True, sep=";")


@kind("unit behind each value, units of milli and kilo")
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time", [f"{x / 60:.5f} min" for x in r.t]), ("Voltage", [f"{1e3 * x:.1f}mV" for x in r.v])]
    return written([*cols, ("Current", [f"{1e3 * x:.1f}mA" for x in r.i])])


@kind("overload as a word, a few times")
def _(r: Recorded, draw: random.Random) -> str:
    v = num(r.v)
    for k in range(25, len(v), 211):
        v[k] = draw.choice(("O.L", "over", "9.9999E+37", "ERR"))
    return written([("Time (s)", num(r.t)), ("Voltage (V)", v), ("Current (A)", num(r.i))])


@kind("held readings: each value stands for three rows", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    held = np.repeat(r.i[::3], 3)[: r.i.size]
    return plain(Recorded(r.name, r.t, np.repeat(r.v[::3], 3)[: r.v.size], held, r.temp, r.charge_Ah))


@kind("marks of quality behind each value")
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("q", ["A"] * r.t.size), ("Current (A)", num(r.i))]
    return written([*cols, ("q", ["A"] * r.t.size)])


@kind("began", told_units=True)
def _(r: Recorded, draw: random.Random) -> str:
    head = f"Started: {BEGAN:%Y-%m-%d %H:%M}\nInterval: {np.median(np.diff(r.t)):g} s\n"
    return plain(r, head=head)


def main() -> int:
    return run(KINDS, 9203, __doc__ or "")


if __name__ == "__main__":
    sys.exit(main())
