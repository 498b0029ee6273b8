"""Triage at the door: may this cell come in, must it wait apart, or is it to be retired.

Three senses: what the eye and nose say, what the scale says of its format, what the meter says of its chemistry.
The strictest wins. Nothing here ever says that a cell is safe; `accept` means that nothing spoke against a test.
Volt, gram.
"""

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from amphora.harness.cells.cell import Cell
from amphora.harness.cells.forms import form_of
from amphora.harness.common.errors import InputError

Verdict = Literal["accept", "quarantine", "retire"]
ORDER: tuple[Verdict, ...] = ("accept", "quarantine", "retire")

DISPOSAL = (
    "do not charge, open, press or burn it; tape over both terminals, keep it apart in a dry place where nothing can "
    "burn, and bring it to a battery collection point; never into household waste; the rules of your place go first"
)
WAIT = (
    "keep it apart for 72 h at least, terminals taped, on a surface that cannot burn; look, feel and measure again "
    "before anything else"
)

LITHIUM = ("auto", "li-ion", "li-ion-4.35", "lfp", "lto")
LIGHT_CHEMISTRIES = ("lfp", "lto")  # a cell of these is lighter for its size: only the lower limit is held
FAULTS: dict[tuple[str, str], tuple[Verdict, str]] = {
    ("swelling", "yes"): ("retire", "it is swollen: gas inside"),
    ("leak", "yes"): ("retire", "it leaks: touch it with gloves only, keep it from eyes and skin"),
    ("smell", "yes"): ("retire", "it smells of solvent or sweet: it vents; air the room"),
    ("dents", "deep"): ("retire", "it has a deep dent: the layers inside may touch"),
    ("rust", "heavy"): ("retire", "heavy rust: the can may be through, the vent may be stuck"),
    ("rust", "slight"): ("quarantine", "rust: look whether it comes from inside (white or crusted at the seal)"),
    ("dents", "slight"): ("quarantine", "a dent: watch its voltage for some days first"),
    ("wrapper", "torn"): ("quarantine", "the wrapper is torn: put on a new one before it goes into a holder"),
    ("wrapper", "missing"): (
        "quarantine",
        "the wrapper is missing: the whole can is a terminal; put on a new one first",
    ),
}


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that was seen: which sense, what it asks for, in words."""

    sense: Literal["eye and nose", "mass", "voltage", "register"]
    verdict: Verdict
    text: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """What may be done with a cell. `may_charge` is never true for a cell that is not accepted, save where the
    chemistry's slow pre-charge under watch allows it."""

    verdict: Verdict
    reasons: tuple[Reason, ...]
    may_charge: bool
    may_discharge: bool
    to_do: str
    open: tuple[str, ...] = field(default=())

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {**asdict(self), "reasons": [asdict(item) for item in self.reasons], "open": list(self.open)}


def _eye_and_nose(cell: Cell) -> list[Reason]:
    found = []
    for part, word in cell.inspection.items():
        fault = FAULTS.get((part, word))
        if fault:
            found.append(Reason("eye and nose", fault[0], fault[1]))
    return found


def _mass(cell: Cell) -> list[Reason]:
    form = form_of(cell.form)
    band = None if form is None else form.mass_g
    if band is None or cell.mass_g is None or cell.chemistry not in LITHIUM:
        return []
    false_g, light_g, heavy_g = band
    shown = f"{cell.mass_g:g} g"
    if cell.mass_g < false_g:
        text = f"{shown} is below {false_g:g} g: almost surely no true {cell.form} (common practice)"
        return [Reason("mass", "retire", text)]
    if cell.chemistry in LIGHT_CHEMISTRIES:
        return []
    if cell.mass_g < light_g:
        text = (
            f"{shown} is below {light_g:g} g, light for a {cell.form}: a smaller cell or filler may be inside "
            "(common practice)"
        )
        return [Reason("mass", "quarantine", text)]
    if cell.mass_g > heavy_g:
        text = (
            f"{shown} is above {heavy_g:g} g, heavy for a {cell.form}: weigh again, without holder or protection board"
        )
        return [Reason("mass", "quarantine", text)]
    return []


