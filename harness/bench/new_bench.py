"""The text of a new bench file: what was found, and what only a person knows, with a comment beside each line.

What nobody stated is left out and said to be assumed; the file is read again by the same reader as any other.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

from amphora.harness.bench.bench_file import BenchDescription, bench_from_dict
from amphora.harness.bench.specification import ASSUMED
from amphora.harness.common.errors import InputError


@dataclass(frozen=True)
class NewInstrument:
    """One instrument as it will stand in the file.

    keys: what reaches it (`resource` or `port`, `dialect`, `format`, `baud`); said: what it answered; gain, offset: of
    its current (load, supply) as the maker's sheet has them, "" where nobody knows.
    """

    role: str
    keys: Mapping[str, str | int]
    said: str = ""
    gain: str = ""
    offset: str = ""


@dataclass(frozen=True)
class NewBench:
    """What a new bench file says. `resistor`: ("10 ohm", "0.1 %") or None; `fuse`: as printed on it, "" for none."""

    name: str
    leads: str
    sensed_at: str
    instruments: Mapping[str, NewInstrument]
    temperature: str = ""
    fuse: str = ""
    resistor: tuple[str, str] | None = None


LEADS_SAY = {
    "by hand": "the run asks for the leads to be moved between supply and load",
    "relay": "a relay moves the leads",
    "wired": "supply and load both stay connected",
}


def bench_text(bench: NewBench) -> str:
    """Return the file's text.

    Raises:
        InputError: what was stated is not accepted in a bench file: the key, the value, what is.
    """
    lines = [
        "# A bench: its instruments, and how they are wired. All keys: docs/bench-file.md",
        f"name = {_quoted(bench.name)}",
        _line("leads", bench.leads, LEADS_SAY.get(bench.leads, "")),
        _line(
            "sensed_at",
            bench.sensed_at,
            "the voltage is sensed at the cell's own ends" if bench.sensed_at == "cell" else "not at the cell",
        ),
        f"note = {_quoted('fuse at the cell: ' + (bench.fuse or 'none stated'))}",
    ]
    for name, one in bench.instruments.items():
        lines += ["", f"[instruments.{name}]"]
        if one.said:
            lines.append(f"# it answered: {_comment(one.said)}")
        lines.append(f"role = {_quoted(one.role)}")
        lines += [f"{key} = {value if isinstance(value, int) else _quoted(value)}" for key, value in one.keys.items()]
        lines += _specification(name, one)
    lines += ["", "[cell]", *_measured_by(bench)]
    if bench.resistor is not None:
        lines += [
            "",
            "[check_resistor]           # measured before a night: amphora bench check --resistor",
            f"resistance = {_quoted(bench.resistor[0])}",
            f"tolerance = {_quoted(bench.resistor[1])}",
        ]
    text = "\n".join(lines) + "\n"
    read_again(text)
    return text


def read_again(text: str) -> BenchDescription:
    """Return the bench that a text describes.

    Raises:
        InputError: it is not accepted.
    """
    try:
        return bench_from_dict(tomllib.loads(text), "the new bench file")
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"the new bench file: {error}") from error


def _specification(name: str, one: NewInstrument) -> list[str]:
    if one.role not in ("load", "supply"):
        return []
    if one.gain or one.offset:
        return [
            f"[instruments.{name}.specification.current]",
            _line("gain", one.gain or "0 %", "of reading, from the maker's sheet"),
            f"offset = {_quoted(one.offset or '0 mA')}",
        ]
    taken = ASSUMED["current"]
    return [
        f"# Its sheet was not stated: {taken.gain:.1%} of reading and {taken.offset * 1000:g} mA are assumed.",
        f"# [instruments.{name}.specification.current]",
        '# gain = "0.1 %"',
        '# offset = "3 mA"',
    ]


def _measured_by(bench: NewBench) -> list[str]:
    """Say who measures the cell, where there is a choice to make."""
    loads, supplies, meters = (
        [name for name, one in bench.instruments.items() if one.role == role] for role in ("load", "supply", "meter")
    )
    carry, seen_by = [*loads, *supplies], [*meters, *loads]
    lines = []
    if seen_by:
        lines.append(_line("voltage", seen_by[0], "who measures the cell's voltage"))
    if carry:
        listed = ", ".join(_quoted(name) for name in carry)
        lines.append(f"current = [{listed}]".ljust(26) + " # whichever carries it")
    if bench.temperature:
        lines.append(_line("temperature", bench.temperature, "the sensor that touches the cell"))
    else:
        lines.append("# temperature = ...        # no sensor at the cell: charging is refused without one")
    return lines


def _line(key: str, value: str, remark: str) -> str:
    return f"{key} = {_quoted(value)}".ljust(26) + f" # {remark}"


def _quoted(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)


def _comment(text: str) -> str:
    return "".join(sign for sign in text if sign.isprintable())[:100]
