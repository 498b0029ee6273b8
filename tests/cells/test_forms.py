"""One table says what a format weighs and holds; plan, warning, inspection and import read the same number."""

import pytest

from amphora.harness.cells.cell import Cell
from amphora.harness.cells.chemistry import load_chemistry
from amphora.harness.cells.forms import form_of, forms
from amphora.harness.cells.incoming import judge_at_the_door
from amphora.harness.importing import plausibility
from amphora.harness.plans.charge_permission import holds_of


def test_the_table_is_whole_and_its_numbers_make_sense() -> None:
    for form in forms().values():
        assert 0.0 < form.taken_Ah <= form.most_Ah and 0.0 < form.taken_nickel_Ah <= form.most_nickel_Ah, form.name
        assert form.mass_g is None or form.mass_g[0] < form.mass_g[1] < form.mass_g[2]


@pytest.mark.parametrize(
    ("name", "lithium_Ah", "nickel_Ah", "taken_Ah", "large"),
    # Common practice, from memory: what the best sold in each size hold. It bounds a first charge: values pinned.
    [("18650", 3.6, 2.6, 1.0, False), ("21700", 5.2, 4.0, 2.0, True), ("26650", 5.8, 5.0, 2.0, True),
     ("14500", 1.1, 2.9, 0.5, False), ("AA", 1.1, 2.9, 0.5, False), ("AAA", 0.4, 1.2, 0.25, False)],
)  # fmt: skip
def test_what_bounds_a_first_charge_is_the_number_that_stands_in_the_table(
    name: str, lithium_Ah: float, nickel_Ah: float, taken_Ah: float, large: bool
) -> None:
    form = form_of(f" {name.lower()} ")
    assert form is not None
    assert (form.most(False), form.most(True), form.taken(False), form.large) == (
        lithium_Ah,
        nickel_Ah,
        taken_Ah,
        large,
    )
    holds = holds_of(Cell("a", name), name.lower(), load_chemistry("li-ion"), None, None, [])
    assert holds.capacity_Ah == taken_Ah
    assert holds.charge_most_Ah == pytest.approx(1.1 * lithium_Ah)
    assert plausibility._most_Ah(name) == pytest.approx(1.3 * max(lithium_Ah, nickel_Ah))


def test_a_label_that_claims_more_than_the_form_holds_is_not_believed_and_one_that_does_not_is() -> None:
    told: list[str] = []
    holds_of(Cell("a", "18650", claim_Ah=3.7), "18650", load_chemistry("li-ion"), None, None, told)
    assert len(told) == 1 and "more than a 18650 can hold" in told[0]
    holds_of(Cell("a", "18650", claim_Ah=3.5), "18650", load_chemistry("li-ion"), None, None, told)
    assert len(told) == 1


@pytest.mark.parametrize(("mass_g", "verdict"), [(29.0, "retire"), (37.0, "quarantine"), (45.0, "accept")])
def test_the_mass_is_judged_by_the_same_table(mass_g: float, verdict: str) -> None:
    cell = Cell.from_dict({"id": "a", "form": "18650", "chemistry": "li-ion", "as_found_V": 3.6, "mass_g": mass_g}, "a")
    assert judge_at_the_door(cell).verdict == verdict


def test_a_kept_result_is_made_anew_when_the_table_of_forms_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    from pathlib import Path

    from amphora.harness.results import kept

    real = Path.read_bytes
    before = kept.code_digest.__wrapped__()
    monkeypatch.setattr(Path, "read_bytes", lambda self: real(self) + b" " * (self.name == "forms.toml"))
    assert kept.code_digest.__wrapped__() != before
