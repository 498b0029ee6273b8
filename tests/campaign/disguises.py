"""One record in many disguises: does the import give the charge that flowed, or say that it cannot tell?

    python -m tests.campaign.disguises [--records N] [--only WORD] [--show]

Each record is written as strangers write tables: in other languages, with units in words, in a row below the
header or nowhere, with clock times, thousands separators, summary lines, two cells in one file. What is
expected is the charge of the record itself: of a simulated one in closed form, of a measured one (only
with AMPHORA_MEASURED) the trapezoid over the rows under load. Outcomes:

right: within 1 %; refused: one sentence, nothing written; told: wrong, with a warning that says so; no figure;
wrong: none of these, which must never be.
"""

import argparse
import gzip
import io
import os
import sys
import tempfile
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from amphora.harness.account.answer import analyse_run
from amphora.harness.common.errors import InputError
from amphora.harness.importing.import_run import import_table

TELLING = ("scale-doubtful", "capacity-implausible", "time-restarts", "gap")  # a part is missing, and it is said
BEGAN = datetime(2026, 3, 14, 21, 15, 0)


@dataclass(frozen=True)
class Recorded:
    """A record: seconds, volt, ampere into the cell, degree Celsius; the charge of its discharge in Ah."""

    name: str
    t: np.ndarray
    v: np.ndarray
    i: np.ndarray
    temp: np.ndarray
    charge_Ah: float
    form: str | None = None


def simulated(
    name: str, capacity_Ah: float, current_A: float, kind: str, every_s: float, charge: bool = False, seed: int = 1
) -> Recorded:
    """Return a record of a cell behind a resistance: a rest, a discharge at constant current, a rest.

    The open-circuit curves are rough drawings of the three chemistries (common practice); what is asked of the
    record is its charge alone, and that is current times time.
    """
    draw = np.random.default_rng(seed)
    curve = {
        "li-ion": ([0, 0.03, 0.1, 0.3, 0.5, 0.8, 1], [2.95, 3.25, 3.45, 3.62, 3.72, 3.98, 4.18]),
        "lfp": ([0, 0.03, 0.1, 0.3, 0.7, 0.97, 1], [2.4, 2.95, 3.18, 3.27, 3.31, 3.35, 3.48]),
        "nimh": ([0, 0.03, 0.1, 0.3, 0.7, 0.95, 1], [0.98, 1.12, 1.2, 1.26, 1.3, 1.36, 1.42]),
    }[kind]
    top = {"li-ion": 4.2, "lfp": 3.6, "nimh": 1.6}[kind]
    times, volts, amps = [], [], []
    resistance = {"li-ion": 0.07, "lfp": 0.03, "nimh": 0.03}[kind] / max(capacity_Ah, 0.4)
    t = 0.0
    held = 0.05 if charge else 1.0
    parts: list[tuple[float, float]] = [(600.0, 0.0)]
    if charge:
        parts += [(0.93 * capacity_Ah / current_A * 3600, current_A), (1800.0, 0.0)]
    parts += [((0.98 if charge else 1.0) * 3600 * capacity_Ah / current_A, -current_A), (1200.0, 0.0)]
    charge_Ah = parts[-2][0] * current_A / 3600
    for length, current in parts:
        rows = max(round(length / every_s), 2)
        for row in range(rows):
            at = row * length / rows
            share = held + current * at / 3600 / capacity_Ah
            volts.append(min(float(np.interp(share, *curve)) + resistance * current, top))
            times.append(t + at)
            amps.append(current)
        held += current * length / 3600 / capacity_Ah
        t += length
    n = len(times)
    return Recorded(
        name,
        np.array(times),
        np.round(np.array(volts) + draw.normal(0, 2e-4, n), 4),
        np.round(np.array(amps) + draw.normal(0, 2e-4, n) * (np.array(amps) != 0), 4),
        np.round(22 + 3 * np.linspace(0, 1, n) + draw.normal(0, 0.05, n), 2),
        charge_Ah,
    )


def simulated_records() -> list[Recorded]:
    return [
        simulated("li-ion, 1.02 Ah at 0.2 A", 1.02, 0.2, "li-ion", 10),
        simulated("li-ion, 2.3 Ah at 1.15 A, charged first", 2.3, 1.15, "li-ion", 15, charge=True, seed=2),
        simulated("lfp, 1.45 Ah at 0.75 A", 1.45, 0.75, "lfp", 5, seed=3),
        simulated("nimh, 1.9 Ah at 0.4 A", 1.9, 0.4, "nimh", 30, seed=4),
        simulated("li-ion, 3.1 Ah at 3.2 A", 3.1, 3.2, "li-ion", 2, seed=5),
    ]


