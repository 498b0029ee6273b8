"""Promise of the import's scale: right, or refused with what decides it; never another charge without a word.

Few disguises of one short record here, all of them in `python -m tests.campaign.disguises`.
"""

import zipfile

import pytest

from amphora.harness.account.answer import analyse_run
from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import parse_map, parse_units
from amphora.harness.importing.import_run import import_table, imported_notes
from amphora.harness.results.export import export_run
from tests.campaign.disguises import ALL, plain, simulated, tried

SHORT = simulated("li-ion, 1.2 Ah at 0.6 A", 1.2, 0.6, "li-ion", 30)
BY_NAME = {way.name: way for way in ALL}
REFUSED = {
    "two cells by a channel column": "--which '1'",
    "two cells one after the other": "--which 'L1'",
    "two cells interleaved": "--which 1",
    "two cells interleaved, clock": "--which 1",
    "two cells in columns": "--which 1",
    "no header": "--map t=1",
}


@pytest.mark.parametrize("name", [way.name for way in ALL][::2])
def test_a_disguise_is_read_right_or_refused(tmp_path, name):
    outcome = tried(SHORT, BY_NAME[name], tmp_path)
    assert outcome.kind in ("right",) if outcome.told_units else outcome.kind in ("right", "refused"), outcome


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_known_is_refused_with_the_option_that_decides(tmp_path, name):
    outcome = tried(SHORT, BY_NAME[name], tmp_path)
    assert outcome.kind == "refused" and REFUSED[name] in outcome.detail
    assert not (tmp_path / "logs").exists()


def part(text, first=0.35, last=0.5):
    """Keep a middle part of a table: neither end of the voltage is in it."""
    lines = text.splitlines()
    return "\n".join([lines[0], *lines[int(len(lines) * first) : int(len(lines) * last)]]) + "\n"


def test_a_part_of_a_discharge_without_units_is_refused_and_read_with_them(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(part(plain(SHORT, "Time", "Voltage", "Current", ts=1 / 60, tf="{:.3f}")))
    with pytest.raises(InputError, match=r"it may be .* Ah in .* or .*--units t="):
        import_table(file, "W-1", logs=tmp_path / "logs")
    run = import_table(file, "W-1", units=parse_units("t=min,i=A"), logs=tmp_path / "logs")
    assert analyse_run(run).capacity_Ah == pytest.approx(1.2 * 0.15 * 1.25, rel=0.05)


def test_a_stated_unit_that_no_cell_agrees_with_is_told(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(plain(SHORT, "Time (s)", "Voltage (V)", "Current (A)", cs=1e3))
    run = import_table(file, "W-1", logs=tmp_path / "logs")
    assert "scale-doubtful" in [item.code for item in analyse_run(run).warnings]


def test_stray_readings_are_set_aside_and_named(tmp_path):
    for name in ("zero volt twice in mid-run", "one current of a million"):
        outcome = tried(SHORT, BY_NAME[name], tmp_path)
        assert outcome.kind == "right" and "stray-readings" in outcome.detail
    lines = plain(SHORT).splitlines()
    for row in range(100, 180, 2):
        lines[row] = lines[row].split(",")[0] + ",0,-0.6"
    file = tmp_path / "many.csv"
    file.write_text("\n".join(lines) + "\n")
    with pytest.raises(InputError, match="line 101: 40 of"):
        import_table(file, "W-2", logs=tmp_path / "logs")


def test_the_date_is_the_tables_else_the_given_else_the_files(tmp_path):
    from datetime import UTC, datetime

    file = tmp_path / "a.csv"
    file.write_text(plain(SHORT))
    given = datetime(2026, 3, 1, 20, 0, tzinfo=UTC)
    for began, source in ((given, "given"), (None, "file")):
        run = import_table(file, "W-1", logs=tmp_path / "logs", began=began)
        assert f'"began_from": "{source}"' in (run / "run.json").read_text()
    assert any("--began" in note for note in imported_notes(run)[0])


def test_an_archive_of_two_tables_is_refused_by_name(tmp_path):
    file = tmp_path / "a.zip"
    with zipfile.ZipFile(file, "w") as held:
        held.writestr("one.csv", plain(SHORT))
        held.writestr("two.csv", plain(SHORT))
    with pytest.raises(InputError, match=r"one\.csv, two\.csv"):
        import_table(file, "W-1", logs=tmp_path / "logs")


def test_a_battery_data_format_table_goes_out_and_comes_back(tmp_path):
    # Labels: the format's ontology 1.2.0 (battery-data-alliance/battery-data-format), read.
    file = tmp_path / "a.csv"
    file.write_text(plain(SHORT))
    run = import_table(file, "W-1", logs=tmp_path / "logs", cutoff=2.0)
    out = export_run(run, tmp_path / "a.bdf.csv", form="bdf")
    header = out.read_text().splitlines()[0].split(",")
    assert header[:3] == ["Test Time / s", "Voltage / V", "Current / A"]
    again = import_table(out, "W-2", logs=tmp_path / "logs", cutoff=2.0)
    assert analyse_run(again).capacity_Ah == pytest.approx(analyse_run(run).capacity_Ah, rel=1e-4)


@pytest.mark.parametrize("text", ["t=fortnight", "x=s", "t=s,t=min", "min"])
def test_units_are_checked(text):
    with pytest.raises(InputError, match="--units"):
        parse_units(text)


def test_a_map_without_a_factor_is_taken_as_si_and_doubted_where_more_fits(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(part(plain(SHORT, "a", "b", "c")))
    run = import_table(file, "W-1", parse_map("t=a,v=b,i=c"), logs=tmp_path / "logs")
    assert "scale-doubtful" in [item.code for item in analyse_run(run).warnings]
