"""Rules of thumb of the trade about small solar lights, as check values for the fit. All: common practice."""

from dataclasses import replace

import numpy as np
import pytest

from amphora.harness.analysis.cell_model import CellModel
from amphora.harness.decisions.duty import Mode, divider, load_duty, read_duty
from amphora.harness.decisions.fit import fit

HEAD = 'name="l"\nchemistry=["li-ion"]\ncharge_limit="4.20 V"\nlowest_rail="3.0 V"\n'


def cell(capacity: float = 2.0, ohm: float = 0.1) -> CellModel:
    given = np.linspace(0, capacity, 201)
    flat = np.full(201, ohm)
    return CellModel(given, 4.2 - 1.2 * given / capacity, flat, flat, capacity, 0.01, 0.0, 20.0, "li-ion")


def test_350_mA_takes_about_seven_times_what_a_50_mA_panel_gives_in_the_same_time():
    text = HEAD + (
        '[[modes]]\nname="m"\ncurrent="350 mA"\n[[night]]\nmode="m"\nfor="4 h"\n'
        '[panel]\ncurrent="50 mA"\nshare="100 %"\n[panel.sun]\naverage="4 h"\n'
    )
    night = fit(cell(), read_duty(text, "l")).night
    assert night.used_Ah / night.returned_Ah["average"] == pytest.approx(7.0, rel=0.02)


@pytest.mark.parametrize(("mean_mA", "percent"), [(350, 30), (30, 3)])
def test_mean_over_full_current_is_the_duty_cycle(mean_mA, percent):
    # 350 of 1100 mA is about 30 %, 30 of 1100 mA about 3 %
    text = HEAD + f'[[modes]]\nname="m"\ncurrent="1100 mA"\nduty_cycle="{mean_mA / 1100}"\n'
    mode = fit(cell(), read_duty(text, "l")).modes[0]
    assert 1000 * mode.mean_current_A == pytest.approx(mean_mA, rel=1e-3)
    assert 100 * mean_mA / 1100 == pytest.approx(percent, abs=2)


def test_100_kohm_over_51_kohm_gives_a_third():
    assert divider(100e3, 51e3) == pytest.approx(1 / 3, abs=0.005)


# A Schottky diode drops 0.2 to 0.3 V where silicon drops 0.6 V (common practice)
@pytest.mark.parametrize(("drop", "percent"), [("0.2 V", 5.1), ("0.3 V", 7.5), ("0.6 V", 14.0)])
def test_diode_takes_its_share_of_the_power_and_none_of_the_charge(drop, percent):
    # Lost power = Vf / (Vcell + Vf) at 3.7 V: 0.3 V -> 7.5 %, 0.6 V -> 14.0 % (computed; Vf common practice)
    flat = CellModel(
        np.linspace(0, 2, 201), np.full(201, 3.7), np.full(201, 0.1), np.full(201, 0.1), 2.0, 0.01, 0, 20, "li-ion"
    )
    text = HEAD + (
        '[[modes]]\nname="m"\ncurrent="20 mA"\n[[night]]\nmode="m"\nfor="8 h"\n'
        f'[panel]\ncurrent="90 mA"\nshare="80 %"\ndiode_drop="{drop}"\n[panel.sun]\naverage="4 h"\n'
    )
    found = fit(flat, read_duty(text, "l"))
    assert any(f"{percent:.1f} % of the power" in note for note in found.notes)
    # Imp 90 mA, 4 h, k 0.8 -> 0.288 Ah a day; 20 mA for 8 h needs 0.160 Ah (computed)
    assert found.night.returned_Ah["average"] == pytest.approx(0.288, rel=0.011)
    assert found.night.used_Ah == pytest.approx(0.160)


@pytest.mark.parametrize(("volt", "mA"), [(3.7, 20.0), (4.2, 34.3), (3.2, 5.7)])
def test_led_with_a_resistor_is_no_constant_current(volt, mA):
    # I = (Vcell - Vf)/R with Vf 3.0 V and 35 ohm: 20.0, 34.3, 5.7 mA (Ohm's law; computed)
    mode = Mode("m", 3.0, resistor_ohm=35.0, led_V=3.0)
    assert 1000 * mode.on_current(np.array([volt]), np.zeros(1))[0] == pytest.approx(mA, abs=0.05)


