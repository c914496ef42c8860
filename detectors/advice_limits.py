"""Limits that every advice keeps: how near to the vessel's plate, how little pressure, what is a sane number."""

from ullage.detectors.vessel import Vessel

TEMPERATURES_C = (-2.0, 40.0)
"""What is taken for a temperature of beer; the solubility formula is good from -1 to 30 °C."""
MARGIN_SHARE = 0.1
MARGIN_LEAST_BAR = 0.2
"""Kept below the rated limit: 10 % (common practice), at least the hysteresis of a small valve (0.1 to 0.2 bar)."""
SAFE_POSITIVE_BAR = 0.1
"""Lowest gauge pressure left in a shut vessel, bar: above the error of a cheap sensor (70 mbar), so that it neither
draws in air nor takes a vacuum, and lids that seal by pressure stay seated."""


def working_limit_bar(vessel: Vessel, margin_bar: float | None = None) -> float:
    """Return the highest gauge pressure that is ever advised: the rated limit less the margin, never below 0.

    The margin is a tenth of the rated limit, at least 0.2 bar, unless `margin_bar` says otherwise.
    """
    return max(vessel.rated_pressure_bar - working_margin_bar(vessel, margin_bar), 0.0)


def working_margin_bar(vessel: Vessel, margin_bar: float | None = None) -> float:
    """Return what is kept between the advice and the vessel's plate, in bar.

    Raises
    ------
    ValueError
        If `margin_bar` is negative.
    """
    if margin_bar is None:
        return max(MARGIN_SHARE * vessel.rated_pressure_bar, MARGIN_LEAST_BAR)
    if not margin_bar >= 0:
        raise ValueError(f"margin_bar {margin_bar:g} bar must not be negative")
    return margin_bar


def check_temperature(name: str, value_c: float) -> None:
    """Refuse what is no temperature of beer.

    Raises
    ------
    ValueError
        With name, value and limits.
    """
    low, high = TEMPERATURES_C
    if not low <= value_c <= high:
        raise ValueError(f"{name} {value_c:g} °C must lie between {low:g} and {high:g} °C")


def check_carbonation(wanted_g_per_l: float) -> None:
    """Refuse what no beer holds.

    Raises
    ------
    ValueError
        With value and limits.
    """
    if not 0 < wanted_g_per_l <= 20:
        raise ValueError(f"wanted_g_per_l {wanted_g_per_l:g} g/L must lie above 0 and at most at 20 g/L")
