"""Promises of the account over evenings and nights on the simulated bench: a sick cell beside a healthy one."""

import contextlib
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from amphora.harness.account.answer import analyse_run
from amphora.harness.account.asking import standing_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.cells.cell import Cell
from amphora.harness.cli.app import app
from amphora.harness.common.errors import AmphoraError, Refused
from amphora.harness.running.session import Request, carry_out, open_rig
from amphora.harness.running.simulated_session import SimulatedSession, load_kept, store_kept
from tests.support.meddling import drain, wait

pytestmark = pytest.mark.usefixtures("coarse")
EVENING = datetime(2026, 3, 13, 17, 30, tzinfo=UTC)


def add(logs: Path, name: str = "hall-1", **changes) -> None:
    data = {
        "id": name, "form": "18650", "chemistry": "li-ion", "source": "path light by the gate", "as_found_V": 3.62,
        "as_found_utc": EVENING.isoformat(), "declared_rechargeable": True, "inspection": {"swelling": "none"},
        **changes,
    }  # fmt: skip
    Shelf(logs).add(Cell.from_dict(data))


def run(
    logs: Path,
    profile: str,
    name: str = "hall-1",
    *,
    short_ohm=None,
    kind="worn-out",
    start=None,
    in_spite_of=(),
    **options,
):
    """Make one run on the simulated bench; the short is in the cell from its beginning on."""
    if load_kept(logs, name) is None:
        options = {"start_soc": 0.4, "begin_utc": EVENING, **options}
    session = SimulatedSession(logs, name, kind, 3, **options)
    if short_ohm is not None:
        session.bench.cell.short_ohm = short_ohm
    rig = open_rig(session.description, session.clock, session.open)
    request = Request(name, profile, logs, present=profile == "charge", start=start, in_spite_of=in_spite_of)
    try:
        return carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
    finally:
        rig.close()
        session.keep()


def cli(logs: Path, *words: str):
    done = CliRunner().invoke(app, [*words, "--logs", str(logs)])
    if isinstance(done.exception, AmphoraError):  # what the program's own entry prints and ends with
        return done.exception.exit_code, str(done.exception)
    return done.exit_code, done.output


def shown(logs: Path, name: str = "hall-1") -> dict:
    return json.loads(CliRunner().invoke(app, ["cell", "show", name, "--logs", str(logs), "--json"]).stdout)["standing"]


@pytest.fixture(scope="module")
def healthy(tmp_path_factory) -> Path:
    """A shelf with a healthy cell: charged, and its night."""
    logs = tmp_path_factory.mktemp("healthy")
    add(logs)
    run(logs, "charge")
    run(logs, "overnight")
    return logs


def test_a_healthy_night_is_full_and_says_what_the_contract_asks(healthy):
    standing = shown(healthy)
    (night,) = healthy.glob("hall-1/*-overnight")
    assert analyse_run(night).start == "full" and standing["capacity_run"] == night.name
    assert standing["it_from"] == "measured" and standing["it_Ah"] == standing["capacity_Ah"]
    assert standing["capacity_item_U_Ah"] > standing["capacity_U_Ah"] > 0
    assert standing["charge_now_Ah"]["low"] == 0.0 and standing["charge_now_Ah"]["high"] < 0.1
    assert set(standing["may"]) == {"charge", "discharge", "grade", "match", "certify"}
    assert not [item for item in standing["findings"] if item["strength"] != "reported"]
    assert standing["may"]["charge"]["verdict"] == "yes" and standing["may"]["certify"]["verdict"] in ("yes", "ask")
    analysed = json.loads(CliRunner().invoke(app, ["analyse", str(night), "--json"]).stdout)
    assert analysed["capacity_item_U_Ah"] == pytest.approx(standing["capacity_item_U_Ah"])


@pytest.mark.parametrize("soc", [0.2, 0.5, 0.8])
def test_a_cell_drained_between_its_charge_and_its_night_is_not_full(tmp_path, soc):
    add(tmp_path)
    run(tmp_path, "charge")
    drain(tmp_path, "hall-1", soc)
    night = run(tmp_path, "overnight").folder
    result = analyse_run(night)
    assert result.start == "unknown" and any("same" in warning.code for warning in result.warnings)
    standing = shown(tmp_path)
    assert standing["capacity_Ah"] is None and any("same" in item["code"] for item in standing["findings"])
    assert cli(tmp_path, "certify", str(night), "--out", str(tmp_path / "c.pdf"))[0] == 1
    assert not (tmp_path / "c.pdf").exists()
    graded = json.loads(CliRunner().invoke(app, ["grade", str(night), "--json"]).stdout)["grades"][0]
    assert graded["grade"] is None