def test_a_device_charged_to_the_protection_chips_limit_is_refused():
    # A protection chip of the common kind acts at about 4.25 V and 2.5 V (board sheet: 4.25 +- 0.025, 2.5 +- 0.08 V).
    text = HEAD.replace("4.20", "4.25") + '[[modes]]\nname="m"\ncurrent="20 mA"\n'
    assert fit(cell(), read_duty(text, "l")).refusals


def test_pwm_wastes_more_inside_the_cell_than_the_same_mean():
    # I2R loss is 1/D times that of the same mean current (definition)
    on = Mode("m", 0.0, current_A=1.0, share=0.25).on_current(np.array([3.7]), np.array([0.1]))[0]
    assert (0.25 * on**2) / (0.25 * on) ** 2 == pytest.approx(4.0)


def test_the_protection_chip_ends_what_nothing_else_ends_at_about_2_5_V():
    # A chip of the common kind acts at about 4.25 V and 2.5 V (common practice)
    given = np.linspace(0, 2, 201)
    flat = np.full(201, 0.1)
    deep = CellModel(given, 4.2 - 1.9 * given / 2, flat, flat, 2.0, 0.01, 0.0, 20.0, "li-ion")
    text = HEAD.replace('"3.0 V"', '"2.2 V"') + 'protection_low="2.5 V"\n[[modes]]\nname="m"\ncurrent="200 mA"\n'
    mode = fit(deep, read_duty(text, "l")).modes[0]
    # 4.2 - 0.95 q - 0.2 * 0.1 = 2.5 -> q = 1.768 Ah (computed)
    assert mode.ends_by == "protection" and mode.delivered_Ah == pytest.approx(1.768, abs=0.002)
    assert {load_duty(name).protection_low_V for name in ("path-light", "camp-lantern")} == {2.5}


def test_charging_below_0_degC_and_a_chemistry_the_device_is_not_made_for_are_refused():
    # Li-ion is not charged below 0 degC: lithium plates out (common practice)
    text = HEAD + 'day_temperature="-1 degC"\n[[modes]]\nname="m"\ncurrent="20 mA"\n'
    assert any("plates" in why for why in fit(cell(), read_duty(text, "l")).refusals)
    assert not fit(cell(), read_duty(text.replace("-1", "0"), "l")).refusals
    assert not fit(cell(), read_duty("cold_charge_blocked=true\n" + text, "l")).refusals
    lfp = replace(cell(), chemistry="lfp")
    assert any("made for li-ion" in why for why in fit(lfp, read_duty(text, "l")).refusals)


# Conductivity of LiPF6 in EC:DMC: 17.1 kJ/mol; exchange currents 43.6 and 53.4 kJ/mol (M. Ecker et al. 2015, J.
# Electrochem. Soc. 162 A1836, as printed in public parameter sets). Arrhenius: exp(E/R (1/T - 1/T0)), computed by hand.
@pytest.mark.parametrize(("degC", "times"), [(20.0, 1.0), (10.0, 1.281), (0.0, 1.671), (-10.0, 2.224)])
def test_cold_raises_the_sag_as_the_electrolyte_s_conductivity_falls(degC, times):
    # A voltage that falls in a straight line, far from its rail: the sag in the middle is current times resistance.
    text = HEAD + f'night_temperature="{degC} degC"\n[[modes]]\nname="m"\ncurrent="100 mA"\n'
    mode = fit(cell(ohm=0.1), read_duty(text, "l")).modes[0]
    assert mode.sag_V == pytest.approx(0.01 * times, rel=2e-3)


def test_the_uncertainty_of_the_cold_reaches_cells_with_much_charge_transfer():
    # Half the resistance electrolyte (17.1), a quarter metal (0), a quarter charge transfer (53.4 kJ/mol): at 0 degC
    # 0.5 x 1.671 + 0.25 + 0.25 x 4.97 = 2.33 times; metal and electrolyte alone 0.5 x 1.671 + 0.5 = 1.34 (computed).
    from amphora.harness.analysis.resistance_warmth import COLD_J_PER_MOL, COLD_U_J_PER_MOL, GAS_J_PER_MOL_K

    per_J = (1 / 273.15 - 1 / 293.15) / GAS_J_PER_MOL_K
    low, high = (np.exp((COLD_J_PER_MOL + sign * COLD_U_J_PER_MOL) * per_J) for sign in (-1, 1))
    assert low < 1.34 and high > 2.33
