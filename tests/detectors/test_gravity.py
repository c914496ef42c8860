"""Gravity, attenuation and alcohol against published tables, measured means and formulas of another origin."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.reference.properties import property_si
from ullage.detectors.extract import plato_from_sg, sg_from_plato
from ullage.detectors.gravity import (
    ETHANOL_20,
    Instrument,
    assumed_final_gravity,
    attenuation,
    co2_still_to_come_g_per_l,
    hydrometer_gravity,
    refractometer_gravity,
    wort_gravity,
)
from ullage.detectors.gravity_samples import GravitySample, stable
from ullage.detectors.water import water_g_per_l

DAY_S = 86400.0

# -- °P and SG --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("plato", "gravity"),
    [
        (4.0, 1.01569),  # USDA sucrose conversion table, file code 135-A-50 (apparent SG 20/20)
        (7.6, 1.03017),  # the same
        (12.0, 1.04836),  # Zoecklein et al., Wine Analysis and Production, Appendix I, Table I-1
        (20.0, 1.08297),  # the same
    ],
)
def test_plato_and_gravity_both_ways(plato: float, gravity: float) -> None:
    """Published pairs within what the cubic of the ASBC table leaves (0.02 °P, 0.0001)."""
    assert plato_from_sg(gravity) == pytest.approx(plato, abs=0.02)
    assert sg_from_plato(plato) == pytest.approx(gravity, abs=1e-4)


# -- hydrometer -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sample_c", "points"),
    [(5, -0.86), (10, -0.60), (20, 0.90), (25, 2.06), (30, 3.46), (35, 5.07), (40, 6.89)],
)
def test_hydrometer_made_for_15_c_against_the_published_table(sample_c: float, points: float) -> None:
    """Thousandths, from densities of the CRC Handbook (C. Lyons, 1992: as differences, where a ratio is meant)."""
    assert 1000 * (hydrometer_gravity(1.0, sample_c, 15.0) - 1.0) == pytest.approx(points, abs=0.06)


@pytest.mark.parametrize("sample_c", [0.5, 4.0, 15.0, 20.0, 37.0, 60.0])
def test_density_of_water_against_the_reference_equation(sample_c: float) -> None:
    """IAPWS-95 as evaluated by CoolProp, at 1 atm."""
    reference = property_si("D", "T", sample_c + 273.15, "P", 101325.0, "Water")
    assert water_g_per_l(sample_c) == pytest.approx(float(reference), abs=0.02)


@pytest.mark.parametrize(("off_k", "brix"), [(-10, -0.401), (-5, -0.238), (5, 0.293), (10, 0.635)])
def test_wort_expands_nearly_as_water_does(off_k: float, brix: float) -> None:
    """Published correction of a saccharometer at 10 °Brix (fit of the usual table), in gravity within 0.0001."""
    shown = sg_from_plato(10.0)
    expected = sg_from_plato(10.0 + brix)
    assert hydrometer_gravity(shown, 20.0 + off_k) == pytest.approx(expected, abs=1.3e-4)


def test_hydrometer_without_a_temperature_is_taken_as_it_stands() -> None:
    """So is one at its own temperature."""
    assert hydrometer_gravity(1.0123) == 1.0123
    assert hydrometer_gravity(1.0123, 20.0) == 1.0123


# -- refractometer ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("original", [8.0, 10.0, 12.0, 15.0, 18.0])
@pytest.mark.parametrize("share", [0.45, 0.5, 0.6, 0.8, 0.95])
def test_refractometer_against_a_derivation_from_balling(original: float, share: float) -> None:
    """SG = 1.0013 - 0.0025 original + 0.00628 now, from Balling's balance and refractive indices (public, 2013)."""
    now = original * share
    derived = 1.0013 - 0.0025 * original + 0.00628 * now
    assert refractometer_gravity(original, now, 1.0) == pytest.approx(derived, abs=0.0015)


def zeiss_brix(reading: float) -> float:
    """°Brix of sucrose for a reading of the Zeiss immersion refractometer at 17.5 °C.

    nD = 1.327338 + 3.9347e-4 r - 2.0446e-7 r² (from memory; r = 15 is water, nD 1.33320), and refractive indices of
    sucrose solutions at 20 °C (from memory of the ICUMSA table): 0 % 1.33299, 5 % 1.34026, 10 % 1.34782, 15 % 1.35568.
    """
    above_water = 3.9347e-4 * (reading - 15) - 2.0446e-7 * (reading**2 - 225)
    table = [(0.0, 0.0), (0.00727, 5.0), (0.01483, 10.0), (0.02269, 15.0)]
    for (low, low_brix), (high, high_brix) in itertools.pairwise(table):
        if above_water <= high:
            return low_brix + (high_brix - low_brix) * (above_water - low) / (high - low)
    raise AssertionError(reading)