def test_a_second_night_is_what_was_left_and_hides_nothing(healthy, tmp_path):
    import shutil

    logs = tmp_path / "logs"
    shutil.copytree(healthy, logs)
    held = shown(logs)["capacity_Ah"]
    with pytest.raises(Refused, match="declared full"):
        run(logs, "overnight", start="declared-full")
    run(logs, "overnight")
    assert shown(logs)["capacity_Ah"] == held
    listed = json.loads(CliRunner().invoke(app, ["cell", "list", "--logs", str(logs), "--json"]).stdout)["cells"]
    assert listed[0]["capacity_Ah"] == held
    compared = json.loads(CliRunner().invoke(app, ["compare", "--all", "--logs", str(logs), "--json"]).stdout)
    assert [row["capacity_Ah"] for row in compared["cells"]] == [held]


@pytest.mark.parametrize("short_ohm", [800.0, 200.0, 50.0])
def test_a_shorted_cell_gets_no_healthy_verdict_after_its_first_night(tmp_path, short_ohm):
    """The guard may stop the charge, or keep the cell apart; what goes through is seen by the account."""
    add(tmp_path)
    run(tmp_path, "charge", short_ohm=short_ohm)
    with contextlib.suppress(Refused):
        run(tmp_path, "overnight", short_ohm=short_ohm)
    standing = standing_of(Shelf(tmp_path), "hall-1")
    assert all(standing.may[act].verdict != "yes" for act in ("match", "certify", "grade"))
    assert standing.may["match"].verdict == "no"
    for night in tmp_path.glob("hall-1/*-overnight"):
        assert cli(tmp_path, "certify", str(night), "--out", str(tmp_path / "c.pdf"))[0] == 1
        graded = json.loads(CliRunner().invoke(app, ["grade", str(night), "--json"]).stdout)["grades"][0]
        assert graded["grade"] not in ("full duty", "steady duty")
    done = CliRunner().invoke(app, ["label", "hall-1", "--out", str(tmp_path / "l.pdf"), "--logs", str(tmp_path)])
    assert done.exit_code == 0
    if short_ohm == 800.0:  # the guard lets it through
        assert standing.leak.low > 0 and {"leak", "recovery-falls"} & {item.code for item in standing.findings}


def test_a_dated_voltage_settles_what_one_night_leaves_open(healthy, tmp_path):
    import shutil

    logs = tmp_path / "logs"
    shutil.copytree(healthy, logs)
    before = standing_of(Shelf(logs), "hall-1")
    wait(logs, "hall-1", timedelta(hours=14))
    kept = load_kept(logs, "hall-1")
    volt = kept.cell.voltage(0.0)
    words = ("cell", "check", "hall-1", "--as-found", f"{volt:.3f} V", "--at", kept.utc.isoformat())
    code, _ = cli(logs, *words)
    assert code == 0
    after = standing_of(Shelf(logs), "hall-1")
    assert after.leak.high <= min(before.leak.high, 0.10) and after.may["certify"].verdict == "yes"
    assert [item.kind for item in Shelf(logs).get("hall-1").entries] == ["found", "check"]
    (night,) = logs.glob("hall-1/*-overnight")
    assert cli(logs, "certify", str(night), "--out", str(tmp_path / "c.pdf"))[0] == 0
    # The same cell with a leak of a fifth of its capacity a day would have fallen far below.
    later = (kept.utc + timedelta(hours=14)).isoformat()
    cli(logs, "cell", "check", "hall-1", "--as-found", "2.60 V", "--at", later)
    assert standing_of(Shelf(logs), "hall-1").may["match"].verdict == "no"
    assert len(Shelf(logs).get("hall-1").entries) >= 3  # none was overwritten


