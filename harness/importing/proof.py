"""Whether a reading of a table is the only one that its own words and numbers allow; what speaks against it is told.

A table is read wrong without a word where something in it was not understood: another column that may be the cell's
current, a counter that says otherwise, a line above the rows that gives a factor, a unit that nobody stated. So nothing
is believed because it is likely. Each column that is not used has to be another quantity by its words or unit, or agree
with the one that is used; counters, power and a second clock have to agree; the voltage has to answer the current. What
fails gets the warning `scale-doubtful`, with the option that decides. Limits are common practice for single cells.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from amphora.harness.importing.column_values import Told
from amphora.harness.importing.columns import bare, counter_of, counts_discharge, plain_word, unit_factor
from amphora.harness.importing.header_words import ANOTHER_TIME, MEANS, NO_UNIT, OTHERS, SURER, UNITS, WORDS_IN
from amphora.harness.importing.plausibility import cell_fits, swing_of
from amphora.harness.importing.rows import Rows
from amphora.harness.importing.sources import Sources
from amphora.harness.importing.table_file import Layout
from amphora.harness.importing.table_times import other_times

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd

    FloatArray = npt.NDArray[np.float64]
    BoolArray = npt.NDArray[np.bool_]

TIME_WORDS, VOLTAGE_WORDS, CURRENT_WORDS = (WORDS_IN[channel] for channel in "tvi")
OF_CHARGE, OF_ENERGY = UNITS["ah"], UNITS["wh"]
NEAR = 0.01  # two readings of one quantity that differ by no more are the same
COUNTED = 0.1  # a counter of charge sees what flows between rows, so it may differ by this
POWER = 0.05
MISSING = 0.1  # of the rows may lack a current
AGAINST = 0.1  # of the charge may flow against the voltage's way
ANOTHER_QUANTITY = OTHERS | frozenset((  # words of a column that is neither time, voltage nor current
    "capacity", "charge", "code", "count", "counts", "di", "discharge", "dod", "dq", "duty", "dv", "efficiency",
    "flag", "flags", "frequency", "humidity", "id", "impedance", "ladung", "leistung", "line", "mode", "no", "nr",
    "number", "ohm", "percent", "percentage", "potencia", "potenza", "power", "pressure", "puissance", "record",
    "row", "rssi", "sample", "slope", "soc", "state", "temp", "temperatur", "temperature", "watt", "watts",
    "widerstand", "zeile",
))  # fmt: skip
_FACTOR_WORDS = re.compile(
    r"\b(scal\w*|factor\w*|faktor\w*|facteur\w*|multipl\w*|divid\w*|gain|shunt\w*|ratio|ticks?|lsb|adc|raw|offset|"
    r"calibrat\w*|kalibri\w*|prescal\w*|in units of|units? of|einheit\w*|attenuat\w*|clamp|turns|winding\w*)\b|"
    r"[x×]\s?10+\b|\b10\s?\^|\b1\s?:\s?\d|\d\s?:\s?1\b", re.I,
)  # fmt: skip
_CHANGED = re.compile(
    r"\b(range|units?|bereich|einheit\w*|gain|factor|faktor|scal\w*|interval\w*|sampling|clock|"
    r"time set|now in|switched to)\b",
    re.I,
)


@dataclass(frozen=True)
class Read:
    """What was read, and what it was read from."""

    layout: Layout
    table: "pd.DataFrame"
    sources: Sources
    rows: Rows
    at: "npt.NDArray[np.int64]"  # where each row stands in the table
    aside: frozenset[int] = frozenset()  # columns that were put together, or are another cell's

    def numbers(self, column: int) -> "FloatArray | None":
        """Return another column's numbers, row for row; None where it holds none."""
        import pandas as pd

        series = self.table[column]
        if series.dtype.kind not in "fiu":
            text = series.astype("string").str.strip()
            if self.layout.decimal == ",":
                text = text.str.replace(",", ".", regex=False)
            series = pd.to_numeric(text, errors="coerce")
        values: FloatArray = series.to_numpy(dtype=np.float64, na_value=np.nan)[self.at]
        return values if np.isfinite(values).mean() > 0.5 else None

    def header(self, column: int) -> str:
        """Return what stands above a column."""
        return self.layout.header[column] if self.layout.header else ""

    def unused(self) -> Iterator[tuple[int, set[str], str]]:
        """Give the columns that no channel comes from: number, words, unit."""
        for column in range(self.layout.width):
            if column not in self.sources.columns and column not in self.aside:
                words, unit = bare(self.header(column))
                yield column, set(plain_word(words).split()) | set(words.split()), plain_word(unit)


