"""What is said where a valve stands above what the vessel's plate allows: a caution, beside all numbers and advice.

Advice never goes so high (`advice_limits`), and a configuration that asks for it is refused. But a brewer, a button or a
script may enter any setting in the journal, and a valve may hold what nobody has set.
"""

from ullage.detectors.vessel import Vessel


def set_caution(vessel: Vessel, set_bar: float | None) -> str:
    """Return the caution about a valve's setting in bar; empty where the plate allows it."""
    if set_bar is None or set_bar < vessel.rated_pressure_bar:
        return ""
    return _worded(f"The valve is set to {set_bar:.2f} bar", vessel)


def held_caution(vessel: Vessel, held_bar: float | None) -> str:
    """Return the caution about the pressure that a valve has been seen to hold; empty where the plate allows it."""
    if held_bar is None or held_bar < vessel.rated_pressure_bar:
        return ""
    return _worded(f"The valve holds {held_bar:.2f} bar", vessel)


def _worded(what: str, vessel: Vessel) -> str:
    return (
        f"{what}, and the vessel's plate allows {vessel.rated_pressure_bar:.2f} bar: turn it out now, well below the "
        "plate. The relief valve protects, nothing else."
    )
