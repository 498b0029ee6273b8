"""May this be done with this cell? One pure function of cell, standing and act; everything that decides asks it.

`no`: refused, whoever asks. `ask`: refused until a person lets it through by naming the finding; what they let
through is written into the run and onto the certificate. A simulated cell needs nobody's nose.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from amphora.harness.account.entries import key_of
from amphora.harness.account.findings import LITHIUM, leak_limit
from amphora.harness.account.near_full import open_finding as open_near_full
from amphora.harness.account.standing import ACTS, FURTHER_ACTS, Standing
from amphora.harness.cells.cell import INSPECTION, Cell
from amphora.harness.cells.incoming import judge_at_the_door, release_of
from amphora.harness.common.errors import Refused
from amphora.harness.results.rulings import Act, Answer, Finding, May

WORST: tuple[Answer, ...] = ("yes", "ask", "no")
# Which findings decide what: code -> act -> (answer when suspected or reported, answer when established).
SHORT: dict[Act, tuple[Answer, Answer]] = {
    "charge": ("yes", "no"), "grade": ("ask", "ask"), "match": ("no", "no"), "certify": ("ask", "no"),
}  # fmt: skip
RULES: dict[str, dict[Act, tuple[Answer, Answer]]] = {
    "leak": SHORT,
    "recovery-falls": SHORT,
    "below-window": {**SHORT, "charge": ("yes", "ask")},
    "charge-balance": {**SHORT, "charge": ("yes", "ask")},
    "soft-short": {**SHORT, "charge": ("yes", "ask")},
    "same-cell-doubtful": {"grade": ("ask", "ask"), "match": ("ask", "ask"), "certify": ("ask", "ask")},
    "same-cell-or-charged": {"grade": ("ask", "ask"), "match": ("ask", "ask"), "certify": ("ask", "ask")},
    "same-cell-resistance": {"match": ("ask", "ask"), "certify": ("ask", "ask")},
    "capacity-fell": {"match": ("ask", "ask"), "certify": ("ask", "ask")},
    "falls-when-full": {"grade": ("ask", "ask"), "match": ("ask", "ask"), "certify": ("ask", "ask")},
    "leak-not-bounded": {"grade": ("ask", "ask"), "match": ("ask", "ask"), "certify": ("ask", "ask")},
    "leak-near-full": {"grade": ("ask", "ask"), "match": ("ask", "ask"), "certify": ("ask", "ask")},
    "found-without-its-voltage": {"grade": ("ask", "ask"), "match": ("ask", "ask"), "certify": ("ask", "ask"),
                                  "fit": ("ask", "ask"), "label": ("ask", "ask")},
    "never-inspected": {"charge": ("ask", "ask"), "certify": ("ask", "ask")},
    "no-capacity": {"match": ("no", "no"), "certify": ("no", "no"), "grade": ("ask", "ask")},
}  # fmt: skip
CLOCK_BEHIND = timedelta(minutes=1)  # what a clock may be set back by while it is kept right
INNER_SHORT = ("leak", "recovery-falls", "below-window", "charge-balance", "soft-short")
for _code in INNER_SHORT:  # a device lives off what the cell keeps; a label names what it may not be used for
    RULES[_code] = {**RULES[_code], "fit": ("no", "no"), "label": ("ask", "ask")}


def door_findings(cell: Cell) -> list[Finding]:
    """Return what the register says against a cell: retired, kept apart, what eye, nose and scale said."""
    found = []
    judged = judge_at_the_door(cell)
    for reason in judged.reasons:
        if reason.verdict == "accept" or reason.sense == "register":
            continue
        code = {"eye and nose": "inspection", "mass": "mass", "voltage": "as-found"}[reason.sense]
        strength = "established" if reason.verdict == "retire" else "reported"
        found.append(Finding(code, strength, "cell", reason.text, (), release_of(cell)))  # type: ignore[arg-type]
    if cell.state == "retired":
        found.append(Finding("retired", "established", "cell", "it is retired on the register", (), release_of(cell)))
    if cell.state == "quarantined":
        since = cell.quarantined_since
        text = "it is in quarantine" + (f" since {since}" if since else "")
        found.append(Finding("quarantined", "reported", "cell", text, (), release_of(cell)))
    if not set(cell.inspection) & set(INSPECTION):
        found.append(
            Finding(
                "never-inspected", "reported", "cell", "nobody has looked at, felt and smelled it, or said so", (),
                f"amphora cell check {cell.id} --inspection sound",
            )
        )  # fmt: skip
    return found


def _open_leak(high: float) -> str:
    if high >= 1.0:
        return "The evidence so far does not exclude a short inside"
    return f"The evidence so far leaves a leak of up to {100 * high:.2g} % of its capacity a day possible"


def _leak_bounded_by(cell: Cell) -> str:
    if key_of(cell) not in LITHIUM:  # no voltage and no hour of rest tells: what is missing after days does
        return "charge it full, let it rest for 7 days with nothing on, then the overnight recipe"
    return (
        f"a voltage 12 h or more after the last current: amphora cell check {cell.id} --as-found V --at TIME; or the "
        "next charge and night"
    )


def _measured_by(cell: Cell) -> str:
    if key_of(cell) != "auto":
        return "charge it full, then the overnight recipe"
    return (
        f"naming it first: amphora run --cell {cell.id} --profile identify --present, then amphora identify {cell.id} "
        f"--save. Where its print says what it is: amphora cell edit {cell.id} --chemistry KEY"
    )


def with_rulings(cell: Cell, standing: Standing) -> Standing:
    """Return a standing with the register's findings, and with what may be done."""
    found = [*door_findings(cell), *standing.findings]
    if standing.capacity_Ah is None:
        found.append(
            Finding(
                "no-capacity", "reported", "record",
                "it has no complete discharge from a start that is known to be full", (),
                _measured_by(cell),
            )
        )  # fmt: skip
    elif not any(item.code in ("leak", "recovery-falls") for item in found):
        limit = leak_limit(standing.charges)
        if standing.leak.high >= limit:
            found.append(
                Finding(
                    "leak-not-bounded", "reported", "cell",
                    f"{_open_leak(standing.leak.high)} (limit {100 * limit:g} %; {standing.leak.high_from}).", (),
                    _leak_bounded_by(cell),
                )
            )  # fmt: skip
    if standing.capacity_Ah is not None:
        near = open_near_full(cell.id, key_of(cell), standing.charges, standing.leak_full)
        found += [near] if near is not None else []
    standing = replace(standing, findings=tuple(found))
    return replace(standing, may={act: may(cell, standing, act) for act in (*ACTS, *FURTHER_ACTS)})