@pytest.mark.parametrize("apparent", [10.0, 8.0, 6.0, 4.0, 2.5])
def test_refractometer_against_a_relation_measured_in_a_brewery(apparent: float) -> None:
    """Wort of 11.50 °P: apparent extract = 0.3830 r - 11.7129 (Kvasny Prum. 17:53, 1971; own error below 0.1)."""
    original, now = zeiss_brix((11.5 + 11.7129) / 0.3830), zeiss_brix((apparent + 11.7129) / 0.3830)
    assert original == pytest.approx(11.5, abs=0.3)
    found = refractometer_gravity(original, now, original / 11.5)
    assert plato_from_sg(found) == pytest.approx(apparent, abs=0.2)


SUCROSE = ((0, 1.3330), (4, 1.3388), (8, 1.3448), (10, 1.3478), (12, 1.3509), (14, 1.3541), (16, 1.3573))
ETHANOL = ((0, 1.3330), (2, 1.3342), (4, 1.3354), (6, 1.3367))
"""Refractive indices at 20 °C by mass percent in water: handbook tables of aqueous solutions, from memory."""


@pytest.mark.parametrize("original", [8.0, 10.0, 12.0, 15.0])
@pytest.mark.parametrize("attenuation_percent", [20.0, 40.0, 60.0, 80.0])
def test_refractometer_against_refractive_indices(original: float, attenuation_percent: float) -> None:
    """Real extract bends light as sucrose does, alcohol as ethanol, and both add up (Šavel et al. 2009, abstract)."""
    apparent = original * (1 - attenuation_percent / 100)
    real = 0.1808 * original + 0.8192 * apparent  # Balling
    alcohol = (original - real) / (2.0665 - 0.010665 * original)
    sucrose, ethanol = np.array(SUCROSE), np.array(ETHANOL)
    bent = np.interp(real, *sucrose.T) + np.interp(alcohol, *ethanol.T) - 1.3330
    shown_brix = float(np.interp(bent, sucrose[:, 1], sucrose[:, 0]))
    found = refractometer_gravity(original, shown_brix, 1.0)
    assert found == pytest.approx(sg_from_plato(apparent), abs=0.0021)


@pytest.mark.parametrize("original", [8.0, 10.0, 12.0, 15.0])
@pytest.mark.parametrize("share", [0.45, 0.5, 0.6, 0.7])
def test_refractometer_against_the_alcohol_that_index_and_gravity_tell(original: float, share: float) -> None:
    """Alcohol % w/w = 759.8 (r - 1) - 292.3 (S - 1), Barth, for beer of which gravity and refractive index are measured.

    Published in "Refractometric Analysis of Beer", a chapter of a handbook of alcohol (C. Simmonds, 1919; author and
    year from memory), and measured on beer, where the other checks rest on water with sugar or ethanol in it. r - 1 is
    the excess of the index over water's: as a ratio no beer would fit it. A gravity that is wrong by 0.001 shows as 0.2 %.
    """
    now = 1.04 * original * share
    gravity = refractometer_gravity(1.04 * original, now)
    sucrose = np.array(SUCROSE)
    excess = float(np.interp(now, *sucrose.T)) - 1.3330
    barth = 759.8 * excess - 292.3 * (gravity - 1)
    real = 0.1808 * original + 0.8192 * plato_from_sg(gravity)  # Balling
    assert barth == pytest.approx((original - real) / (2.0665 - 0.010665 * original), abs=0.25)


def test_refractometer_in_wort_shows_wort() -> None:
    """No alcohol yet: 12.48 °Brix over 1.04 is 12 °P, 1.04836 by the sucrose table."""
    assert wort_gravity(12.48) == pytest.approx(1.04836, abs=1e-4)
    assert refractometer_gravity(12.48, 12.48) == pytest.approx(1.04836, abs=1e-4)


@given(original=st.floats(6, 20), share=st.floats(0.4, 0.98), less=st.floats(0.01, 0.2))
def test_a_falling_reading_is_a_falling_gravity(original: float, share: float, less: float) -> None:
    """And alcohol is there: the gravity is below what the reading would mean in wort."""
    now = original * share
    assert refractometer_gravity(original, now - less) < refractometer_gravity(original, now)
    assert refractometer_gravity(original, now) < wort_gravity(now)


