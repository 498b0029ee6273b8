"""A night in short on the board's own program: `amphora run` drives it, the computer dies, it opens by itself.

Beats and cell are the campaign's (tests/campaign/firmware.py), the cell holds 5 and 10 mAh.
"""

import subprocess
from pathlib import Path

import pytest

from tests.campaign.firmware import PORT, spend

HOME = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def micropython(tmp_path_factory: pytest.TempPathFactory) -> str:
    """MicroPython's WebAssembly port; taken from npm where it is not there yet (1 MB)."""
    for folder in (HOME, tmp_path_factory.mktemp("npm")):
        found = folder / "node_modules" / PORT / "micropython.mjs"
        if found.exists():
            return str(found)
    subprocess.run(
        ["npm", "install", "--no-audit", "--no-fund", "--prefix", str(folder), f"{PORT}@1.27.0"],
        check=True, capture_output=True,
    )  # fmt: skip
    return str(found)


def test_a_night_of_the_avr_program_ends_at_the_cut_off_though_the_computer_died(tmp_path: Path) -> None:
    night = spend("avr", 3, kills=1, capacity_Ah=0.005, speed=4.0, wall_s=500.0)
    assert not night.wrong and night.kills == 1 and night.stops[-1] == "cutoff", night


def test_a_night_under_micropython_ends_at_the_cut_off_though_the_computer_died(micropython: str) -> None:
    night = spend("micropython", 3, kills=1, capacity_Ah=0.01, speed=8.0, micropython=micropython, wall_s=500.0)
    assert not night.wrong and night.kills == 1 and night.stops[-1] == "cutoff", night
