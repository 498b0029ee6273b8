"""The main job through real transports: VISA over TCP, a logger on a pseudo-terminal, in other processes."""

import csv
import json
import os
import re
import signal
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from programs import Inside, events_in, rows_in, wait_for

from amphora.harness.archive.journal import read_run


def add(amphora: Any, cell: str = "L3-a") -> None:
    Inside(amphora.folder).call("cell", "add", cell, "--form", "18650", "--chemistry", "li-ion", "--as-found", "4.18 V")


def run_folder(amphora: Any, cell: str = "L3-a") -> Path:
    (folder,) = [path for path in (amphora.logs / cell).iterdir() if path.is_dir()]
    return folder


def rows_of(amphora: Any) -> int:
    try:
        return rows_in(run_folder(amphora))
    except (ValueError, OSError):  # not there yet
        return 0


def discharging(amphora: Any) -> bool:
    """Whether the load has been told to draw, as the run's folder says."""
    try:
        events = events_in(run_folder(amphora))
    except (ValueError, OSError):  # not there yet
        return False
    return any(event["kind"] == "ordered" and event["order"]["kind"] == "discharge" for event in events)


NIGHT = ("--profile", "overnight", "--start", "declared-full", "--current", "0.4 A")
SHORT = ("--cutoff", "3.6 V")  # a night that is over soon: for what happens in it, not for what it measures


def test_a_night_over_tcp_gives_the_simulated_truth_within_the_specification(serve: Any, amphora: Any) -> None:
    served = serve("--cell", "worn-out", "--speed-up", "600")
    add(amphora)
    done = amphora.json("run", "--cell", "L3-a", "--bench", str(served.bench), *NIGHT)
    assert done["stop"] == "cutoff" and done["safe"]
    from amphora.drivers.simulated.bench import SimulatedBench
    from amphora.drivers.simulated.cell import delivered_Ah

    truth_Ah = delivered_Ah(SimulatedBench("worn-out", 1).cell, 0.4, 3.0)
    assert served.truth["capacity_Ah"] == pytest.approx(
        delivered_Ah(SimulatedBench("worn-out", 1).cell, served.truth["current_A"], 3.0)
    )
    # load steps before the discharge take a few mAh of their own, which are in the phase
    assert abs(done["capacity_Ah"] - truth_Ah) < 0.005 * truth_Ah + done["capacity_U_Ah"] + 0.004
    figures = amphora.json("analyse", done["run"])
    assert figures["reached_cutoff"] and figures["start"] == "declared-full"
    assert served.end() == 143


def drained_Ah(ohm: float, cutoff_V: float) -> float:
    """What the simulated cell gives through a resistor, leads and all, down to the cut-off; stepped here."""
    from amphora.drivers.simulated.bench import SimulatedBench

    bench = SimulatedBench("worn-out", 1)
    cell, charge_As, step_s = bench.cell, 0.0, 1.0
    while True:
        current_A = -cell.inner_V() / (ohm + bench.lead_ohm + cell.series_ohm())
        if cell.voltage(current_A) <= cutoff_V:
            return charge_As / 3600.0
        cell.advance(step_s, current_A)
        charge_As -= current_A * step_s


def samples(folder: Path) -> list[dict[str, str]]:
    with (folder / "samples.csv").open(encoding="utf-8") as lines:
        return [row for row in csv.DictReader(lines) if None not in row.values()]  # a last line may be half written


def clipped_on(folder: Path) -> bool:
    rows = samples(folder)
    return float(rows[-2]["voltage_V"]) < float(rows[0]["voltage_V"]) - 0.01


