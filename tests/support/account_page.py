"""The output that docs/account.md shows: one cell over seven runs on the simulated bench.

`python -m tests.support.account_page` prints it; who changes what it says puts it into the page.
"""

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

from typer.testing import CliRunner

from amphora.drivers.simulated.cell import KINDS, SimulatedCell
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.running.session import Request, carry_out, open_rig
from amphora.harness.running.simulated_session import SimulatedSession
from tests.support.meddling import drain, left, wait

EVENING = datetime(2026, 11, 20, 17, 30, tzinfo=UTC)
SEEN = {"swelling": "none", "leak": "none", "dents": "none", "rust": "none", "wrapper": "sound", "smell": "none"}


def run(logs: Path, profile: str, **first: object) -> None:
    """Make one run on the simulated bench."""
    session = SimulatedSession(logs, "L3-a", "aged-li-ion", 3, **first)
    rig = open_rig(session.description, session.clock, session.open)
    request = Request("L3-a", profile, logs, present=profile == "charge")
    try:
        carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
    finally:
        rig.close()
        session.keep()


def show(logs: Path, title: str, *words: str) -> None:
    """Print a command and what it answers."""
    command = words or ("cell", "show", "L3-a")
    done = CliRunner().invoke(app, [*command, "--logs", str(logs)], terminal_width=120)
    said = " ".join(f"'{word}'" if " " in word else word for word in command)
    print(f"== {title}\n$ amphora {said}\n{done.stdout}")


def main() -> None:
    """Live the cell and print each stage."""
    logs = Path(tempfile.mkdtemp(prefix="amphora-page-")) / "logs"
    data = {
        "id": "L3-a", "form": "18650", "chemistry": "li-ion", "as_found_V": 3.71, "as_found_utc": EVENING.isoformat(),
        "declared_rechargeable": True, "inspection": SEEN,
    }  # fmt: skip
    Shelf(logs).add(Cell.from_dict(data))
    run(logs, "charge", cell=SimulatedCell(KINDS["aged-li-ion"], 0.4, 20.0), begin_utc=EVENING)
    show(logs, "charge")
    run(logs, "overnight")
    show(logs, "the night after it")
    kept = left(logs, "L3-a")
    at = kept.utc + timedelta(hours=14)
    copied = kept.cell.copy()
    copied.rest(14 * 3600.0)
    volt = f"{copied.voltage(0.0):.3f} V"
    show(logs, "by hand", "cell", "check", "L3-a", "--as-found", volt, "--at", f"{at:%Y-%m-%d %H:%M}+00:00")
    wait(logs, "L3-a", timedelta(hours=14))
    run(logs, "charge")
    show(logs, "charged again")
    wait(logs, "L3-a", timedelta(hours=23))
    run(logs, "charge")
    show(logs, "a day at full, filled up")
    run(logs, "overnight")
    show(logs, "the second night")
    wait(logs, "L3-a", timedelta(hours=14))
    run(logs, "charge")
    drain(logs, "L3-a", 0.62)
    run(logs, "overnight")
    show(logs, "used in between")


if __name__ == "__main__":
    main()