def may(cell: Cell, standing: Standing, act: Act) -> May:
    """Return whether an act is allowed with a cell as it stands: the one gate.

    Args:
        cell: Its record.
        standing: From `fold`, with its findings.
        act: What is to be done.
    """
    worst: Answer = "yes"
    decided: list[Finding] = []
    for item in standing.findings:
        answer = _answer(cell, standing, item, act)
        if answer == "yes":
            continue
        if WORST.index(answer) > WORST.index(worst):
            worst, decided = answer, []
        if answer == worst:
            decided.append(item)
    if worst == "yes":
        return May("yes", "nothing on record is against it")
    why = "; ".join(
        f"{item.text.rstrip('.')}" + (f" (settled by: {item.settles})" if item.settles else "") for item in decided
    )
    return May(worst, why, tuple(item.code for item in decided))


def _answer(cell: Cell, standing: Standing, item: Finding, act: Act) -> Answer:
    """Return what one finding says to one act."""
    if item.code in ("retired", "inspection", "mass", "as-found", "quarantined"):
        return _at_the_door(cell, item, act)
    if item.code == "never-inspected" and standing.simulated:
        return "yes"
    rule = RULES.get(item.code, {}).get(act)
    if rule is None:
        return "yes"
    return rule[1] if item.strength == "established" else rule[0]


