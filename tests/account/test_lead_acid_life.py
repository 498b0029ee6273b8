"""A sealed lead-acid cell over its life on the bench: a sound one, a sulphated one, one with a short inside.

No voltage and no hour of rest shows its leak; what is missing after a week does (docs/account.md).
"""

from datetime import timedelta
from pathlib import Path

import pytest

from amphora.harness.account.asking import standing_of
from amphora.harness.account.standing import Standing
from amphora.harness.archive.shelf import Shelf
from amphora.harness.running.session import Request, carry_out, open_rig
from amphora.harness.running.simulated_session import SimulatedSession
from tests.account.test_over_runs import EVENING, add
from tests.support.account_entries import codes
from tests.support.meddling import wait
from tests.support.simulation.lead_acid import lead_acid_cell

HEALTHY = ("grade", "match", "certify")


def bench_run(logs: Path, profile: str, name: str, **first) -> None:
    session = SimulatedSession(logs, name, "li-ion", 3, **first)
    rig = open_rig(session.description, session.clock, session.open)
    try:
        request = Request(name, profile, logs, present=True)
        carry_out(request, session.description, rig, session.clock, session.person(), guarded=False)
    finally:
        rig.close()
        session.keep()


def live(logs: Path, name: str, **kind) -> list[Standing]:
    """Charge, night, charge, a week at rest, night; return the standing after each night."""
    add(logs, name, form="flat", chemistry="lead-acid", as_found_V=2.03, claim_Ah=1.0)
    found = []
    for night in (1, 2):
        first = {"cell": lead_acid_cell(1.0, **kind), "begin_utc": EVENING} if night == 1 else {}
        bench_run(logs, "charge", name, **first)
        if night == 2:
            wait(logs, name, timedelta(days=7))
        bench_run(logs, "overnight", name)
        found.append(standing_of(Shelf(logs), name))
    return found


@pytest.mark.usefixtures("coarse")
def test_a_sound_a_sulphated_and_a_shorted_lead_acid_cell(tmp_path: Path) -> None:
    """2.1 V over 1,000 ohm in a cell of 1 Ah: 2.1 mA, 5 % a day. Nothing of its first night shows it."""
    sound, short = live(tmp_path, "sound"), live(tmp_path, "short", short_ohm=1000.0)
    for first in (sound[0], short[0]):
        assert 0.9 < (first.capacity_Ah or 0.0) < 1.0 and codes(first) == {"leak-not-bounded"}
        assert {first.may[act].verdict for act in HEALTHY} == {"ask"}
        assert "rest for 7 days" in first.findings[0].settles
    assert codes(sound[1]) == set() and {sound[1].may[act].verdict for act in HEALTHY} == {"yes"}
    assert sound[1].leak.high < 0.02 and sound[1].self_discharge_percent_per_month is not None
    assert short[1].leak.low > 0.04 and "soft-short" in codes(short[1])
    assert "yes" not in {short[1].may[act].verdict for act in HEALTHY}

    sulphated = live(tmp_path, "sulphated", sulphated=True)[1]
    assert sulphated.capacity_Ah is not None and sulphated.capacity_Ah < 0.4  # a third of its claim, and no leak
    assert "soft-short" not in codes(sulphated) and sulphated.it_from == "measured"
