"""What the headers of tables say: the channels, their units and the words for them in many tongues."""

import re
import unicodedata
from collections.abc import Sequence

CHANNELS = ("t", "v", "i", "temp", "step", "steptime", "ah", "wh")


# Words for units, as headers and rows of units have them: the sign of the unit, its name, and the same in the languages
# that tables come in. Compared in lower case, without accents and dots, the Greek letters as `u`.
UNITS: dict[str, dict[str, float]] = {
    "t": {
        **dict.fromkeys(("ns", "nanosecond", "nanoseconds"), 1e-9),
        **dict.fromkeys(("us", "usec", "microsecond", "microseconds"), 1e-6),
        **dict.fromkeys(("ms", "msec", "millis", "millisecond", "milliseconds", "millisekunden", "мс", "毫秒"), 1e-3),
        **dict.fromkeys(
            ("s", "sec", "secs", "second", "seconds", "sek", "sekunde", "sekunden", "seconde", "secondes", "segundo",
             "segundos", "secondo", "secondi", "seconden", "sekund", "sekunder", "sekunda", "sekundy", "saniye", "sn",
             "sekuntia", "с", "сек", "секунд", "секунды", "秒"), 1.0),
        **dict.fromkeys(
            ("min", "mins", "minute", "minutes", "minuten", "minuto", "minutos", "minuti", "minuut", "minut", "minuter",
             "minutter", "minuta", "minuty", "dakika", "dk", "minuuttia", "мин", "минут", "минуты", "分", "分钟",
             "分鐘"),
            60.0),
        **dict.fromkeys(
            ("h", "hr", "hrs", "hour", "hours", "std", "stunde", "stunden", "heure", "heures", "hora", "horas", "ora",
             "ore", "uur", "uren", "timme", "timmar", "timer", "godz", "godziny", "godzin", "hodina", "hodiny", "hodin",
             "saat", "tuntia", "ч", "час", "часы", "часов", "时", "小时", "小時"), 3600.0),
        **dict.fromkeys(
            ("d", "day", "days", "tag", "tage", "jour", "jours", "dia", "dias", "giorno", "giorni", "dag", "dagen",
             "dagar", "dni", "gun", "сут", "дни", "天", "日"), 86400.0),
    },
    "v": {
        **dict.fromkeys(("v", "volt", "volts", "volty", "voltios", "volti", "в", "вольт", "伏"), 1.0),
        **dict.fromkeys(("mv", "millivolt", "millivolts", "мв", "毫伏"), 1e-3),
        **dict.fromkeys(("uv", "microvolt", "microvolts"), 1e-6),
    },
    "i": {
        **dict.fromkeys(("a", "amp", "amps", "ampere", "amperes", "amperios", "ampery", "а", "ампер", "安"), 1.0),
        **dict.fromkeys(
            ("ma", "milliamp", "milliamps", "milliampere", "milliamperes", "miliamperios", "ма", "毫安"), 1e-3),
        **dict.fromkeys(("ua", "microamp", "microamps", "microampere", "microamperes"), 1e-6),
    },
    "temp": {
        **dict.fromkeys(("c", "degc", "°c", "deg c", "celsius", "degree celsius", "grad c", "℃"), 1.0),
        **dict.fromkeys(("f", "degf", "°f", "deg f", "fahrenheit", "k", "kelvin"), 1.0),
    },
    "ah": {"ah": 1.0, "mah": 1e-3, "uah": 1e-6, "ampere hours": 1.0, "amp hours": 1.0, "milliamp hours": 1e-3},
    "wh": {"wh": 1.0, "mwh": 1e-3, "watt hours": 1.0},
    "step": {},
}  # fmt: skip


UNITS["steptime"] = UNITS["t"]
NO_UNIT = {"w", "mw", "watt", "ohm", "mohm", "%", "hz", "k", "pa", "g", "1"}  # units of none of our quantities
SHORT = {"t": {1.0: "s", 60.0: "min", 3600.0: "h", 86400.0: "d", 1e-3: "ms", 1e-6: "us", 1e-9: "ns"},
         "v": {1.0: "V", 1e-3: "mV", 1e-6: "uV"}, "i": {1.0: "A", 1e-3: "mA", 1e-6: "uA"}}  # fmt: skip
CLOCK_UNITS = {"mm:ss": 1.0 / 60.0, "h:mm": 1.0}  # of two figures with a colon, read as hours and minutes


# Words that headers use, the surest first; compared without unit, case and punctuation.
WORDS: dict[str, tuple[str, ...]] = {
    "t": (
        "test time", "total time", "elapsed time", "time elapsed", "run time", "time", "t", "time stamp", "timestamp",
        "elapsed", "seconds", "date time", "datetime", "zeit",
    ),
    "v": (
        "voltage", "voltage measured", "cell voltage", "measured voltage", "terminal voltage", "volt", "volts", "v",
        "u", "ucell", "ecell", "potential", "spannung",
    ),
    "i": (
        "current", "current measured", "cell current", "measured current", "amps", "amp", "i", "strom",
    ),
    "temp": (
        "temperature", "cell temperature", "temperature measured", "temp", "temperatur", "surface temperature",
        "skin temperature", "t cell", "tcell", "battery temperature",
    ),
    "steptime": ("step time",),
    "step": ("step index", "step", "step number", "step no"),
}  # fmt: skip


