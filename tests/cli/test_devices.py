"""A lamp and a panel are surveyed as what they are: no command calls them a cell, or asks for a wrapper."""

from pathlib import Path

import pytest
from programs import Inside


@pytest.fixture
def surveyed(tmp_path: Path) -> Inside:
    inside = Inside(tmp_path)
    for what, name in (("lamp", "light-9"), ("panel", "panel-9")):
        code, said = inside.ends("duty", "survey", what, name, "--bench", "simulated", "--source", "from the shed")
        assert code == 0, said
        assert "wrapper" not in said and "cell add" not in said
    return inside


def test_a_survey_ends_with_the_command_that_makes_a_duty_of_it_and_that_command_works(surveyed: Inside) -> None:
    assert "Next: amphora duty from-run light-9@lamp" in surveyed.ends(
        "duty", "survey", "lamp", "light-9", "--bench", "simulated"
    )[1]  # fmt: skip
    out = str(surveyed.folder / "light-9.toml")
    code, said = surveyed.ends("duty", "from-run", "light-9@lamp", "--panel", "panel-9@panel", "--out", out)
    assert code == 0 and f"Next: amphora duty check {out}" in said, said
    assert surveyed.ends("duty", "check", out)[0] == 0


def test_a_device_is_listed_among_the_devices_and_never_among_the_cells(surveyed: Inside) -> None:
    said = surveyed.ends("cell", "list")[1]
    assert "light-9" not in said and "2 surveyed devices are not listed: amphora duty list" in said
    assert "light-9: a surveyed lamp" in surveyed.ends("duty", "list")[1]
    sheet = surveyed.ends("cell", "show", "light-9")[1]
    assert "a lamp, not a cell" in sheet and "at the door" not in sheet and "eye and nose" not in sheet
    for words in (("match", "--size", "2"), ("compare", "--all"), ("grade", "--all")):
        assert "light-9" not in surveyed.ends(*words)[1], words
    code, said = surveyed.ends("label", "light-9")
    assert code == 2 and "is a lamp, not a cell" in said


def test_a_cells_recipe_on_a_device_and_a_panel_by_a_lamps_name_are_refused(surveyed: Inside) -> None:
    for words, expected in (
        (("run", "--cell", "light-9", "--profile", "overnight", "--bench", "simulated"), "is a lamp, not a cell"),
        (("duty", "survey", "panel", "light-9", "--bench", "simulated"), "give the panel another name"),
        (("duty", "survey", "lmap", "light-8", "--bench", "simulated"), "'lamp' is near"),
    ):
        code, said = surveyed.ends(*words)
        assert code == 2 and expected in said, said


def test_the_plan_of_a_survey_speaks_of_a_device(surveyed: Inside) -> None:
    said = surveyed.ends("plan", "--cell", "light-9", "--profile", "lamp")[1]
    assert "No cell is in the device" in said and "A fuse of 2 A at the device" in said
    assert "polarity at the cell" not in said


@pytest.mark.parametrize(
    "words",
    [
        ("duty", "check", "path-ligth"), ("cell", "show", "light9"),
        ("analyse", "light9"), ("plan", "--cell", "light-9", "--profile", "overnite"),
        ("plan", "--cell", "light-9", "--profile", "lamp", "--bench", "bensh.toml"),
        ("grade", "light-9", "--criteria", "genral"), ("plna",), ("duty", "check", "--jsn", "x"),
        ("run", "--cell", "light-9", "--profile", "lamp", "--bench", "simulated", "--simulated-cell", "li-oin"),
        ("cell", "add", "x", "--chemistry", "li-oin"),
    ],
)  # fmt: skip
def test_a_misspelt_name_of_any_kind_gets_the_near_one(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    inside = Inside(tmp_path)
    inside.ends("cell", "add", "light-9", "--form", "18650", "--chemistry", "li-ion")
    (tmp_path / "bench.toml").write_text("", encoding="utf-8")
    code, said = inside.ends(*words)
    assert code == 2 and any(near in said.lower() for near in ("is near", "did you mean", "possible options")), said
