"""What a person does first, at a terminal, on a bench of real links that does not say that it is simulated."""

import contextlib
import os
import subprocess
import sys
import termios
from pathlib import Path
from typing import Any

import pytest
from programs import PROGRAM, Inside

# A simulated night may be over before the second line is due; how many there are must not tell how fast it was.
EVERY_READING_SHOWN = """
import amphora.harness.running.runner
amphora.harness.running.runner.SHOWN_EVERY_S = 0.0
from amphora.harness.cli.app import main
main()
"""


@pytest.fixture
def real(serve: Any, tmp_path: Path) -> Path:
    """A bench file of real links: the word that nothing of it is real is taken out."""
    served = serve("--cell", "li-ion", "--speed-up", "600", "--start-soc", "0.4")
    text = served.bench.read_text()
    assert "simulated = true\n" in text
    text = "".join(line for line in text.splitlines(keepends=True) if not line.startswith("hands = "))
    file = tmp_path / "hall.toml"
    alarms = '\n[alarms]\ncommand = ["false"]\n'
    file.write_text(text.replace("simulated = true\n", "").replace('"simulated bench"', '"hall"') + alarms)
    return file


def at_a_terminal(amphora: Any, typed: str, *words: str) -> "subprocess.CompletedProcess[str]":
    """Call the program at a terminal where somebody types."""
    hand, terminal = os.openpty()
    try:
        os.write(hand, typed.encode())
        return subprocess.run(
            [*PROGRAM, *words], stdin=terminal, capture_output=True, text=True, env=amphora.environment, timeout=180
        )
    finally:
        os.close(hand)
        os.close(terminal)


def test_at_a_terminal_the_hand_meters_voltage_is_asked_for_and_has_to_agree(real: Path, amphora: Any) -> None:
    Inside(amphora.folder).call(
        "cell", "add", "c", "--form", "18650", "--chemistry", "li-ion", "--source", "hall lamp 3"
    )
    words = ("run", "--cell", "c", "--profile", "overnight", "--bench", str(real))
    done = at_a_terminal(amphora, "3.00 V\n", *words)
    assert "Hand meter at the cell, with its sign" in done.stderr
    assert done.returncode == 3
    assert "the hand meter read 3.000 V" in done.stdout and "agree within 50 mV" in done.stdout
    assert "At the cell: a fuse of 2 A" in done.stderr
    assert "an alarm did not get through: command: " in done.stderr  # and has changed nothing
    done = at_a_terminal(amphora, "-3.70 V\n", *words)
    assert done.returncode == 1 and "the wrong way round" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_charge_with_a_sensor_that_nobody_warms_is_refused_and_nothing_was_on(real: Path, amphora: Any) -> None:
    words = ("cell", "add", "c", "--form", "18650", "--chemistry", "li-ion", "--source", "hall lamp 3")
    Inside(amphora.folder).call(*words, "--rechargeable", "--inspection", "sound")
    charge = ("run", "--cell", "c", "--profile", "charge", "--bench", str(real), "--present")
    done = at_a_terminal(amphora, "\n", *charge)
    assert done.returncode == 1, done.stderr
    assert "between two fingers" in done.stderr and "3 K are needed" in done.stderr
    assert "! no hand-meter voltage was typed in" in done.stderr
    # and with nobody at the terminal it is refused at once
    alone = amphora.call(*charge, code=1)
    assert "nobody is at the terminal to warm it" in alone.stderr
    assert not list((amphora.logs / "c").glob("*-charge"))
    checked = at_a_terminal(amphora, "", "bench", "check", "--bench", str(real), "--sensor")
    assert checked.returncode == 1 and "NOT fit for a run" in checked.stdout


def test_at_a_narrow_terminal_progress_is_one_line_that_is_written_over(amphora: Any) -> None:
    Inside(amphora.folder).call("cell", "add", "c", "--form", "18650", "--chemistry", "li-ion")
    hand, terminal = os.openpty()
    termios.tcsetwinsize(terminal, (24, 60))
    words = ("run", "--cell", "c", "--profile", "overnight", "--bench", "simulated")
    process = subprocess.Popen(
        [sys.executable, "-c", EVERY_READING_SHOWN, *words],
        stdin=terminal,
        stdout=subprocess.DEVNULL,
        stderr=terminal,
        env=amphora.environment,
    )
    os.close(terminal)
    heard = bytearray()
    with contextlib.suppress(OSError):  # the other side has hung up: that is the end
        while more := os.read(hand, 65536):
            heard += more
    os.close(hand)
    assert process.wait(timeout=180) == 0
    written = [line for line in heard.decode().replace("\r\n", "\n").split("\r\x1b[2K") if "\n" not in line]
    assert len(written) > 3 and any("step 3, discharge" in line for line in written)
    assert all(len(line) < 60 for line in written)  # the terminal's width: a wrapped line stays behind
    remarks = [line for line in heard.decode().split("\n") if "current zero" in line]
    assert remarks and all(line.rpartition("\x1b[2K")[2].startswith("  current zero") for line in remarks)