# Where no header is one of those as a whole: one of these words in it, in the languages that tables come in.
WORDS_IN: dict[str, frozenset[str]] = {
    "t": frozenset(
        [
            "time",
            "times",
            "zeit",
            "temps",
            "tiempo",
            "tempo",
            "tijd",
            "czas",
            "tid",
            "cas",
            "время",
            "时间",
            "時間",
            "aika",
            "zaman",
            "sure",
            "timestamp",
            "stamp",
            "zeitstempel",
            "datum",
            "date",
            "datetime",
            "uhrzeit",
            "elapsed",
            "duration",
            "dauer",
            "clock",
            "uhr",
            "utc",
            "fecha",
            "hora",
            "heure",
            "data",
            "дата",
            "日期",
            "日時",
            "t",
        ]
    ),
    "v": frozenset(
        [
            "voltage",
            "volt",
            "volts",
            "spannung",
            "zellspannung",
            "tension",
            "voltaje",
            "tensione",
            "spanning",
            "napiecie",
            "tensao",
            "spaending",
            "spænding",
            "napeti",
            "feszultseg",
            "напряжение",
            "电压",
            "電圧",
            "電壓",
            "jannite",
            "gerilim",
            "potential",
            "vbat",
            "ubat",
            "vcell",
            "ucell",
            "u",
            "v",
        ]
    ),
    "i": frozenset(
        [
            "current",
            "strom",
            "courant",
            "intensite",
            "corriente",
            "corrente",
            "stroom",
            "prad",
            "proud",
            "aram",
            "ток",
            "电流",
            "電流",
            "virta",
            "akim",
            "amperage",
            "amps",
            "amperes",
            "ibat",
            "icell",
            "i",
        ]
    ),
    "temp": frozenset(
        [
            "temperature",
            "temperatur",
            "temperatura",
            "temperatuur",
            "teplota",
            "lampotila",
            "sicaklik",
            "温度",
            "температура",
        ]
    ),
}
OTHERS = frozenset(  # a column with such a word is not what the cell shows at that time
    [
        "set",
        "setpoint",
        "soll",
        "target",
        "limit",
        "max",
        "min",
        "maximum",
        "minimum",
        "mean",
        "average",
        "avg",
        "rms",
        "ambient",
        "room",
        "raum",
        "supply",
        "load",
        "remaining",
        "left",
        "std",
        "deviation",
        "error",
        "resistance",
        "power",
        "cycle",
        "zyklus",
        "step",
        "schritt",
        "charger",
        "rated",
        "nominal",
        "capacity",
        "kapazitat",
        "energy",
        "energie",
        "index",
        "range",
        "status",
        "sense",
        "reference",
        "ref",
    ]
)
SURER = frozenset(
    ["measured", "cell", "battery", "batterie", "zelle", "ist", "actual", "actuelle", "bat", "total", "test"]
)
CELLS = frozenset(  # of a column that says whose row it is
    [
        "channel",
        "channels",
        "kanal",
        "canal",
        "canale",
        "cell",
        "zelle",
        "cella",
        "cellule",
        "celda",
        "battery",
        "batterie",
        "slot",
        "bay",
        "schacht",
        "chan",
        "ch",
        "platz",
        "holder",
        "position",
        "specimen",
        "sample",
        "probe",
        "unit",
        "device",
        "id",
        "cellid",
        "serial",
        "通道",
    ]
)
ENERGY_COUNTERS = {
    "counter_charge_Wh": ("charge energy", "charge wh", "wh charge", "wh in"),
    "counter_discharge_Wh": ("discharge energy", "discharge wh", "wh discharge", "wh out"),
    "counter_Wh": ("wh", "energy", "watt hours"),
}
CHARGE_COUNTERS = {
    "counter_charge_Ah": (
        "charge capacity",
        "charged capacity",
        "charge ah",
        "ah charge",
        "ah charged",
        "ah in",
        "chg ah",
    ),
    "counter_discharge_Ah": (
        "discharge capacity",
        "discharged capacity",
        "discharge ah",
        "ah discharge",
        "ah discharged",
        "ah out",
        "dis ah",
        "discharge",
        "dchg ah",
    ),
    "counter_Ah": ("ah", "capacity", "amp hours", "amphours", "charge"),
}


def plain_word(text: str) -> str:
    """Return a text in lower case, without accents, the letter for a millionth as `u`."""
    text = text.replace("µ", "u").replace("μ", "u").replace("ł", "l").replace("Ł", "L").replace("ı", "i")
    text = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return re.sub(r"\s+", " ", text).strip().lower()