def measured_records(folder: Path) -> Iterator[Recorded]:
    """Yield measured records from a folder that is not part of this repository (AMPHORA_MEASURED)."""
    for name, t, v, i, temp in (
        ("nca-1C-discharge.csv.gz", "Time_s", "Voltage_V", "Current_A", "Temp_C"),
        ("lfp-C30-discharge.csv.gz", "Test_Time(s)", "Voltage(V)", "Current(A)", None),
        ("nasa-B0006-discharge-24C.csv.gz", "Time", "Voltage_measured", "Current_measured", "Temperature_measured"),
        ("nasa-B0048-discharge-4C.csv.gz", "Time", "Voltage_measured", "Current_measured", "Temperature_measured"),
    ):
        with gzip.open(folder / name, "rt") as file:
            held = np.genfromtxt(file, delimiter=",", names=True, deletechars="", replace_space=" ")
        key = {n.strip(): n for n in held.dtype.names or ()}
        times, volts, amps = held[key[t]], held[key[v]], held[key[i]]
        if name.startswith("lfp"):  # one row in five: the same record in a tenth of a second
            times, volts, amps = times[::5], volts[::5], amps[::5]
        loaded = amps < -0.5 * abs(amps.min()) if amps.min() < 0 else amps != amps
        both = loaded[1:] & loaded[:-1]
        charge = float(np.sum((amps[1:] + amps[:-1])[both] / 2 * np.diff(times)[both]) / -3600)
        temps = held[key[temp]] if temp else np.full(times.size, 25.0)
        yield Recorded(name.split(".")[0], times, volts, amps, temps, charge)


# ---- how a table is written

Column = tuple[str, Sequence[str]]


def num(values: np.ndarray, form: str = "{:.4f}", comma: bool = False, group: str = "") -> list[str]:
    out = []
    for value in values:
        text = form.format(value)
        if group:
            whole, dot, rest = text.partition(".")
            sign = "-" if whole.startswith("-") else ""
            text = sign + f"{int(whole.lstrip('-')):,}".replace(",", "\0") + dot + rest
        if comma:
            text = text.replace(".", ",")
        out.append(text.replace("\0", group))
    return out


def written(
    columns: Sequence[Column],
    sep: str = ",",
    head: str = "",
    below: str | None = None,
    foot: str = "",
    quote: bool = False,
    end: str = "\n",
    header: bool = True,
    newest_first: bool = False,
    again_every: int = 0,
) -> str:
    def line(cells: Sequence[str]) -> str:
        return sep.join(
            f'"{cell}"' if quote or (sep in cell and len(sep) == 1 and sep != " ") else cell for cell in cells
        )

    titles = line([name for name, _ in columns])
    rows = [line(cells) for cells in zip(*(values for _, values in columns), strict=True)]
    if newest_first:
        rows.reverse()
    if again_every:
        rows = [x for n, row in enumerate(rows) for x in (([titles] if n and n % again_every == 0 else []) + [row])]
    lines = ([titles] if header else []) + ([below] if below is not None else []) + rows
    return (head + "\n".join(lines) + "\n" + foot).replace("\n", end)


def stamps(t: np.ndarray, form: str, began: datetime = BEGAN) -> list[str]:
    return [(began + timedelta(seconds=float(x))).strftime(form) for x in t]


def iso_ms(t: np.ndarray, tail: str = "") -> list[str]:
    return [(BEGAN + timedelta(seconds=float(x))).isoformat(timespec="milliseconds") + tail for x in t]


def clocked(t: np.ndarray, form: str) -> list[str]:
    """Elapsed time as h:mm:ss, mm:ss, h:mm:ss.s or d h:mm:ss."""
    out = []
    for x in t:
        whole = round(float(x))
        h, m, s = whole // 3600, whole % 3600 // 60, whole % 60
        out.append(
            {
                "h:mm:ss": f"{h}:{m:02d}:{s:02d}",
                "hh:mm:ss": f"{h:02d}:{m:02d}:{s:02d}",
                "h:mm:ss.000": f"{int(x // 3600)}:{int(x % 3600 // 60):02d}:{x % 60:06.3f}",
                "mm:ss": f"{whole // 60:02d}:{s:02d}",
                "mm:ss.0": f"{int(x // 60):02d}:{x % 60:04.1f}",
                "d hh:mm:ss": f"{h // 24}d {h % 24:02d}:{m:02d}:{s:02d}",
                "d.hh:mm:ss": f"{h // 24}.{h % 24:02d}:{m:02d}:{s:02d}",
                "words": f"{h} h {m} min {s} s",
            }[form]
        )
    return out


@dataclass(frozen=True)
class Disguise:
    """A way to write a record. `told_units`: the file says in which units it is, and whose rows they are."""

    name: str
    write: Callable[[Recorded], bytes]
    told_units: bool = True
    suffix: str = ".csv"
    options: dict[str, object] = field(default_factory=dict)


ALL: list[Disguise] = []


def disguise(name: str, told_units: bool = True, suffix: str = ".csv", **options: object):  # type: ignore[no-untyped-def]
    def add(function: Callable[[Recorded], str | bytes]) -> Callable[[Recorded], str | bytes]:
        def write(r: Recorded) -> bytes:
            made = function(r)
            return made if isinstance(made, bytes) else made.encode("utf-8")

        ALL.append(Disguise(name, write, told_units, suffix, options))
        return function

    return add


def plain(
    r: Recorded,
    t: str = "Time (s)",
    v: str = "Voltage (V)",
    i: str = "Current (A)",
    ts: float = 1.0,
    vs: float = 1.0,
    cs: float = 1.0,
    tf: str = "{:.3f}",
    vf: str = "{:.4f}",
    cf: str = "{:.4f}",
    comma: bool = False,
    group: str = "",
    **how: object,
) -> str:
    columns = [
        (t, num(r.t * ts, tf, comma, group)),
        (v, num(r.v * vs, vf, comma, group)),
        (i, num(r.i * cs, cf, comma, group)),
    ]
    return written(columns, **how)  # type: ignore[arg-type]


