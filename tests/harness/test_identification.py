"""Promises of the identification: never wrong and confident, always a next step, voltage alone permits nothing."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from harness.analysis.identification import (
    CANNOT_TELL,
    LFP,
    LI_ION,
    NICKEL,
    PRIMARY,
    Curve,
    Evidence,
    evidence_from_record,
    identify,
)
from harness.analysis.records import Record
from harness.errors import AnalysisError


def _campaign() -> ModuleType:
    path = Path(__file__).resolve().parents[1] / "campaign" / "identification.py"
    spec = importlib.util.spec_from_file_location("identification_campaign", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_no_cell_of_a_wide_population_is_named_wrongly_at_any_stage() -> None:
    # No answer on the way may name a chemistry the cell is not, even where a person declared a primary rechargeable.
    campaign = _campaign()
    trials = campaign.campaign(each=40, seed=11)
    specs = {**campaign.KINDS, **campaign._OTHERS}
    honest = [t for t in trials if not t.declared or specs[t.kind].rechargeable]
    assert len(honest) > 500
    assert [(t.kind, t.wrong[0].answer, t.wrong[0].evidence) for t in trials if t.wrong] == []
    # An unmarked primary is never said to be fit for a charge.
    primaries = [a for t in honest if not specs[t.kind].rechargeable for a in t.answers]
    assert not any(a.may_charge for a in primaries)
    # And it is not silent: most of the declared LFP and nickel cells, and many Li-ion ones, are named.
    named = {
        kind: np.mean([t.answers[-1].chemistry is not None for t in trials if t.kind == kind and t.declared])
        for kind in ("lfp", "nimh", "li-ion-good")
    }
    assert named["lfp"] > 0.8
    assert named["nimh"] > 0.8
    assert named["li-ion-good"] > 0.4


@pytest.mark.parametrize("found_V", [-0.5, 0.0, 0.4, 1.25, 1.5, 1.62, 2.1, 2.4, 2.8, 3.0, 3.2, 3.3, 3.6, 3.9])
@pytest.mark.parametrize("declared", [False, True])
def test_voltage_alone_names_no_chemistry_below_four_volts(found_V: float, declared: bool) -> None:
    result = identify(Evidence(found_V, declared_rechargeable=declared))
    assert result.chemistry is None
    assert result.next_step
    assert result.evidence[0].startswith("found at")


def test_a_single_cell_resting_at_4_15_volt_is_of_the_four_volt_class() -> None:
    result = identify(Evidence(4.15))
    assert (result.answer, result.chemistry, result.confidence) == (LI_ION, "li-ion", "sure")
    assert "4.20 V" in result.next_step


@pytest.mark.parametrize("found_V", [1.3, 1.5, 3.05, 3.2, 3.65])
def test_a_voltage_that_a_primary_may_show_says_do_not_charge(found_V: float) -> None:
    result = identify(Evidence(found_V))
    assert result.answer == PRIMARY
    assert not result.may_charge


def test_a_reversed_cell_is_not_to_be_charged() -> None:
    result = identify(Evidence(-0.3, declared_rechargeable=True))
    assert result.answer == CANNOT_TELL
    assert not result.may_charge
    assert "reversed" in " ".join(result.evidence)


def test_above_3_45_after_the_rest_is_not_lfp_but_short_rests_do_not_count() -> None:
    rested = Evidence(
        3.2, declared_rechargeable=True, charge_It=0.1, rested_after_charge_V=3.52, rest_after_charge_h=1.0
    )
    assert any("not LFP" in text for text in identify(rested).evidence)
    short = Evidence(
        3.2, declared_rechargeable=True, charge_It=0.1, rested_after_charge_V=3.52, rest_after_charge_h=0.3
    )
    assert not any("not LFP" in text for text in identify(short).evidence)
    fast = Evidence(3.2, declared_rechargeable=True, charge_It=0.5, rested_after_charge_V=3.52, rest_after_charge_h=1.0)
    assert not any("not LFP" in text for text in identify(fast).evidence)


def test_the_published_lfp_curve_is_named_lfp_only_with_a_person_or_a_charge_behind_it() -> None:
    # LFP half cell: Afshar et al., arXiv 1709.03970, U(y) = 3.4077 - 0.020269 y + 0.5 exp(-150 y) - 0.9 exp(-30 (1-y));
    # graphite taken as a constant 0.10 V below it.
    y = np.linspace(0.01, 0.999, 400)
    volts = 3.4077 - 0.020269 * y + 0.5 * np.exp(-150 * y) - 0.9 * np.exp(-30 * (1 - y)) - 0.10
    curve = Curve(y * 1.2, volts, -0.12)
    assert identify(Evidence(3.30, declared_rechargeable=True, discharge=curve)).answer == LFP
    assert identify(Evidence(3.30, discharge=curve)).chemistry is None


def test_a_nickel_curve_is_named_nickel_and_an_alkaline_slope_is_not() -> None:
    # NiMH: Shepherd form, Tremblay & Dessaint 2009 (coefficients from memory), 6.5 Ah.
    it = np.linspace(0.0, 6.43, 500)
    nickel = 1.2848 - 0.01875 * 6.5 / (6.5 - it) + 0.144 * np.exp(-2.3077 * it)
    seen = Evidence(1.32, declared_rechargeable=True, discharge=Curve(it, nickel, -0.6))
    assert identify(seen).answer == NICKEL
    slope = np.interp(it / 6.43, [0, 0.05, 0.25, 0.55, 0.8, 0.93, 1.0], [1.5, 1.4, 1.3, 1.2, 1.1, 1.0, 0.9])
    assert identify(Evidence(1.50, declared_rechargeable=True, discharge=Curve(it, slope, -0.6))).chemistry is None


def test_a_curve_that_ends_in_a_jump_is_no_knee() -> None:
    # A protection board opens: the plateau ends between two readings, which proves nothing about the cell.
    q = np.linspace(0, 1, 300)
    volts = np.full(300, 3.28) - 0.02 * q
    volts[-1] = 0.0
    assert identify(Evidence(3.30, declared_rechargeable=True, discharge=Curve(q, volts, -0.1))).chemistry is None


def test_a_missing_number_or_arrays_that_disagree_are_refused() -> None:
    with pytest.raises(AnalysisError, match="hand meter"):
        identify(Evidence(float("nan")))
    with pytest.raises(AnalysisError, match="agree"):
        identify(Evidence(3.3, discharge=Curve(np.zeros(9), np.zeros(8), -0.1)))


def test_evidence_is_gathered_from_the_steps_of_a_run() -> None:
    t = np.arange(0.0, 7200.0, 10.0)
    step = np.where(t < 600, 0, np.where(t < 3600, 1, 2))
    amps = np.where(step == 1, 0.1, 0.0)
    volts = np.where(step == 1, 3.2 + (t - 600) / 3000 * 0.4, np.where(step == 2, 3.36, 3.2))
    record = Record(t, volts, amps, np.full(t.size, np.nan), step, np.array([600.0, 3600.0]))
    found = evidence_from_record(record, ("rest", "charge", "rest"), 3.2, reference_A=1.0)
    assert found.charge is not None
    assert found.charge.moved_Ah[-1] == pytest.approx(0.1 * 2990 / 3600)
    assert found.charge_It == pytest.approx(0.1)
    assert found.rested_after_charge_V == pytest.approx(3.36)
    assert found.rest_after_charge_h == pytest.approx(1.0, abs=0.01)
    assert found.discharge is None


def test_runs_of_the_simulated_bench_are_identified_from_their_folders(tmp_path: Path) -> None:
    # A cell on the shelf as 'auto', taken through the watched charge and a night on the simulated bench.
    from datetime import UTC, datetime

    from harness.identifying import identified_field, identify_runs
    from harness.persons import ObligingPerson
    from harness.session import Request, carry_out, open_rig
    from harness.shelf import Cell, Shelf
    from harness.simulating import SimulatedSession

    cell = {
        "id": "path-light-9", "form": "18650", "chemistry": "auto", "source": "path light", "as_found_V": 3.24,
        "as_found_utc": "2026-03-13T17:00:00Z", "mass_g": 44.0, "claim_Ah": 1.2, "declared_rechargeable": True,
    }  # fmt: skip
    Shelf(tmp_path).add(Cell.from_dict(cell))
    folders = []
    for profile in ("identify", "overnight"):
        begin = {} if folders else {"start_soc": 0.3, "begin_utc": datetime(2026, 3, 13, 17, 30, tzinfo=UTC)}
        session = SimulatedSession(tmp_path, "path-light-9", "lfp", 3, **begin)
        rig = open_rig(session.description, session.clock, session.open)
        try:
            request = Request("path-light-9", profile, tmp_path, present=True)
            made = carry_out(request, session.description, rig, session.clock, ObligingPerson(), guarded=False)
        finally:
            rig.close()
            session.keep()
        assert made.exit_code == 0, made.text
        folders.append(made.folder)
    found = identify_runs(folders)
    assert found.answer == LFP
    kept = identified_field(found, "path-light-9/night")
    assert kept["chemistry"] == "lfp"
    assert kept["evidence"]
