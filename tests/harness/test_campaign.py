"""Promises of the campaign itself: a broken promise is seen, its bound is right, a long one goes on."""

import json
import math
import sys
from pathlib import Path

import pytest

import tests.campaign.__main__ as campaign
from amphora.harness.archive.journal import JournalWriter
from tests.campaign import cells, kills, nights
from tests.support.simulation import described_faults, faults


def test_a_night_whose_outputs_stay_on_is_a_broken_promise(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(faults.CATALOGUE, "off never works", faults.HOPELESS["off never works"])
    told = [nights.spend(seed, "off never works") for seed in range(1, 6)]
    assert any(night.fired and "an output is still on" in night.wrong for night in told)


def test_a_reading_that_is_not_written_is_a_broken_promise(monkeypatch: pytest.MonkeyPatch) -> None:
    real, count = JournalWriter.append_row, [0]

    def forgetful(self: JournalWriter, *row: object) -> None:
        count[0] += 1
        if count[0] % 50:
            real(self, *row)  # type: ignore[arg-type]

    monkeypatch.setattr(JournalWriter, "append_row", forgetful)
    night = nights.spend(3, "clock set back")
    assert any("readings are not in the folder" in text for text in night.wrong)


@pytest.mark.parametrize("name", sorted(set(nights.DEATHS) - {nights.LOST}))
def test_a_night_in_which_the_process_or_the_computer_dies_goes_on(name: str) -> None:
    told = [nights.spend(seed, name) for seed in range(1, 5)]
    assert all(night.fired and not night.wrong for night in told), told
    assert any(night.reason in ("cutoff", "taper") for night in told)


def test_a_night_whose_disk_lost_confirmed_rows_says_so_and_is_not_taken_up() -> None:
    told = [nights.spend(seed, nights.LOST) for seed in range(1, 7)]
    assert not any(night.wrong for night in told), told
    struck = [night for night in told if night.fired]  # in the others no row had been confirmed yet
    assert struck and all(night.reason == "refused" for night in struck)
    assert all("the disk has lost what it had confirmed" in night.text for night in struck)


@pytest.mark.parametrize("name", [entry[0] for entry in described_faults.ENTRIES])
def test_a_night_with_each_lie_of_a_described_device_keeps_its_promises_and_the_lie_was_told(name: str) -> None:
    told = [nights.spend(seed, name) for seed in (1, 6)]
    assert any(night.fired for night in told) and not any(night.wrong for night in told), told


@pytest.mark.parametrize("seed", [0, 2, 8], ids=["crc", "reboots", "drift"])
def test_a_runner_killed_while_its_described_device_lies_leaves_it_off(seed: int) -> None:
    kill = kills.with_lie(seed)
    assert not kill.wrong, kill


def test_the_bound_is_the_exact_one() -> None:
    # Clopper and Pearson (Biometrika 26, 1934): with none in N the upper bound p solves (1 - p)^N = 0.05.
    for count in (1, 80, 10_000):
        assert math.isclose(campaign.upper_bound(0, count), 1.0 - 0.05 ** (1.0 / count), rel_tol=1e-9)
    # One in N: (1-p)^N + N p (1-p)^(N-1) = 0.05.
    p = campaign.upper_bound(1, 100)
    assert math.isclose((1 - p) ** 100 + 100 * p * (1 - p) ** 99, 0.05, rel_tol=1e-6)
    assert campaign.upper_bound(5, 5) == 1.0


def test_a_campaign_that_was_cut_short_goes_on_and_other_sources_begin_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "nights.jsonl"

    def run(count: int) -> str:
        words = ["campaign", "--nights", str(count), "--first", "40", "--workers", "1", "--out", str(out)]
        monkeypatch.setattr(sys, "argv", words)
        assert campaign.main() == 0
        return capsys.readouterr().out

    run(2)
    with out.open("a", encoding="utf-8") as file:
        file.write('{"seed": 42, "torn')
    assert "2 nights of these sources stand" in run(3)
    summary = json.loads(out.read_text(encoding="utf-8").splitlines()[-1])["summary"]
    assert summary["nights"] == 3 and summary["broken"] == 0 and summary["seeds"] == [40, 42]
    assert summary["upper_bound_95"] == pytest.approx(1.0 - 0.05 ** (1.0 / 3.0), abs=1e-6)
    monkeypatch.setattr(campaign, "fingerprint", lambda: "other")
    assert "stand in" not in run(1)


def test_a_cell_that_no_meter_at_hand_could_measure_is_counted_as_not_lived_and_never_as_passed() -> None:
    """Of four shorted cells of seed 78 one is refused at plan time: it has no verdict, and so no healthy one."""
    short = {"sickness": "short", "leak_percent_per_day": 20.0}
    no = {"may": dict.fromkeys(cells.VERDICTS, "ask")}
    yes = {"may": {**no["may"], "match": "yes"}}
    lives = [
        cells.Life(number, 78, "li-ion", "sick", short, said=said)
        for number, said in enumerate(({"week": no}, {}, {"night 1": no, "week": yes}))
    ]
    told = "\n".join(cells.table(lives))
    assert "short: 2 cells, 1 without any healthy verdict at the end; 1 more not lived" in told
    assert "not lived" not in "\n".join(cells.table(lives[::2]))
