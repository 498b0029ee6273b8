"""The study of the screen in a small form: the full one is `python -m tests.campaign.screening`."""

from tests.campaign.screening import shelf, summed


def test_no_good_cell_is_lost_and_duds_are_spared_on_shelves_of_four_sources() -> None:
    total = summed([shelf(seed, 60) for seed in (11, 12)])
    assert total.lost <= 0.02 * total.good and total.good > 50
    assert total.spared >= 0.65 * total.duds and total.late_spared >= 0.6 * total.late_duds
    assert total.inside >= 0.9 * total.given and total.given > 40


def test_signs_of_other_cells_give_no_answer() -> None:
    total = shelf(11, 60, apart=True)
    assert total.given == 0 and total.spared == 0 and total.unsaid > 50
