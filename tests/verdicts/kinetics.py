"""How yeast makes CO2: three families of models, so that no judge fits one of them by luck.

Sugars: Engasser's growth model with the temperature terms of Gee and Ramirez (Biotechnol. Bioeng. 31:224, 1988;
J. Inst. Brew. 100:321, 1994; constants as transcribed publicly), a lag added. Sigmoid: logistic or Gompertz in the
extract (Speers, Rogers, Smith, J. Inst. Brew. 109:229, 2003). Monod: growth on one limiting sugar. The last two get
a slow pool of extract that goes by first order, and a Q10 of 2 to 3 (common practice). Amounts are CO2 in g/L of
beer: 0.4629 g per g of extract fermented (Balling).
"""

import math
from dataclasses import dataclass
from typing import Protocol

CO2_PER_EXTRACT = 0.9565 / 2.0665
"""g CO2 per g extract: Balling's balance."""

GAS_CAL = 1.987e-3
"""Gas constant, kcal/(mol K), as the Gee-Ramirez constants want it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Yeast:
    """What the yeast does with the wort. Rates are per hour at `reference_c`; total is CO2 in g/L."""

    family: str
    total_g_per_l: float
    lag_h: float
    lag_width_h: float
    peak_per_h: float
    seed_fraction: float
    half_saturation: float
    tail_fraction: float
    tail_tau_h: float
    q10: float
    reference_c: float
    stop_c: float
    stop_width_k: float
    sugar_speed: float
    glucose_share: float
    triose_share: float

    def warmth(self, beer_c: float) -> float:
        """Return the rate relative to that at the reference, by Q10, falling to nothing below `stop_c`."""
        return float(self.q10 ** ((beer_c - self.reference_c) / 10)) * self.awake(beer_c)

    def awake(self, beer_c: float) -> float:
        """Return 1 where the yeast works, 0 where it has gone to sleep from cold."""
        x = min(max((beer_c - self.stop_c) / self.stop_width_k, 0.0), 1.0)
        return x * x * (3 - 2 * x)

    def started(self, hours: float) -> float:
        """Return how far the lag is over, 0 to 1, at this many hours after pitching."""
        z = (hours - self.lag_h) / self.lag_width_h
        return 1 / (1 + math.exp(-z)) if z > -40 else 0.0


class Ferment(Protocol):
    """A fermentation on its way."""

    def step(self, dt_h: float, hours: float, beer_c: float, brake: float) -> float:
        """Go on by `dt_h` at this temperature and return the CO2 made, g/L; `brake` scales the rate."""


class Sigmoid:
    """Logistic or Gompertz growth of the part made, and a slow pool."""

    def __init__(self, yeast: Yeast) -> None:
        self.yeast = yeast
        self.part = yeast.seed_fraction
        self.pool = yeast.tail_fraction

    def step(self, dt_h: float, hours: float, beer_c: float, brake: float) -> float:
        y = self.yeast
        pace = y.warmth(beer_c) * y.started(hours) * brake * dt_h
        f = self.part
        shape = -math.e * f * math.log(f) if y.family == "gompertz" else 4 * f * (1 - f)
        gain = min(y.peak_per_h * pace * shape, 1 - 1e-9 - f)
        self.part = f + gain
        slow = self.pool * (1 - math.exp(-pace / y.tail_tau_h * min(1.0, f / 0.7)))
        self.pool -= slow
        return y.total_g_per_l * ((1 - y.tail_fraction) * gain / (1 - y.seed_fraction) + slow)


class Monod:
    """Cells that grow to a limit on one sugar, and a slow pool."""

    def __init__(self, yeast: Yeast) -> None:
        self.yeast = yeast
        self.cells = yeast.seed_fraction * 3
        self.sugar = 1.0
        self.pool = yeast.tail_fraction

    def step(self, dt_h: float, hours: float, beer_c: float, brake: float) -> float:
        y = self.yeast
        pace = y.warmth(beer_c) * y.started(hours) * brake * dt_h
        feed = self.sugar / (y.half_saturation + self.sugar) * pace
        used = min(1.3 * y.peak_per_h * self.cells * feed, self.sugar)
        self.cells += 4 * y.peak_per_h * self.cells * (1 - self.cells) * feed
        self.sugar -= used
        slow = self.pool * (1 - math.exp(-pace / y.tail_tau_h * (1 - self.sugar)))
        self.pool -= slow
        return y.total_g_per_l * ((1 - y.tail_fraction) * used + slow)


class Sugars:
    """Glucose, maltose and maltotriose one after the other, with growth: Engasser, Gee and Ramirez."""

    def __init__(self, yeast: Yeast) -> None:
        self.yeast = yeast
        # Amounts in mol/m3 such that all of it makes the yeast's total: 1.97 mol CO2 per mol of hexose.
        hexose = yeast.total_g_per_l * 1000 / (1.97 * 44.0095)
        maltose_share = 1 - yeast.glucose_share - yeast.triose_share
        self.g = hexose * yeast.glucose_share
        self.m = hexose * maltose_share / 2
        self.n = hexose * yeast.triose_share / 3
        self.x0 = 125.0 * yeast.sugar_speed
        self.x = self.x0

    def step(self, dt_h: float, hours: float, beer_c: float, brake: float) -> float:
        y = self.yeast
        rt = GAS_CAL * (beer_c + 273.15)
        e = math.exp
        kg, km, kn = e(-121.3 + 68.6 / rt), e(-19.15 + 14.4 / rt), e(-26.78 + 19.9 / rt)
        ig, im = e(23.33 - 10.2 / rt), e(55.61 - 26.3 / rt)
        free_g, free_m = ig / (ig + self.g), im / (im + self.m)
        pace = y.awake(beer_c) * y.started(hours) * brake * dt_h * self.x
        u1 = e(35.77 - 22.6 / rt) * self.g / (kg + self.g) * pace
        u2 = e(16.40 - 11.3 / rt) * self.m / (km + self.m) * free_g * pace
        u3 = e(10.59 - 7.16 / rt) * self.n / (kn + self.n) * free_g * free_m * pace
        u1, u2, u3 = min(u1, self.g), min(u2, self.m), min(u3, self.n)
        self.g, self.m, self.n = self.g - u1, self.m - u2, self.n - u3
        self.x += (0.134 * u1 + 0.268 * u2 + 0.402 * u3) * 3.65e5 / (3.65e5 + (self.x - self.x0) ** 2)
        return 1.97 * 44.0095e-3 * (u1 + 2 * u2 + 3 * u3)


def begin(yeast: Yeast) -> Ferment:
    """Return the fermentation of this yeast, just pitched."""
    if yeast.family == "sugars":
        return Sugars(yeast)
    return Monod(yeast) if yeast.family == "monod" else Sigmoid(yeast)


def extract_g_per_l(gravity: float) -> float:
    """Return extract in g/L of wort of this specific gravity (cubic fit of the ASBC table, see Buhl 2023)."""
    s = gravity
    plato = -616.868 + 1111.14 * s - 630.272 * s**2 + 135.997 * s**3
    return plato * 10 * s * 0.9982


def total_co2(gravity: float, apparent_attenuation: float) -> float:
    """Return CO2 in g/L that wort of this gravity makes; real attenuation is 0.8192 of the apparent (Balling)."""
    return extract_g_per_l(gravity) * 0.8192 * apparent_attenuation * CO2_PER_EXTRACT


def gravity_at(original_gravity: float, made_g_per_l: float) -> float:
    """Return the apparent specific gravity after so much CO2 (inverse of `total_co2`, simple Plato relation)."""
    fermented = made_g_per_l / (0.8192 * CO2_PER_EXTRACT)
    original = 260.4 - 260.4 / original_gravity
    plato = original - fermented / (10 * original_gravity * 0.9982)
    return 260.4 / (260.4 - plato)