def with_time(
    r: Recorded, times: Sequence[str], t: str, v: str = "Voltage (V)", i: str = "Current (A)", **how: object
) -> str:
    return written([(t, times), (v, num(r.v)), (i, num(r.i))], **how)  # type: ignore[arg-type]


def _simple() -> None:
    """Disguises that are one call of `plain` or `with_time`: first those a stranger would write."""
    comma = {"comma": True, "sep": ";"}
    for name, words, more in (
        ("german", ("Zeit [s]", "Spannung [V]", "Strom [A]"), comma),
        (
            "german millivolt",
            ("Zeit [min]", "Spannung [mV]", "Strom [mA]"),
            comma | {"ts": 1 / 60, "vs": 1e3, "cs": 1e3, "tf": "{:.5f}", "vf": "{:.1f}", "cf": "{:.1f}"},
        ),
        ("french", ("Temps (s)", "Tension (V)", "Courant (A)"), comma),
        (
            "french hours",
            ("Temps (heures)", "Tension (V)", "Courant (mA)"),
            comma | {"ts": 1 / 3600, "tf": "{:.6f}", "cs": 1e3, "cf": "{:.1f}"},
        ),
        ("spanish", ("Tiempo (s)", "Tensión (V)", "Corriente (mA)"), {"cs": 1e3, "cf": "{:.1f}"}),
        ("spanish minutes", ("Tiempo (minutos)", "Voltaje (V)", "Corriente (A)"), {"ts": 1 / 60, "tf": "{:.5f}"}),
        ("italian", ("Tempo (s)", "Tensione (V)", "Corrente (A)"), comma),
        ("dutch", ("Tijd (s)", "Spanning (V)", "Stroom (A)"), comma),
        ("polish", ("Czas [s]", "Napięcie [V]", "Prąd [A]"), comma),
        ("portuguese", ("Tempo (s)", "Tensão (V)", "Corrente (A)"), comma),
        ("swedish", ("Tid (s)", "Spänning (V)", "Ström (A)"), comma),
        ("czech", ("Čas [s]", "Napětí [V]", "Proud [A]"), comma),
        ("russian", ("Время, с", "Напряжение, В", "Ток, А"), comma),
        ("chinese", ("时间(秒)", "电压(V)", "电流(A)"), {}),
        ("japanese", ("時間(分)", "電圧(V)", "電流(mA)"), {"ts": 1 / 60, "tf": "{:.5f}", "cs": 1e3}),
        ("finnish", ("Aika (s)", "Jännite (V)", "Virta (A)"), comma),
        ("turkish", ("Zaman (s)", "Gerilim (V)", "Akım (A)"), {}),
        ("minutes in words", ("Time (minutes)", "Voltage (V)", "Current (A)"), {"ts": 1 / 60, "tf": "{:.5f}"}),
        ("hours in words", ("Time (hours)", "Voltage (V)", "Current (A)"), {"ts": 1 / 3600, "tf": "{:.6f}"}),
        ("days in words", ("Elapsed days", "Volts", "Amps"), {"ts": 1 / 86400, "tf": "{:.7f}"}),
        ("only the units are the header", ("minutes", "volts", "milliamps"), {"ts": 1 / 60, "tf": "{:.4f}", "cs": 1e3}),
        ("snake", ("time_min", "voltage_mV", "current_mA"), {"ts": 1 / 60, "tf": "{:.5f}", "vs": 1e3, "cs": 1e3}),
        ("in", ("time_in_hours", "voltage_in_V", "current_in_mA"), {"ts": 1 / 3600, "tf": "{:.6f}", "cs": 1e3}),
        ("slash", ("t/h", "U/mV", "I/mA"), {"ts": 1 / 3600, "tf": "{:.6f}", "vs": 1e3, "cs": 1e3}),
        ("spaced slash", ("t / min", "U / V", "I / mA"), {"ts": 1 / 60, "tf": "{:.5f}", "cs": 1e3}),
        (
            "milliseconds in words",
            ("Elapsed milliseconds", "Battery voltage [V]", "Battery current [A]"),
            {"ts": 1e3, "tf": "{:.0f}"},
        ),
        (
            "time_ms",
            ("time_ms", "v_mv", "i_ma"),
            {"ts": 1e3, "tf": "{:.0f}", "vs": 1e3, "vf": "{:.0f}", "cs": 1e3, "cf": "{:.0f}"},
        ),
        ("milliamperes spelt", ("Time, seconds", "Voltage, volts", "Current, milliamperes"), {"cs": 1e3, "sep": ";"}),
        ("microampere", ("Time (s)", "Voltage (V)", "Current (µA)"), {"cs": 1e6, "cf": "{:.0f}"}),
        ("capitals", ("TIME [SEC]", "VOLTAGE [V]", "CURRENT [A]"), {}),
        ("dotted", ("time.min", "voltage.V", "current.mA"), {"ts": 1 / 60, "tf": "{:.5f}", "cs": 1e3}),
        (
            "camel",
            ("ElapsedTimeMinutes", "CellVoltageVolts", "CellCurrentMilliamps"),
            {"ts": 1 / 60, "tf": "{:.5f}", "cs": 1e3},
        ),
        (
            "long sentences",
            ("Time since start of test in minutes", "Voltage at the cell in volts", "Current into the cell in amperes"),
            {"ts": 1 / 60, "tf": "{:.5f}"},
        ),
    ):

        def write(r: Recorded, words: tuple[str, str, str] = words, more: dict[str, object] = more) -> str:
            return plain(r, *words, **more)  # type: ignore[arg-type]

        disguise(name)(write)

    for name, below, more in (
        ("units row s V A", "s,V,A", {}),
        ("units row min V mA", "(min),(V),(mA)", {"ts": 1 / 60, "tf": "{:.5f}", "cs": 1e3}),
        ("units row h mV mA", "[h],[mV],[mA]", {"ts": 1 / 3600, "tf": "{:.6f}", "vs": 1e3, "cs": 1e3}),
        ("units row in words", "minutes,volts,amps", {"ts": 1 / 60, "tf": "{:.5f}"}),
        ("units row in quotes", '"ms","V","mA"', {"ts": 1e3, "tf": "{:.0f}", "cs": 1e3}),
        ("units row and an empty line", "hours,V,A\n", {"ts": 1 / 3600, "tf": "{:.6f}"}),
    ):

        def write(r: Recorded, below: str = below, more: dict[str, object] = more) -> str:
            return plain(r, "Time", "Voltage", "Current", below=below, **more)  # type: ignore[arg-type]

        disguise(name)(write)

    for name, header, form in (
        ("iso", "Timestamp", "%Y-%m-%dT%H:%M:%S"),
        ("iso with blank", "Datetime", "%Y-%m-%d %H:%M:%S.%f"),
        ("iso Z", "UTC", "%Y-%m-%dT%H:%M:%SZ"),
        ("iso offset", "Time", "%Y-%m-%dT%H:%M:%S+01:00"),
        ("german date", "Zeitstempel", "%d.%m.%Y %H:%M:%S"),
        ("german short date", "Datum/Uhrzeit", "%d.%m.%y %H:%M:%S"),
        ("us am pm", "Date Time", "%m/%d/%Y %I:%M:%S %p"),
        ("british date", "Date", "%d/%m/%Y %H:%M:%S"),
        ("year first slashes", "time", "%Y/%m/%d %H:%M:%S"),
        ("month name", "Time", "%d-%b-%Y %H:%M:%S"),
        ("month name first", "Time", "%b %d %Y %I:%M:%S %p"),
        ("compact", "Stamp", "%Y%m%dT%H%M%S"),
        ("clock only", "Time", "%H:%M:%S"),
        ("clock with fraction", "Time of day", "%H:%M:%S.%f"),
        ("clock am pm", "Time", "%I:%M:%S %p"),
        ("clock am pm lower", "Clock", "%I:%M:%S%p"),
    ):

        def write(r: Recorded, header: str = header, form: str = form) -> str:
            return with_time(r, stamps(r.t, form), header)

        disguise(name)(write)

    for name, header, form, told in (
        ("elapsed h:mm:ss", "Elapsed", "h:mm:ss", True),
        ("elapsed hh:mm:ss", "Duration", "hh:mm:ss", True),
        ("elapsed with ms", "Test time", "h:mm:ss.000", True),
        ("mm:ss said", "Time (mm:ss)", "mm:ss", True),
        ("mm:ss", "Time", "mm:ss", False),
        ("mm:ss.0", "Elapsed", "mm:ss.0", True),
        ("days and clock", "Elapsed", "d hh:mm:ss", True),
        ("days dot clock", "Elapsed", "d.hh:mm:ss", True),
        ("h min s in words", "Elapsed", "words", True),
    ):

        def write(r: Recorded, header: str = header, form: str = form) -> str:
            return with_time(r, clocked(r.t, form), header)

        disguise(name, told)(write)

    for name, words, more in (
        ("no units: seconds", ("Time", "Voltage", "Current"), {}),
        ("no units: minutes", ("Time", "Voltage", "Current"), {"ts": 1 / 60, "tf": "{:.5f}"}),
        ("no units: hours", ("Time", "Voltage", "Current"), {"ts": 1 / 3600, "tf": "{:.6f}"}),
        ("no units: days", ("Time", "Voltage", "Current"), {"ts": 1 / 86400, "tf": "{:.8f}"}),
        ("no units: milliseconds", ("Time", "Voltage", "Current"), {"ts": 1e3, "tf": "{:.0f}"}),
        ("no units: milliampere", ("t", "U", "I"), {"cs": 1e3, "cf": "{:.1f}"}),
        ("no units: millivolt, milliampere", ("t", "U", "I"), {"vs": 1e3, "vf": "{:.0f}", "cs": 1e3, "cf": "{:.0f}"}),
        ("no units: minutes, milliampere", ("t", "U", "I"), {"ts": 1 / 60, "tf": "{:.5f}", "cs": 1e3}),
        ("no units: hours, milliampere", ("t", "U", "I"), {"ts": 1 / 3600, "tf": "{:.6f}", "cs": 1e3}),
        ("no header", ("", "", ""), {"header": False}),
        ("no header, milliampere", ("", "", ""), {"header": False, "cs": 1e3, "cf": "{:.0f}"}),
        ("no header, minutes", ("", "", ""), {"header": False, "ts": 1 / 60, "tf": "{:.4f}"}),
    ):

        def write(r: Recorded, words: tuple[str, str, str] = words, more: dict[str, object] = more) -> str:
            return plain(r, *words, **more)  # type: ignore[arg-type]

        disguise(name, False)(write)

    for name, more in (
        ("quoted numbers", {"quote": True}),
        ("tabs", {"sep": "\t"}),
        ("pipes", {"sep": "|"}),
        ("semicolon, points", {"sep": ";"}),
        ("comma and blank", {"sep": ", "}),
        ("decimal commas, tabs", {"sep": "\t", "comma": True}),
        ("decimal commas in quotes", {"quote": True, "comma": True}),
        ("thousands, quoted", {"group": ",", "quote": True}),
        ("thousands german", {"group": ".", "comma": True, "sep": ";"}),
        ("thousands narrow blank", {"group": "\u202f", "comma": True, "sep": ";"}),
        ("thousands swiss", {"group": "'", "sep": ";"}),
        ("scientific", {"tf": "{:.6E}", "vf": "{:.6E}", "cf": "{:.6E}"}),
        ("signs everywhere", {"tf": "{:+.3f}", "vf": "{:+.4f}", "cf": "{:+.4f}"}),
        ("crlf", {"end": "\r\n"}),
        ("cr", {"end": "\r"}),
        ("sep= line", {"head": "sep=;\n", "sep": ";"}),
        ("comments", {"head": "# hall bench, 2026-03-14\n# cell 7, load 1 A\n"}),
        ("preamble", {"head": "Record of the hall bench\nCell;path light 7\nDate;2026-03-14\nCut-off;3.0 V\n\n"}),
        ("preamble with commas", {"head": "Hall,bench,3\nCell,7,of 12\nCut-off,3.0,V\nLimit,4.2,V\n\n"}),
        ("summary below", {"foot": "\nTotal,,\nCapacity (mAh),1023.4,\nEnd of test,,\n"}),
        ("summary of numbers below", {"foot": "Mean,3.7012,-0.3011\nMin,2.9513,-0.5021\n"}),
        ("header again", {"again_every": 60}),
        ("empty column at the end", {"end": ",\n"}),
        ("newest first", {"newest_first": True}),
    ):

        def write(r: Recorded, more: dict[str, object] = more) -> str:
            return plain(r, **more)  # type: ignore[arg-type]

        disguise(name)(write)


