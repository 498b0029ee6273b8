"""The windows that ship against figures of makers' sheets, standards, and the trade.

Status of each figure: `read` (seen in the document named), `memory` (known, not seen this time),
`common practice` (a habit of the trade that no standard prints). Checked is that ours lies inside
the range given; where the range is one figure, that it is that figure.
"""

import pytest

from amphora.harness.cells.chemistry import load_chemistry

# key, number, lowest, highest, source, status
SHEET = [
    ("li-ion", "nominal_V", 3.6, 3.7, "maker's sheets of 18650 cells", "read"),
    ("li-ion", "charge_limit_V", 4.20, 4.20, "maker's sheet of a 2.6 Ah 18650: 4.20 V ± 0.05 V", "read"),
    ("li-ion", "hard_high_V", 4.20, 4.25, "the same sheet, its tolerance", "read"),
    ("li-ion", "cutoff_V", 2.5, 3.0, "sheets of the class: 2.5 to 3.0 V, LCO 2.75 V", "memory; 2.75 read"),
    ("li-ion", "hard_low_V", 2.5, 2.75, "sheets of the class", "memory; 2.75 read"),
    ("li-ion", "taper_It", 0.02, 0.05, "sheets of the class", "memory"),
    ("li-ion", "precharge_below_V", 2.5, 3.0, "maker's handling sheet: 0.1 It below 3.0 V", "read"),
    ("li-ion", "precharge_It", 0.0, 0.1, "maker's handling sheet: 0.1 It below 3.0 V", "read"),
    ("li-ion", "charge_low_degC", 0.0, 0.0, "maker's sheet: charge 0 to 45 °C", "read"),
    ("li-ion", "charge_high_degC", 45.0, 45.0, "maker's sheet: charge 0 to 45 °C", "read"),
    ("li-ion", "discharge_low_degC", -20.0, -10.0, "maker's sheet: discharge -10 to 60 °C", "read"),
    ("li-ion", "discharge_high_degC", 60.0, 60.0, "maker's sheet: discharge -10 to 60 °C", "read"),
    ("li-ion", "reject_below_V", 1.5, 2.0, "handling sheets 1.5 V; a cautious tool 2.0 V", "common practice"),
    ("li-ion", "quarantine_below_V", 2.5, 2.5, "handling sheets", "common practice"),
    ("li-ion", "reject_above_V", 4.25, 4.25, "handling sheets", "common practice"),
    ("li-ion", "storage_low_V", 3.7, 3.8, "storage at 3.7 to 3.8 V at rest", "common practice"),
    ("li-ion", "storage_high_V", 3.7, 3.8, "storage at 3.7 to 3.8 V at rest", "common practice"),
    ("li-ion-4.35", "nominal_V", 3.8, 3.85, "high-voltage LCO", "memory"),
    ("li-ion-4.35", "charge_limit_V", 4.35, 4.35, "high-voltage LCO", "memory"),
    ("li-ion-4.35", "cutoff_V", 3.0, 3.0, "high-voltage LCO", "memory"),
    ("lfp", "nominal_V", 3.2, 3.3, "LFP cells", "memory"),
    ("lfp", "charge_limit_V", 3.60, 3.65, "maker's sheet of an LFP cell: 3.65 V", "read"),
    ("lfp", "cutoff_V", 2.0, 2.5, "maker's sheet of an LFP cell: 2.5 V", "read"),
    ("lfp", "taper_It", 0.05, 0.05, "maker's sheet of an LFP cell: 0.05 It", "read"),
    ("lfp", "precharge_It", 0.05, 0.1, "LFP cells", "memory"),
    ("lfp", "reject_below_V", 1.5, 1.5, "handling sheets", "common practice"),
    ("lfp", "quarantine_below_V", 2.0, 2.0, "handling sheets", "common practice"),
    ("lfp", "reject_above_V", 3.75, 3.75, "handling sheets", "common practice"),
    ("nimh", "nominal_V", 1.2, 1.2, "maker's handbook of NiMH button cells", "read"),
    ("nimh", "cutoff_V", 1.0, 1.0, "IEC 61951-2 as quoted by a test laboratory; handbook", "read"),
    ("nimh", "max_charge_It", 0.1, 0.5, "0.1 It for 16 h by the clock; faster only to -dV or dT/dt", "common practice"),
    ("nimh", "timed_charge_s", 57600.0, 57600.0, "IEC 61951-2: 0.1 It for 16 h", "read"),
    ("nimh", "charge_factor", 1.6, 1.6, "0.1 It x 16 h", "computed"),
    ("nimh", "charge_rate_K_per_min", 1.0, 1.0, "dT/dt of about 1 °C/min ends a charge", "memory"),
    ("nimh", "hard_low_V", 0.9, 1.0, "0.9 V at high rates", "memory"),
    ("nimh", "precharge_below_V", 0.8, 0.9, "NiMH", "memory"),
    (
        "nimh",
        "precharge_max_s",
        300.0,
        300.0,
        "no rise above 1.0 V after 5 min at 0.1 It is a reject",
        "common practice",
    ),
    ("nimh", "quarantine_below_V", 1.0, 1.0, "0 to 1.0 V: 0 V alone is no reject", "common practice"),
    ("nimh", "discharge_high_degC", 50.0, 50.0, "NiMH", "memory"),
    ("nicd", "nominal_V", 1.2, 1.2, "NiCd", "memory"),
    ("nicd", "cutoff_V", 1.0, 1.0, "NiCd", "memory"),
    ("nicd", "timed_charge_s", 57600.0, 57600.0, "NiCd: 0.1 It for 16 h", "memory"),
    ("nicd", "discharge_high_degC", 60.0, 60.0, "NiCd", "memory"),
    ("lto", "nominal_V", 2.3, 2.4, "LTO", "memory"),
    ("lto", "charge_limit_V", 2.70, 2.85, "LTO", "memory"),
    ("lto", "cutoff_V", 1.5, 1.5, "LTO", "memory"),
    ("lto", "charge_low_degC", -20.0, -20.0, "LTO", "memory"),
    ("lead-acid", "nominal_V", 2.0, 2.0, "sealed lead-acid", "memory"),
    ("lead-acid", "charge_limit_V", 2.40, 2.50, "cyclic use at 25 °C", "memory"),
    ("lead-acid", "cutoff_V", 1.75, 1.75, "at the 20 h rate", "memory"),
    ("lead-acid", "taper_It", 0.01, 0.05, "sealed lead-acid", "memory"),
    ("lead-acid", "charge_high_degC", 40.0, 40.0, "sealed lead-acid", "memory"),
    ("lead-acid", "reject_below_V", 1.6, 1.6, "at rest for months: sulphated", "common practice"),
    ("auto", "charge_limit_V", 3.60, 3.60, "the lowest plausible limit until LFP is ruled out", "common practice"),
    ("auto", "max_charge_It", 0.1, 0.2, "unknown chemistry: at most 0.1 to 0.2 It", "common practice"),
]


@pytest.mark.parametrize(("key", "number", "low", "high", "source", "status"), SHEET)
def test_window_agrees_with_the_sheet(key, number, low, high, source, status):
    value = getattr(load_chemistry(key), number)
    assert low - 1e-9 <= value <= high + 1e-9, f"{key} {number} = {value}; {source} ({status})"


def test_no_charging_below_freezing_but_for_titanate():
    # Source: makers' sheets and IEC 62133-2 Annex A: no charge of lithium cells below 0 °C (plating). Read for the
    # sheets, memory for the annex. Titanate does not plate: memory.
    for key in ("li-ion", "li-ion-4.35", "lfp", "nimh", "nicd", "lead-acid", "auto"):
        assert load_chemistry(key).charge_low_degC >= 0.0
        assert load_chemistry(key).charge_high_degC <= 45.0