# -- attenuation and alcohol ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("original", "apparent", "alcohol", "brews"),
    [
        (14.08, 3.11, 4.72, 92),
        (14.54, 2.53, 5.14, 112),
        (17.67, 2.45, 6.56, 71),
        (11.34, 2.01, 3.82, 221),
        (12.75, 2.79, 4.21, 36),
    ],
)
def test_alcohol_against_measured_brews(original: float, apparent: float, alcohol: float, brews: int) -> None:
    """Means of 532 analysed brews, Cutaia, Reid & Speers, J. Inst. Brew. 115:318 (2009), Table III; % w/w."""
    assert brews > 30
    found = attenuation(sg_from_plato(original), sg_from_plato(apparent))
    assert found.alcohol_mass_percent == pytest.approx(alcohol, abs=0.12)


def test_worked_example_of_a_twelve_plato_beer() -> None:
    """12 to 2.5 °P: RE 4.2176 (Balling's classical form), 4.0146 % w/w (Hall 1995), 79.17 % (definition, MEBAK)."""
    found = attenuation(sg_from_plato(12.0), sg_from_plato(2.5))
    assert found.original_plato == pytest.approx(12.0, abs=1e-6)
    assert found.real_plato == pytest.approx(4.2176, abs=5e-4)
    assert found.alcohol_mass_percent == pytest.approx(4.0146, abs=5e-4)
    assert found.apparent_percent == pytest.approx(79.17, abs=0.01)
    assert found.real_percent == pytest.approx(100 * (12 - 4.2176) / 12, abs=0.01)
    assert found.alcohol_volume_percent == pytest.approx(5.1, abs=0.05)


@given(original=st.floats(1.03, 1.1), fermented=st.floats(0.05, 0.95))
def test_the_great_balling_formula_leads_back(original: float, fermented: float) -> None:
    """OE = 100 (RE + 2.0665 A)/(100 + 1.0665 A), Kvasny Prum. 61:120 (2015)."""
    found = attenuation(original, sg_from_plato(plato_from_sg(original) * (1 - fermented)))
    alcohol = found.alcohol_mass_percent
    back = 100 * (found.real_plato + 2.0665 * alcohol) / (100 + 1.0665 * alcohol)
    assert back == pytest.approx(found.original_plato, abs=0.01)


@pytest.mark.parametrize(("mass", "volume", "kg_per_m3"), [(3.985, 5.0, 990.9), (8.01, 10.0, 984.7)])
def test_mass_to_volume_percent_against_ethanol_in_water(
    mass: float, volume: float, kg_per_m3: float
) -> None:
    """Pairs of the OIML R 22 tables at 20 °C (from memory)."""
    assert mass * kg_per_m3 / 998.20 / ETHANOL_20 == pytest.approx(volume, abs=0.02)


def test_nothing_fermented_is_no_alcohol() -> None:
    """A gravity at or above the original is wort; a dry cider below water is no error."""
    for now in (1.048, 1.0485):
        found = attenuation(1.048, now)
        assert (found.apparent_percent, found.alcohol_mass_percent) == (0, 0)
    dry = attenuation(1.050, 0.998)
    assert dry.apparent_percent > 100
    assert dry.alcohol_volume_percent == pytest.approx(6.9, abs=0.2)


# -- CO2 to come ------------------------------------------------------------------------------------------------------


def test_co2_of_a_whole_fermentation_and_of_its_rest() -> None:
    """38.5 g/L from 12 to 2.5 °P by Balling's balance; parts add up; nothing comes past the end."""
    start, end = sg_from_plato(12.0), sg_from_plato(2.5)
    assert co2_still_to_come_g_per_l(start, start, end) == pytest.approx(38.5, abs=0.3)
    half = sg_from_plato(7.0)
    rest = co2_still_to_come_g_per_l(start, half, end)
    assert rest == pytest.approx(38.5 - co2_still_to_come_g_per_l(start, start, half), abs=0.3)
    assert co2_still_to_come_g_per_l(start, end, end) == 0
    assert co2_still_to_come_g_per_l(start, end - 0.002, end) == 0


def test_the_last_of_the_extract_is_worth_more_than_a_bar() -> None:
    """One °P apparent in a shut keg gives some 4 g/L, about 1.9 bar at 18 °C: why packaging early is dangerous."""
    start = sg_from_plato(12.0)
    grams = co2_still_to_come_g_per_l(start, sg_from_plato(3.5), sg_from_plato(2.5))
    assert grams * 20 / 40.4 == pytest.approx(1.9, abs=0.15)  # 40.4 g/bar: 20 L with 3 L of gas


