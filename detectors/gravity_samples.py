"""Samples of one batch, and whether they stand still: evidence for the end of fermentation.

Unchanged within 0.001 over 48 h is the trade's sign (common practice). Only samples of one instrument are compared:
two that disagree by their own error look like a change, or hide one.

Examples
--------
>>> day = 86400.0
>>> samples = [
...     GravitySample(time_s=0.0, gravity=1.012, instrument=Instrument.HYDROMETER),
...     GravitySample(time_s=2 * day, gravity=1.0115, instrument=Instrument.HYDROMETER),
... ]
>>> stable(samples).stands
True
"""

from collections.abc import Sequence
from dataclasses import dataclass

from ullage.detectors.gravity import Instrument

ROUNDING = 1e-6
"""Two readings on adjoining marks differ by 0.001 and a little, as floating point has it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GravitySample:
    """One sample, corrected: specific gravity 20/20 at `time_s` (Unix seconds)."""

    time_s: float
    gravity: float
    instrument: Instrument


@dataclass(frozen=True, slots=True, kw_only=True)
class Stability:
    """Whether gravity stands still, and on what evidence."""

    stands: bool
    samples: int
    """Samples compared: those of the newest one's instrument in the time looked at."""
    span_h: float
    """From the first to the last of them."""
    spread: float
    """Highest less lowest."""
    text: str


def stable(samples: Sequence[GravitySample], hours: float = 48.0, within: float = 0.001) -> Stability:
    """Tell whether the newest samples stand still: over at least `hours`, by no more than `within`.

    Looks back from the newest sample to the latest one that is at least `hours` older; all in between count. The order
    of `samples` does not matter.
    """
    if not samples:
        return Stability(stands=False, samples=0, span_h=0.0, spread=0.0, text="No gravity sample yet.")
    newest = max(samples, key=lambda sample: sample.time_s)
    own = sorted(
        (sample for sample in samples if sample.instrument is newest.instrument),
        key=lambda sample: sample.time_s,
    )
    old = [sample for sample in own if newest.time_s - sample.time_s >= hours * 3600]
    since_s = old[-1].time_s if old else own[0].time_s
    looked = [sample.gravity for sample in own if sample.time_s >= since_s]
    span_h = (newest.time_s - since_s) / 3600
    spread = max(looked) - min(looked)
    stands = bool(old) and spread <= within + ROUNDING
    return Stability(
        stands=stands,
        samples=len(looked),
        span_h=span_h,
        spread=spread,
        text=_text(stands, bool(old), newest.instrument, span_h, spread, hours),
    )


def _text(
    stands: bool, long_enough: bool, instrument: Instrument, span_h: float, spread: float, hours: float
) -> str:
    """Return the sentence."""
    if stands:
        return f"Gravity by {instrument} has stood within {spread:.4f} over {span_h:.0f} h."
    if not long_enough:
        return f"Samples by {instrument} span {span_h:.0f} h so far; {hours:.0f} h are needed to tell whether it is over."
    return f"Gravity by {instrument} has moved by {spread:.4f} over {span_h:.0f} h."
