"""Extract, gravity and what Balling's balance makes of them."""

import numpy as np
import pytest

from tests.reference.checks import Check, each, the
from ullage.detectors.extract import (
    alcohol_by_mass_percent,
    co2_made_g_per_l,
    co2_to_come_g_per_l,
    plato_from_sg,
    real_extract_plato,
    sg_from_plato,
)
from ullage.detectors.gravity import attenuation

CUBIC = 1e-4
"""What the cubic of the ASBC table leaves against other sucrose tables, in SG (0.02 °P)."""


@each("plato_from_sg_cubic")
def test_plato_from_gravity(check: Check) -> None:
    """The ASBC cubic at its check points."""
    check.compare(plato_from_sg(check.inputs["sg"]))


@each("plato_from_sg_one_parameter")
def test_plato_by_an_independent_form(check: Check) -> None:
    """A one-parameter form from another fit is within 0.02 °P on average, as its author states."""
    check.compare(plato_from_sg(check.inputs["sg"]), relative=0.02 / check.expected)


@each("sg_2020_from_percent_extract")
def test_gravity_from_plato(check: Check) -> None:
    """Sucrose tables of two publishers, within what the cubic leaves."""
    check.compare(sg_from_plato(check.inputs["plato"]), relative=CUBIC)


def test_plato_and_gravity_are_inverse() -> None:
    """Over the whole range of worts the way there and back loses nothing."""
    plato = np.linspace(-2.0, 28.0, 61)
    assert plato_from_sg(sg_from_plato(plato)) == pytest.approx(plato, abs=1e-9)


@each("real_extract")
def test_real_extract(check: Check) -> None:
    """The classical form derived from Balling."""
    check.compare(real_extract_plato(check.inputs["OE_P"], check.inputs["AE_P"]))


@each("alcohol_by_mass")
def test_alcohol(check: Check) -> None:
    """Hall 1995 after Balling."""
    check.compare(alcohol_by_mass_percent(check.inputs["OE_P"], check.inputs["RE_P"]))


@each("original_extract_from_balling")
def test_great_balling_formula_leads_back(check: Check) -> None:
    """Real extract and alcohol of the check give the original extract by the great Balling formula."""
    real = check.inputs["RE_P"]
    alcohol = alcohol_by_mass_percent(12.0, real)
    assert alcohol == pytest.approx(check.inputs["A_pct_w"], abs=5e-4)
    check.compare(100 * (real + 2.0665 * alcohol) / (100 + 1.0665 * alcohol))


@each("co2_total_per_L_wort")
def test_gas_of_a_whole_fermentation(check: Check) -> None:
    """A litre of 12 °P wort down to 2.5 °P gives 38.5 g (Balling)."""
    check.compare(float(co2_made_g_per_l(check.inputs["OE_P"], check.inputs["AE_P"])))
    original, final = sg_from_plato(check.inputs["OE_P"]), sg_from_plato(check.inputs["AE_P"])
    check.compare(float(co2_to_come_g_per_l(original, final)))


@each("co2_per_g_extract")
def test_gas_for_each_gram_of_extract(check: Check) -> None:
    """What leaves a litre of wort as gas is 0.463 of the extract that has gone, and less than glucose alone gives."""
    original, apparent = 12.0, 2.5
    real = real_extract_plato(original, apparent)
    alcohol = alcohol_by_mass_percent(original, real)
    beer_of_100_g = 100 * 100 / (100 + 1.0665 * alcohol)
    gone_g_per_l = (original - real * beer_of_100_g / 100) / 100 * sg_from_plato(original) * 998.2
    share = float(co2_made_g_per_l(original, apparent)) / gone_g_per_l
    check.compare(share, relative=1e-3)
    assert share < the("gay_lussac_co2_per_g_glucose").expected


@each("apparent_attenuation")
def test_attenuation(check: Check) -> None:
    """The definition of the analysis committee."""
    beer = attenuation(sg_from_plato(check.inputs["OE_P"]), sg_from_plato(check.inputs["AE_P"]))
    check.compare(beer.apparent_percent)


def test_gas_to_come_adds_up() -> None:
    """What has been made and what is to come are the whole, wherever the beer stands."""
    original, final = 1.048, 1.010
    whole = float(co2_to_come_g_per_l(original, final))
    for now in (1.048, 1.040, 1.020, 1.010):
        made = float(co2_made_g_per_l(plato_from_sg(original), plato_from_sg(now)))
        assert made + float(co2_to_come_g_per_l(original, final, now)) == pytest.approx(whole, abs=1e-9)
    assert float(co2_to_come_g_per_l(original, final, final)) == 0.0
    assert (
        1.9 < float(co2_to_come_g_per_l(original, final, final + 0.002)) < 2.2
    )  # 0.001 SG is some 0.5 bar sealed
