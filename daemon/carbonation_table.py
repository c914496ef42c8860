"""The carbonation table as plain text: g/L and volumes, bar and psi, °C and °F, within 80 columns."""

from ullage.adapters.reading import Quantity
from ullage.adapters.units import conversion
from ullage.detectors.co2 import dissolved_g_per_l, volumes_from_g_per_l

PSI_BAR = conversion(Quantity.PRESSURE, "[psi]").convert(1.0)
"""One psi in bar."""
ROWS_C = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 22, 25)
COLUMNS_BAR = (0.4, 0.6, 0.8, 1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2)
UNCERTAINTY = (
    "Beer in balance with CO2 above it, which takes days. Good to 5 % up to 3 bar:\n"
    "beers differ, and no published formula does better."
)
"""Said once wherever carbonation is shown by itself."""
CAUTION = "Stay below the limit on the vessel's plate."


def fahrenheit(celsius: float) -> float:
    """Return °F."""
    return celsius * 9 / 5 + 32


def table_lines(air_pressure_bar: float) -> list[str]:
    """Return the whole table, one line an element, none wider than 80 columns."""
    lines = [
        "Carbonation of beer by gauge pressure and temperature",
        f"Air pressure {air_pressure_bar * 1000:.0f} mbar.",
        "",
    ]
    for title, per_g in (
        ("g of CO2 per litre", 1.0),
        ("volumes of CO2 (litres at 0 °C and 1 atm per litre of beer)", float(volumes_from_g_per_l(1.0))),
    ):
        lines += [title, "", *_heads()]
        for celsius in ROWS_C:
            cells = (
                f"{per_g * float(dissolved_g_per_l(bar, float(celsius), air_pressure_bar)):6.1f}"
                for bar in COLUMNS_BAR
            )
            lines.append(f"{celsius:5d} {fahrenheit(celsius):6.1f} |" + "".join(cells))
        lines.append("")
    return [*lines, *UNCERTAINTY.splitlines(), CAUTION]


def _heads() -> list[str]:
    return [
        "          bar |" + "".join(f"{bar:6.1f}" for bar in COLUMNS_BAR),
        "          psi |" + "".join(f"{bar / PSI_BAR:6.1f}" for bar in COLUMNS_BAR),
        "   °C     °F  |",
        "-" * 14 + "+" + "-" * 6 * len(COLUMNS_BAR),
    ]
