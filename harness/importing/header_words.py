"""Words of more languages for headers, and units that are written with a factor: `10^3 s`, `A x 10^-3`, `ks`.

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
        "when", "wann", "quand", "epoch", "unix", "posix", "muda", "amser", "aikaleima", "oras", "waktu",
        "tidspunkt", "tidpunkt", "duree", "duracion", "durata", "uptime",
    ),
    "v": (
        "전압", "ταση", "napon", "napetost", "napatie", "напруга", "напрежение", "tensiune", "spenna", "spenning",
        "spanningen", "itampa", "spriegums", "pinge", "voltaj", "tegangan",
        "מתח", "جهد", "الجهد", "แรงดัน", "ولتاژ", "वोल्टेज",
        "tensio",
        "klemmenspannung", "batteriespannung", "akkuspannung", "vdc", "volty", "spg", "vbatt", "vbattery", "ubatt",
    ),
    "i": (
        "전류", "ρευμα", "struja", "tok", "prud", "струм", "curent", "straumur", "srove", "strava", "vool", "arus",
        "זרם", "تيار", "التيار", "กระแส", "جریان", "धारा", "corrent", "intensidad", "strøm",
        "entladestrom", "ladestrom", "laststrom",
        "zellstrom", "batteriestrom", "akkustrom", "adc", "ibatt", "ibattery", "intensita",
    ),
}  # fmt: skip
MORE_UNITS: dict[str, dict[str, float]] = {
    "t": {
        **dict.fromkeys(("초", "δευτ", "δευτερολεπτα", "mp", "masodperc", "secunda", "secunde", "секунди"), 1.0),
        **dict.fromkeys(("분", "λεπτα", "perc", "хв", "хвилин", "хвилини", "minuta", "minutach"), 60.0),
        **dict.fromkeys(("시간", "ωρες", "год", "годин", "години", "sati", "klst", "jam", "valandos"), 3600.0),
        **dict.fromkeys(("giay", "detik", "minutu", "sek.", "sekundes", "sekundit", "sekundziu", "sekunde"), 1.0),
        **dict.fromkeys(("minuts", "menit", "phut", "minutes.", "minutit", "minuciu", "munud"), 60.0),
        **dict.fromkeys(("hores", "gio", "val", "stundas", "tundi", "ure", "awr", "dita", "horas."), 3600.0),
        **dict.fromkeys(("week", "weeks", "wk", "wks", "woche", "wochen", "semaines", "semanas", "weken"), 604_800.0),
        "mcs": 1e-6,
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
_PREFIXES = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "c": 1e-2, "d": 1e-1, "k": 1e3, "nano": 1e-9, "micro": 1e-6, "mc": 1e-6,
             "milli": 1e-3, "centi": 1e-2, "deci": 1e-1, "kilo": 1e3}  # fmt: skip
_BASES = {
    "t": ("s", "sec", "second", "seconds", "sekunden", "secondes", "segundos", "secondi"),
    "v": ("v", "volt", "volts", "volty", "voltios"),
    "i": ("a", "amp", "amps", "ampere", "amperes", "amper"),
    "ah": ("ah",),
    "wh": ("wh",),
}
_POWER = r"10\s*(?:\^|\*\*)\s*\(?(?P<power>[+-]?\d{1,2})\)?"
_FACTOR = rf"(?:{_POWER}|1/(?P<part>\d+)|(?P<plain>\d+(?:[.,]\d+)?(?:e[+-]?\d{{1,2}})?))"
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
    if found.group("part"):
        return (1.0 / float(found.group("part")), found.group("unit")) if float(found.group("part")) > 0 else None
    factor = 10.0 ** int(power) if power is not None else float(plain.replace(",", "."))
    return (factor, found.group("unit")) if factor > 0 else None


def with_prefix(channel: str, unit: str) -> float | None:
    """Return the factor of a unit with a decimal prefix, by sign or by name: `cV` -> 0.01; None for another.

    Source: SI brochure 9th ed., table 7.
    """
    for base in _BASES.get(channel, ()):
        if unit.endswith(base) and unit[: -len(base)] in _PREFIXES:
            return _PREFIXES[unit[: -len(base)]]
    return None


def prefix_of(letter: str) -> float | None:
    """Return the factor of a prefix that stands behind a value, as in `350.0m`; None for another letter."""
    return _PREFIXES.get(letter) if letter in ("n", "u", "m", "k") else None