def judge_at_the_door(cell: Cell) -> Judgement:
    """Return what may be done with a cell as it was found.

    Args:
        cell: From the register; `as_found_V` after at least an hour of rest, without a load.

    Raises:
        InputError: the chemistry is not known.
    """
    from amphora.harness.cells.chemistry import REVERSED_V, triage

    reasons = [*_eye_and_nose(cell), *_mass(cell)]
    still_open = []
    may_charge = may_discharge = False
    if cell.as_found_V is None:
        still_open.append("its voltage at rest, without a load")
    else:
        # What the register says of its identity is what somebody or a run found out; the meter's word is separate.
        key = cell.taken_for
        found = triage(key, cell.as_found_V, cell.declared_rechargeable)
        verdict: Verdict = "retire" if found.verdict == "refuse" else found.verdict
        reason = found.reason
        if cell.as_found_V < REVERSED_V:  # as often the probes as the cell: one reading retires nothing
            verdict = "quarantine"
            reason += f"; were the probes swapped? measure again: amphora cell check {cell.id} --as-found V"
        reasons.append(Reason("voltage", verdict, reason))
        may_charge, may_discharge = found.may_charge, found.may_discharge
    missing = [
        part for part in ("swelling", "leak", "dents", "rust", "wrapper", "smell") if part not in cell.inspection
    ]
    if missing:
        still_open.append("a look and a sniff: " + ", ".join(missing))
    form = form_of(cell.form)
    if form is not None and form.mass_g and cell.mass_g is None and cell.chemistry in LITHIUM:
        still_open.append("its mass")
    if cell.state == "retired":
        back = f'amphora cell note {cell.id} "...", then amphora cell state {cell.id} found'
        reasons.append(
            Reason("register", "retire", f"the register says it is retired; if that was a slip, say so: {back}")
        )
    worst: Verdict = max((item.verdict for item in reasons), key=ORDER.index, default="accept")
    others: Verdict = max((r.verdict for r in reasons if r.sense != "voltage"), key=ORDER.index, default="accept")
    if worst == "retire":
        return Judgement(worst, tuple(reasons), False, False, DISPOSAL, tuple(still_open))
    if others == "quarantine":
        return Judgement("quarantine", tuple(reasons), False, False, WAIT, tuple(still_open))
    if worst == "quarantine":
        if cell.as_found_V is not None and cell.as_found_V < REVERSED_V:
            to_do = "measure its voltage again, red probe on plus; apart until then"
            return Judgement(worst, tuple(reasons), False, False, to_do, tuple(still_open))
        to_do = WAIT if not may_charge else "only with somebody there the whole time: " + WAIT
        return Judgement(worst, tuple(reasons), may_charge, may_discharge, to_do, tuple(still_open))
    if cell.as_found_V is None:
        to_do = "measure its voltage first; nothing is decided without it"
        return Judgement("quarantine", tuple(reasons), False, False, to_do, tuple(still_open))
    to_do = "nothing seen is against a test; `amphora plan` says what may be done"
    return Judgement("accept", tuple(reasons), may_charge, may_discharge, to_do, tuple(still_open))


def release_of(cell: Cell) -> str:
    """Return the one test that releases a cell from where it is kept apart, or from retirement."""
    if cell.state == "retired":
        return f'amphora cell note {cell.id} "..." (why it comes back), then amphora cell state {cell.id} found'
    parts = [part for part, word in cell.inspection.items() if (part, word) in FAULTS]
    if parts:
        return f"after 72 h apart look, feel and smell again: amphora cell check {cell.id} --inspection {parts[0]}=..."
    if _mass(cell):
        return f"weigh it again, without holder or board: amphora cell check {cell.id} --mass '... g'"
    if cell.as_found_V is not None:
        judged_low = cell.as_found_V < 2.5
        if judged_low:
            return f"the pre-charge of 'charge', days of rest, then: amphora cell check {cell.id} --as-found V"
    return f"look, feel, smell and measure: amphora cell check {cell.id} --inspection sound --as-found V"


def parse_inspection(words: list[str]) -> dict[str, str]:
    """Return what eye and nose said from what was typed: 'wrapper=torn', 'leak=none', or 'sound' for all of it.

    Raises:
        InputError: not of that form, or a word that is not on the list.
    """
    from amphora.harness.cells.cell import INSPECTION, check_inspection

    found: dict[str, str] = {}
    for item in words:
        for part in item.split(","):
            name, sign, word = (piece.strip() for piece in part.partition("="))
            if not sign and name == "sound":
                found.update({key: options[0] for key, options in INSPECTION.items()})
            elif sign:
                found.update(check_inspection({name: word}, "--inspection"))
            else:
                raise InputError(
                    f"--inspection {part.strip()!r} is not accepted; 'sound' is, or part=word such as wrapper=torn; "
                    f"parts: {', '.join(INSPECTION)}"
                )
    return found