_simple()


@disguise("bom")
def _(r: Recorded) -> bytes:
    return plain(r).encode("utf-8-sig")


@disguise("utf-16")
def _(r: Recorded) -> bytes:
    return plain(r, "Zeit [s]", "Spannung [V]", "Strom [A]", sep="\t", comma=True).encode("utf-16")


@disguise("utf-16 big end")
def _(r: Recorded) -> bytes:
    return b"\xfe\xff" + plain(r).encode("utf-16-be")


@disguise("latin-1")
def _(r: Recorded) -> bytes:
    return written(
        [("Zeit [s]", num(r.t)), ("Temperatur [°C]", num(r.temp)), ("Spannung [V]", num(r.v)), ("Strom [A]", num(r.i))]
    ).encode("latin-1")


@disguise("polish in cp1250")
def _(r: Recorded) -> bytes:
    return plain(r, "Czas [s]", "Napięcie [V]", "Prąd [A]", sep=";", comma=True).encode("cp1250")


@disguise("gzip", suffix=".csv.gz")
def _(r: Recorded) -> bytes:
    return gzip.compress(plain(r).encode())


@disguise("zip", suffix=".zip")
def _(r: Recorded) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as held:
        held.writestr("night/record.csv", plain(r, "Time (min)", ts=1 / 60, tf="{:.5f}"))
    return out.getvalue()


