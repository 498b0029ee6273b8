"""Two bays as people run them: processes of their own, and what befalls one never reaches the other."""

import signal
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest
import tomlkit
from programs import Program, Served, events_in, rows_in, wait_for

from amphora.harness.common.locks import process_start
from amphora.harness.queue.journal import QueueJournal
from amphora.harness.queue.room import Place

MOST_MB = 60.0  # runner and watchdog of a bay together, PSS


class Bag(Program):
    """Two simulated benches as the bays of one bench file, and a queue at work on them."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        # A run that may write no large file must leave no half of a compiled module behind for others.
        self.environment["PYTHONDONTWRITEBYTECODE"] = "1"
        self.served: dict[str, Served] = {}
        bench: dict[str, Any] = {
            "name": "two bays", "simulated": True, "attended": {"hours": "00:00-23:59"},
            "smoke_alarm": {"file": str(folder / "smoke"), "alarm_when": "1"}, "bays": {},
        }  # fmt: skip
        (folder / "smoke").write_text("0\n")
        for name in ("a", "b"):
            (folder / name).mkdir()
            self.served[name] = Served(folder / name, "--seed", "3" if name == "a" else "4")
            data = tomllib.loads(self.served[name].bench.read_text())
            kept = {key: data[key] for key in ("leads", "instruments", "cell") if key in data}
            bench["bays"][name] = {"fuse": "2 A", "place": f"tile {name}", **kept}
        self.file = folder / "bench.toml"
        self.file.write_text(tomlkit.dumps(bench))
        for cell in ("A1", "A2"):
            self.call("cell", "add", cell, "--form", "18650", "--chemistry", "li-ion", "--as-found", "3.7 V",
                      "--inspection", "sound")  # fmt: skip
        self.call("queue", "add", "A1", "A2")

    def run(self) -> Any:
        return self.start("queue", "run", "--bench", str(self.file), "--hands-done")

    def place(self, cell: str) -> Place:
        journal = QueueJournal(self.logs)
        return journal.refresh().places[cell]

    def folder_of(self, cell: str) -> Path:
        return max((self.logs / cell).glob("*Z-*"), default=self.logs / "none")

    def at_work(self) -> list[int]:
        """The runs at work on either bay, and their keepers."""
        found = []
        for process in psutil.process_iter(["cmdline"]):
            words = process.info["cmdline"] or []
            found += [process.pid] if any(word.startswith(f"{self.file}#") for word in words) else []
        return found

    def said(self, kind: str, cell: str) -> int:
        lines = (self.logs / "queue.jsonl").read_text().splitlines()
        return sum(f'"kind":"{kind}"' in line and f'"cell":"{cell}"' in line for line in lines)


@pytest.fixture
def bag(tmp_path: Path) -> Iterator[Bag]:
    made = Bag(tmp_path)
    yield made
    for one in made.served.values():
        one.process.send_signal(signal.SIGCONT)
        one.end()


def amiss(folder: Path) -> list[dict[str, Any]]:
    return [event for event in events_in(folder) if event["kind"] in ("gap", "instrument-error")]


def processes_of(pid: int) -> list[psutil.Process]:
    return [psutil.Process(pid), *psutil.Process(pid).children(recursive=True)]


def test_what_befalls_one_bay_does_not_reach_the_other(bag: Bag) -> None:
    queue = bag.run()
    wait_for(lambda: all((bag.logs / "queue.jsonl").exists() and rows_in(bag.folder_of(c)) > 3 for c in ("A1", "A2")))
    first, other = bag.place("A1"), bag.place("A2")
    # memory, and nothing that only analysis needs
    for place in (first, other):
        pss_MB = 0.0
        for process in processes_of(place.pid):
            maps = Path(f"/proc/{process.pid}/maps").read_text()
            assert not [name for name in ("numpy", "pandas", "scipy", "matplotlib") if f"/{name}/" in maps]
            pss_MB += process.memory_full_info().pss / 2**20
        assert pss_MB <= MOST_MB
    # the instruments of one bay stand still: the other's readings come on time
    bag.served["a"].process.send_signal(signal.SIGSTOP)
    wait_for(lambda: bool(amiss(bag.folder_of("A1"))))
    rows = rows_in(bag.folder_of("A2"))
    wait_for(lambda: rows_in(bag.folder_of("A2")) > rows + 3)
    bag.served["a"].process.send_signal(signal.SIGCONT)
    assert not amiss(bag.folder_of("A2"))
    at = rows_in(bag.folder_of("A1"))
    wait_for(lambda: rows_in(bag.folder_of("A1")) > at)  # it goes on, or the queue lets it go on
    first, before = bag.place("A1"), bag.said("ended", "A1")
    # the disk refuses one bay's readings: its outputs go off, and it says so
    psutil.Process(first.pid).rlimit(psutil.RLIMIT_FSIZE, (1000, 1000))
    wait_for(lambda: bag.said("ended", "A1") > before)
    wait_for(lambda: bag.place("A1").pid not in (0, first.pid))
    before = bag.said("ended", "A1")
    # a runner is killed: its watchdog switches off, the run goes on
    killed = bag.place("A1")
    psutil.Process(killed.pid).kill()
    wait_for(lambda: bag.said("ended", "A1") > before)
    # the queue itself is killed, the other bay's run goes on and is found again
    queue.kill()
    queue.communicate()
    assert process_start(other.pid) is not None
    queue = bag.run()
    rows = rows_in(bag.folder_of("A2"))
    wait_for(lambda: rows_in(bag.folder_of("A2")) > rows + 3)
    assert bag.place("A2").pid == other.pid and bag.said("ended", "A2") == 0
    # the queue is dead, and there is smoke: each run reads the alarm itself
    queue.kill()
    queue.communicate()
    (bag.folder / "smoke").write_text("1\n")
    wait_for(lambda: not bag.at_work())
    end = events_in(bag.folder_of("A2"))[-1]
    assert (end["kind"], end["reason"], end["safe"], end["final"]) == ("stopped", "guard:smoke-alarm", True, False)
    assert not amiss(bag.folder_of("A2"))
    # a queue that comes later finds out why they ended, and begins nothing though the alarm is quiet again
    (bag.folder / "smoke").write_text("0\n")
    queue = bag.run()
    wait_for(lambda: bag.said("ended", "A2") == 1)
    wait_for(lambda: bool(QueueJournal(bag.logs).refresh().alarm))
    queue.send_signal(signal.SIGTERM)
    _, err = queue.communicate(timeout=120)
    assert queue.returncode == 143, err
    assert bag.place("A2").state == "paused" and not QueueJournal(bag.logs).refresh().bays["b"].stopped
    # without a queue: refused while it sounds, ended when it begins to
    run = ("resume", str(bag.folder_of("A2")), "--bench", f"{bag.file}#b")
    (bag.folder / "smoke").unlink()  # an input that cannot be read is an alarm, too
    refused = bag.call(*run, code=1)
    assert "cannot be read" in refused.stderr and "nothing was switched on" in refused.stderr
    (bag.folder / "smoke").write_text("0\n")
    rows, alone = rows_in(bag.folder_of("A2")), bag.start(*run)
    wait_for(lambda: rows_in(bag.folder_of("A2")) > rows)
    (bag.folder / "smoke").write_text("1\n")
    out, err = alone.communicate(timeout=120)
    assert alone.returncode == 3 and "smoke or heat alarm says '1'" in out + err, err
    end = events_in(bag.folder_of("A2"))[-1]
    assert (end["kind"], end["reason"], end["safe"]) == ("stopped", "guard:smoke-alarm", True)
