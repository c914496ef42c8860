"""The volume, a measure of carbonation: litres of CO2 at 0 °C and 1 atm per litre of beer."""

G_PER_VOLUME = 1.9635
"""One volume of CO2 in g/L: an ideal gas at 0 °C and 1 atm, 44.0095/22.414."""
