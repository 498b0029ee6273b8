"""A criteria file: what is looked at in a cell for its grade, the limits of each grade, and what a form usually holds.

Pure but for reading the file. Ah, ohm, V, K; ratios as plain numbers.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Literal

from amphora.harness.common.errors import InputError
from amphora.harness.common.fields import shown, table_of, text_of, unknown
from amphora.harness.common.quantities import parse

GRADES = ("full duty", "steady duty", "standby duty", "bench only", "retire")

# quantity -> (kind of quantity of its limits, scale and unit for people)
QUANTITIES: dict[str, tuple[str, float, str]] = {
    "capacity": ("capacity", 1000.0, "mAh"),
    "capacity over claim": ("ratio", 100.0, "%"),
    "capacity over form": ("ratio", 100.0, "%"),
    "capacity over cohort": ("ratio", 100.0, "%"),
    "resistance": ("resistance", 1000.0, "mΩ"),
    "sag": ("ratio", 100.0, "%"),
    "self-discharge": ("ratio", 100.0, "%"),
    "coulombic efficiency": ("ratio", 100.0, "%"),
    "temperature rise": ("temperature_difference", 1.0, "K"),
}


@dataclass(frozen=True, slots=True)
class Criterion:
    """One thing looked at. `limits`: grade -> value that must be met, from the best grade down."""

    name: str
    quantity: str
    better: Literal["higher", "lower"]
    unmeasured: str  # "skip", "needs", or the best grade without it
    settle: str
    limits: Mapping[str, float]
    chemistries: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FormLimits:
    """What a new cell of a form and chemistry holds, and the most that it can, in Ah."""

    typical_Ah: float
    most_Ah: float


@dataclass(frozen=True, slots=True)
class Criteria:
    """A file of criteria. `guard`: guard band over expanded uncertainty."""

    name: str
    guard: float
    load_current_A: float
    criteria: tuple[Criterion, ...]
    forms: Mapping[tuple[str, str], FormLimits]

    @property
    def rule(self) -> str:
        """Say the decision rule in one sentence."""
        if self.guard == 0.0:
            return (
                "simple acceptance (ILAC-G8:09/2019; JCGM 106:2012, 8.2): a limit is met when the value meets it; "
                "the risk may reach 50 %"
            )
        return (
            f"guarded acceptance, guard band {self.guard:g} U with k = 2 (after JCGM 106:2012, 8.3.2, and "
            "ILAC-G8:09/2019): an open limit gives the lower grade; "
            "the limits are the bench's own, not those of a standard"
        )


def load_criteria(name: str | Path) -> Criteria:
    """Return criteria that ship, by name, or those of a file.

    Raises:
        InputError: no such file, or a field that is wrong: file, field, value, what is accepted.
    """
    folder = files("amphora.profiles").joinpath("grades")
    shipped = sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))
    if str(name) in shipped:
        return read_criteria(
            folder.joinpath(f"{name}.toml").read_text(encoding="utf-8"), f"profiles/grades/{name}.toml"
        )
    path = Path(name)
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError as error:
        raise InputError(unknown("criteria", str(name), shipped, ", or your own file")) from error
    except OSError as error:
        raise InputError(
            f"criteria {str(name)!r} cannot be read: {error.strerror}; a file or one of {', '.join(shipped)} "
            "is accepted"
        ) from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: byte {error.start} is no UTF-8 text") from error
    return read_criteria(text, str(path))


def read_criteria(text: str, where: str) -> Criteria:
    """Read the text of a criteria file.

    Raises:
        InputError: not TOML, or a field that is wrong: file, field, value, what is accepted.
    """
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise InputError(f"{where}: is not TOML: {error}") from error
    data = table_of(raw, where, ("name", "guard", "load_current", "criterion", "form"), ("name", "criterion"))
    if not isinstance(data["name"], str):
        raise InputError(f"{where}: key 'name' = {shown(data['name'])} is no text")
    guard = parse(data.get("guard", "1.0"), "ratio", f"{where}: guard")
    load_A = parse(data.get("load_current", "500 mA"), "current", f"{where}: load_current")
    if not load_A > 0:
        raise InputError(f"{where}: load_current = {data['load_current']!r} is not above 0")
    tables = data["criterion"]
    if not isinstance(tables, list) or not tables:
        raise InputError(f"{where}: there is no [[criterion]]")
    criteria = [_criterion(item, f"{where}: criterion {n}") for n, item in enumerate(tables, 1)]
    names = [item.name for item in criteria]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"{where}: criterion {name!r} is there twice")
    forms: dict[tuple[str, str], FormLimits] = {}
    form_tables = data.get("form", [])
    if not isinstance(form_tables, list):
        raise InputError(f"{where}: form is no list of tables; [[form]] is accepted")
    for number, item in enumerate(form_tables, 1):
        place = f"{where}: form {number}"
        fields = ("form", "chemistry", "typical", "most")
        table = table_of(item, place, fields, fields)
        typical = parse(table["typical"], "capacity", f"{place}: typical")
        most = parse(table["most"], "capacity", f"{place}: most")
        if not 0 < typical <= most:
            raise InputError(
                f"{place}: typical = {shown(table['typical'])} is 0 or above most = {shown(table['most'])}"
            )
        kind = (text_of(table["form"], f"{place}: form"), text_of(table["chemistry"], f"{place}: chemistry"))
        forms[kind] = FormLimits(typical, most)
    return Criteria(data["name"], guard, load_A, tuple(criteria), forms)


def _criterion(data: object, where: str) -> Criterion:
    known = ("name", "quantity", "better", "unmeasured", "settle", "limits", "chemistries")
    table = table_of(data, where, known, ("name", "quantity", "better", "limits"))
    for key in ("name", "quantity", "better", "unmeasured", "settle"):
        if not isinstance(table.get(key, ""), str):
            raise InputError(f"{where}: key {key!r} = {shown(table[key])} is no text")
    where = f"{where} ({table['name']})"
    quantity, better = table["quantity"], table["better"]
    if quantity not in QUANTITIES:
        raise InputError(f"{where}: {unknown('quantity', quantity, QUANTITIES)}")
    if better not in ("higher", "lower"):
        raise InputError(f"{where}: better = {shown(better)} is not accepted; 'higher' or 'lower' is")
    unmeasured = table.get("unmeasured", "needs")
    if unmeasured not in ("skip", "needs", *GRADES[:-1]):
        raise InputError(f"{where}: unmeasured = {shown(unmeasured)} is not accepted; skip, needs or a grade is")
    written = table_of(table["limits"], f"{where}: limits", GRADES[:-1])
    if not written:
        raise InputError(f"{where}: there are no limits; one for a grade at least is accepted")
    limits = {
        grade: parse(written[grade], QUANTITIES[quantity][0], f"{where}: limits.{grade}")
        for grade in GRADES[:-1]
        if grade in written
    }
    values = list(limits.values())
    if any((a < b) if better == "higher" else (a > b) for a, b in pairwise(values)):
        raise InputError(f"{where}: the limits do not get easier from the best grade down")
    given = [GRADES.index(grade) for grade in limits]
    if given != list(range(given[0], given[0] + len(given))) or given[0] != 0:
        raise InputError(f"{where}: limits must begin with 'full duty' and leave out no grade in between")
    chemistries = table.get("chemistries", [])
    if not isinstance(chemistries, list) or not all(isinstance(item, str) for item in chemistries):
        raise InputError(f"{where}: chemistries is no list of texts")
    return Criterion(table["name"], quantity, better, unmeasured, table.get("settle", ""), limits, tuple(chemistries))