@pytest.mark.parametrize(
    "changes",
    [
        {"inspection": {"swelling": "yes"}},
        {"mass_g": 25.0},
        {"inspection": {"dents": "slight"}, "state": "quarantined"},
        {"state": "quarantined"},
        {"state": "retired"},
        {"as_found_V": -3.7},
    ],
)
@pytest.mark.parametrize("profile", ["charge", "overnight"])
def test_what_keeps_a_cell_apart_keeps_it_from_every_run(tmp_path, changes, profile):
    add(tmp_path, **changes)
    with pytest.raises(Refused):
        run(tmp_path, profile)
    assert Shelf(tmp_path).runs("hall-1") == []


def test_a_cell_that_was_never_inspected_is_asked_about_on_a_real_bench():
    from amphora.harness.account.fold import fold
    from amphora.harness.account.gate import require

    cell = Cell("a", form="18650", chemistry="li-ion", as_found_V=3.6)
    with pytest.raises(Refused, match="never-inspected"):
        require(cell, fold(cell, []), ("charge",), simulated=False)
    require(cell, fold(cell, []), ("charge",), simulated=True)


def test_swapped_probes_retire_nothing_and_a_mass_alone_keeps_nothing_apart(tmp_path):
    code, _ = cli(tmp_path, "cell", "add", "a", "--form", "18650", "--chemistry", "li-ion", "--as-found=-3.7 V")
    assert code == 1 and Shelf(tmp_path).get("a").state == "quarantined"
    code, _ = cli(tmp_path, "cell", "check", "a", "--as-found", "3.7 V")
    assert code == 0 and Shelf(tmp_path).get("a").state == "found"
    cli(tmp_path, "cell", "add", "b", "--form", "18650", "--chemistry", "li-ion")
    cli(tmp_path, "cell", "check", "b", "--mass", "44 g")
    assert Shelf(tmp_path).get("b").state == "found"
    cli(tmp_path, "cell", "check", "b", "--mass", "33 g")
    kept_apart = Shelf(tmp_path).get("b")
    assert kept_apart.state == "quarantined" and kept_apart.quarantined_since


def test_corrections_are_entries_and_a_removed_cell_lies_in_the_wastebasket(healthy, tmp_path):
    import shutil

    logs = tmp_path / "logs"
    shutil.copytree(healthy, logs)
    before = {path: path.read_bytes() for path in logs.glob("hall-1/*/run.json")}
    assert cli(logs, "cell", "edit", "hall-1", "--source", "the other gate", "--why", "a slip", "--by", "M. L.")[0] == 0
    cell = Shelf(logs).get("hall-1")
    assert cell.source == "the other gate" and cell.entries[-1].changed["source"][0] == "path light by the gate"
    assert cell.entries[-1].by == "M. L." and {path: path.read_bytes() for path in before} == before
    assert cli(logs, "cell", "edit", "hall-1", "--source", "the other gate")[0] == 2
    assert cli(logs, "cell", "edit", "hall-1", "--chemistry", "nonsense")[0] == 2
    assert cli(logs, "cell", "remove", "hall-1", "--why", "entered twice")[0] == 0
    assert Shelf(logs).list_cells() == [] and len(list(logs.glob(".removed/*-hall-1/*/run.json"))) == 2
    assert cli(logs, "cell", "check", "hall-1", "--as-found", "3.7 V")[0] == 2


