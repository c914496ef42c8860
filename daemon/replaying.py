"""Replay: a recorded log through the very detectors that watch live. No output, no clock: findings come out."""

import heapq
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.log_format import RecordedLog, VesselLog
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.sentences import nearest
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Finding
from ullage.detectors.journal import Word, understand
from ullage.detectors.samples import Entry, Samples
from ullage.detectors.stage import Stage, current
from ullage.detectors.watch import VesselWatch

BLOCK_ROWS = 131_072
"""Rows given to the detectors at a time: large enough for numpy, small enough for memory."""

Judged = Callable[[int], None]
"""Called with the number of rows just judged."""
Observe = Callable[["Replayed"], Sequence[Detector]]
"""Gives the observers that look on while a vessel is replayed; asked anew where its detectors begin anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """A vessel of the log and the one of the configuration that it is."""

    log: VesselLog
    watched: WatchedVessel


def pair_vessels(
    log: RecordedLog, vessels: Sequence[WatchedVessel], names: Mapping[str, str]
) -> tuple[Replayed, ...]:
    """Find each vessel of the log in the configuration.

    Parameters
    ----------
    log
        The log.
    vessels
        The configuration's vessels.
    names
        Name in the log to name in the configuration, where they differ.

    Raises
    ------
    ConfigError
        If a vessel is missing on either side; names both sides.
    DataError
        If the log holds no reading at all.
    """
    if not log.vessels:
        raise DataError("", "the log holds no usable row", "see the bad rows, or check the file")
    known = {watched.vessel.name: watched for watched in vessels}
    for name in names:
        if name not in log.vessels:
            raise ConfigError("--vessel", f"the log has no vessel {name!r}", nearest(name, log.vessels))
    pairs: list[Replayed] = []
    for name, vessel_log in log.vessels.items():
        meant = names.get(name, name)
        if meant not in known and name in names:
            raise ConfigError(
                "--vessel", f"there is no vessel {meant!r} in the configuration", nearest(meant, known)
            )
        if meant not in known:
            own = ", ".join(known)
            raise ConfigError(
                "",
                f"the log's vessel {name!r} is not in the configuration, which has {own}",
                f"add it there, or say which one it is: --vessel '{name}={next(iter(known))}'",
            )
        if any(pair.watched is known[meant] for pair in pairs):
            raise ConfigError("--vessel", f"two vessels of the log would be {meant!r}", "give each its own")
        pairs.append(Replayed(log=vessel_log, watched=known[meant]))
    return tuple(pairs)


def replay(
    pairs: Sequence[Replayed], judged: Judged | None = None, observe: Observe | None = None
) -> Iterator[Finding]:
    """Yield what the detectors find, all vessels merged in the order of time.

    The log's last time is the end for every vessel: one that fell silent before the others did is found out.
    """
    end_s = max((_last_s(pair.log) for pair in pairs), default=0.0)
    streams = [_findings(pair, end_s, judged, observe or _nobody) for pair in pairs]
    return iter(heapq.merge(*streams, key=lambda finding: finding.time_s))


def _last_s(log: VesselLog) -> float:
    last_s = float(log.time_s[-1]) if len(log) else 0.0
    return max([last_s, *(entry.time_s for entry in log.entries[-1:])])


def _nobody(_pair: Replayed) -> Sequence[Detector]:
    return ()


def _findings(pair: Replayed, end_s: float, judged: Judged | None, observe: Observe) -> Iterator[Finding]:
    """Feed one vessel's detectors with samples and, at their places in time, journal entries."""
    log = pair.log
    vessel = pair.watched.vessel.carrying(pair.watched.vessel.batch)
    watch = VesselWatch(vessel, pair.watched.detectors, observe(pair))
    samples = Samples(time_s=log.time_s, kind=log.kind, value=log.value)
    places = np.searchsorted(log.time_s, [entry.time_s for entry in log.entries]).tolist()
    start = 0
    for place, entry in zip(places, log.entries, strict=True):
        yield from _update(watch, samples, start, place, judged)
        if _begins_anew(watch, entry.text):
            watch = VesselWatch(vessel, pair.watched.detectors, observe(pair))
        yield from watch.enter(Entry(time_s=entry.time_s, text=entry.text))
        start = place
    yield from _update(watch, samples, start, len(samples), judged)
    yield from watch.tick(end_s)


def _begins_anew(watch: VesselWatch, text: str) -> bool:
    """Tell whether an entry is the end of one batch and the beginning of another, as the daemon would see it."""
    known = understand(text)
    if known is None:
        return False
    if known.word in (Word.BATCH_STARTED, Word.BATCH_ENDED):
        return True
    stage = current(watch.record.stages)
    return known.word is Word.PITCHED and stage is not None and stage.stage.place >= Stage.CONDITIONED.place


def _update(
    watch: VesselWatch, samples: Samples, start: int, stop: int, judged: Judged | None
) -> Iterator[Finding]:
    for first in range(start, stop, BLOCK_ROWS):
        last = min(first + BLOCK_ROWS, stop)
        yield from watch.update(samples.cut(first, last))
        if judged is not None:
            judged(last - first)