def prove(
    layout: Layout,
    table: "pd.DataFrame",
    sources: Sources,
    rows: Rows,
    unstated: frozenset[str],
    given: Mapping[str, str],
    form: str,
    aside: frozenset[int],
    told: Told,
) -> None:
    """Warn of all that leaves room for another reading of the table.

    Args:
        layout: Of the table.
        table: All its rows.
        sources: Which column each channel comes from.
        rows: As they were read, current positive into the cell.
        unstated: Channels (t, v, i) whose unit neither the table nor a person stated.
        given: Units that a person stated, by channel: they need no proof.
        form: The cell's form, as on the shelf; empty when not known.
        aside: Columns that were put together into another, or that are another cell's.
        told: Warnings are added.
    """
    if rows.columns.t.size < 8:
        return
    read = Read(layout, table, sources, rows, np.searchsorted(table.index.to_numpy(), rows.lines), aside)
    doubts: list[str] = []
    proven: set[str] = set()
    for step in (_rival_times, _rival_currents, _rival_voltages, _counters, _powers):
        step(read, doubts, proven)
    said = any(item.code == "scale-doubtful" for item in told.warnings)
    guessed = {c for c in unstated if sources.by_channel[c].guessed and c not in given and c not in proven} & {"t", "i"}
    if guessed and not said:
        names = " and ".join(repr(sources.by_channel[c].shown) for c in sorted(guessed, reverse=True))
        option = ",".join(f"{c}={'s' if c == 't' else 'A'}" for c in sorted(guessed, reverse=True))
        doubts.append(
            f"no unit is stated for {names}, and nothing else in the table proves it: what was taken is in the notes "
            f"(--units, as {option}, decides)"
        )
    if not given:
        _another_unit(read, form, doubts)
    _answer(read, doubts)
    _like_a_counter(read, doubts)
    _against(read, doubts)
    _missing(read, doubts)
    _words_outside(read, doubts)
    if layout.doubt and not {"t", "v", "i"} <= given.keys():
        doubts.append(layout.doubt)
    for text in doubts[:4]:
        told.warn("scale-doubtful", text[:1].upper() + text[1:] + ".")


def _charge_Ah(t: "FloatArray", i: "FloatArray") -> float:
    """Return the charge that flowed either way, without long gaps."""
    span = np.diff(t)
    usual = float(np.median(span[span > 0])) if (span > 0).any() else 0.0
    span = np.where((span < 0) | (span > 200 * usual), 0.0, span)
    both = np.abs(np.nan_to_num(i))
    return float(np.sum((both[1:] + both[:-1]) / 2 * span)) / 3600


def _is_another_quantity(words: set[str], unit: str, channel: str) -> bool:
    """Tell whether words or unit say that a column is another quantity than the channel's."""
    if unit and unit_factor(channel, unit) is None:
        known = unit in NO_UNIT or any(unit in group for name, group in UNITS.items() if name != channel)
        if known:
            return True
    if any(words & WORDS_IN[other] for other in ("t", "v", "i", "temp") if other != channel) and not (
        words & WORDS_IN[channel]
    ):
        return True
    return bool(words & ANOTHER_QUANTITY)


def _own_words(read: Read, channel: str) -> set[str]:
    return set(plain_word(bare(read.sources.by_channel[channel].shown)[0]).split())


def _rival_currents(read: Read, doubts: list[str], proven: set[str]) -> None:
    """Doubt the current where another column may as well be the cell's and says another charge."""
    t, i = read.rows.columns.t, read.rows.columns.i
    ours = _charge_Ah(t, i)
    size = float(np.quantile(np.abs(i), 0.98))
    weak = bool(_own_words(read, "i") & MEANS)
    for column, words, unit in read.unused():
        if _is_another_quantity(words - (MEANS if weak else set()), unit, "i"):
            continue
        by_word = bool(words & CURRENT_WORDS) or unit_factor("i", unit) is not None
        values = read.numbers(column)
        if values is None:
            if by_word and read.table[column].notna().any():
                doubts.append(f"{read.header(column)!r} may be a current, and could not be read (--map i= decides)")
            continue
        factor = unit_factor("i", unit)
        scaled = np.nan_to_num(values) * (read.sources.i.factor if factor is None else factor)
        theirs = _charge_Ah(t, scaled)
        if theirs < 0.02 * ours or abs(theirs / max(ours, 1e-12) - 1) < NEAR:
            continue
        if not by_word and not _flows_like(i, scaled, size):
            continue
        shown = read.header(column) or f"column {column + 1}"
        doubts.append(
            f"{shown!r} may as well be the cell's current: {theirs:.3g} Ah by it, {ours:.3g} Ah by "
            f"{read.sources.i.shown!r} (--map, as i={column + 1}, decides)"
        )


