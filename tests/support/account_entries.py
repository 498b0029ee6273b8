"""Entries of an account made by hand: a cell, its charges, its nights, its rests."""

from datetime import UTC, datetime, timedelta

from amphora.harness.account.standing import Move, RestSeen, RunSeen
from amphora.harness.cells.cell import Cell

EVENING = datetime(2026, 11, 20, 18, 0, tzinfo=UTC)
SOUND = {"swelling": "none", "leak": "none", "dents": "none", "rust": "none", "wrapper": "sound", "smell": "none"}


def cell(**changes):
    data = {"id": "L3-a", "form": "18650", "chemistry": "li-ion", "as_found_V": 3.6, "inspection": SOUND, **changes}
    return Cell.from_dict(data)


def at(hours: float) -> datetime:
    return EVENING + timedelta(hours=hours)


def rest(begin_h, end_h, after, first_V, last_V, early=None, late=None, U=0.0005):
    span_s = (end_h - begin_h) * 3600
    slopes = {}
    if late is not None:
        slopes = {
            "early_V_per_h": early, "early_U_V_per_h": U, "early_at_s": 0.29 * span_s,
            "late_V_per_h": late, "late_U_V_per_h": U, "late_at_s": 0.83 * span_s,
        }  # fmt: skip
    return RestSeen(at(begin_h), at(end_h), after, first_V, last_V, **slopes)


def charge(begin_h=0.0, ah=0.7, name="", whole=True, left_V=4.185, hours=3.0, found_V=None, taper_A=None):
    end, found_V = begin_h + hours, found_V or (3.1 if begin_h else 3.6)
    return RunSeen(
        name or f"{begin_h:g}-charge", at(begin_h), at(end + 1 / 6), "charge", "unknown", "taper", True,
        (Move("charge", at(begin_h), at(end), ah, 0.002 * ah, whole, 0.4, None, taper_A=taper_A),),
        (rest(begin_h - 0.03, begin_h, "", found_V, found_V), rest(end, end + 1 / 6, "charge", left_V + 0.005, left_V)),
        charge_full=whole,
    )  # fmt: skip


def filled(begin_h, ah=0.012, found_V=4.165, **changes):
    """The charge at the end of a day at full: what it takes filled the cell up again."""
    return charge(begin_h, ah, changes.pop("name", f"{begin_h:g}-filled"), hours=0.3, found_V=found_V, **changes)


def night(begin_h=4.5, ah=1.0, first_V=4.184, start="full", late=0.004, early=0.012, last_V=3.1, name="", **changes):
    end = begin_h + 0.2 + 5.0
    return RunSeen(
        name or f"{begin_h:g}-overnight", at(begin_h), at(end + 1), "overnight", start, "cutoff", True,
        (Move("discharge", at(begin_h + 0.2), at(end), ah, 0.002 * ah, True, -0.2, 3.0, 6.0),),
        (rest(begin_h, begin_h + 0.17, "", first_V, first_V),
         rest(end, end + 1, "discharge", 3.04, last_V, early, late)),
        capacity_Ah=ah, capacity_U_Ah=0.002 * ah, headline=0, headline_start=start,
        **changes,
    )  # fmt: skip


def codes(standing):
    return {item.code for item in standing.findings}
