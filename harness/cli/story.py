"""The whole story on the simulated bench: five cells out of the path lights of a village hall.

Everything here is invented: the hall, the lamps, the cells. The run folders are real ones, made by
the same runner as on a real bench, and may be explored with every command.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cells.incoming import parse_inspection
from amphora.harness.common.errors import AmphoraError, InputError
from amphora.harness.decisions.compared import Comparison
from amphora.harness.decisions.comparison import compare
from amphora.harness.report.certificate.issue import certify
from amphora.harness.report.plots import plot_overlay, plot_run
from amphora.harness.report.tables import comparison_table
from amphora.harness.running.runner import Outcome
from amphora.harness.running.session import Request, carry_out, open_rig
from amphora.harness.running.simulated_session import SimulatedSession

Say = Callable[[str], None]
EVENING = datetime(2026, 3, 13, 17, 30, tzinfo=UTC)


@dataclass(frozen=True)
class Lamp:
    """One of the hall's lamps, and the cell that was in it."""

    cell_id: str
    kind: str  # of simulated cell
    seed: int
    chemistry: str
    source: str
    as_found_V: float
    mass_g: float
    start_soc: float
    claim_Ah: float | None = None


LAMPS = (
    Lamp("hall-1", "li-ion", 11, "li-ion", "path light by the gate, works for an hour", 3.62, 44.1, 0.35, 1.2),
    Lamp("hall-2", "li-ion-good", 12, "li-ion", "path light by the bench, panel cracked", 3.71, 45.6, 0.45, 2.2),
    Lamp("hall-3", "lfp", 13, "lfp", "path light by the pond, another make", 3.27, 40.9, 0.40),
    Lamp("hall-4", "worn-out", 14, "li-ion", "path light by the steps, dark by nine", 3.44, 43.2, 0.25, 1.2),
    Lamp(
        "hall-5", "protected", 15, "li-ion", "path light by the shed, with a small board on the cell", 3.66, 46.8, 0.40
    ),
)


@dataclass
class Story:
    """What the demo made: folders by cell, files to look at, the figures of the morning."""

    out: Path
    nights: dict[str, Path]
    outcomes: dict[str, list[Outcome]]
    figures: list[Path]
    comparison: Comparison
    certificate: Path | None
    lines: list[str]


def tell(out: Path, say: Say) -> Story:
    """Play the story; everything lands in `out`.

    Raises:
        InputError: `out` holds something already.
    """
    if out.exists() and any(out.iterdir()):
        raise InputError(f"{out}: is not empty; choose another folder with --out, or clear this one")
    logs = out / "logs"
    shelf = Shelf(logs)
    nights: dict[str, Path] = {}
    outcomes: dict[str, list[Outcome]] = {}
    for lamp in LAMPS:
        _register(shelf, lamp)
        say(f"{lamp.cell_id}: {lamp.source}; found at {lamp.as_found_V:.2f} V, {lamp.mass_g:.0f} g")
        outcomes[lamp.cell_id] = []
        for profile in ("charge", "overnight"):
            outcome = _run(logs, lamp, profile)
            outcomes[lamp.cell_id].append(outcome)
            say(f"  {profile}: {outcome.reason} ({outcome.text})")
            if outcome.exit_code:
                break
        if len(outcomes[lamp.cell_id]) == 2:
            nights[lamp.cell_id] = outcomes[lamp.cell_id][1].folder
    say("the morning: figures, comparison, pictures, a certificate")
    return _morning(out, logs, nights, outcomes)


def _register(shelf: Shelf, lamp: Lamp) -> None:
    shelf.add(
        Cell.from_dict(
            {
                "id": lamp.cell_id,
                "form": "18650",
                "chemistry": lamp.chemistry,
                "source": lamp.source,
                "as_found_V": lamp.as_found_V,
                "as_found_utc": EVENING.isoformat(),
                "mass_g": lamp.mass_g,
                "claim_Ah": lamp.claim_Ah,
                "inspection": parse_inspection(["sound"]),
                "declared_rechargeable": True,
            }
        )
    )


def _run(logs: Path, lamp: Lamp, profile: str) -> Outcome:
    options: dict[str, Any] = {}
    if profile == "charge":
        options = {"start_soc": lamp.start_soc, "begin_utc": EVENING}
    session = SimulatedSession(logs, lamp.cell_id, lamp.kind, lamp.seed, **options)
    rig = open_rig(session.description, session.clock, session.open)
    request = Request(lamp.cell_id, profile, logs, present=profile == "charge")
    try:
        return carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
    finally:
        rig.close()
        session.keep()


def _morning(out: Path, logs: Path, nights: dict[str, Path], outcomes: dict[str, list[Outcome]]) -> Story:
    figures: list[Path] = []
    folders = list(nights.values())
    for cell_id, folder in nights.items():
        figures.extend(plot_run(folder, out / "pictures" / f"{cell_id}.png"))
    if folders:
        picture = out / "pictures" / "all-cells.png"
        plot_overlay(folders, picture)
        figures.append(picture)
    comparison = compare(folders)
    lines = comparison_table(comparison).splitlines()
    certificate = _certificate(out, logs, comparison, nights)
    return Story(out, nights, outcomes, figures, comparison, certificate, lines)


def _certificate(out: Path, logs: Path, comparison: Comparison, nights: dict[str, Path]) -> Path | None:
    """Certify the best cell, with a key that belongs to the demo alone."""
    for row in comparison.cells:
        folder = nights.get(row.cell)
        if folder is None or row.capacity_Ah is None:
            continue
        target = out / f"{row.cell}-certificate.pdf"
        try:
            certify(folder, target, key_path=out / "demo-key.pem")
        except AmphoraError:
            continue
        return target
    return None
