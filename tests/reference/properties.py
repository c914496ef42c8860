"""Properties of CO2 and water by the equations of state that CoolProp carries.

Its library takes three seconds to load: only whoever asks for a property does so, not whoever collects tests.
"""


def property_si(output: str, name_1: str, value_1: float, name_2: str, value_2: float, fluid: str) -> float:
    """Return one property in SI units; the letters are CoolProp's: D density, T temperature, P pressure, Q quality."""
    from CoolProp.CoolProp import PropsSI

    return float(PropsSI(output, name_1, value_1, name_2, value_2, fluid))