def test_a_renamed_cell_keeps_its_runs_and_nothing_in_their_folders_changes(healthy, tmp_path):
    import shutil

    logs = tmp_path / "logs"
    shutil.copytree(healthy, logs)
    before = standing_of(Shelf(logs), "hall-1")
    (old_night,) = logs.glob("hall-1/*-overnight")
    assert (
        cli(logs, "certify", str(old_night), "--in-spite-of", "leak-not-bounded", "--out", str(tmp_path / "c.pdf"))[0]
        == 0
    )
    files = {p.relative_to(logs / "hall-1"): p.read_bytes() for p in logs.glob("hall-1/*/*") if p.is_file()}
    add(logs, "gate-2")
    for new, told in (("GATE-2", "gate-2"), ("hall-1", "already"), ("../x", "accepted")):
        code, output = cli(logs, "cell", "rename", "hall-1", new)
        assert code == 2 and told in output and Shelf(logs).get("hall-1").former_ids == ()
    assert cli(logs, "cell", "rename", "hall-1", "gate-1", "--why", "marked with a pen", "--by", "M. L.")[0] == 0
    cell = Shelf(logs).get("gate-1")
    entry = cell.entries[-1]
    assert entry.changed == {"id": ["hall-1", "gate-1"]} and entry.by == "M. L." and entry.at
    assert "marked with a pen" in entry.text and cell.former_ids == ("hall-1",)
    moved = {p.relative_to(logs / "gate-1"): p.read_bytes() for p in logs.glob("gate-1/*/*") if p.is_file()}
    assert moved == files and not (logs / "hall-1").exists()
    after = standing_of(Shelf(logs), "gate-1")
    assert (after.capacity_Ah, after.starts) == (before.capacity_Ah, before.starts)
    (night,) = logs.glob("gate-1/*-overnight")
    assert analyse_run(night).cell == "gate-1"
    assert [row["id"] for row in json.loads(cli(logs, "cell", "list", "--json")[1])["cells"]] == ["gate-1", "gate-2"]
    assert [row["cell"] for row in json.loads(cli(logs, "compare", "--all", "--json")[1])["cells"]] == ["gate-1"]
    # A paper that bears the old id still finds the run it was made from.
    done = CliRunner().invoke(app, ["verify", str(tmp_path / "c.pdf"), "--logs", str(logs)])
    assert done.exit_code == 0, done.output
    code, output = cli(logs, "cell", "show", "hall-1")
    assert code == 2 and "is called gate-1 now" in output
    # Runs under both ids are of one cell.
    run(logs, "charge", "gate-1")
    run(logs, "overnight", "gate-1")
    nights = sorted(str(p) for p in logs.glob("gate-1/*-overnight"))
    taken_on = ("--in-spite-of", "leak-not-bounded", "--in-spite-of", "leak-near-full")
    assert cli(logs, "certify", *nights, *taken_on, "--out", str(tmp_path / "d.pdf"))[0] == 0


def test_a_rename_cut_short_between_folder_and_record_is_finished_by_the_same_command(tmp_path):
    from amphora.harness.account.corrections import rename

    add(tmp_path)
    (tmp_path / "hall-1").rename(tmp_path / "gate-1")
    assert rename(Shelf(tmp_path), "hall-1", "gate-1").former_ids == ("hall-1",)
    assert Shelf(tmp_path).get("gate-1").id == "gate-1"
    with pytest.raises(AmphoraError, match="no such cell"):
        rename(Shelf(tmp_path), "nobody", "gate-3")


def test_a_time_that_has_not_come_or_is_none_is_refused_in_one_sentence(healthy):
    for text in ("tomorrow", "2099-01-01 12:00", "25:00"):
        code, output = cli(healthy, "cell", "check", "hall-1", "--as-found", "3.1 V", "--at", text)
        assert code == 2 and "--at" in output


def test_days_of_rest_reach_full_duty_and_a_soft_short_found_by_them_is_not_forgotten(tmp_path):
    """With what is built in: charge, night, storage, retention; the night's grade counts them (one cell of 2 Ah)."""
    from amphora.harness.decisions.cell_runs import read_runs
    from amphora.harness.decisions.criteria import load_criteria
    from amphora.harness.decisions.grades import grade_runs

    grades = {}
    for name, leak_A in (("sound", 0.00004), ("soft", 0.004)):
        add(tmp_path, name)
        for profile in ("charge", "overnight", "storage", "retention"):
            kept = load_kept(tmp_path, name)
            options = {} if kept else {"start_soc": 0.4, "begin_utc": EVENING}
            session = SimulatedSession(tmp_path, name, "li-ion-good", 3, **options)
            if profile in ("storage", "retention"):  # it comes after the night, which would have seen it fall at rest
                session.bench.cell.leak_A = leak_A
            rig = open_rig(session.description, session.clock, session.open)
            request = Request(name, profile, tmp_path, present=profile in ("charge", "storage"))
            carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
            rig.close()
            session.keep()
        runs, _ = read_runs(list(tmp_path.glob(f"{name}/*-overnight")))
        grades[name] = grade_runs([(run.result, run.cell) for run in runs], load_criteria("general"))[0].grade
    assert grades["sound"] == "full duty" and grades["soft"] not in ("full duty", "steady duty")
    sound, soft = standing_of(Shelf(tmp_path), "sound"), standing_of(Shelf(tmp_path), "soft")
    assert sound.self_discharge_percent_per_month < 5 and sound.may["match"].verdict == "yes"
    assert "soft-short" in {item.code for item in soft.findings} and soft.may["match"].verdict == "no"
    assert soft.may["certify"].verdict != "yes"