def _flows_like(i: "FloatArray", other: "FloatArray", size: float) -> bool:
    """Tell whether a column without a name is nothing where no current flows, and something where one does."""
    on, off = np.abs(i) > 0.2 * size, np.abs(i) < 0.02 * size
    most = float(np.quantile(np.abs(other), 0.98))
    if most <= 0 or not on.any() or not off.any():
        return False
    return bool(np.mean(np.abs(other[on]) > 0.1 * most) > 0.9 and np.mean(np.abs(other[off]) < 0.05 * most) > 0.9)


def _rival_voltages(read: Read, doubts: list[str], proven: set[str]) -> None:
    """Doubt the voltage where another column may as well be the cell's and shows another."""
    v = read.rows.columns.v
    middle, weak = float(np.median(v)), bool(_own_words(read, "v") & MEANS)
    for column, words, unit in read.unused():
        if _is_another_quantity(words - (MEANS if weak else set()), unit, "v"):
            continue
        if not (words & VOLTAGE_WORDS) and unit_factor("v", unit) is None:
            continue
        values = read.numbers(column)
        if values is None:
            continue
        factor = unit_factor("v", unit)
        scaled = values * (read.sources.v.factor if factor is None else factor)
        theirs = float(np.nanmedian(scaled))
        moves = float(np.nanquantile(scaled, 0.98) - np.nanquantile(scaled, 0.02)) > 0.02 * abs(theirs)
        like_a_cell = 0.7 < theirs < 4.6 and moves
        if like_a_cell and abs(theirs / middle - 1) > NEAR:
            doubts.append(
                f"{read.header(column)!r} may as well be the cell's voltage: about {theirs:.3g} V there, "
                f"{middle:.3g} V in {read.sources.v.shown!r} (--map, as v={column + 1}, decides)"
            )


def _rival_times(read: Read, doubts: list[str], proven: set[str]) -> None:
    """Compare with every other time of the table: one that agrees proves the unit, one that does not is told."""
    t, i = read.rows.columns.t, read.rows.columns.i
    span = np.diff(t)
    on = (np.abs(i[1:]) > 0.05 * float(np.quantile(np.abs(i), 0.98))) & (span >= 0)
    ours = float(span[on].sum())
    if ours <= 0:
        return
    for column, words, unit in read.unused():
        if words & (ANOTHER_TIME | OTHERS):
            continue
        other = other_times(read.layout, read.table, column)
        if other is None:
            continue
        times, clock = other
        theirs = np.diff(times[read.at])
        if not np.isfinite(theirs).all() or (theirs < 0).any() or not (theirs > 0).any():
            continue
        stated = clock or unit_factor("t", unit) is not None
        if not stated and not words & TIME_WORDS:
            continue
        total = float(theirs[on].sum()) * (1.0 if clock else unit_factor("t", unit) or read.sources.t.factor)
        share = total / ours
        if abs(share - 1) < NEAR or (clock and abs(total - ours) < 61 * 2):
            proven |= {"t"} if stated else set()
        elif stated:
            doubts.append(
                f"{read.header(column)!r} passes {total:.4g} s under load, {read.sources.t.shown!r} {ours:.4g} s "
                f"(--map, as t={column + 1}, or --units decides)"
            )


def _counters(read: Read, doubts: list[str], proven: set[str]) -> None:
    """Compare with counters of charge and energy in the table."""
    t, v, i = read.rows.columns.t, read.rows.columns.v, read.rows.columns.i
    into, out = np.maximum(i, 0.0), np.maximum(-i, 0.0)
    beside = counts_discharge(read.layout.header)
    for column, _, unit in read.unused():
        found = counter_of(read.header(column), beside)
        kind = "ah" if unit in OF_CHARGE else "wh" if unit in OF_ENERGY else ""
        if found is None and not kind:
            continue
        factor = found[1] if found is not None else UNITS[kind][unit]
        energy = kind == "wh" or (found is not None and found[0].endswith("Wh"))
        values = read.numbers(column)
        if values is None:
            continue
        good = np.isfinite(values)
        moved = np.diff(values[good]) * factor
        way = max(float(moved[moved > 0].sum()), -float(moved[moved < 0].sum()))
        by = v if energy else np.ones(v.size)
        ours = [_charge_Ah(t, x * by) for x in (out, into, i)]
        ours.append(abs(ours[0] - ours[1]))
        if way <= 1e-6 or max(ours) <= 1e-6:
            continue
        if any(abs(way / x - 1) < COUNTED for x in ours if x > 0):
            proven |= {"t", "i"}
            continue
        what = "Wh" if energy else "Ah"
        doubts.append(
            f"{way:.3g} {what} by the table's own {read.header(column)!r}, {max(ours):.3g} {what} by time and current: "
            "look for a wrong unit (--units decides)"
        )