def _at_the_door(cell: Cell, item: Finding, act: Act) -> Answer:
    """Return what the register's own findings say: what keeps a cell apart keeps it from everything but its release."""
    final = item.code == "retired" or (item.strength == "established" and item.code != "as-found")
    if act == "import":  # a record harms nobody; of a cell that is out of use it is most likely another cell's
        return "ask" if final else "yes"
    if act == "label":  # it is printed all the same, and says so
        return "ask" if _at_the_door(cell, item, "discharge") == "no" else "yes"
    if final:
        return "no"  # nobody can take this on
    if act == "grade":
        return "ask"
    judged = judge_at_the_door(cell)
    by_voltage_only = judged.verdict != "accept" and all(
        reason.sense in ("voltage", "register") or reason.verdict == "accept" for reason in judged.reasons
    )
    if act in ("charge", "discharge") and by_voltage_only and item.code in ("as-found", "quarantined"):
        allowed = judged.may_charge if act == "charge" else judged.may_discharge
        return "yes" if allowed else "no"  # the slow pre-charge under watch is this quarantine's own test
    if item.code == "as-found" and act not in ("charge", "discharge"):
        return "yes" if cell.state in ("tested", "in use") else "no"
    return "ask" if act == "certify" else "no"


def clock_behind(standing: Standing, now: datetime, simulated: bool = False) -> Finding | None:
    """Return what is to be said where this computer's clock stands before what is known of a cell.

    A small computer without a battery for its clock starts in the past. A run written there would stand before the
    runs that it came after, and how full the cell is, what it leaks and how long it rested would be read in that order.

    Args:
        now: Aware; what the clock says.
        simulated: The bench has a time of its own. Only its runs are in it: what a person read is dated by another
            clock.
    """
    known = [at for at in (standing.last_current, None if simulated else standing.last_V_at) if at is not None]
    if not known or max(known) <= now + CLOCK_BEHIND:
        return None
    return Finding(
        "clock-behind", "reported", "bench",
        f"this computer's clock says {now:%Y-%m-%d %H:%M} UTC, and what is known of the cell goes to "
        f"{max(known):%Y-%m-%d %H:%M} UTC", (),
        "setting the clock",
    )  # fmt: skip


def warning_of(cell: Cell, standing: Standing) -> str:
    """Return what a label has to warn of; empty for nothing."""
    ruling = may(cell, standing, "label")
    if ruling.verdict == "yes":
        return ""
    door = [code for code in ruling.findings if code not in INNER_SHORT]
    return "DO NOT USE: by its account" if door else "KEEP APART: leaks inside"


def require(
    cell: Cell,
    standing: Standing,
    acts: Sequence[Act],
    in_spite_of: Sequence[str] = (),
    simulated: bool = False,
    now: datetime | None = None,
) -> list[Finding]:
    """Return the findings that a person lets through, or refuse.

    Args:
        cell, standing: As they stand.
        acts: What is to be done.
        in_spite_of: Codes of findings that a person takes upon themselves.
        simulated: The bench is a simulated one: nobody has to have smelled the cell.
        now: What the clock says, aware, where a run is about to be written; None: nothing is dated.

    Raises:
        Refused: the answer is no, or ask and nobody took it on: names the findings and what settles them.
    """
    let_through: dict[str, Finding] = {}
    behind = None if now is None else clock_behind(standing, now, simulated)
    if behind is not None:
        if behind.code not in in_spite_of:
            raise Refused(
                f"{cell.id}: {behind.text}; settled by: {behind.settles}; "
                f"to begin all the same: --in-spite-of {behind.code}"
            )
        let_through[behind.code] = behind
    for act in acts:
        ruling = may(cell, standing, act)
        if ruling.verdict == "no":
            raise Refused(f"{cell.id}: {_WORDS[act]}: {ruling.why}")
        for code in ruling.findings:
            item = next(found for found in standing.findings if found.code == code)
            if code in in_spite_of:
                let_through[code] = item
            elif not (simulated and code == "never-inspected"):
                raise Refused(
                    f"{cell.id}: {_WORDS[act]}: {item.text.rstrip('.')}; settled by: {item.settles or 'a person'}; "
                    f"to use it all the same: --in-spite-of {code}"
                )
    return list(let_through.values())


_WORDS: dict[Act, str] = {
    "charge": "may not be charged",
    "discharge": "may not be discharged",
    "grade": "gets no grade above standby duty",
    "match": "goes into no set",
    "certify": "gets no certificate",
    "import": "gets no record",
    "label": "gets no label without a warning",
    "fit": "goes into no device",
}
