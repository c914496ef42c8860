"""What gravity samples say of a beer, in sentences: attenuation, alcohol, CO2 to come, standing still."""

from collections.abc import Iterator, Sequence

from ullage.daemon.gravity_text import gravity_text
from ullage.daemon.store.store import Store
from ullage.detectors.gravity import (
    BEER_ATTENUATION_PERCENT,
    Instrument,
    attenuation,
    co2_still_to_come_g_per_l,
)
from ullage.detectors.gravity_samples import GravitySample, stable
from ullage.detectors.journal import Word, understand
from ullage.detectors.vessel import Vessel

LEAST_TOLD_G_PER_L = 0.05
"""Less would be shown as 0.0."""


def samples_of(store: Store, vessel: str, since_s: float | None) -> tuple[GravitySample, ...]:
    """Return the samples by hand that stand in a vessel's journal, oldest first."""
    found: list[GravitySample] = []
    for entry in store.entries(vessel, since_s):
        known = understand(entry.text)
        if known is not None and known.word is Word.GRAVITY and known.number is not None:
            sample = GravitySample(
                time_s=entry.time_s, gravity=known.number, instrument=Instrument(known.rest)
            )
            found.append(sample)
    return tuple(found)


def report(vessel: Vessel, gravity: float, samples: Sequence[GravitySample]) -> Iterator[str]:
    """Yield the sentences."""
    original = vessel.original_gravity
    if original is None:
        yield (
            "Without an original gravity nothing can be said of attenuation and alcohol: `ullage batch start` and `ullage batch "
            "change` take it as --og."
        )
    else:
        beer = attenuation(original, gravity)
        yield (
            f"From {gravity_text(original)}: {beer.apparent_percent:.0f} % apparent attenuation, "
            f"{beer.alcohol_volume_percent:.1f} % alcohol by volume."
        )
        to_come = co2_still_to_come_g_per_l(original, gravity)
        much = f"about {to_come:.1f} g/L" if to_come >= LEAST_TOLD_G_PER_L else "none to speak of"
        yield (
            f"CO2 still to come: {much}, if it ends at {BEER_ATTENUATION_PERCENT:.0f} % apparent attenuation (assumed)."
        )
    steadiness = stable(samples)
    if steadiness.samples > 1:
        yield steadiness.text