def _powers(read: Read, doubts: list[str], proven: set[str]) -> None:
    """Compare with a column of power."""
    v, i = read.rows.columns.v, read.rows.columns.i
    ours = np.abs(v * i)
    on = ours > 0.3 * float(np.quantile(ours, 0.98))
    for column, words, unit in read.unused():
        factor = {"w": 1.0, "watt": 1.0, "watts": 1.0, "mw": 1e-3}.get(unit)
        if factor is None or words & (OTHERS - {"power"}) or not on.any():
            continue
        values = read.numbers(column)
        if values is None:
            continue
        share = float(np.nanmedian(np.abs(values[on]) * factor / ours[on]))
        if abs(share - 1) < POWER:
            proven |= {"i"}
        elif share > 0.01:  # a column of noughts says nothing
            doubts.append(
                f"{read.header(column)!r} shows {share:.3g} times the product of voltage and current: one of the three "
                "has another unit, or belongs to something else (--units and --map decide)"
            )


def _another_unit(read: Read, form: str, doubts: list[str]) -> None:
    """Doubt a stated unit that no usual cell agrees with, where another unit would do."""
    t, v, i = read.rows.columns.t, read.rows.columns.v, read.rows.columns.i
    swing = swing_of(t, v, i)
    if swing is None or cell_fits(swing, 1.0, 1.0, form):
        return
    for t_by, t_name in ((1.0, ""), (60.0, "min"), (1 / 60, "s"), (3600.0, "h"), (1e-3, "ms"), (1e3, "s")):
        for i_by, i_name in ((1.0, ""), (1e-3, "mA"), (1e3, "A")):
            if (t_name or i_name) and cell_fits(swing, t_by, i_by, form):
                option = ",".join(f"{c}={n}" for c, n in (("t", t_name), ("i", i_name)) if n)
                doubts.append(
                    f"by the units that the table states {swing.charge / 3600:.3g} Ah moved in "
                    f"{swing.length / 3600:.3g} h, which no usual cell does; with {option} it would be "
                    f"{swing.charge / 3600 * t_by * i_by:.3g} Ah in "
                    f"{swing.length / 3600 * t_by:.3g} h (--units decides, also where the table is right)"
                )
                return


def _answer(read: Read, doubts: list[str]) -> None:
    """Doubt where the voltage does not answer the steps of the current, as that of the same cell does."""
    v, i = read.rows.columns.v, read.rows.columns.i
    size = float(np.quantile(np.abs(i), 0.98))
    if size <= 0:
        return
    steps = [k for k in np.flatnonzero(np.abs(np.diff(i)) > 0.5 * size).tolist() if 3 <= k < i.size - 4][:400]
    noise = 3 * float(np.median(np.abs(np.diff(v)))) + 2e-4
    right = wrong = 0
    for k in steps:
        before, after = i[k - 2 : k + 1], i[k + 1 : k + 4]
        if np.ptp(before) > 0.1 * size or np.ptp(after) > 0.1 * size:
            continue
        step = float(np.median(v[k + 1 : k + 4]) - np.median(v[k - 2 : k + 1]))
        way = float(i[k + 1] - i[k])
        right += step * way > 0 and abs(step) > noise
        wrong += step * way < 0 and abs(step) > noise
        wrong += abs(step) <= noise and abs(step) < 1e-3
    unknown = {w for w in _own_words(read, "i") if not _known(w, "i")}
    if wrong > right:
        doubts.append(
            f"the voltage does not answer the current at {wrong} of {wrong + right} steps: they may be of two cells, "
            "or not read together (--map decides)"
        )
    elif unknown and not right:
        doubts.append(
            f"{sorted(unknown)[0]!r} in {read.sources.i.shown!r} is no word known here, and no step of the current "
            "shows that it is this cell's (--map i= decides)"
        )