def _sheet(rows: Sequence[Sequence[object]]) -> bytes:
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    page = book.create_sheet("night")
    for row in rows:
        page.append(list(row))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@disguise("sheet", suffix=".xlsx")
def _(r: Recorded) -> bytes:
    return _sheet(
        [
            ("Time (min)", "Voltage (V)", "Current (mA)"),
            *zip((r.t / 60).tolist(), r.v.tolist(), (r.i * 1e3).tolist(), strict=True),
        ]
    )


@disguise("sheet of dates", suffix=".xlsx")
def _(r: Recorded) -> bytes:
    return _sheet(
        [
            ("Hall bench",),
            (),
            ("Date", "Voltage (V)", "Current (A)"),
            *zip((BEGAN + timedelta(seconds=float(x)) for x in r.t), r.v.tolist(), r.i.tolist(), strict=True),
        ]
    )


@disguise("units beside the values")
def _(r: Recorded) -> str:
    return written(
        [
            ("Time", [x + " s" for x in num(r.t, "{:.1f}")]),
            ("Voltage", [x + " V" for x in num(r.v)]),
            ("Current", [x + " mA" for x in num(r.i * 1e3, "{:.1f}")]),
        ]
    )


@disguise("minus in typography")
def _(r: Recorded) -> str:
    return plain(r).replace("-", "\u2212")


@disguise("blanks in columns", suffix=".txt")
def _(r: Recorded) -> str:
    lines = ["  Time(s)   Voltage(V)   Current(A)"]
    lines += [f"{t:9.1f} {v:12.4f} {i:12.4f}" for t, v, i in zip(r.t, r.v, r.i, strict=True)]
    return "\n".join(lines) + "\n"


@disguise("page table", suffix=".md")
def _(r: Recorded) -> str:
    lines = ["| Time (s) | Voltage (V) | Current (A) |", "|---|---|---|"]
    lines += [f"| {t:.1f} | {v:.4f} | {i:.4f} |" for t, v, i in zip(r.t, r.v, r.i, strict=True)]
    return "\n".join(lines) + "\n"