def test_a_resistor_and_a_serial_logger_are_a_bench(serve: Any, amphora: Any) -> None:
    options = ("--resistor", "10 ohm", "--clip-on-after", "1000 h")
    served = serve("--cell", "worn-out", "--speed-up", "300", *options)
    add(amphora)
    lines = served.bench.read_text().splitlines(keepends=True)  # nobody rehearses: no prompt waits at this terminal
    served.bench.write_text("".join(line for line in lines if not line.startswith("hands = ")))
    words = ("run", "--cell", "L3-a", "--profile", "watch-resistor", "--bench", str(served.bench))
    hand, terminal = os.openpty()
    process = amphora.start(*words, "--start", "declared-full", stdin=terminal)

    def asked(name: str) -> bool:
        events = events_in(run_folder(amphora)) if rows_of(amphora) else []
        return any(event["kind"] == "step-begun" and event["name"] == name for event in events)

    wait_for(lambda: asked("connect the resistor"))
    served.process.send_signal(signal.SIGUSR1)
    wait_for(lambda: clipped_on(run_folder(amphora)))
    os.write(hand, b"\n")
    wait_for(lambda: asked("take the resistor off"), 300)
    os.write(hand, b"\n")
    out, err = process.communicate(timeout=100)
    os.close(hand)
    os.close(terminal)
    assert process.returncode == 0 and "ended: cutoff" in out, out + err
    bench = read_run(run_folder(amphora)).run["bench"]
    assert bench["simulated"] is True
    assert [one["shunt"] for one in bench["instruments"].values() if "shunt" in one] == ["10.03 ohm"]
    assert "outputs: this bench has none: see that no resistor is left on the cell" in out
    answer = amphora.json("analyse", str(run_folder(amphora)))
    truth_Ah, u_Ah = drained_Ah(10.0, 3.0), answer["capacity_U_Ah"]
    assert u_Ah < 0.005 * truth_Ah
    # Between hand and keyboard the rows show no current; the analysis counts it, from the fall of the voltage on.
    rows = samples(run_folder(amphora))
    on = next(row for row in rows if float(row["voltage_V"]) < float(rows[0]["voltage_V"]) - 0.01)
    before_s = max(float(row["t_s"]) for row in rows if float(row["t_s"]) < float(on["t_s"]))
    counted = next(row for row in rows if float(row["current_A"]) != 0.0)
    assert all(float(row["current_A"]) == 0.0 for row in rows if float(row["t_s"]) <= before_s), "a current of nothing"
    edge_Ah = (float(on["t_s"]) - before_s) * 0.42 / 3600.0  # where between two rows the clip went on
    assert abs(answer["capacity_Ah"] - truth_Ah) < u_Ah + edge_Ah
    early = "resistor-early-counted" in {one["code"] for one in answer["warnings"]}
    assert early or counted is rows[rows.index(on)]
    graded = amphora.call("grade", "L3-a").stdout
    assert re.search(r"sag at the intended load +\d", graded) and "L3-a: " in graded, graded  # by the clip's resistance


def test_ctrl_c_switches_off_and_resume_goes_on(serve: Any, amphora: Any, tmp_path: Path) -> None:
    served = serve("--cell", "worn-out", "--speed-up", "600")
    add(amphora)
    process = amphora.start("run", "--cell", "L3-a", "--bench", str(served.bench), *NIGHT, *SHORT, "--json")
    wait_for(lambda: discharging(amphora))
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=180)
    assert process.returncode == 130
    answer = json.loads(out)
    assert answer["stop"] == "interrupted" and answer["safe"]
    check = amphora.json("bench", "check", "--bench", str(served.bench))
    assert check["instruments"]["load"]["setup"]["on"] is False
    # The run knows its bench file. On a busy machine hours pass for the cell meanwhile: it may stand quite elsewhere.
    process = amphora.start("resume", answer["run"], "--same-cell")
    wait_for(lambda: rows_of(amphora) > answer["rows"] + 20 or process.poll() is not None)
    assert process.poll() is None, process.communicate()
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=180)
    assert process.returncode == 130 and f"amphora resume {answer['run']}" in out  # what to do next is said
    assert "outputs: off, read back" in out
    again = amphora.json("resume", answer["run"], "--same-cell")
    assert again["stop"] == "cutoff"
    amphora.call("resume", answer["run"], "--bench", str(served.bench), code=2)


def test_a_killed_runner_leaves_the_load_off_within_five_seconds_and_a_folder_to_go_on_from(
    serve: Any, amphora: Any
) -> None:
    served = serve("--cell", "worn-out", "--speed-up", "600")
    add(amphora)
    process = amphora.start("run", "--cell", "L3-a", "--bench", str(served.bench), *NIGHT, *SHORT)
    wait_for(lambda: discharging(amphora))
    process.kill()
    process.communicate()

    def made_safe() -> bool:
        events = events_in(run_folder(amphora))
        return any(event["kind"] == "made-safe" and event["by"] == "keeper" and event["off"] for event in events)

    wait_for(made_safe)
    check = amphora.json("bench", "check", "--bench", str(served.bench))
    assert check["instruments"]["load"]["setup"]["on"] is False
    # On a machine that stood still the hurried cell recovers far: it is the same one, whoever asks.
    again = amphora.json("resume", str(run_folder(amphora)), "--bench", str(served.bench), "--same-cell")
    assert again["stop"] == "cutoff"


