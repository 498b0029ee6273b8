"""A fifth set of disguises: accidents of a record, each in several of the combinations of `drawn_disguises`.

    python -m tests.campaign.last_disguises [--seed N] [--only WORD] [--show]

Written down in full before the reader met any of them. Where an accident is one that the file does not tell, the reader
may refuse it or doubt it; what it may not do is give another charge without a word.
"""

import random
import sys
from collections.abc import Callable

import numpy as np

from tests.campaign.disguises import Recorded, _other, num, plain, stamps, with_time, written
from tests.campaign.drawn_disguises import FRAMES, I_UNITS, T_UNITS, V_UNITS, WORDS, decoys
from tests.campaign.new_disguises import Made, left_Ah, run

KINDS: list[tuple[str, bool, str, Made]] = []
Changed = Callable[[Recorded, random.Random], Recorded]


def kind(name: str, told_units: bool = True, suffix: str = ".csv"):  # type: ignore[no-untyped-def]
    def add(function: Made) -> Made:
        KINDS.append((name, told_units, suffix, function))
        return function

    return add


def with_current(r: Recorded, i: np.ndarray) -> Recorded:
    return Recorded(r.name, r.t, r.v, i, r.temp, r.charge_Ah)


def loaded(r: Recorded, share: float) -> int:
    """Return the row at a share of the discharge."""
    on = np.flatnonzero(r.i < 0)
    return int(on[int(share * (on.size - 1))])


def frozen_current(r: Recorded, draw: random.Random) -> Recorded:
    i, at = r.i.copy(), loaded(r, draw.uniform(0.3, 0.8))
    i[at:] = i[at - 1]
    return with_current(r, i)


def lost_current(r: Recorded, draw: random.Random) -> Recorded:
    i, at = r.i.copy(), loaded(r, draw.uniform(0.2, 0.6))
    i[at : at + r.i.size // 3] = 0.0
    return with_current(r, i)


def gain_jumps(r: Recorded, draw: random.Random) -> Recorded:
    i, at = r.i.copy(), loaded(r, draw.uniform(0.3, 0.7))
    i[at:] = i[at:] * draw.choice((10.0, 0.1, 1000.0, 0.001))
    return with_current(r, i)


def offset_current(r: Recorded, draw: random.Random) -> Recorded:
    return with_current(r, r.i + draw.choice((-1, 1)) * 0.25 * float(np.abs(r.i).max()))


def flipped_half(r: Recorded, draw: random.Random) -> Recorded:
    i, at = r.i.copy(), loaded(r, draw.uniform(0.35, 0.65))
    i[at:] = -i[at:]
    return with_current(r, i)


def late_current(r: Recorded, draw: random.Random) -> Recorded:
    return with_current(r, np.roll(r.i, int(0.15 * r.i.size)))


def clock_leaps(r: Recorded, draw: random.Random) -> Recorded:
    at = r.t[loaded(r, draw.uniform(0.3, 0.7))]
    return Recorded(
        r.name, r.t + np.where(r.t > at, draw.uniform(0.1, 0.5) * r.t[-1], 0.0), r.v, r.i, r.temp, r.charge_Ah
    )


def clock_slows(r: Recorded, draw: random.Random) -> Recorded:
    at = r.t[loaded(r, draw.uniform(0.3, 0.6))]
    t = np.where(r.t > at, at + (r.t - at) * draw.choice((0.1, 10.0)), r.t)
    return Recorded(r.name, t, r.v, r.i, r.temp, r.charge_Ah)


def rows_cut_out(r: Recorded, draw: random.Random) -> Recorded:
    a, b = loaded(r, 0.3), loaded(r, draw.uniform(0.4, 0.7))
    keep = np.ones(r.t.size, bool)
    keep[a:b] = False
    t = r.t.copy()
    t[b:] -= r.t[b] - r.t[a]
    return Recorded(r.name, t[keep], r.v[keep], r.i[keep], r.temp[keep], r.charge_Ah)


def doubled_block(r: Recorded, draw: random.Random) -> Recorded:
    a, b = loaded(r, 0.3), loaded(r, 0.6)
    again = slice(a, b)
    t = np.concatenate((r.t[:b], r.t[again] + r.t[b] - r.t[a], r.t[b:] + r.t[b] - r.t[a]))
    v, i = (np.concatenate((x[:b], x[again], x[b:])) for x in (r.v, r.i))
    return Recorded(r.name, t, v, i, np.full(t.size, 22.0), r.charge_Ah)


def others_current(r: Recorded, draw: random.Random) -> Recorded:
    return with_current(r, _other(r).i * draw.choice((0.3, 1.6)) * np.where(r.t > 0.2 * r.t[-1], 1.0, 0.0))


def squared(r: Recorded, draw: random.Random) -> Recorded:
    return with_current(r, np.sign(r.i) * r.i**2)


def as_power(r: Recorded, draw: random.Random) -> Recorded:
    return with_current(r, r.i * r.v)


def as_counter(r: Recorded, draw: random.Random) -> Recorded:
    return with_current(r, -left_Ah(r))


ACCIDENTS: tuple[tuple[str, Changed], ...] = (
    ("the current freezes", frozen_current), ("the current is lost for a third", lost_current),
    ("the current's gain jumps", gain_jumps), ("the current has an offset", offset_current),
    ("the current turns round", flipped_half), ("the current comes late", late_current),
    ("the clock leaps under load", clock_leaps), ("the clock runs otherwise from some row on", clock_slows),
    ("rows are cut out and the times closed", rows_cut_out),
    ("a block of rows stands twice, the times go on", doubled_block),
    ("another cell's current", others_current), ("power under a current's header", as_power),
    ("a counter under a current's header", as_counter), ("a squared current", squared),
)  # fmt: skip


def in_a_combination(r: Recorded, draw: random.Random, whole: bool) -> str:
    words, frame = draw.choice(WORDS), draw.choice(FRAMES[:4])
    units = (draw.choice(T_UNITS), draw.choice(V_UNITS), draw.choice(I_UNITS))
    figures = [
        num(x * by, "{:.7f}" if by < 1 else "{:.4f}" if by < 100 else "{:.1f}")
        for x, (_, by) in zip((r.t, r.v, r.i), units, strict=True)
    ]
    columns = [(frame.format(w, u), f) for w, (u, _), f in zip(words, units, figures, strict=True)]
    if whole:
        columns += decoys(r, draw)
        draw.shuffle(columns)
    return written(columns, sep=draw.choice((",", ";", "\t")) if frame != "{}, {}" else ";")


def accident(change: Changed) -> Made:
    return lambda r, draw: in_a_combination(change(r, draw), draw, False)


for _name, _change in ACCIDENTS:
    for _number in (1, 2):
        KINDS.append((f"{_name} ({_number})", False, ".csv", accident(_change)))
for _number in range(36):
    KINDS.append((f"whole combination {_number:02d}", True, ".csv", lambda r, draw: in_a_combination(r, draw, True)))


def headed(name: str, t: str, v: str, i: str, told: bool = True, **more: object) -> None:
    KINDS.append((name, told, ".csv", lambda r, draw: plain(r, t, v, i, **more)))  # type: ignore[arg-type]


headed("decaampere", "Time (s)", "Voltage (V)", "Current (daA)", cs=0.1, cf="{:.6f}")
headed("hectovolt in words", "seconds", "hectovolts", "amperes", vs=0.01, vf="{:.7f}")
headed("units as an index", "t_s", "U_V", "I_mA", cs=1e3, cf="{:.1f}")
headed(
    "names with a dash and units", "time-min", "voltage-V", "current-mA", ts=1 / 60, tf="{:.5f}", cs=1e3, cf="{:.1f}"
)
headed("units in quotes", "Time 's'", "Voltage 'V'", "Current 'A'")
headed("units in percent signs", "Time %s%", "Voltage %V%", "Current %A%")
headed("maltese, units plain", "Ħin (min)", "Vultaġġ (V)", "Kurrent (mA)", ts=1 / 60, tf="{:.5f}", cs=1e3, cf="{:.1f}")
headed("basque, units plain", "Denbora (s)", "Tentsioa (V)", "Korrontea (A)")
headed("filipino hours, units plain", "Oras (h)", "Boltahe (V)", "Kuryente (A)", ts=1 / 3600, tf="{:.7f}")
headed("persian", "زمان (s)", "ولتاژ (V)", "جریان (A)")
headed("hindi", "समय (s)", "वोल्टेज (V)", "धारा (A)")
headed("abbreviated french", "t. (s)", "tens. (V)", "int. (A)")
headed("sample clock", "Time (samples)", "Voltage (V)", "Current (A)", told=False, ts=0.1)
headed("half seconds, said", "Time (0.5 s)", "Voltage (V)", "Current (A)", ts=2.0)
headed("milliampere called m", "Time (s)", "Voltage (V)", "Current (m)", told=False, cs=1e3, cf="{:.1f}")
headed("volt called kV", "Time (s)", "Voltage (kV)", "Current (A)", told=False)
headed("no unit: a quarter of a second", "zeit", "spannung", "strom", told=False, ts=4.0, tf="{:.0f}")
headed("no unit: tens of milliampere, minutes", "time", "volt", "amp", told=False, ts=1 / 60, tf="{:.4f}", cs=100.0)


@kind("a line of settings with another current", told_units=True)
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, head="Charge current: 1.0 A\nCut-off voltage: 3.0 V\n")