def test_a_clock_that_was_set_back_orders_no_run_before_those_that_it_follows(tmp_path: Path) -> None:
    """A small computer without a battery for its clock starts in the past: its runs would be read backwards."""
    add(tmp_path)
    assert run(tmp_path, "charge").reason == "taper"
    kept = load_kept(tmp_path, "hall-1")
    for behind, refused in ((timedelta(days=30), True), (timedelta(hours=3), True), (timedelta(0), False)):
        store_kept(tmp_path, "hall-1", replace(kept, utc=kept.utc - behind))
        before = sorted(tmp_path.glob("hall-1/*/run.json"))
        if refused:
            with pytest.raises(
                Refused, match=r"this computer's clock says 2026-0\d-\d\d \d\d:\d\d UTC, .* setting the clock"
            ):
                run(tmp_path, "overnight")
            assert sorted(tmp_path.glob("hall-1/*/run.json")) == before
        else:
            assert run(tmp_path, "overnight").reason == "cutoff"
    assert shown(tmp_path)["may"]["certify"]["verdict"] == "yes"


def test_a_run_before_those_that_it_follows_is_written_on_a_persons_word(tmp_path: Path) -> None:
    """A year that was wrong once must not shut a cell out for ever; whoever goes on says so, and the run keeps it."""
    add(tmp_path)
    run(tmp_path, "charge", begin_utc=EVENING + timedelta(days=4 * 365))
    kept = load_kept(tmp_path, "hall-1")
    store_kept(tmp_path, "hall-1", replace(kept, utc=EVENING))
    done = run(tmp_path, "overnight", in_spite_of=("clock-behind",))
    notes = json.loads((done.folder / "run.json").read_text(encoding="utf-8"))["plan"]["notes"]["account"]
    assert [item["code"] for item in notes["in_spite_of"]] == ["clock-behind"]
    assert shown(tmp_path)["may"]["certify"]["verdict"] == "no"  # nobody knows that it began full


def test_a_cell_that_the_bench_finds_without_its_voltage_is_open_until_somebody_measures_it(tmp_path: Path) -> None:
    """A short of 5 ohm begins after its night: the next evening finds nothing. A lead that was off looks the same."""
    for name, hand_V, answer in (("dead", "0 V", "no"), ("lead-off", "3.16 V", "yes")):
        add(tmp_path, name)
        for profile in ("charge", "overnight"):
            run(tmp_path, profile, name)
        assert {shown(tmp_path, name)["may"][act]["verdict"] for act in ("match", "certify", "grade")} == {"yes"}
        sound = load_kept(tmp_path, name)
        gone = load_kept(tmp_path, name)
        gone.cell.short_ohm = 5.0
        gone.cell.rest(86400.0)
        store_kept(tmp_path, name, gone)  # at the terminals both look like this
        with contextlib.suppress(Refused):
            assert run(tmp_path, "charge", name).reason == "guard:as-found"
        store_kept(tmp_path, name, gone if name == "dead" else sound)
        standing = shown(tmp_path, name)
        assert {standing["may"][act]["verdict"] for act in ("match", "certify", "grade")} <= {"ask", "no"}
        assert "found-without-its-voltage" in [item["code"] for item in standing["findings"]]
        assert cli(tmp_path, "label", name, "--out", str(tmp_path / f"{name}.pdf"))[0] == 0
        at = (sound.utc + timedelta(days=1)).isoformat()
        assert cli(tmp_path, "cell", "check", name, "--as-found", hand_V, "--at", at)[0] in (0, 1)
        standing = shown(tmp_path, name)
        assert standing["may"]["certify"]["verdict"] == answer, standing["findings"]
        assert "found-without-its-voltage" not in [item["code"] for item in standing["findings"]]
