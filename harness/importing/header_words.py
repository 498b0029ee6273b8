"""The words and units of headers, in the languages that tables come in; units with a factor: `10^3 s`, `A x 10^-3`.

Beside `columns`, which knows what a header is. Words of languages are from memory; a table whose words are not among
them is read by its units where these are plain. Pure: texts in, numbers out.
"""

import re

# More words for time, voltage and current. Beside the written form the one without accents is compared.
MORE_WORDS: dict[str, tuple[str, ...]] = {
    "t": (
        "시간", "χρονος", "ido", "час", "timp", "vrijeme", "vreme", "време", "timi", "waktu", "laikas",
        "laiks", "aeg", "זמן", "الوقت", "الزمن", "زمان", "समय", "เวลา", "zeitpunkt", "messzeit",
        "laufzeit", "testzeit", "rtc", "millis", "secs", "mins", "hrs", "horodatage", "moment",
        "tidspunkt", "tidpunkt", "duree", "duracion", "durata", "uptime",
    ),
    "v": (
        "전압", "ταση", "napon", "napetost", "napatie", "напруга", "напрежение", "tensiune", "spenna", "spenning",
        "spanningen", "itampa", "spriegums", "pinge", "voltaj", "tegangan", "מתח", "جهد", "ولتاژ", "वोल्टेज", "tensio",
        "klemmenspannung", "batteriespannung", "akkuspannung", "vdc", "volty", "spg", "vbatt", "vbattery", "ubatt",
    ),
    "i": (
        "전류", "ρευμα", "struja", "tok", "prud", "струм", "curent", "straumur", "srove", "strava", "vool", "arus",
        "זרם", "تيار", "جریان", "धारा", "corrent", "intensidad", "strøm", "entladestrom", "ladestrom", "laststrom",
        "zellstrom", "batteriestrom", "akkustrom", "adc", "ibatt", "ibattery", "intensita",
    ),
}  # fmt: skip
MORE_UNITS: dict[str, dict[str, float]] = {
    "t": {
        **dict.fromkeys(("초", "δευτ", "δευτερολεπτα", "mp", "masodperc", "secunda", "secunde", "секунди"), 1.0),
        **dict.fromkeys(("분", "λεπτα", "perc", "хв", "хвилин", "хвилини", "minuta", "minutach"), 60.0),
        **dict.fromkeys(("시간", "ωρες", "год", "годин", "години", "sati", "klst", "jam", "valandos"), 3600.0),
        "ks": 1e3,
        "kiloseconds": 1e3,
    },
    "v": {**dict.fromkeys(("vdc", "v dc", "volts dc", "volt dc"), 1.0), "mvdc": 1e-3, "mv dc": 1e-3, "kv": 1e3},
    "i": {
        **dict.fromkeys(("adc", "a dc", "amps dc", "amp dc"), 1.0),
        **dict.fromkeys(("madc", "ma dc"), 1e-3),
        **dict.fromkeys(("na", "nanoamp", "nanoampere", "nanoamperes"), 1e-9),
    },
}
OUT_OF_THE_CELL = frozenset(("discharge", "discharging", "entladestrom", "laststrom", "load"))  # of a current
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
UNITS = {name: {**group, **MORE_UNITS.get(name, {})} for name, group in UNITS.items()}
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
WORDS_IN = {name: words | frozenset(MORE_WORDS.get(name, ())) for name, words in WORDS_IN.items()}
MEANS = frozenset(("mean", "average", "avg", "load"))  # of OTHERS: taken where nothing better is there
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
ANOTHER_TIME = frozenset(  # it counts from the row before, or something else than the test
    ("interval", "intervall", "dt", "delta", "δt", "last", "previous", "since last", "per", "remaining", "step")
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
_POWER = r"10\s*(?:\^|\*\*)\s*\(?(?P<power>[+-]?\d{1,2})\)?"
_FACTOR = rf"(?:{_POWER}|(?P<plain>\d+(?:[.,]\d+)?(?:e[+-]?\d{{1,2}})?))"
_BEFORE = re.compile(rf"^(?:[x×*]\s*)?{_FACTOR}\s*[x×*·]?\s*(?P<unit>[^\W\d]+)$", re.I)
_BEHIND = re.compile(rf"^(?P<unit>[^\W\d]+)\s*[x×*·]\s*{_FACTOR}$", re.I)
_RAISED = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻⁺", "0123456789-+")


def with_factor(unit: str) -> tuple[float, str] | None:
    """Return the factor that stands with a unit, and the unit: `10^3 s` -> (1000, 's'); None where there is none.

    Source: SI brochure 9th ed., 5.4.7: a column's heading may give the quantity divided by a power of ten of the unit;
        tables write it both ways, so `A x 10^-3` is read as what a figure is to be multiplied by.
    """
    raised = re.sub(r"10([⁰¹²³⁴⁵⁶⁷⁸⁹⁻⁺]+)", lambda found: "10^" + found.group(1).translate(_RAISED), unit.strip())
    found = _BEFORE.match(raised) or _BEHIND.match(raised)
    if found is None:
        return None
    power, plain = found.group("power"), found.group("plain")
    factor = 10.0 ** int(power) if power is not None else float(plain.replace(",", "."))
    return (factor, found.group("unit")) if factor > 0 else None
