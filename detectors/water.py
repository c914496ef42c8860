"""Density of water, for hydrometers read at another temperature than they were made for."""


def water_g_per_l(temperature_c: float) -> float:
    """Return the density of air-free water at 1 atm in g/L, 0 to 100 °C.

    References
    ----------
    G. S. Kell, J. Chem. Eng. Data 20:97 (1975); formula as reprinted by Jones & Harris, J. Res. NIST 97:335 (1992).
    """
    t = temperature_c
    above = (
        999.83952
        + 16.945176 * t
        - 7.9870401e-3 * t**2
        - 46.170461e-6 * t**3
        + 105.56302e-9 * t**4
        - 280.54253e-12 * t**5
    )
    return above / (1 + 16.879850e-3 * t)