KNOWN_UNITS = {unit for group in UNITS.values() for unit in group} | NO_UNIT
_WORD_UNITS = {unit for unit in KNOWN_UNITS if len(unit) > 1 and not unit.startswith(("°", "%"))} | {
    "s",
    "h",
    "v",
    "a",
}
_AMBIGUOUS = {"min", "timer", "hora", "heure", "ora", "volt", "volts", "amp", "amps", "dia", "1", "k"}


def bare(header: str) -> tuple[str, str]:
    """Return a header's words and its unit: 'Test_Time(s)' -> ('test time', 's').

    A unit stands in brackets, after a slash or a comma, or is the last word, with or without `in` before it.
    """
    text = header.strip().replace("（", "(").replace("）", ")")
    unit = ""
    found = re.search(r"[\(\[/]\s*([^\)\]/\(\[]+?)\s*[\)\]]?\s*$", text)
    if found is None or found.start() == 0:
        found = re.search(r",\s*([^\W\d]+)\s*$", text)
    if found and found.start() > 0:
        unit, text = found.group(1), text[: found.start()]
    words = re.sub(r"(?<=[a-z]{2})(?=[A-Z][a-z])", " ", text)
    words = re.sub(r"[^\w°]+|_", " ", words).strip().lower()
    tokens = words.split()
    if not unit:
        last = plain_word(tokens[-1]) if tokens else ""
        written = re.split(r"[\W_]+", text.strip())[-1] if tokens else ""
        if len(tokens) > 1 and last in _WORD_UNITS | {"c", "f", "d"}:
            spelled = (
                len(last) > 2 or tokens[-2] in ("in", "en") or re.search(r"[_.\s]" + re.escape(written) + r"$", text)
            )
            if spelled or re.search(r"[a-z][A-Z][a-z]", text):
                unit, tokens = written if len(written) <= 3 else last, tokens[:-1]
                if tokens and tokens[-1] in ("in", "en"):
                    tokens = tokens[:-1]
        elif len(tokens) == 1 and last in _WORD_UNITS and len(last) > 2 and last not in ("min",):
            return "", last  # only a unit: that is what the column holds
    return " ".join(tokens), unit.strip()


def is_unit(text: str) -> bool:
    """Tell whether a text is a unit of time, voltage, current, temperature, charge or energy."""
    return any(plain_word(text) in group for group in UNITS.values())


def known_headers(header: Sequence[str]) -> int:
    """Return how many headers hold a word that is known; that tells in which encoding a header was written."""
    words = frozenset().union(*WORDS_IN.values())
    return sum(bool(words & {*plain_word(bare(name)[0]).split(), *bare(name)[0].split()}) for name in header)


def is_row_of_units(cells: Sequence[str]) -> bool:
    """Tell whether a line under the header names the units: at least two cells, and half of them, are units."""
    return sum(plain_word(cell.strip(' ()[]"')) in KNOWN_UNITS for cell in cells) >= max(2, len(cells) // 2)


def counter_of(header: str, beside_a_discharge: bool) -> tuple[str, float] | None:
    """Return the run folder's name for a column that counts charge or energy, and its factor; None for another.

    Args:
        header: The column's header.
        beside_a_discharge: The table also counts the discharge: plain 'charge' is then the counter of the charge.
    """
    words, unit = bare(header)
    unit = unit.lower()
    if unit in UNITS["ah"] or re.search(r"\b(ah|amp hours)\b", words):
        counters, factor = CHARGE_COUNTERS, UNITS["ah"].get(unit, 1.0)
        if words == "charge" and beside_a_discharge:
            return "counter_charge_Ah", factor
    elif unit in UNITS["wh"] or re.search(r"\b(wh|watt hours)\b", words):
        counters, factor = ENERGY_COUNTERS, UNITS["wh"].get(unit, 1.0)
    else:
        return None
    return next(((name, factor) for name, accepted in counters.items() if words in accepted), None)


def counts_discharge(header: Sequence[str]) -> bool:
    """Tell whether a column counts the charge that was discharged."""
    return any(bare(name)[0] in CHARGE_COUNTERS["counter_discharge_Ah"] for name in header)


def factor_of(channel: str, unit: str) -> float | None:
    """Return the factor to SI of a unit as headers write it; None for one that is not known."""
    return UNITS[channel].get(plain_word(unit))


def clock_of(header: str) -> str | None:
    """Return which clock of two figures a header names: 'Time (mm:ss)' -> 'mm:ss'."""
    if re.search(r"\bm{1,2}:ss", header, re.I) and not re.search(r"h:m", header, re.I):
        return "mm:ss"
    return "h:mm" if re.search(r"\bh{1,2}:mm(?!:)", header, re.I) else None


def unit_factor(channel: str, unit: str) -> float | None:
    """Return the factor to SI of a unit as somebody gave it, None for none; `t` may also be mm:ss or h:mm."""
    if channel == "t" and unit.strip().lower() in CLOCK_UNITS:
        return CLOCK_UNITS[unit.strip().lower()]
    return factor_of(channel, unit)
