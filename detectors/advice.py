"""Advice with numbers: where to set valve and regulator, how far to vent, what to expect of a chill.

Each function is pure, takes a vessel and returns a frozen value: the numbers, and `.text` as a sentence for a person.
Sources and ranges stand beside each; the vessel's relief valve protects, not this.
"""

from ullage.detectors.advice_bottle import BottleGas
from ullage.detectors.advice_chill import ChillAdvice, chill_advice
from ullage.detectors.advice_fining import FiningAdvice, fining_advice
from ullage.detectors.advice_limits import SAFE_POSITIVE_BAR, working_limit_bar
from ullage.detectors.advice_serving import ServingAdvice, serving_advice
from ullage.detectors.advice_valve import ValveAdvice, valve_advice

__all__ = [
    "SAFE_POSITIVE_BAR",
    "BottleGas",
    "ChillAdvice",
    "FiningAdvice",
    "ServingAdvice",
    "ValveAdvice",
    "chill_advice",
    "fining_advice",
    "serving_advice",
    "valve_advice",
    "working_limit_bar",
]