def test_an_unstated_end_is_assumed_at_78_percent() -> None:
    """Apparent attenuation of 70 to 85 % is common practice for beer."""
    final = assumed_final_gravity(1.048)
    assert attenuation(1.048, final).apparent_percent == pytest.approx(78.0, abs=0.01)
    assert co2_still_to_come_g_per_l(1.048, 1.048) == co2_still_to_come_g_per_l(1.048, 1.048, final)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: hydrometer_gravity(10.48), "gravity"),
        (lambda: hydrometer_gravity(1.048, 80.0), "temperature_c"),
        (lambda: hydrometer_gravity(math.nan), "gravity"),
        (lambda: refractometer_gravity(1.048, 6.0, 2.0), "wort_correction"),
        (lambda: refractometer_gravity(12.0, -1.0), "now_brix"),
        (lambda: refractometer_gravity(55.0, 6.0), "original_brix"),
        (lambda: wort_gravity(math.inf), "brix"),
        (lambda: attenuation(1.0, 1.0), "original_gravity"),
        (lambda: attenuation(1.048, 1048.0), "gravity"),
        (lambda: co2_still_to_come_g_per_l(1.048, 1.02, 2.5), "final gravity"),
    ],
)
def test_numbers_that_cannot_be_are_refused_by_name(call: object, named: str) -> None:
    """The sentence names field, value, unit and limits."""
    assert callable(call)
    with pytest.raises(ValueError, match=named):
        call()


# -- standing still ---------------------------------------------------------------------------------------------------


def samples(*day_gravity: tuple[float, float], by: Instrument = Instrument.HYDROMETER) -> list[GravitySample]:
    return [GravitySample(time_s=day * DAY_S, gravity=sg, instrument=by) for day, sg in day_gravity]


@pytest.mark.parametrize(
    ("taken", "stands"),
    [
        (samples((7, 1.012), (9, 1.012)), True),
        (samples((7, 1.012), (9, 1.011)), True),
        (samples((7, 1.012), (8, 1.013), (9, 1.012)), True),
        (samples((7, 1.012), (9, 1.0105)), False),
        (samples((7, 1.012), (8, 1.015), (9, 1.012)), False),
        (samples((7, 1.012), (8.9, 1.012)), False),
        (samples((5, 1.020), (7, 1.012), (9, 1.012)), True),
        (samples((9, 1.012), (7, 1.012), (5, 1.020)), True),
        (samples((9, 1.012)), False),
        ([], False),
    ],
)
def test_unchanged_within_a_thousandth_over_48_hours(taken: list[GravitySample], stands: bool) -> None:
    """The trade's sign (common practice), however the samples are ordered; all between count, older ones do not."""
    assert stable(taken).stands is stands


def test_two_instruments_are_not_compared() -> None:
    """A float that reads 0.004 high neither hides a change nor makes one."""
    mixed = samples((7, 1.012), (9, 1.012)) + samples((8, 1.016), by=Instrument.FLOAT)
    assert stable(mixed).stands
    assert stable(mixed).samples == 2
    crossed = samples((7, 1.012)) + samples((9, 1.012), by=Instrument.FLOAT)
    assert not stable(crossed).stands


def test_sentences_say_what_was_seen() -> None:
    """Instrument, spread and span; how much longer it takes."""
    assert stable(samples((7, 1.012), (9, 1.0115))).text == (
        "Gravity by hydrometer has stood within 0.0005 over 48 h."
    )
    assert "moved by 0.0030" in stable(samples((7, 1.012), (9, 1.009))).text
    assert "span 24 h so far; 48 h are needed" in stable(samples((7, 1.012), (8, 1.012))).text
    assert stable([]).text == "No gravity sample yet."


@given(
    st.lists(st.tuples(st.floats(0, 20), st.floats(1.0, 1.06)), min_size=1, max_size=12),
    st.randoms(use_true_random=False),
)
def test_order_of_samples_does_not_matter(taken: list[tuple[float, float]], shuffler: object) -> None:
    """Any order gives the same verdict; a verdict of standing never rests on less than 48 h or more than 0.001."""
    ordered = samples(*taken)
    mixed = list(ordered)
    assert hasattr(shuffler, "shuffle")
    shuffler.shuffle(mixed)
    found, again = stable(ordered), stable(mixed)
    assert (found.stands, found.span_h, found.spread) == (again.stands, again.span_h, again.spread)
    if found.stands:
        assert found.span_h >= 48
        assert found.spread <= 0.001001