@disguise("blank readings")
def _(r: Recorded) -> str:
    v = num(r.v)
    for row in range(40, len(v), 97):
        v[row] = ""
    return written([("Time (s)", num(r.t)), ("Voltage (V)", v), ("Current (A)", num(r.i))])


@disguise("dashes for no reading")
def _(r: Recorded) -> str:
    v = num(r.v)
    for row in range(40, len(v), 97):
        v[row] = "---"
    return written([("Time (s)", num(r.t)), ("Voltage (V)", v), ("Current (A)", num(r.i))])


@disguise("discharge positive")
def _(r: Recorded) -> str:
    return plain(r, cs=-1)


@disguise("discharge current in words")
def _(r: Recorded) -> str:
    return plain(r, i="Discharge current (mA)", cs=-1e3, cf="{:.1f}")


@disguise("unsigned with a mode")
def _(r: Recorded) -> str:
    mode = ["charge" if x > 0.01 else "discharge" if x < -0.01 else "rest" for x in r.i]
    return written([("Time (s)", num(r.t)), ("Mode", mode), ("Voltage (V)", num(r.v)), ("Current (A)", num(abs(r.i)))])


@disguise("unsigned, nothing said", told_units=False)
def _(r: Recorded) -> str:
    return written([("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(abs(r.i)))])


@disguise("date and time apart")
def _(r: Recorded) -> str:
    return written(
        [
            ("Date", stamps(r.t, "%d.%m.%Y")),
            ("Time", stamps(r.t, "%H:%M:%S")),
            ("Voltage (V)", num(r.v)),
            ("Current (A)", num(r.i)),
        ]
    )


@disguise("am pm over midnight")
def _(r: Recorded) -> str:
    return with_time(r, stamps(r.t, "%I:%M:%S %p", datetime(2026, 3, 14, 23, 30)), "Time")


@disguise("clock newest first")
def _(r: Recorded) -> str:
    return with_time(r, stamps(r.t, "%Y-%m-%d %H:%M:%S"), "Timestamp", newest_first=True)


@disguise("clock without date, newest first")
def _(r: Recorded) -> str:
    return with_time(r, stamps(r.t, "%H:%M:%S"), "Time", newest_first=True)


@disguise("us dates newest first")
def _(r: Recorded) -> str:
    return with_time(r, stamps(r.t, "%m/%d/%Y %I:%M:%S %p"), "Date", newest_first=True)


@disguise("serial days", told_units=False)
def _(r: Recorded) -> str:
    return with_time(r, num(46095.885416666664 + r.t / 86400, "{:.9f}"), "Date")


@disguise("serial days, only Time", told_units=False)
def _(r: Recorded) -> str:
    return with_time(r, num(46095.885416666664 + r.t / 86400, "{:.8f}"), "Time")


@disguise("part of a day", told_units=False)
def _(r: Recorded) -> str:
    return with_time(r, num(0.125 + r.t / 86400, "{:.9f}"), "Time")


@disguise("epoch seconds")
def _(r: Recorded) -> str:
    return with_time(r, num(1773522900 + r.t, "{:.1f}"), "timestamp")


@disguise("epoch milliseconds")
def _(r: Recorded) -> str:
    return with_time(r, num((1773522900 + r.t) * 1e3, "{:.0f}"), "Unix time (ms)")


@disguise("epoch milliseconds, nothing said", told_units=False)
def _(r: Recorded) -> str:
    return with_time(r, num((1773522900 + r.t) * 1e3, "{:.0f}"), "timestamp")


@disguise("epoch nanoseconds", told_units=False)
def _(r: Recorded) -> str:
    return with_time(r, [str(1773522900_000000000 + int(x * 1000) * 1000000) for x in r.t], "time")


@disguise("temperature called T")
def _(r: Recorded) -> str:
    return written(
        [
            ("Zeitstempel", stamps(r.t, "%d.%m.%Y %H:%M:%S")),
            ("T [°C]", num(r.temp, "{:.2f}", True)),
            ("U [V]", num(r.v, comma=True)),
            ("I [A]", num(r.i, comma=True)),
        ],
        sep=";",
    )


@disguise("fahrenheit")
def _(r: Recorded) -> str:
    return written(
        [
            ("Time (s)", num(r.t)),
            ("Temp (°F)", num(r.temp * 1.8 + 32)),
            ("Voltage (V)", num(r.v)),
            ("Current (A)", num(r.i)),
        ]
    )


def _charge(r: Recorded) -> np.ndarray:
    """Return the charge that left the cell so far, in Ah, as a counter in a file would show it."""
    step = np.append(np.diff(r.t), 0) * np.where(r.i < 0, -r.i, 0) / 3600
    return np.concatenate([[0], np.cumsum(step)[:-1]])


@disguise("many columns")
def _(r: Recorded) -> str:
    return written(
        [
            ("#", [str(n + 1) for n in range(r.t.size)]),
            ("Cycle", ["1"] * r.t.size),
            ("Elapsed time (h)", num(r.t / 3600, "{:.6f}")),
            ("Set current (A)", num(np.round(r.i, 1))),
            ("Cell voltage (V)", num(r.v)),
            ("Measured current (mA)", num(r.i * 1e3, "{:.1f}")),
            ("Power (W)", num(r.v * r.i)),
            ("Capacity (mAh)", num(_charge(r) * 1e3, "{:.2f}")),
            ("Cell temperature (°C)", num(r.temp)),
            ("Room temperature (°C)", num(r.temp * 0 + 21)),
        ]
    )


@disguise("a counter, no units on the rest", told_units=False)
def _(r: Recorded) -> str:
    return written(
        [
            ("Time", num(r.t / 60, "{:.4f}")),
            ("Voltage", num(r.v)),
            ("Current", num(r.i * 1e3, "{:.1f}")),
            ("Capacity (mAh)", num(_charge(r) * 1e3, "{:.2f}")),
        ]
    )


@disguise("a counter, hours not said", told_units=False)
def _(r: Recorded) -> str:
    return written(
        [
            ("Time", num(r.t / 3600, "{:.6f}")),
            ("Voltage (V)", num(r.v)),
            ("Current (A)", num(r.i)),
            ("Discharged (Ah)", num(_charge(r), "{:.5f}")),
        ]
    )


@disguise("step time that begins again")
def _(r: Recorded) -> str:
    state = np.sign(np.round(r.i, 2))
    starts = np.maximum.accumulate(np.where(np.append(True, np.diff(state) != 0), np.arange(r.t.size), 0))
    return written(
        [
            ("Step time (s)", num(r.t - r.t[starts])),
            ("Test time (s)", num(r.t)),
            ("Voltage (V)", num(r.v)),
            ("Current (A)", num(r.i)),
        ]
    )


@disguise("elapsed minutes and a stamp")
def _(r: Recorded) -> str:
    return written(
        [
            ("Stamp", iso_ms(r.t)),
            ("Elapsed (min)", num(r.t / 60, "{:.4f}")),
            ("U (mV)", num(r.v * 1e3, "{:.0f}")),
            ("I (mA)", num(r.i * 1e3, "{:.1f}")),
        ]
    )


def _other(r: Recorded) -> Recorded:
    return Recorded("other", r.t, np.round(r.v - 0.03, 4), np.round(r.i * 0.7, 4), r.temp, r.charge_Ah * 0.7)


@disguise("two cells by a channel column", told_units=False)
def _(r: Recorded) -> str:
    o = _other(r)
    lines = ["Channel,Time (s),Voltage (V),Current (A)"]
    for k in range(r.t.size):
        lines += [f"{n},{x.t[k]:.3f},{x.v[k]:.4f},{x.i[k]:.4f}" for n, x in ((1, r), (2, o))]
    return "\n".join(lines) + "\n"


@disguise("two cells by a channel column, chosen", which="1")
def _(r: Recorded) -> str:
    o = _other(r)
    lines = ["Channel,Time (s),Voltage (V),Current (A)"]
    for k in range(r.t.size):
        lines += [f"{n},{x.t[k]:.3f},{x.v[k]:.4f},{x.i[k]:.4f}" for n, x in ((1, r), (2, o))]
    return "\n".join(lines) + "\n"


@disguise("two cells one after the other", told_units=False)
def _(r: Recorded) -> str:
    lines = ["Cell,Time (s),Voltage (V),Current (A)"]
    for n, x in (("L1", r), ("L2", _other(r))):
        lines += [f"{n},{t:.3f},{v:.4f},{i:.4f}" for t, v, i in zip(x.t, x.v, x.i, strict=True)]
    return "\n".join(lines) + "\n"


@disguise("two cells interleaved", told_units=False)
def _(r: Recorded) -> str:
    o = _other(r)
    lines = ["Time (s),Voltage (V),Current (A)"]
    for k in range(r.t.size):
        lines += [f"{x.t[k]:.3f},{x.v[k]:.4f},{x.i[k]:.4f}" for x in (r, o)]
    return "\n".join(lines) + "\n"


@disguise("two cells interleaved, clock", told_units=False)
def _(r: Recorded) -> str:
    o = _other(r)
    lines = ["Time,Voltage (V),Current (A)"]
    for k, at in enumerate(stamps(r.t, "%Y-%m-%d %H:%M:%S")):
        lines += [f"{at},{x.v[k]:.4f},{x.i[k]:.4f}" for x in (r, o)]
    return "\n".join(lines) + "\n"


@disguise("two cells in columns", told_units=False)
def _(r: Recorded) -> str:
    o = _other(r)
    return written(
        [
            ("Time (s)", num(r.t)),
            ("Voltage 1 (V)", num(r.v)),
            ("Current 1 (A)", num(r.i)),
            ("Voltage 2 (V)", num(o.v)),
            ("Current 2 (A)", num(o.i)),
        ]
    )


@disguise("two cells in columns, chosen", which="1")
def _(r: Recorded) -> str:
    o = _other(r)
    return written(
        [
            ("Time (s)", num(r.t)),
            ("Voltage 1 (V)", num(r.v)),
            ("Current 1 (A)", num(r.i)),
            ("Voltage 2 (V)", num(o.v)),
            ("Current 2 (A)", num(o.i)),
        ]
    )


@disguise("zero volt twice in mid-run")
def _(r: Recorded) -> str:
    v = r.v.copy()
    at = int(np.flatnonzero(r.i < 0)[0] + np.count_nonzero(r.i < 0) * 0.55)
    v[at : at + 2] = 0
    return plain(Recorded(r.name, r.t, v, r.i, r.temp, r.charge_Ah))


@disguise("one current of a million")
def _(r: Recorded) -> str:
    i = r.i.copy()
    i[int(np.flatnonzero(r.i < 0)[0] + np.count_nonzero(r.i < 0) * 0.4)] = -1e6
    return plain(Recorded(r.name, r.t, r.v, i, r.temp, r.charge_Ah))


@disguise("overflow as 9.9E37")
def _(r: Recorded) -> str:
    v, at = num(r.v), int(np.flatnonzero(r.i < 0)[0] + np.count_nonzero(r.i < 0) * 0.4)
    v[at] = "9.9E37"
    return written([("Time (s)", num(r.t)), ("Voltage (V)", v), ("Current (A)", num(r.i))])


@disguise("overflow in words")
def _(r: Recorded) -> str:
    v, at = num(r.v), int(np.flatnonzero(r.i < 0)[0] + np.count_nonzero(r.i < 0) * 0.4)
    v[at] = "OVERFLOW"
    return written([("Time (s)", num(r.t)), ("Voltage (V)", v), ("Current (A)", num(r.i))])


@disguise("both dropped out")
def _(r: Recorded) -> str:
    v, i = r.v.copy(), r.i.copy()
    at = int(np.flatnonzero(r.i < 0)[0] + np.count_nonzero(r.i < 0) * 0.6)
    v[at : at + 2] = 0
    i[at : at + 2] = 0
    return plain(Recorded(r.name, r.t, v, i, r.temp, r.charge_Ah))


@disguise("standard columns")
def _(r: Recorded) -> str:
    return plain(r, "Test Time / s", "Voltage / V", "Current / A")


@disguise("standard columns, short names")
def _(r: Recorded) -> str:
    return written(
        [
            ("unix_time_second", num(1773522900 + r.t)),
            ("test_time_second", num(r.t)),
            ("current_ampere", num(r.i)),
            ("voltage_volt", num(r.v)),
            ("ambient_temperature_celsius", num(r.temp)),
            ("discharging_capacity_ah", num(_charge(r))),
        ]
    )


@dataclass(frozen=True)
class Outcome:
    record: str
    disguise: str
    told_units: bool
    kind: str
    detail: str


def tried(record: Recorded, way: Disguise, folder: Path) -> Outcome:
    """Write a record in a disguise, import it, and say how that went."""
    file = folder / f"table{way.suffix}"
    file.write_bytes(way.write(record))
    try:
        cutoff = round(float(record.v.min()) - 0.05, 3)  # below all: what is asked for is the whole discharge
        run = import_table(file, "W-1", cutoff=cutoff, logs=folder / "logs", **way.options)  # type: ignore[arg-type]
    except InputError as error:
        return Outcome(record.name, way.name, way.told_units, "refused", str(error))
    except Exception as error:  # noqa: BLE001 a traceback is what nobody may meet: counted as wrong, and the campaign goes on
        return Outcome(record.name, way.name, way.told_units, "wrong", f"traceback: {error!r}")
    figures = analyse_run(run)
    capacity = figures.capacity_Ah
    codes = [item.code for item in figures.warnings]
    detail = f"{capacity} Ah for {record.charge_Ah:.5f}; {', '.join(codes)}"
    if capacity is None:
        kind = "no figure"
    elif abs(capacity / record.charge_Ah - 1) < 0.01:
        kind = "right"
    else:
        kind = "told" if any(code in TELLING for code in codes) else "wrong"
    return Outcome(record.name, way.name, way.told_units, kind, detail)


def campaign(records: Sequence[Recorded], ways: Sequence[Disguise]) -> list[Outcome]:
    """Return how each record in each disguise fared."""
    outcomes = []
    for record in records:
        for way in ways:
            with tempfile.TemporaryDirectory() as name:
                outcomes.append(tried(record, way, Path(name)))
    return outcomes


def summary(outcomes: Sequence[Outcome]) -> str:
    """Return the counts as lines."""
    lines = []
    for name, told in (("all", None), ("units in the file", True), ("units not in the file", False)):
        chosen = [one for one in outcomes if told is None or one.told_units == told]
        counts = Counter(one.kind for one in chosen)
        share = counts["right"] / max(len(chosen), 1)
        kinds = ", ".join(f"{kind} {counts[kind]}" for kind in ("right", "refused", "told", "no figure", "wrong"))
        lines.append(f"{name}: {len(chosen)} files, {kinds} ({share:.1%} right)")
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--records", type=int, default=99)
    parser.add_argument("--only", default="")
    parser.add_argument("--show", action="store_true", help="print every file that was not read right")
    given = parser.parse_args()
    records = simulated_records()
    if os.environ.get("AMPHORA_MEASURED"):
        records += list(measured_records(Path(os.environ["AMPHORA_MEASURED"])))
    ways = [way for way in ALL if given.only in way.name]
    outcomes = campaign(records[: given.records], ways)
    for one in outcomes:
        if one.kind != "right" and (given.show or one.kind == "wrong"):
            print(f"{one.kind:9} {'units' if one.told_units else '-':5} {one.disguise} | {one.record} | {one.detail}")
    print(f"{len(ways)} disguises, {len(records[: given.records])} records")
    print(summary(outcomes))
    return int(any(one.kind == "wrong" for one in outcomes))


if __name__ == "__main__":
    sys.exit(main())