def test_a_run_on_a_bench_that_another_run_uses_is_refused(serve: Any, amphora: Any) -> None:
    served = serve("--cell", "worn-out", "--speed-up", "60")
    add(amphora)
    add(amphora, "L3-b")
    process = amphora.start("run", "--cell", "L3-a", "--bench", str(served.bench), *NIGHT)
    wait_for(lambda: rows_of(amphora) > 10)
    refused = amphora.call("run", "--cell", "L3-b", "--bench", str(served.bench), *NIGHT, code=4)
    assert "is in use" in refused.stderr or "already" in refused.stderr
    assert "a run" in refused.stderr
    folder = run_folder(amphora)
    amphora.call("resume", str(folder), "--bench", str(served.bench), code=4)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=180)
    assert process.returncode == 143


def test_what_something_left_on_is_switched_off_by_hand_and_a_running_bench_is_left_to_its_run(
    serve: Any, amphora: Any
) -> None:
    served = serve("--cell", "worn-out", "--speed-up", "60")
    resource = re.search(r'resource = "(TCPIP[^"]+)"', served.bench.read_text())[1]  # type: ignore[index]
    _, host, port, _ = resource.split("::")
    add(amphora)

    def ask(words: str) -> str:
        with socket.create_connection((host, int(port)), timeout=60.0) as link:
            link.sendall(words.encode("ascii") + b"\n")
            return link.recv(100).decode("ascii").strip()

    assert ask("SOUR:FUNC CURR;:CURR 0.3;:INP ON;:INP?") == "1"  # a computer died, and left it so
    told = json.loads(amphora.call("bench", "off", "--bench", str(served.bench), "--json").stdout)
    assert told["off"] and set(told["instruments"]) == {"load", "supply"}
    assert ask("INP?") == "0"
    process = amphora.start("run", "--cell", "L3-a", "--bench", str(served.bench), *NIGHT)
    try:
        wait_for(lambda: rows_of(amphora) > 100)
        refused = amphora.call("bench", "off", "--bench", str(served.bench), code=4)
        assert f"process {process.pid}" in refused.stderr
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=180)
    served.process.kill()
    served.process.wait(timeout=180)
    gone = amphora.call("bench", "off", "--bench", str(served.bench), code=4)
    assert "pull the leads at the cell now" in gone.stderr and "NOT KNOWN TO BE OFF" in gone.stdout


def test_servers_that_vanish_end_the_run_with_instrument_trouble(serve: Any, amphora: Any) -> None:
    served = serve("--cell", "worn-out", "--speed-up", "60")
    add(amphora)
    process = amphora.start("run", "--cell", "L3-a", "--bench", str(served.bench), *NIGHT, "--json")
    wait_for(lambda: rows_of(amphora) > 100)
    served.process.kill()
    wait_for(lambda: events_in(run_folder(amphora))[-1]["kind"] == "stopped")
    process.send_signal(signal.SIGINT)  # the keeper tries for a minute: nobody has to wait for it
    out, _ = process.communicate(timeout=180)
    answer = json.loads(out)
    assert process.returncode == 4 and answer["stop"] == "instrument"
    assert not answer["safe"] and "PULL" in answer["text"].upper()


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        (lambda text: text.replace("AMPHORA SIM,LOAD", "SOMEBODY,ELSE"), 4, "SOMEBODY"),
        (lambda text: text.replace('role = "load"', 'role = "lode"'), 2, "lode"),
        (lambda text: text.replace("::SOCKET", "::SOCKETS"), 2, "no VISA string"),
        (lambda text: text + "\n[nonsense]\n", 2, "nonsense"),
        (lambda text: text.replace("[cell]", "[cell"), 2, "TOML"),
    ],
)
def test_a_wrong_bench_file_gets_one_sentence_and_switches_nothing_on(
    serve: Any, amphora: Any, change: Callable[[str], str], code: int, words: str
) -> None:
    served = serve("--cell", "worn-out")
    add(amphora)
    served.bench.write_text(change(served.bench.read_text()))
    done = Inside(amphora.folder).call("run", "--cell", "L3-a", "--bench", str(served.bench), *NIGHT, code=code)
    last = done.stderr.strip().splitlines()[-1]
    assert words in done.stderr and last.startswith("amphora: ")