@kind("a header line says that current is a tenth", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return plain(
        r,
        cs=0.1,
        cf="{:.5f}",
        head=draw.choice(("# current: LSB 10\n", "Current scaling 1/10 applied\n", "Strom mal 10 nehmen\n")),
    )


@kind("a footnote says that current is doubled", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    return plain(r, cs=2.0, foot="* current values are doubled by the amplifier gain of 2\n")


@kind("two loads in turn, one column each", told_units=False)
def _(r: Recorded, draw: random.Random) -> str:
    first = np.arange(r.i.size) < r.i.size // 2
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Lamp current (A)", num(np.where(first, r.i, 0)))]
    return written([*cols, ("Motor current (A)", num(np.where(first, 0, r.i)))])


@kind("two thermometers, one broken")
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time (s)", num(r.t)), ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))]
    return written([*cols, ("Cell temperature (°C)", num(r.temp)), ("Temperature 2 (°C)", ["-242.0"] * r.t.size)])


@kind("time in two forms that agree, the second without a unit")
def _(r: Recorded, draw: random.Random) -> str:
    cols = [("Time", num(r.t)), ("Date and time", stamps(r.t, "%Y-%m-%d %H:%M:%S"))]
    return written([*cols, ("Voltage (V)", num(r.v)), ("Current (A)", num(r.i))])


@kind("clock of the evening in a twelve-hour form, small letters")
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, [x.lower() for x in stamps(r.t, "%I:%M:%S %p")], "time")


@kind("a stamp and its zone in words")
def _(r: Recorded, draw: random.Random) -> str:
    return with_time(r, stamps(r.t, "%Y-%m-%d %H:%M:%S CET"), "Timestamp")


def main() -> int:
    return run(KINDS, 9407, __doc__ or "")


if __name__ == "__main__":
    sys.exit(main())