def _known(word: str, channel: str) -> bool:
    plain = word.rstrip("0123456789")
    return (
        not plain
        or plain in WORDS_IN[channel]
        or plain in SURER
        or plain in UNITS[channel]
        or plain
        in ("of", "the", "into", "in", "at", "to", "from", "dc", "test", "value", "reading", "discharge", "de", "der")
    )


def _like_a_counter(read: Read, doubts: list[str]) -> None:
    """Doubt a current that grows as steadily as a counter of charge, and a voltage that never moves."""
    t, v, i = read.rows.columns.t, read.rows.columns.v, read.rows.columns.i
    size = np.abs(i)
    most = float(size.max())
    on = size > 0.02 * most
    if most > 0 and on.sum() > 20:
        grown, hours = np.diff(size[on]), t[on]
        rising = float(np.mean(grown >= -1e-3 * most)), float(np.mean(grown <= 1e-3 * most))
        steady = abs(float(np.corrcoef(hours, size[on])[0, 1])) if np.ptp(size[on]) > 0.5 * most else 0.0
        if max(rising) > 0.99 and steady > 0.97:
            doubts.append(
                f"{read.sources.i.shown!r} grows or falls as steadily as a counter of charge does: is it a current? "
                "(--map i= decides)"
            )
    if float(np.ptp(v)) < 5e-4 * abs(float(np.median(v))) and _charge_Ah(t, i) > 0.05:
        doubts.append(f"{read.sources.v.shown!r} never moves while charge flows: is it a set value? (--map v= decides)")


def _against(read: Read, doubts: list[str]) -> None:
    """Doubt the sign where much of the charge flows against the way that the voltage goes."""
    t, v, i = read.rows.columns.t, read.rows.columns.v, read.rows.columns.i
    size = float(np.quantile(np.abs(i), 0.98))
    right = wrong = 0.0
    for sign in (1, -1):
        on = sign * i > 0.1 * size
        edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8), [0]))))
        for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if end - begin < 12:
                continue
            inner = v[begin + 2 : end]
            change = float(np.median(inner[-3:]) - np.median(inner[:3]))
            if abs(change) < 0.03 * abs(float(np.median(inner))):
                continue
            charge = _charge_Ah(t[begin:end], i[begin:end])
            right, wrong = (right + charge, wrong) if (change > 0) == (sign > 0) else (right, wrong + charge)
    if wrong > AGAINST * (right + wrong) and wrong > 0:
        doubts.append(
            f"the voltage goes against the current's sign for {wrong:.3g} of {right + wrong:.3g} Ah: charge and "
            "discharge may be mixed up (--discharge-sign decides, or a column that says which)"
        )


def _missing(read: Read, doubts: list[str]) -> None:
    """Doubt the charge where many rows have a voltage and no current, or the other way round."""
    held = [read.table[read.sources.by_channel[name].column].notna().to_numpy() for name in ("t", "v", "i")]
    some = held[0] & (held[1] | held[2])
    lacking = int(np.count_nonzero(some)) - int(np.count_nonzero(some & held[1] & held[2]))
    if lacking > MISSING * max(1, int(np.count_nonzero(some))):
        doubts.append(
            f"{lacking} of {int(np.count_nonzero(some))} rows lack the voltage or the current: what flowed there is "
            "not known, and rows between were not made up"
        )


def _words_outside(read: Read, doubts: list[str]) -> None:
    """Doubt where a line outside of the rows speaks of a factor or a unit that was not used."""
    names = {plain_word(name) for name in read.layout.header}
    for number, line in enumerate(read.layout.above, start=1):
        cells = {plain_word(re.split(r"[(\[]", cell)[0].strip(' "')) for cell in re.split(r"[,;\t|]", line)}
        heads = {plain_word(re.split(r"[(\[]", name)[0].strip()) for name in names}
        if len(cells & heads) >= min(2, len(heads)):
            continue  # the header itself
        if _FACTOR_WORDS.search(line) and re.search(r"\d", line):
            doubts.append(
                f"line {number} above the rows, {line.strip()[:60]!r}, speaks of a factor that was not used "
                "(--map, as i=Current*0.1, or --units decides)"
            )
            return
    left = np.ones(len(read.table), bool)
    left[read.at] = False
    for place in np.flatnonzero(left)[:200].tolist():
        text = " ".join(str(cell) for cell in read.table.iloc[place] if isinstance(cell, str))
        if re.search(r"[^\W\d]{3}", text) and (_FACTOR_WORDS.search(text) or _CHANGED.search(text)):
            doubts.append(
                f"line {int(read.table.index[place])}, {text.strip()[:60]!r}, may say that what follows is in other "
                "units; it was left out (--units decides)"
            )
            return
